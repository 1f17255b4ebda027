"""The cheapest set that reaches all targets: against all sets, and places out of reach."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from siting_helpers import GRID, belts, candidates, seeded_lines, winds
from test_siting_place_cover import stock_places, world

from shelterscape.processes.siting.answer import ENOUGH_GROUND, NO_BELT, _none_chosen
from shelterscape.processes.siting.least import LeastSearch
from shelterscape.processes.siting.pictures import _at_target
from shelterscape.processes.siting.targets import places_in_case, targets_answer, with_targets
from shelterscape.science.belts import Case
from shelterscape.science.places import coverage, means, targets
from shelterscape.science.siting.input_uncertainty import InputUncertainty
from shelterscape.science.siting.least_cost import LeastCost, cost_with_land, least_cost
from shelterscape.science.siting.least_runs import LeastProblem, least_cost_runs
from shelterscape.science.siting.place_cover import PlaceGround
from shelterscape.science.siting.place_terms import target_terms

TWO = [[(200, 280), (200, 320)], [(200, 200), (200, 400)]]


def covered_world(places, new, wind_set=None):
    context, ground, *_ = world(places, new, wind_set=wind_set)
    here = PlaceGround(context, target_terms(context))
    return context, ground, here.expected(here.cells(ground.frame), ground.frame)


def places_of(seed):
    """Two fields with stock and a field with a target for its mean wind."""
    rng = np.random.default_rng(seed)
    boxes = [(80, 80, 240, 240), (300, 100, 460, 280), (180, 330, 320, 420)]
    return stock_places(
        boxes,
        [*rng.integers(200, 900, 2), 0],
        purpose=["outwintering stock", "lambing", "crop"],
    )


@pytest.mark.parametrize("seed", range(3))
def test_the_set_and_its_bound_against_every_set(seed):
    """All 512 sets of 9 lines; two lines cannot be chosen together."""
    new = candidates(belts(seeded_lines(9, seed + 70), 9.0))
    _, _, cover = covered_world(places_of(seed), new)
    cost, conflict = new["length_m"].to_numpy(), (0, 1)
    found = least_cost(cover, cost, enough=0.5, conflicts=[conflict])
    assert cover.planted == []
    values = {}
    for size in range(len(new) + 1):
        for rows in itertools.combinations(range(len(new)), size):
            for row in rows:
                cover.plant(row)
            values[rows] = cover.by_place.copy()
            for _ in rows:
                cover.remove_last()
    whole = values[tuple(range(len(new)))]
    assert found.best == pytest.approx(np.minimum(whole, 1.0))
    within_reach = whole >= 1 - 1e-9
    required = np.where(within_reach, 1.0, np.where(whole >= 0.5, 0.5, 0.0))
    assert found.required == pytest.approx(required)
    enough = [
        cost[list(rows)].sum()
        for rows, value in values.items()
        if (value >= required - 1e-9).all() and not {*conflict} <= {*rows}
    ]
    assert min(enough) > 0
    assert (found.reached == (required > 0)).all()
    assert found.cost_bound <= min(enough) + 1e-6
    assert found.cost == pytest.approx(min(enough))
    assert found.cost_bound == pytest.approx(found.cost, rel=1e-5)


def test_a_target_of_the_mean_is_that_on_the_ground():
    """The share of a target reached, from the wind on each cell."""
    places = places_of(5).iloc[2:].reset_index(drop=True)
    new = candidates(belts(seeded_lines(6, 3, (0.3, 0.7)), 9.0))
    _, ground, cover = covered_world(places, new)
    for row in range(3):
        ground.plant(row)
        cover.plant(row)
    mean = np.einsum("r,rij->ij", ground.rays[2], ground.wind.astype(float))
    reduction = 1.0 - means(mean.astype(np.float32), coverage(places, GRID))
    needed = 1.0 - targets(places)
    assert reduction[0] > 0.01
    assert cover.by_place == pytest.approx(np.minimum(reduction / needed, 1.0), rel=2e-3)


def test_a_place_out_of_reach_is_reported_and_costs_nothing():
    """Cattle that need more ground than any belt shelters, and a field that one belt serves."""
    places = stock_places([(200, 200, 400, 400), (420, 420, 440, 440)], [40.0, 9000.0])
    lines = [[(200, 200), (200, 400)], [(300, 200), (300, 300)], [(420, 420), (420, 440)]]
    new = candidates(belts(lines, 10.0))
    _, _, cover = covered_world(places, new, winds((270.0,), [1.0]))
    cost = new["length_m"].to_numpy()
    found = least_cost(cover, cost)
    assert found.required.tolist() == [1.0, 0.0]
    assert 0 < found.best[1] < 1
    # 100 m are enough for 92 m².
    assert (found.rows, found.cost) == ([1], 100.0)
    assert found.cost_bound == pytest.approx(100.0)
    by_money = least_cost(cover, np.array([1.0, 500.0, 1.0]))
    assert (by_money.rows, by_money.cost) == ([0], 1.0)


def test_lines_that_exclude_each_other_leave_a_target_out():
    """Two fields with one line each, which exclude each other; then one needs less."""
    places = stock_places([(100, 200, 200, 400), (400, 200, 500, 400)], [40.0, 40.0])
    lines = [[(100, 200), (100, 400)], [(400, 200), (400, 400)]]
    new = candidates(belts(lines, 10.0))
    _, _, cover = covered_world(places, new, winds((270.0,), [1.0]))
    cost = np.array([200.0, 100.0])
    both = least_cost(cover, cost)
    assert (both.rows, both.cost, both.cost_bound) == ([0, 1], 300.0, pytest.approx(300.0))
    one = least_cost(cover, cost, conflicts=[(0, 1)])
    assert (one.rows, one.required.tolist()) == ([1], [0.0, 1.0])
    assert (one.cost, one.cost_bound) == (100.0, pytest.approx(100.0))
    assert cover.planted == []


def test_cost_to_working_land_raises_the_cost_for_the_same_benefit():
    """2 ha eq. of which 1.4 are counted against it: 100 m for 0.6 are 333 m for 2 ha eq."""
    found = cost_with_land(
        np.array([100.0, 100.0, 100.0, 100.0]),
        np.array([2.0, 2.0, 2.0, 0.0]),
        np.array([0.0, 1.4, 2.5, 0.0]),
    )
    assert found[:2] == pytest.approx([100.0, 1000.0 / 3.0])
    assert np.isinf(found[2:]).all()


@pytest.mark.parametrize(("below", "expected"), [(False, [1]), (True, [0])])
def test_a_shorter_set_for_the_working_land_is_that_by_metres_alone_too(below, expected):
    """The search by metres alone found 100 m, that with the working land 90 m."""
    places = np.array([True])
    found = iter(
        (LeastCost([row], cost, 80.0, places, np.ones(1), np.ones(1)), ~places, None)
        for row, cost in ((0, 100.0), (1, 120.0))
    )
    search = SimpleNamespace(
        _cost=np.array([100.0, 90.0]), _usable=np.ones(2, bool), _frame=candidates(belts(TWO)),
        _own=SimpleNamespace(gains=np.ones(2)), _least=lambda *_: next(found),
        _with_fewer_ends=lambda chosen, *_: chosen, _below_target=lambda _: places & below,
    )  # fmt: skip
    sets = LeastSearch.sets(search, np.zeros(2), [], None)
    assert (sets.alone.rows, sets.chosen.rows, sets.cost) == (expected, [1], 90.0)
    assert sets.alone.cost == search._cost[expected[0]]


def problem_of(context, cost, **changes):
    """Targets of all places; every line may be chosen."""
    every = np.ones(len(cost), bool)
    rules = {"allowed": every, "required": ~every, "conflicts": []}
    return LeastProblem(
        target_terms(context), cost, **{"enough": 0.9 * np.ones(1), **rules} | changes
    )


def shares_of(context, ground, problem, **options):
    """Selection shares at the end of all runs, and the number of runs."""
    steps, done = least_cost_runs(context, ground.frame, problem, **options), []
    while True:
        try:
            done.append(next(steps))
        except StopIteration as end:
            return end.value, done


def test_runs_take_the_longer_line_exactly_where_the_shorter_is_not_enough():
    """Cattle in a west wind: 40 m of belt shelter enough for them in some of the runs."""
    places = stock_places([(200, 200, 400, 400)], [1100.0])
    lines = [[(200, 280), (200, 320)], [(200, 200), (200, 400)], [(500, 500), (500, 560)]]
    new = candidates(belts(lines, 10.0, 0.3))
    context, ground, _ = covered_world(places, new, winds((270.0,), [1.0]))
    problem = problem_of(context, new["length_m"].to_numpy())
    share, done = shares_of(context, ground, problem, always=[0], runs=40)
    assert done == list(range(1, 41))
    assert 0.1 < share[0] < 0.9
    assert share[:2].sum() == pytest.approx(1.0)
    # Far from the cattle: it takes no part.
    assert np.isnan(share[2])
    # A line that is required is in every set, and lines that may not be chosen are in none.
    other = problem_of(
        context, np.zeros(3), required=np.array([0, 1, 0], bool), allowed=np.array([0, 1, 0], bool)
    )
    assert shares_of(context, ground, other, always=[0], runs=3)[0][:2].tolist() == [0.0, 1.0]


def test_runs_vary_the_time_share_of_wind_directions():
    """A belt shelters in one of two winds, for 90 % of the time: enough in about half the runs."""
    places = stock_places([(225, 200, 400, 400)], [1.0])
    new = candidates(belts([[(200, 200), (200, 400)]], 10.0, 0.3))
    context, ground, _ = covered_world(places, new, winds((270.0, 90.0), [0.9, 0.1]))
    problem, uncertain = (
        problem_of(context, np.array([200.0])),
        InputUncertainty(0.2, 0, 0, 0, 0, 0),
    )
    share, _ = shares_of(context, ground, problem, runs=40, uncertainty=uncertain, seed=7)
    enough = []
    for run in range(40):
        west, east = np.array([0.9, 0.1]) * np.exp(
            0.2 * np.random.default_rng([7, run]).standard_normal(2)
        )
        enough.append(west / (west + east) >= 0.9)
    assert 0.2 < np.mean(enough) < 0.8
    assert share[0] == np.mean(enough)


def test_runs_allow_a_direction_without_wind():
    """No wind came from the east: the belt shelters for all the time in every run."""
    places = stock_places([(225, 200, 400, 400)], [1.0])
    new = candidates(belts([[(200, 200), (200, 400)]], 10.0, 0.3))
    context, ground, _ = covered_world(places, new, winds((270.0, 90.0), [1.0, 0.0]))
    share, _ = shares_of(context, ground, problem_of(context, np.array([200.0])), runs=3)
    assert share.tolist() == [1.0]


def test_charts_count_places_at_their_target_as_the_answer_does():
    """A sheltered corner is enough for stock; elsewhere the mean wind decides."""
    case = Case("bare", 2047)
    places = with_targets(
        gpd.GeoDataFrame(
            {
                "name": ["stock", "windy stock", "calm field", "no target"],
                "season": case.season_label,
                "year": case.year,
                "target_relative_wind": [0.5, 0.5, 0.6, np.nan],
                "relative_wind_without": [0.9, 0.9, 0.7, 0.9],
                "relative_wind": [0.9, 0.4, 0.6, 0.1],
                "corner_time_share_without": [0.2, 0.2, np.nan, np.nan],
                "corner_time_share": [0.95, 0.8, np.nan, np.nan],
            }
        )
    )
    later = places.assign(year=2057, reaches_target="yes")
    layers = {"places_with_belts": pd.concat([places, later])}
    results = SimpleNamespace(layers=layers, data=SimpleNamespace(case=case))
    results.tables = {"benefit_curve": pd.DataFrame({"places_at_target": [1, 2]})}
    assert _at_target(results, [0.0, 1.0, 2.0]) == ([0.0, 1.0, 2.0], [0.0, 1.0, 2.0])
    (answer,) = targets_answer(places_in_case(layers, case))
    count = "2 of 3 places reach their target (0 without new belts)"
    assert answer.startswith(f"{count}. Below target: windy stock")


@pytest.mark.parametrize(
    ("corners", "stock_benefit", "expected"),
    [
        ([1.0, 1.0], "sufficient ground", ENOUGH_GROUND),
        ([1.0, 0.9], "sufficient ground", NO_BELT),
        ([1.0, np.nan], "sufficient ground", NO_BELT),
        ([1.0, 1.0], "whole area", NO_BELT),
    ],
)
def test_without_a_belt_the_answer_states_why(corners, stock_benefit, expected):
    """Enough ground for all stock on every place, in the case in which lines are compared."""
    case = Case("bare", 2047)
    places = pd.DataFrame({"season": case.season_label, "year": case.year,
                           "corner_time_share_without": corners})  # fmt: skip
    results = SimpleNamespace(
        layers={"places_with_belts": places},
        tables={"stock_ground": None},
        data=SimpleNamespace(case=case, params=SimpleNamespace(stock_benefit=stock_benefit)),
    )
    assert _none_chosen(results) == expected
