"""The choice under a budget: against every set there is, against another solver, and by laws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog
from siting_helpers import (
    belts,
    candidates,
    every_set,
    exact_value,
    plain_value,
    seeded_lines,
    seeded_world,
    winds,
)

from shelterscape.errors import InputError
from shelterscape.process.stages import each
from shelterscape.science.scene import How
from shelterscape.science.siting.benefit import benefits
from shelterscape.science.siting.budgets import BudgetTracker, Cap, Limits, Phase, most_within
from shelterscape.science.siting.choice import choose
from shelterscape.science.siting.exact import exact, with_chosen
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.monte_carlo import selection_runs
from shelterscape.science.siting.setting import setting_of

COUNT = 10


@pytest.fixture(scope="module")
def world():
    setting, new = seeded_world(24, 42)
    return setting, new, Ground(setting, new)


def names(frame, choice):
    return list(frame["candidate"].iloc[choice.rows])


@pytest.mark.parametrize("seed", range(6))
def test_no_set_passes_the_bound_and_few_pass_the_choice(seed):
    """Every set within the budget, by the plain rule."""
    setting, new = seeded_world(COUNT, seed)
    ground = Ground(setting, new)
    metres = 0.35 * new["length_m"].sum()
    found = choose(ground, new, Limits(metres=metres))
    best = max(plain_value(ground, rows) for rows in every_set(new, metres))
    assert best <= found.bound_ha * (1 + 1e-5)
    assert found.benefit_ha <= best * (1 + 1e-5)
    # On 24 seeds tried the set found was the best there is; the claim we make is the bound.
    assert found.benefit_ha >= 0.95 * best
    assert found.benefit_ha == pytest.approx(plain_value(ground, found.rows), rel=1e-5)
    assert found.adds_ha.sum() == pytest.approx(found.benefit_ha, rel=1e-6)
    assert found.gap == pytest.approx(1 - found.benefit_ha / found.bound_ha)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_the_choice_against_every_set_with_ends_and_close_belts(seed, record_property):
    """The plain rule chooses; the field in full tells how good that was."""
    setting, new = seeded_world(COUNT, seed + 20, How())
    ground = Ground(setting, new)
    metres = 0.3 * new["length_m"].sum()
    found = choose(ground, new, Limits(metres=metres))
    values = {rows: exact_value(setting, ground, rows) for rows in every_set(new, metres)}
    ours = exact_value(setting, ground, sorted(found.rows))
    share = ours / max(values.values())
    record_property("share_of_the_best", share)
    print(f"seed {seed}: {share:.4f} of the best of {len(values)} sets")  # noqa: T201
    assert share >= 0.9


@pytest.mark.parametrize("seed", range(4))
def test_money_net_of_grants_keeps_the_bound(seed):
    """A grant that pays half above a length: costs are not those of the lines summed."""
    setting, new = seeded_world(8, seed + 60)
    ground = Ground(setting, new)
    length, cost = new["length_m"].to_numpy(), new["cost_minor"].to_numpy()

    def net(rows):
        chosen = sorted(rows)
        share = 0.5 if length[chosen].sum() > 250 else 1.0
        return int(share * cost[chosen].sum())

    budget = int(0.25 * cost.sum())
    found = choose(ground, new, Limits(money_minor=budget), net_cost=net)
    assert found.net_cost_minor == net(frozenset(found.rows)) <= budget
    sets = [rows for rows in every_set(new, np.inf) if net(frozenset(rows)) <= budget]
    best = max(plain_value(ground, rows) for rows in sets)
    assert best <= found.bound_ha * (1 + 1e-5)
    assert found.benefit_ha <= best * (1 + 1e-5)


def test_a_grant_above_the_cost_is_floored(world):
    _, new, ground = world
    limits = Limits(money_minor=100_000, least_net_share=0.1)
    found = choose(ground, new, limits, net_cost=lambda rows: -1_000_000)
    gross = new["cost_minor"].iloc[found.rows].sum()
    assert found.net_cost_minor == pytest.approx(0.1 * gross)
    assert found.net_cost_minor <= 100_000


def test_not_a_single_unit_of_money_too_much(world):
    _, new, _ = world
    costs = new.iloc[:2].assign(cost_minor=[6_000_000_000, 4_000_000_001])
    assert BudgetTracker(costs, Limits(money_minor=10_000_000_001)).fits({0: 0, 1: 0})
    assert not BudgetTracker(costs, Limits(money_minor=10_000_000_000)).fits({0: 0, 1: 0})


def test_two_budgets_are_both_kept(world):
    _, new, ground = world
    new = new.assign(
        cost_minor=(1000 * new["length_m"] * np.linspace(0.3, 3, len(new))).astype(int)
    )
    found = choose(ground, new, Limits(metres=900.0, money_minor=700_000))
    assert found.rows
    assert found.metres <= 900
    assert found.net_cost_minor <= 700_000
    wide = choose(ground, new, Limits(metres=900.0, money_minor=10**9))
    assert wide.benefit_ha >= found.benefit_ha - 1e-9


def test_the_curve_never_falls_and_keeps_under_its_bound(world):
    _, new, ground = world
    found = choose(ground, new, Limits(metres=1200.0))
    curve = found.curve
    assert (np.diff(curve["benefit_ha"]) >= 0).all()
    assert (curve["benefit_ha"] <= curve["bound_ha"] + 1e-9).all()
    assert (curve["metres"] <= curve["share"] * 1200 + 1e-6).all()
    assert curve["benefit_ha"].iloc[-1] == found.benefit_ha
    assert curve["benefit_ha"].iloc[0] == 0


def test_larger_budgets_never_bring_less(world):
    _, new, ground = world
    values = [choose(ground, new, Limits(metres=m)).benefit_ha for m in (0, 200, 500, 900, 1600)]
    assert values[0] == 0
    assert (np.diff(values) > 0).all()


def test_again_gives_the_same_and_leaves_the_ground(world):
    _, new, ground = world
    before = ground.wind.copy()
    one, two = (choose(ground, new, Limits(metres=1000.0)) for _ in range(2))
    assert one.rows == two.rows
    assert one.benefit_ha == two.benefit_ha
    assert one.curve.equals(two.curve)
    assert np.array_equal(before, ground.wind)


def test_the_order_of_rows_does_not_matter(world):
    setting, new, ground = world
    mixed = new.sample(frac=1.0, random_state=3).reset_index(drop=True)
    one = choose(ground, new, Limits(metres=1000.0))
    two = choose(Ground(setting, mixed), mixed, Limits(metres=1000.0))
    assert names(new, one) == names(mixed, two)
    assert one.benefit_ha == pytest.approx(two.benefit_ha, rel=1e-9)


def test_twins_are_settled_by_name():
    setting, new = seeded_world(3, 13)
    twins = new.iloc[[0, 0, 1]].reset_index(drop=True).assign(candidate=["b", "a", "c"])
    found = choose(Ground(setting, twins), twins, Limits(metres=twins["length_m"].sum()))
    assert set(names(twins, found)) == {"a", "c"}


def test_a_line_that_brings_nothing_changes_nothing(world):
    setting, new, ground = world
    far = candidates(belts([[(-9000.0, -9000.0), (-8900.0, -9000.0)]])).assign(candidate="a far")
    more = new.iloc[[*range(len(new)), 0]].reset_index(drop=True)
    more.loc[len(new), far.columns] = far.iloc[0]
    one = choose(ground, new, Limits(metres=1000.0))
    two = choose(Ground(setting, more), more, Limits(metres=1000.0))
    assert names(new, one) == names(more, two)
    assert one.benefit_ha == two.benefit_ha
    assert one.bound_ha == pytest.approx(two.bound_ha)


def test_need_four_times_as_great_chooses_the_same(world):
    setting, new, _ = world
    there = belts(seeded_lines(3, 542), 7.0, 0.5)
    fixed = (setting.grid, setting.case, winds(), there)
    same, four = (setting_of(*fixed, {"crop": k * setting.need[0]}) for k in (1, 4))
    one = choose(Ground(same, new), new, Limits(metres=1000.0))
    two = choose(Ground(four, new), new, Limits(metres=1000.0))
    assert one.rows == two.rows
    assert two.benefit_ha == pytest.approx(4 * one.benefit_ha, rel=1e-12)


def test_nothing_to_choose_and_nothing_to_spend(world):
    setting, new, ground = world
    none = new.iloc[:0]
    empty = choose(Ground(setting, none), none, Limits(metres=1000.0))
    assert (empty.rows, empty.benefit_ha, empty.bound_ha, empty.method) == ([], 0.0, 0.0, "none")
    poor = choose(ground, new, Limits(metres=0.0))
    assert (poor.rows, poor.benefit_ha, poor.bound_ha, poor.gap) == ([], 0.0, 0.0, 0.0)
    with pytest.raises(InputError):
        choose(ground, new, Limits())
    with pytest.raises(InputError):
        choose(ground, new, Limits(metres=-1.0))


def test_must_and_forbidden(world):
    _, new, ground = world
    free = choose(ground, new, Limits(metres=1000.0))
    worst = sorted(set(new["candidate"]) - set(names(new, free)))[0]
    best = names(new, free)[0]
    told = choose(ground, new, Limits(metres=1000.0), must=[worst], forbidden=[best])
    assert names(new, told)[0] == worst
    assert best not in names(new, told)
    assert told.benefit_ha <= free.benefit_ha + 1e-9
    assert told.benefit_ha <= told.bound_ha
    with pytest.raises(InputError) as error:
        choose(ground, new, Limits(metres=1000.0), must=["nowhere"])
    assert error.value.code == "name-unknown"
    for options in ({"must": [best], "forbidden": [best]}, {"must": list(new["candidate"])}):
        with pytest.raises(InputError) as error:
            choose(ground, new, Limits(metres=1000.0), **options)
        assert error.value.code == "input-refused"
    assert ground.planted == []


def test_caps_by_holding_and_their_bound():
    setting, new = seeded_world(COUNT, 77)
    ground = Ground(setting, new)
    limits = Limits(metres=600.0, holdings={"farm 0": Cap(metres=200.0)})
    found = choose(ground, new, limits)
    held = new["holding_id"].to_numpy() == "farm 0"
    length = new["length_m"].to_numpy()
    assert sum(length[i] for i in found.rows if held[i]) <= 200
    sets = [
        rows for rows in every_set(new, 600.0) if sum(length[i] for i in rows if held[i]) <= 200
    ]
    best = max(plain_value(ground, rows) for rows in sets)
    assert found.benefit_ha <= best * (1 + 1e-5)
    assert best <= found.bound_ha * (1 + 1e-5)
    assert found.bound_ha <= choose(ground, new, Limits(metres=600.0)).bound_ha + 1e-9


def test_phases_each_stand_alone(world):
    _, new, ground = world
    phases = (Phase(2026, metres=400.0), Phase(2027, metres=500.0), Phase(2028, 300.0))
    found = choose(ground, new, Limits(phases=phases), exchange=False)
    length = new["length_m"].to_numpy()
    for number, phase in enumerate(phases):
        spent = sum(length[r] for r, p in zip(found.rows, found.phase, strict=True) if p == number)
        assert 0 < spent <= phase.metres
    alone = choose(ground, new, Limits(metres=400.0), exchange=False)
    first = [r for r, p in zip(found.rows, found.phase, strict=True) if p == 0]
    assert set(first) == set(alone.rows)
    whole = choose(ground, new, Limits(phases=phases))
    assert whole.benefit_ha >= found.benefit_ha - 1e-9
    assert whole.phase == sorted(whole.phase)


def test_one_belt_is_mended_in_one_way_only():
    setting, _ = seeded_world(1, 6)
    denser = setting.belts.iloc[[0, 0]].assign(height_m=[9.0, 12.0], porosity=0.4)
    new = candidates(denser.reset_index(drop=True), mends=[0, 0], action="gap up")
    ground = Ground(setting, new)
    found = choose(ground, new, Limits(metres=1e4))
    assert found.rows == [1]
    with_it = with_chosen(setting, ground.frame, found.rows)
    assert len(with_it) == len(setting.belts)
    told = exact(setting, ground.frame, found.rows)
    assert told.benefit_ha > 0
    assert told.shortfall_ha(found.benefit_ha) == pytest.approx(found.benefit_ha - told.benefit_ha)


@pytest.mark.parametrize("seed", range(5))
def test_the_fractional_knapsack_against_a_linear_programme(seed):
    """By the simplex method of scipy (HiGHS)."""
    rng = np.random.default_rng(seed)
    n = 30
    gain, spent = rng.uniform(-0.2, 1, n), rng.uniform(0.1, 1, n)
    owner, caps = rng.integers(-1, 3, n), np.array([0.7, 1.5, np.inf])
    most, taken = most_within(gain, spent, 4.0, list(owner), caps)
    rows = [spent] + [np.where(owner == k, spent, 0.0) for k in (0, 1)]
    solved = linprog(-gain, A_ub=np.array(rows), b_ub=[4.0, 0.7, 1.5], bounds=(0, 1))
    assert most == pytest.approx(-solved.fun, rel=1e-9)
    assert ((taken >= 0) & (taken <= 1 + 1e-12)).all()
    assert (taken * spent).sum() <= 4.0 + 1e-9


def test_selection_shares_repeat_and_keeps_what_must_be(world):
    setting, new, ground = world
    own = benefits(ground, new)
    limits = Limits(metres=900.0)
    chosen = choose(ground, new, limits, own=own.gains, taken_away=own.taken_away)
    how = {"always": chosen.rows, "must": ["c05"], "best": 12}

    def shares(runs):
        return each(selection_runs(setting, new, own, limits, runs=runs, **how), lambda _: None)

    told = shares(12)
    again = shares(12)
    assert_allclose(told.chosen_share, again.chosen_share)
    took_part = ~np.isnan(told.chosen_share)
    assert 12 <= took_part.sum() <= 12 + len(chosen.rows) + 1
    assert told.chosen_share[5] == 1.0
    assert ((told.chosen_share[took_part] >= 0) & (told.chosen_share[took_part] <= 1)).all()
    # What is chosen from the inputs as given is chosen more often than the rest.
    rest = took_part.copy()
    rest[chosen.rows] = False
    assert told.chosen_share[chosen.rows].mean() > told.chosen_share[rest].mean()
    few = shares(4)
    assert np.array_equal(few.benefit_ha, told.benefit_ha[:4])
    assert len(set(told.curve)) == 3


def own_reason(new, ground, found, limits, net=None, forbidden=()):
    """What each reason states, worked out from lengths, costs and additions alone."""
    length, cost = new["length_m"].to_numpy(), new["cost_minor"].to_numpy()
    holding = new["holding_id"].to_numpy()
    net = net or (lambda rows: cost[sorted(rows)].sum())
    infinite = float("inf")
    for row in found.rows:
        ground.plant(row)
    adds = ground.gains(np.arange(len(new)))
    for _ in found.rows:
        ground.put_back()

    def within(rows, metres, money):
        return length[sorted(rows)].sum() <= (infinite if metres is None else metres) and (
            net(frozenset(rows)) <= (infinite if money is None else money)
        )

    def fits(rows_by_phase):
        rows = [row for part in rows_by_phase for row in part]
        held = {name: [r for r in rows if holding[r] == name] for name in limits.holdings}
        return (
            within(rows, limits.metres, limits.money_minor)
            and all(within(held[name], *cap) for name, cap in limits.holdings.items())
            and all(
                within(part, *phase[1:])
                for part, phase in zip(rows_by_phase, limits.phases, strict=False)
            )
        )

    count = max(len(limits.phases), 1)
    chosen = list(zip(found.rows, found.phase, strict=True))
    parts = [[r for r, p in chosen if p == k] for k in range(count)]
    for row, reason in enumerate(found.reason):
        alone = [[[row] if k == n else [] for k in range(count)] for n in range(count)]
        beside = [[[*p, row] if k == n else p for k, p in enumerate(parts)] for n in range(count)]
        cap = limits.holdings.get(holding[row])
        states = {
            "chosen": row in found.rows,
            "ruled out": new["candidate"][row] in forbidden,
            "more than the whole budget by itself": not within(
                [row], limits.metres, limits.money_minor
            ),
            "more than the budget of its holding by itself": cap is not None
            and not within([row], cap.metres, cap.money_minor),
            "more than the budget of a phase by itself": not any(map(fits, alone)),
            "does not fit the budget beside the belts chosen": len(found.rows) > 0
            and not any(map(fits, beside)),
            "adds no benefit to the existing belts and those chosen": adds[row] <= 2e-6,
        }
        assert states[reason], f"{new['candidate'][row]}: {reason}"
    return found.reason.tolist()


def test_reasons_are_true_under_every_kind_of_budget():
    setting, new = seeded_world(COUNT, 77)
    new = new.assign(holding_id=[f"farm {i % 3}" for i in range(COUNT)])
    ground = Ground(setting, new)
    shortest, total = new["length_m"].min(), new["length_m"].sum()
    cost = new["cost_minor"].to_numpy()
    half = {"net": lambda rows: int(0.5 * cost[sorted(rows)].sum())}
    few = Limits(metres=0.4 * total)
    seen = []
    for limits, more in (
        (few, {}),
        (few, {"forbidden": ["c01", "c04"]}),
        (Limits(metres=1.2 * shortest), {}),
        (Limits(metres=0.9 * shortest), {}),
        (Limits(money_minor=int(0.9 * cost.min())), {}),
        (Limits(money_minor=int(0.45 * cost.min())), half),
        (Limits(money_minor=int(0.6 * cost.min())), half),
        (Limits(money_minor=int(0.2 * cost.sum())), half),
        (Limits(metres=total, holdings={"farm 1": Cap(metres=1.5 * shortest)}), {}),
        (Limits(money_minor=10**9, holdings={"farm 2": Cap(money_minor=10)}), {}),
        (Limits(phases=(Phase(2026, 1.1 * shortest), Phase(2027, 1.6 * shortest))), {}),
        (Limits(metres=2 * total), {}),
    ):
        net = more.get("net")
        asked = {"net_cost": net, "forbidden": more.get("forbidden", ())}
        found = choose(ground, new, limits, **asked)
        seen.append(own_reason(new, ground, found, limits, net, asked["forbidden"]))
    # Nothing chosen at all: each line is more than the budget by itself, with grants and without.
    for nothing in (3, 4, 5):
        assert set(seen[nothing]) == {"more than the whole budget by itself"}
    assert seen[1][1] == seen[1][4] == "ruled out"
    assert set().union(*seen) >= {
        "chosen",
        "does not fit the budget beside the belts chosen",
        "more than the whole budget by itself",
        "more than the budget of its holding by itself",
        "more than the budget of a phase by itself",
    }


def test_the_reason_of_a_second_restoration_and_of_a_line_that_adds_nothing(world):
    setting, _ = seeded_world(1, 6)
    denser = setting.belts.iloc[[0, 0]].assign(height_m=[9.0, 12.0], porosity=0.4)
    new = candidates(denser.reset_index(drop=True), mends=[0, 0], action="gap up")
    found = choose(Ground(setting, new), new, Limits(metres=1e4))
    assert found.reason.tolist() == ["another restoration of the same belt is chosen", "chosen"]
    setting, new, _ = world
    far = candidates(belts([[(-9000.0, -9000.0), (-8900.0, -9000.0)]])).assign(candidate="a far")
    for metres in (0.0, 1e6):
        found = choose(Ground(setting, far), far, Limits(metres=metres + 101.0))
        assert found.reason == ["adds no benefit to the existing belts and those chosen"]
