"""The upper bound of benefit net of grant: against all sets, with caps, blocks and two schemes."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from grant_helpers import YEAR, scheme
from grant_helpers import belts as grant_belts
from scipy.optimize import linprog
from shapely import box
from siting_helpers import (
    GRID,
    every_set,
    seeded_lines,
    seeded_world,
    smallest_wind_value,
)

from shelterscape.science import grants
from shelterscape.science.grants.paying import total
from shelterscape.science.grants.payment_limits import payment_limits
from shelterscape.science.siting.budgets import BudgetTracker, Cap, Limits, SearchStep
from shelterscape.science.siting.choice import choose
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.net_bound import NetProgramme

COUNT = 6
WEST, _, EAST, NORTH = GRID.bounds
AREAS = {"hill": box(WEST, 150, EAST, NORTH), "river": box(WEST, 0, 400, NORTH)}


def schemes(seed):
    """Two schemes that pay for shared ground, with other rates, blocks and caps for each seed."""
    rng = np.random.default_rng(seed)
    rates = [
        {"what": "area", "kind": "capital", "per": "ha", "amount": 5234},
        {"what": "fence", "kind": "annual", "per": "m", "amount": 2.37, "years": 2},
        {"what": "plants", "kind": "capital", "per": "tree", "amount": 1.33},
        {"what": "share", "kind": "capital", "per": "cost", "percent": 35},
    ]
    caps = [{}, {"holding": 900}, {"parcel": 450, "scheme": 1500}, {"scheme": 700}]
    hill = {
        "qualify": {"min_block_ha": float(rng.choice([0.0, 0.15])), "max_gap_m": 15},
        "pay": rates[:2] if seed % 2 else rates[2:],
        "caps": caps[seed % 4],
    }
    river = {
        "name": "River",
        "qualify": {
            "categories": ["river"],
            "area_to": "fence",
            "fence_m": 1.5,
            "min_length_m": float(rng.choice([0, 120])),
        },
        "pay": rates[1:3],
        "caps": caps[(seed // 4) % 4],
    }
    more = {"compatible_with": ["any"]} if seed % 3 == 0 else {}
    return scheme(**hill, **more), scheme(**river, **more)


def granted(seed, count=COUNT):
    """Belts on the map of grants, and candidates that cost the same."""
    lines = seeded_lines(count, seed, inside=(0.2, 0.8))
    length = [float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines]
    cost = [round(9.37 * metres, 2) for metres in length]
    parcels = [f"p{i % 3}" for i in range(count)]
    holdings = [f"farm {i % 2}" for i in range(count)]
    frame = grant_belts(
        *[[tuple(point) for point in line] for line in lines],
        cost=cost,
        parcel_id=parcels,
        holding_id=holdings,
    )
    return grants.divide_ground(frame, AREAS, [], schemes(seed))


def most_paid(limits, planted):
    """Largest payment that the limits allow for a set, by another solver than the bound uses."""
    amount, count = limits.amount_minor, len(limits.amount_minor)
    rows, most = [], []

    def add(values, limit):
        row = np.zeros(count)
        for one, value in values:
            row[one] += value
        rows.append(row)
        most.append(limit)

    for pair in limits.exclusive:
        add([(one, 1.0) for one in pair], 1.0)
    for members, cap in limits.caps:
        add([(one, amount[one]) for one in members], cap)
    for one, beside in limits.neighbours:
        add([(one, 1.0)], float(not planted.isdisjoint(beside)))
    high = [float(belt in planted) for belt in limits.belt]
    solved = linprog(
        -amount,
        A_ub=np.array(rows).reshape(-1, count),
        b_ub=most,
        bounds=[(0.0, one) for one in high],
        method="highs-ds",
    )
    return -solved.fun


@pytest.mark.parametrize("seed", range(12))
def test_no_payment_exceeds_the_limits(seed):
    """Payments for all sets of six belts, to the minor unit; the limits are not far above."""
    ground = granted(seed)
    limits = payment_limits(ground, YEAR)
    paid, allowed = [], []
    for size in range(1, COUNT + 1):
        for planted in itertools.combinations(range(COUNT), size):
            paid.append(total(ground, YEAR, planted))
            allowed.append(most_paid(limits, set(planted)))
    paid, allowed = np.array(paid), np.array(allowed)
    assert paid.max() > 0
    assert (paid <= allowed + 1e-3).all()
    # Limits that do not depend on the set would bound the payments too, but not follow them.
    assert np.corrcoef(paid, allowed)[0, 1] > 0.7


def world(seed):
    """Net cost and payment limits of seeded belts; ground and candidates; value of every set."""
    map_of_grants = granted(seed)
    context, new = seeded_world(COUNT, seed)
    frame = map_of_grants.belts
    new = new.assign(
        geometry=frame.geometry.to_numpy(),
        length_m=frame["length_m"].to_numpy(),
        cost_minor=frame["cost_minor"].astype(int).to_numpy(),
        holding_id=frame["holding_id"].to_numpy(),
    )
    ground, net = Ground(context, new), grants.net_cost(map_of_grants, YEAR)
    values = {rows: smallest_wind_value(ground, rows) for rows in every_set(new, np.inf)}
    return net, payment_limits(map_of_grants, YEAR), ground, new, values


def step_of(ground, planted):
    """A set with its benefit and what each line adds to it."""
    benefit = sum(ground.plant(row) for row in planted)
    additions = ground.gains(np.arange(COUNT))
    for _ in planted:
        ground.remove_last()
    additions[list(planted)] = 0.0
    return SearchStep(benefit, additions)


@pytest.mark.parametrize("seed", range(12))
def test_no_set_net_of_grant_exceeds_the_programme(seed):
    """Budgets equal to the net cost of a set, so that it just fits; limits on a holding too."""
    net, payments, ground, new, values = world(seed)
    rng = np.random.default_rng(seed)
    every = list(values)
    steps = [step_of(ground, rows) for rows in [(), *rng.permutation(COUNT)[:2].reshape(2, 1)]]
    held = frozenset(np.flatnonzero(new["holding_id"] == "farm 0").tolist())
    loss, none = np.linspace(0.0, 0.01, COUNT), [frozenset()] * COUNT
    tightest = 1.0
    for number in rng.permutation(len(every))[:8]:
        budget, share = net(every[number]), float(rng.choice([1.0, 0.8]))
        cap = max(net(held.intersection(every[number])), 1)
        must = frozenset(every[number][: int(rng.integers(2))])
        limits = Limits(money_minor=budget, holdings={"farm 0": Cap(money_minor=cap)})
        tracker = BudgetTracker(new, limits, net)
        programme = NetProgramme(tracker, must, payments, np.ones(COUNT, bool), loss, none)
        inside = [
            value - loss[list(rows)].sum()
            for rows, value in values.items()
            if net(rows) <= share * budget
            and net(held.intersection(rows)) <= cap
            and must.issubset(rows)
        ]
        if inside:
            bound, _ = programme.solve(steps, share)
            assert max(inside) <= bound * (1 + 1e-5)
            tightest = min(tightest, bound / max(inside) - 1)
    # A bound that allowed all lines would be correct too, but far above.
    assert tightest < 0.2


@pytest.mark.parametrize("seed", range(3))
def test_the_choice_net_of_grant_is_below_its_bound(seed):
    """Of a budget, and of parts of it; with payments the bound is never higher than without."""
    net, payments, ground, new, values = world(seed)
    budget = int(0.3 * new["cost_minor"].sum())
    limits = Limits(money_minor=budget)
    found = choose(ground, new, limits, net_cost=net, payments=payments)
    loose = choose(ground, new, limits, net_cost=net)
    best = max(value for rows, value in values.items() if net(rows) <= budget)
    assert found.benefit_ha <= best * (1 + 1e-5) <= found.benefit_bound_ha * (1 + 2e-5)
    assert loose.benefit_ha <= found.benefit_ha * (1 + 1e-9)
    assert found.benefit_bound_ha <= loose.benefit_bound_ha * (1 + 1e-5)
    for row in found.curve.itertuples():
        limit = row.budget_share * budget
        inside = [value for rows, value in values.items() if net(rows) <= limit]
        assert max(inside, default=0.0) <= row.benefit_bound_ha * (1 + 1e-5) + 1e-9


@pytest.mark.parametrize("seed", range(3))
def test_the_bound_among_more_sets_holds_among_fewer(seed):
    """All sets, of which two lines exclude each other; each curve has the smaller bound."""
    net, payments, ground, new, values = world(seed)
    limits = Limits(money_minor=int(0.3 * new["cost_minor"].sum()))
    one, other = new["candidate"].iloc[[0, 1]]
    few = new.assign(excludes=np.where(new["candidate"] == one, other, ""))
    every = choose(ground, new, limits, net_cost=net, payments=payments)
    land = np.linspace(0.3, 0.0, COUNT) * every.benefit_ha
    found = choose(ground, few, limits, net_cost=net, payments=payments, land_cost=land)
    bounded = found.bounded_by(every)
    assert (bounded.rows, bounded.benefit_ha) == (found.rows, found.benefit_ha)
    least = min(found.benefit_bound_ha, every.benefit_bound_ha)
    assert bounded.benefit_bound_ha == pytest.approx(max(least, found.benefit_ha))
    assert bounded.gap == pytest.approx(1 - found.benefit_ha / bounded.benefit_bound_ha)
    for row in bounded.curve.itertuples():
        limit = row.budget_share * limits.money_minor
        inside = [v for rows, v in values.items() if net(rows) <= limit and not {0, 1} <= {*rows}]
        assert max(inside, default=0.0) <= row.benefit_bound_ha * (1 + 1e-5) + 1e-9
    for curve in (found.curve, every.curve, bounded.curve):
        assert (np.diff(curve["benefit_bound_ha"]) >= 0).all()


def test_a_looser_bound_changes_nothing():
    _, _, ground, new, _ = world(0)
    found = choose(ground, new, Limits(metres=300.0))
    wide = choose(ground, new, Limits(metres=600.0))
    assert wide.benefit_bound_ha > found.benefit_bound_ha
    same = found.bounded_by(wide)
    assert same.benefit_bound_ha == found.benefit_bound_ha
    assert same.curve.equals(found.curve)
