"""Benefit of candidates: laws, and independent calculations without the kernels."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from numpy.testing import assert_allclose
from siting_helpers import (
    CELL_M,
    GRID,
    LEAF,
    SIDE,
    belts,
    candidates,
    full_value,
    seeded_lines,
    seeded_world,
    smallest_wind_value,
    winds,
)

from shelterscape.errors import InputError
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.science.belts import Case
from shelterscape.science.places import complete as complete_places
from shelterscape.science.places import coverage
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts
from shelterscape.science.shelter import one_direction, relative_wind
from shelterscape.science.siting.benefit import benefit_table, benefits
from shelterscape.science.siting.context import (
    PUBLIC,
    evaluation_context,
    holding_numbers,
    priority_by_purpose,
)
from shelterscape.science.siting.full_evaluation import full_evaluation
from shelterscape.science.siting.ground import Ground, spatial_order
from shelterscape.science.wind import equal_winds

WITHOUT_ENDS = ShelterOptions(ends=False)


def test_the_wind_ray_by_ray_sums_to_that_of_a_direction():
    context, new = seeded_world(2, 3)
    ground = Ground(context, new, rays=15)
    for number in range(len(context.weights)):
        mean = ground.wind[ground.rays[1] == number].mean(axis=0)
        prepared = prepare_belts([context.belts], GRID, context.options)
        by_shelter = one_direction(
            prepared, GRID, context.directions_deg[number], context.sector_deg[number]
        )
        assert_allclose(mean, by_shelter[0], atol=2e-6)


@pytest.mark.parametrize("seed", [0, 1])
def test_own_benefit_is_that_of_the_field_with_and_without(seed):
    """Independent: by `relative_wind` of science.shelter, summed by numpy."""
    context, new = seeded_world(4, seed, WITHOUT_ENDS, standing=0)
    # One low belt exists: close belts of similar height would act as one with candidates.
    there = belts([[(40.0, 40.0), (140.0, 60.0)]], 2.0, 0.5)
    priority = {"crop": context.priority[0]}
    context = evaluation_context(GRID, LEAF, winds(), there, priority, options=WITHOUT_ENDS)
    found = benefits(Ground(context, new, rays=15), new)
    both = [gpd.GeoDataFrame(pd.concat([there, new.iloc[[i]]])) for i in range(len(new))]
    for i, frame in enumerate(both):
        by_direction = []
        for number, weight in enumerate(context.weights):
            options = {"sector_deg": context.sector_deg[number], "ends": False}
            direction = context.directions_deg[number]
            lost = relative_wind(there, GRID, direction, **options).astype(float) - relative_wind(
                frame[there.columns], GRID, direction, **options
            )
            by_direction.append(weight * (lost * context.priority[0]).sum() * CELL_M**2 / 1e4)
        assert_allclose(found.by_direction[i], by_direction, rtol=2e-4, atol=2e-6)
    assert found.total.min() > 0


def test_one_belt_perpendicular_to_one_wind_follows_its_curve():
    """By hand: each column behind the belt follows the curve at the distance of its cells."""
    height, porosity = 10.0, 0.5
    new = candidates(belts([[(100.0, 500.0), (300.0, 500.0)]], height, porosity, width_m=2.0))
    options = ShelterOptions(ends=False, spread_deg=0.0, curve="barrier")
    priority = {"crop": np.ones(GRID.shape, np.float32)}
    context = evaluation_context(
        GRID, LEAF, equal_winds([0.0], "winds"), belts([]), priority, options=options
    )
    found = benefits(Ground(context, new), new).total[0]
    y = (np.arange(SIDE) + 0.5) * CELL_M
    lee, before = 499.0 - y[y < 499.0], y[y > 501.0] - 501.0
    curve = CURVES["barrier"].relative_wind
    x = np.concatenate([lee, -before]) / height
    within = (x >= -6) & (x <= 50)
    lost = 1.0 - curve(x[within], np.full(within.sum(), porosity), np.full(within.sum(), 0.2))
    by_hand = 20 * lost.sum() * CELL_M**2 / 1e4
    # Curve tables have steps of 0.05 H and round width and porosity to 0.01; tails below 0.002 are
    # ignored.
    assert found == pytest.approx(by_hand, rel=0.005)


def test_planting_and_removing_restores_the_ground_exactly():
    context, new = seeded_world(5, 7)
    ground = Ground(context, new)
    before = ground.wind.copy()
    for row in (3, 0, 4):
        added = ground.gains([row])[0]
        value = smallest_wind_value(ground, [row])
        assert added == pytest.approx(value, rel=1e-5)
        ground.plant(row)
        assert ground.gains([row])[0] == 0.0
    assert [ground.remove_last() for _ in range(3)] == [4, 0, 3]
    assert np.array_equal(ground.wind, before)


def test_in_the_spatial_order_each_line_is_next_to_the_one_before():
    at = [(40.0 * col, 40.0 * row) for row in range(12) for col in range(12)]
    shuffled = np.random.default_rng(2).permutation(at)
    order = spatial_order(belts([[(x, y), (x + 10.0, y)] for x, y in shuffled]))
    assert sorted(order) == list(range(144))
    assert_allclose(np.abs(np.diff(shuffled[order], axis=0)).sum(axis=1), 40.0)


def test_candidates_evaluated_singly_and_together_give_identical_results():
    context, new = seeded_world(7, 11)
    ground = Ground(context, new)
    at_once = ground.by_direction(np.arange(7))
    assert np.array_equal(at_once, np.vstack([ground.by_direction([i]) for i in range(7)]))


def test_a_line_never_adds_more_to_a_larger_set():
    """The upper bound of benefit depends on this law."""
    context, new = seeded_world(8, 5)
    ground = Ground(context, new)
    last = ground.gains(np.arange(8))
    for row in range(7):
        ground.plant(row)
        now = ground.gains(np.arange(8))
        assert (now <= last + 1e-9).all()
        last = now


def test_priority_scales_benefit_and_zero_priority_is_refused():
    context, new = seeded_world(4, 2)
    own = Ground(context, new).gains(np.arange(4))
    priority = {"crop": 4 * context.priority[0]}
    four = evaluation_context(GRID, LEAF, winds(), belts([]), priority)
    one = evaluation_context(GRID, LEAF, winds(), belts([]), {"crop": context.priority[0]})
    assert np.array_equal(
        Ground(four, new).gains(np.arange(4)), 4 * Ground(one, new).gains(np.arange(4))
    )
    assert own.min() >= 0
    with pytest.raises(InputError) as error:
        evaluation_context(GRID, LEAF, winds(), belts([]), {"crop": 0 * context.priority[0]})
    assert error.value.code == "input-refused"


def test_windy_ground_counts_more_by_the_wind_speed_exponent():
    context, new = seeded_world(3, 4)
    priority = {"crop": context.priority[0]}
    layers = np.full((4, SIDE, SIDE), 1.5, np.float32)
    on_terrain = evaluation_context(
        GRID, LEAF, winds(), belts([]), priority, speed_exponent=2.0, terrain_wind=layers
    )
    level = evaluation_context(GRID, LEAF, winds(), belts([]), priority, speed_exponent=2.0)
    every = np.arange(3)
    by_terrain, by_level = (Ground(s, new).by_direction(every) for s in (on_terrain, level))
    assert_allclose(by_terrain, 2.25 * by_level, rtol=1e-6)


def test_a_window_of_the_map_gives_the_values_of_the_whole_map():
    context, new = seeded_world(5, 9)
    part = GRID.window(7, 11, (40, 45))
    priority = context.priority[0].copy()
    outside = np.ones(GRID.shape, bool)
    outside[7:47, 11:56] = False
    priority[outside] = 0
    there = belts(seeded_lines(3, 509), 6.0, 0.5)
    whole = evaluation_context(GRID, LEAF, winds(), there, {"crop": priority})
    windowed = evaluation_context(part, LEAF, winds(), there, {"crop": priority[7:47, 11:56]})
    every = np.arange(5)
    by_whole, by_window = (Ground(s, new).gains(every) for s in (whole, windowed))
    assert_allclose(by_window, by_whole, rtol=1e-5, atol=1e-9)


def test_a_belt_not_yet_planted_adds_nothing():
    lines = [[(100.0, 300.0), (300.0, 300.0)]] * 2
    frame = belts(lines, np.nan, 0.4, species="ash", planted_year=[2020, 2060])
    context = evaluation_context(
        GRID, Case("in-leaf", 2045), winds(), belts([]), {"": np.ones(GRID.shape, np.float32)}
    )
    found = benefits(Ground(context, candidates(frame)), candidates(frame)).total
    assert found[0] > 0
    assert found[1] == 0


def _places_of_holdings():
    squares = [shapely.box(x, y, x + 200, y + 180) for x in (50, 300) for y in (60, 300)]
    frame = gpd.GeoDataFrame(
        {
            "purpose": ["crop", "lambing", "crop", "lambing"],
            "priority": [1.0, 2.0, 0.5, 1.0],
            "head": [np.nan, 60.0, np.nan, 5.0],
            "holding_id": ["farm 0", "farm 1", "farm 0", "common"],
        },
        geometry=squares,
        crs=GRID.crs,
    )
    return complete_places(frame, "places")[0]


def test_parts_by_purpose_and_beneficiary_sum_to_the_whole():
    _, new = seeded_world(6, 8)
    places = _places_of_holdings()
    held = places.assign(public=places["holding_id"] == "common")
    owner, holdings = holding_numbers(held, GRID)
    assert (owner == PUBLIC).any()
    priority = priority_by_purpose(places, coverage(places, GRID), GRID)
    context = evaluation_context(
        GRID, LEAF, winds(), belts([]), priority, owner=owner, holdings=holdings, places=places
    )
    ground = Ground(context, new)
    found = benefits(ground, new)
    assert context.purposes == ("crop", "lambing")
    assert_allclose(found.by_purpose.sum(axis=(1, 2)), found.gains, rtol=1e-5, atol=1e-7)
    by_place = found.by_place.groupby("row")["benefit_ha"].sum()
    # Places with less than a hundredth of the benefit are not reported.
    assert (by_place <= found.gains[by_place.index] * (1 + 1e-5)).all()
    assert (by_place >= found.gains[by_place.index] * (1 - 4 * 0.01)).all()
    # One candidate again, cell by cell in numpy.
    ground.plant(2)
    lost = np.einsum("r,rij->ij", ground.rays[2], Ground(context, new).wind - ground.wind)
    own = owner == holdings.index(new["holding_id"][2])
    for p, name in enumerate(context.purposes):
        hectares = lost * priority[name] * CELL_M**2 / 1e4
        wanted = [hectares[own].sum(), hectares[~own & (owner != PUBLIC)].sum()]
        assert_allclose(found.by_purpose[2, p, :2], wanted, rtol=1e-4, atol=1e-7)


def test_benefits_of_holdings_that_plant_of_neighbours_and_of_the_public_add_up():
    """From the reduction of wind on each cell, by the ground of each place."""
    places = _places_of_holdings()
    held = places.assign(public=places["holding_id"] == "common")
    owner, holdings = holding_numbers(held, GRID)
    priority = priority_by_purpose(places, coverage(places, GRID), GRID)
    context = evaluation_context(
        GRID, LEAF, winds(), belts([]), priority, owner=owner, holdings=holdings, places=places
    )
    lines = [[(60.0, 170.0), (240.0, 170.0)], [(310.0, 400.0), (480.0, 400.0)]]
    for planting in (["farm 0"], ["farm 1", "farm 1"], ["farm 0", "farm 1"]):
        count = len(planting)
        new = candidates(belts(lines[:count]), holding_id=planting)
        found = full_evaluation(context, new, range(count))
        # One belt of farm 0 beside all places, two of which are of farm 0.
        square = found.places["benefit_ha"].to_numpy()
        own = held["holding_id"].isin(planting).to_numpy()
        public = held["public"].to_numpy()
        wanted = [square[own].sum(), square[~own & ~public].sum(), square[public].sum()]
        parts = [found.own_benefit_ha, found.neighbours_benefit_ha, found.public_benefit_ha]
        assert_allclose(parts, wanted, rtol=1e-5, atol=1e-7)
        assert sum(parts) == pytest.approx(found.benefit_ha)
        assert found.own_benefit_ha > 0


def test_stock_areas_report_the_time_with_a_sheltered_corner():
    places = _places_of_holdings()
    priority = priority_by_purpose(places, coverage(places, GRID), GRID)
    context = evaluation_context(GRID, LEAF, winds(), belts([]), priority, places=places)
    new = candidates(belts([[(60.0, 170.0), (240.0, 170.0)], [(310.0, 400.0), (480.0, 400.0)]]))
    reported = full_evaluation(context, new, [0, 1]).places
    assert reported["corner_time_share"].isna().tolist() == [True, False, True, False]
    assert (
        reported["corner_time_share_with"].dropna() >= reported["corner_time_share"].dropna()
    ).all()
    assert reported["corner_time_share_with"].max() > 0
    assert reported["benefit_ha"].sum() == pytest.approx(
        full_evaluation(context, new, [0, 1]).benefit_ha, rel=1e-5
    )


def test_full_evaluation_of_an_empty_set_changes_nothing():
    context, new = seeded_world(3, 1)
    nothing = full_evaluation(context, Ground(context, new).frame, [])
    assert nothing.benefit_ha == 0
    assert np.array_equal(nothing.relative_wind, nothing.relative_wind_with_belts)


def test_a_restoration_that_changes_nothing_adds_nothing():
    context, _ = seeded_world(1, 6)
    there = context.belts
    new = candidates(there, restores_belt=range(len(there)), action="lay")
    ground = Ground(context, new)
    found = benefits(ground, new)
    assert_allclose(found.total, 0.0, atol=1e-5)
    for row in range(len(there)):
        assert abs(full_value(context, ground, [row])) < 1e-6


def test_restoration_replaces_the_existing_belt():
    """A belt coppiced to a third: by `relative_wind` with it in place of the old one."""
    line = [[(150.0, 300.0), (400.0, 320.0)]]
    there = belts([*line, [(100.0, 500.0), (300.0, 480.0)]], 9.0, 0.4)
    coppiced = candidates(belts(line, 3.0, 0.3), restores_belt=[0], action="coppice")
    priority = {"crop": np.ones(GRID.shape, np.float32)}
    context = evaluation_context(GRID, LEAF, winds(), there, priority, options=WITHOUT_ENDS)
    ground = Ground(context, coppiced, rays=15)
    found = benefits(ground, coppiced)
    after = gpd.GeoDataFrame(pd.concat([there.iloc[1:], coppiced[there.columns]]))
    by_hand = 0.0
    for weight, direction, sector in zip(
        context.weights, context.directions_deg, context.sector_deg, strict=True
    ):
        options = {"sector_deg": sector, "ends": False}
        lost = relative_wind(there, GRID, direction, **options).astype(float) - relative_wind(
            after, GRID, direction, **options
        )
        by_hand += weight * lost.sum() * CELL_M**2 / 1e4
    assert by_hand < -0.1
    assert found.total[0] == pytest.approx(by_hand, rel=1e-3)
    assert full_value(context, ground, [0]) == pytest.approx(by_hand, rel=1e-3)
    reported = benefit_table(coppiced, found)
    assert reported["benefit_alone_ha"][0] < 0 < reported["shelter_removed_ha"][0]


def test_the_table_counts_by_length_and_cost():
    context, new = seeded_world(3, 12)
    new = new.assign(cost_minor=[50_000, 0, 20_000])
    reported = benefit_table(new, benefits(Ground(context, new), new))
    assert_allclose(
        reported["benefit_per_100m_ha"], 100 * reported["benefit_alone_ha"] / new["length_m"]
    )
    assert reported["benefit_per_1000_ha"][0] == pytest.approx(2 * reported["benefit_alone_ha"][0])
    assert np.isnan(reported["benefit_per_1000_ha"][1])


def test_no_candidates_at_all():
    context, new = seeded_world(2, 1)
    none = new.iloc[:0]
    found = benefits(Ground(context, none), none)
    assert found.total.shape == (0,)
    assert len(benefit_table(none, found)) == 0


def test_the_smallest_wind_rule_is_exact_without_ends_and_close_belts():
    """Without ends and close belts both methods must give the same benefit."""
    lines = [[(60.0, 120.0), (240.0, 150.0)], [(320.0, 330.0), (500.0, 260.0), (520.0, 180.0)]]
    new = candidates(belts([*lines, [(120.0, 420.0), (260.0, 520.0)]], [5.0, 8.0, 6.0]))
    priority = {"crop": np.ones(GRID.shape, np.float32)}
    context = evaluation_context(GRID, LEAF, winds(), belts([]), priority, options=WITHOUT_ENDS)
    ground = Ground(context, new, rays=15)
    every = [0, 1, 2]
    assert full_value(context, ground, every) == pytest.approx(
        smallest_wind_value(ground, every), rel=1e-4
    )
    # Five rays instead of fifteen, as in the comparison of lines.
    assert smallest_wind_value(Ground(context, new), every) == pytest.approx(
        smallest_wind_value(ground, every), rel=0.02
    )
