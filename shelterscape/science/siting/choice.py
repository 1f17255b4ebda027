"""The best set of lines found within a budget, and an upper bound of the benefit of any set."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.grants.payment_limits import PaymentLimits
from shelterscape.science.siting import net_bound
from shelterscape.science.siting.benefit import loss_by_restoration
from shelterscape.science.siting.budgets import (
    BOUND_NOTE,
    BenefitBound,
    BudgetTracker,
    Limits,
    NetCost,
    SearchStep,
)
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.joining import JOIN_LOSS, BeltEnds, with_fewer_ends
from shelterscape.science.siting.known_gains import KnownGains, LocalEvaluator
from shelterscape.science.siting.net_bound import NetProgramme
from shelterscape.science.siting.search import LEAST_GAIN_HA, Evaluator, Search, State

Array = NDArray[np.float64]

CURVE_STEPS = 20
"""Number of equal steps of the budget at which the benefit curve is given."""

ROUNDS_NET = 3
"""Sets of the linear programme that are evaluated to tighten the bound net of grant."""

METHODS = {
    "greedy": "one line after the other, largest benefit per share of the budget first",
    "single": "the best line by itself",
    "exchange": "one line after the other from several starts, then lines exchanged while that "
    "added benefit",
    "programme": "the best set of the linear programme that gives the bound net of grant",
    "none": "no line fits or adds benefit",
}

CHOSEN, FORBIDDEN = "chosen", "forbidden by the planner"
EXCLUDED = "cannot be combined with"
DOES_NOT_FIT = "does not fit the budget in addition to the chosen belts"
NO_ADDITION = "adds no benefit to the existing and chosen belts"
COSTS_MORE = "adds less benefit than is counted against it"
NOT_FOUND = "would fit and add benefit, but the search did not try it with the chosen belts"
"""Reasons why a line is or is not chosen; `BudgetTracker.limit_exceeded_alone` gives others."""


@dataclass(frozen=True)
class Choice:
    """The chosen lines with their benefit by the smallest-wind rule (see `siting.ground`).

    Parameters
    ----------
    rows : list of int
        Rows of the chosen candidates, by phase and then in the order of choice.
    phase : list of int
        Number of the phase of each; 0 where there are no phases.
    benefit_added_ha : (k,) float64
        Benefit each adds after those before it, ha eq.
    benefit_ha : float
        Benefit of the whole set, ha eq.
    land_cost_ha : float
        Cost of the whole set to working land, ha eq.; the set with the largest difference of both
        is chosen.
    benefit_bound_ha : float
        No set within these limits adds more, ha eq. (see `siting.budgets.BenefitBound` and
        `siting.net_bound.NetProgramme`).
    gap : float
        (Bound − benefit) divided by the bound, 0 or more; above 1 where required restorations
        take more than the set adds, 0 where the bound is not above 0.
    method : str
        A name in `METHODS`.
    bound_note : str
        Under which conditions the bound is valid.
    metres, net_cost_minor : float
        Length, m, and net cost, minor units of money, of the set.
    curve : DataFrame
        ``budget_share``, and ``belt_count``, ``length_m``, ``cost_minor``, ``net_cost_minor``,
        ``set_benefit_ha`` and ``benefit_bound_ha`` of the best set found within that share. The
        best set has the largest benefit after its cost to working land: with such costs the
        benefit itself may be smaller at a larger share.
    curve_sets : list of frozenset of int
        Rows of those sets.
    evaluations : int
        How many benefits of single lines the search needed; known ones are not calculated again.
    reasons : (n,) array of str
        Why each candidate is chosen or not.
    """

    rows: list[int]
    phase: list[int]
    benefit_added_ha: Array
    benefit_ha: float
    land_cost_ha: float
    benefit_bound_ha: float
    gap: float
    method: str
    bound_note: str
    metres: float
    net_cost_minor: float
    curve: pd.DataFrame
    curve_sets: list[frozenset[int]]
    evaluations: int
    reasons: NDArray[np.object_]

    def bounded_by(self, other: Choice) -> Choice:
        """The same choice with the bounds of another, where these are smaller.

        Parameters
        ----------
        other : Choice
            Among the same candidates and with the same limits, where every set allowed here was
            allowed too.

        Returns
        -------
        Choice
        """
        most = max(min(self.benefit_bound_ha, other.benefit_bound_ha), self.benefit_ha)
        bounds = other.curve.set_index("budget_share")["benefit_bound_ha"]
        theirs = self.curve["budget_share"].map(bounds).fillna(np.inf)
        least = np.minimum(self.curve["benefit_bound_ha"], theirs)
        return replace(
            self,
            benefit_bound_ha=most,
            gap=(most - self.benefit_ha) / most if most > 0 else 0.0,
            curve=self.curve.assign(
                benefit_bound_ha=np.maximum(least, self.curve["set_benefit_ha"])
            ),
        )


def choose(
    ground: LocalEvaluator,
    candidates: gpd.GeoDataFrame,
    limits: Limits,
    *,
    must: Collection[str] = (),
    forbidden: Collection[str] = (),
    net_cost: NetCost | None = None,
    payments: PaymentLimits | None = None,
    own: Array | None = None,
    restoration_loss: Array | None = None,
    land_cost: Array | None = None,
    ends: BeltEnds | None = None,
    join_loss: float = JOIN_LOSS,
    exchange: bool = True,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> Choice:
    """Choose the lines with the largest benefit within a budget.

    Parameters
    ----------
    ground : Ground or other LocalEvaluator
        Of these candidates, with nothing planted; it is returned to that state. Several choices
        share one `KnownGains`.
    candidates : GeoDataFrame
        ``candidate`` (unique), ``length_m``, ``cost_minor``, ``holding_id``, and ``restores_belt``
        where any replaces an existing belt: at most one is chosen for each belt. ``excludes``
        names candidates that cannot be chosen with each (see `working_land.excluded_rows`).
    limits : Limits
    must, forbidden : collections of str
        Candidates that the choice must include, and must not include.
    net_cost : callable, optional
        Net cost of a set of rows, minor units of money, where grants are deducted.
    payments : PaymentLimits, optional
        Limits on the grants in it, with rows of candidates as belts; without them the bound
        assumes that every line costs `Limits.least_net_share` of its cost.
    own, restoration_loss : (n,) float64, optional
        `Benefits.gains` and `Benefits.restoration_loss`; calculated when not given. Evaluators
        other than `Ground` need the second.
    land_cost : (n,) float64, optional
        Cost of each to working land, ha eq., as `WorkingLand.cost_ha` returns it.
    ends : BeltEnds, optional
        What adjoins the ends of the candidates, to choose a set with fewer free ends.
    join_loss : float
        Share of the benefit, after the cost to working land, given up at most for that.
    exchange : bool
        Whether to try replacing chosen lines by others.
    stop_if_requested : callable
        Called between short pieces of work; raises to stop.

    Returns
    -------
    Choice

    Raises
    ------
    InputError
        ``name-unknown`` for a required line that does not exist; ``input-refused`` for one both
        required and forbidden, for required lines that do not fit the limits, and as
        `BudgetTracker`.
    TypeError
        The loss by restoration is not given and the evaluator is no `Ground`.

    Notes
    -----
    The order of the candidates does not matter: names decide ties. Each phase is chosen after
    the earlier ones, so that the choice up to any phase is valid by itself.
    """
    if restoration_loss is None:
        if not isinstance(ground, Ground):
            raise TypeError("evaluators other than Ground need the argument restoration_loss")
        restoration_loss = loss_by_restoration(ground, candidates)
    budget = BudgetTracker(candidates, limits, net_cost)
    land = np.zeros(len(candidates)) if land_cost is None else land_cost
    known = ground if isinstance(ground, KnownGains) else KnownGains(ground)
    search = Search(known, candidates, budget, own, restoration_loss + land, stop_if_requested)
    search.forbid(_rows_of(candidates, forbidden))
    try:
        search.plant_required(_rows_of(candidates, must), set(forbidden) & set(must))
        search.add_greedily()
        greedy = search.state()
        single = search.best_single()
        if single is not None:
            search.value(single)
        if exchange:
            search.start_with_each()
            search.restore(search.best())
            search.exchange()
        before, programme = search.best(), None
        if payments is not None:
            programme = _programme_of(search, payments, land)
            _add_steps(search, programme, land)
        best = search.best()
        if ends is not None:
            best = with_fewer_ends(search, best, ends, join_loss)
        method = "exchange" if best else "none"
        if best and set(best) <= set(greedy):
            method = "greedy"
        elif best == single:
            method = "single"
        elif best != before:
            method = "programme"
        return _choice_of(search, best, method, programme, land)
    finally:
        known.clear()


def choose_quickly(
    ground: Evaluator,
    candidates: gpd.GeoDataFrame,
    limits: Limits,
    *,
    must: Collection[str],
    net_cost: NetCost | None,
    restoration_loss: Array,
) -> tuple[list[int], float]:
    """Choose as `choose` does, without exchange of lines and without a bound.

    Parameters
    ----------
    ground, candidates, limits, must, net_cost, restoration_loss
        As for `choose`.

    Returns
    -------
    rows : list of int
    benefit_ha : float

    Raises
    ------
    InputError
        As for `choose`.
    """
    budget = BudgetTracker(candidates, limits, net_cost)
    search = Search(ground, candidates, budget, None, restoration_loss, lambda: None)
    search.plant_required(_rows_of(candidates, must), set())
    search.add_greedily(keep=False)
    single = search.best_single()
    if single is not None:
        search.value(single)
    best = search.best()
    return [row for row, _ in best], search.value(best)


def _rows_of(candidates: gpd.GeoDataFrame, names: Collection[str]) -> list[int]:
    known = {str(name): i for i, name in enumerate(candidates["candidate"])}
    missing = sorted(set(names) - set(known))
    if missing:
        raise InputError(
            "name-unknown",
            "There is no such candidate.",
            where="candidates",
            value=missing[0],
            hint="Use names of the column candidate in the layer of candidates.",
        )
    return sorted(
        (known[name] for name in names), key=lambda i: str(candidates["candidate"].iloc[i])
    )


def _programme_of(search: Search, payments: PaymentLimits, land: Array) -> NetProgramme:
    """Bounds of the benefit before the cost to working land, as `BenefitBound`."""
    loss = search.loss - land
    return NetProgramme(search.budget, search.must, payments, search.allowed, loss, search.excludes)


def _add_steps(search: Search, programme: NetProgramme, land: Array) -> None:
    """Evaluate the best set, and sets that solve the programme, so that its bound is tighter."""
    state, allowed = search.best(), np.flatnonzero(search.allowed)
    for _ in range(1 + ROUNDS_NET):
        search.value(state)
        search.restore(state)
        additions = np.zeros(len(search.loss))
        additions[allowed] = search.gains_of(allowed)
        additions[list(search.phases)] = 0.0
        search.steps.append((SearchStep(search.planted_benefit(), additions), state))
        most, rows = programme.solve([step for step, _ in search.steps])
        best = search.best()
        value = search.value(best) + land[[row for row, _ in best]].sum()
        if not rows or most <= value * (1.0 + net_bound.CLOSE):
            break
        state = tuple((row, 0) for row in rows)


def _most(search: Search, programme: NetProgramme | None, share: float = 1.0) -> float:
    """No set within a share of the budget adds more, ha eq."""
    bound = BenefitBound(search.budget, search.must)
    most = min(bound.from_step(step, share)[0] for step, _ in search.steps)
    if programme is None:
        return most
    return min(most, programme.solve([step for step, _ in search.steps], share)[0])


def _choice_of(
    search: Search, best: State, method: str, programme: NetProgramme | None, land: Array
) -> Choice:
    """The choice with its bound and benefit curve."""
    budget = search.budget
    search.restore(tuple(sorted(best, key=lambda line: line[1])))
    if programme is None:
        _update_bound_inputs(search)
    rows = list(search.ground.planted)
    adds = np.array([search.gain_of[row] - search.loss[row] + land[row] for row in rows])
    cost = float(land[rows].sum())
    value = search.value(best) + cost
    most = max(_most(search, programme), value)
    chosen = frozenset(rows)
    curve, sets = _curve(search, programme, land)
    return Choice(
        rows=rows,
        phase=[search.phases[row] for row in rows],
        benefit_added_ha=adds,
        benefit_ha=value,
        land_cost_ha=cost,
        benefit_bound_ha=most,
        gap=(most - value) / most if most > 0 else 0.0,
        method=method,
        bound_note=BOUND_NOTE if programme is None else net_bound.BOUND_NOTE,
        metres=budget.metres(chosen),
        net_cost_minor=budget.money(chosen),
        curve=curve,
        curve_sets=sets,
        evaluations=search.evaluations,
        reasons=_reasons(search, land),
    )


def _reasons(search: Search, land: Array) -> NDArray[np.object_]:
    """Why each line is chosen or not, with the chosen set in place."""
    adds = search.would_add()
    reasons = np.where(adds > LEAST_GAIN_HA, NOT_FOUND, NO_ADDITION).astype(object)
    reasons[(adds <= LEAST_GAIN_HA) & (adds + land > LEAST_GAIN_HA)] = COSTS_MORE
    reasons[np.isnan(adds)] = DOES_NOT_FIT
    exceeded = search.budget.limit_exceeded_alone()
    reasons[exceeded != ""] = exceeded[exceeded != ""]
    for row, other in enumerate(search.excluded_by(r) for r in range(len(reasons))):
        if other:
            names = ", ".join(str(search.names[r]) for r in other)
            reasons[row] = f"{EXCLUDED} {names}"
    reasons[~search.allowed] = FORBIDDEN
    reasons[list(search.phases)] = CHOSEN
    return reasons


def _update_bound_inputs(search: Search) -> None:
    """Recalculate additions to the chosen set until all that the bound depends on are current."""
    bound = BenefitBound(search.budget, search.must)
    additions = search.known_additions(search.state()).copy()
    additions[list(search.phases)] = 0.0
    fresh: set[int] = set()
    while True:
        _, used = bound.from_step(SearchStep(search.planted_benefit(), additions))
        old = [int(i) for i in np.flatnonzero(used > 0) if int(i) not in fresh]
        if not old:
            break
        additions[old] = search.gains_of(np.array(old, dtype=np.int64))
        fresh.update(old)
    search.steps.append((SearchStep(search.planted_benefit(), additions), search.state()))


def _curve(
    search: Search, programme: NetProgramme | None, land: Array
) -> tuple[pd.DataFrame, list[frozenset[int]]]:
    """Best set found within each share of the budget; sets of smaller shares count too."""
    budget = search.budget
    found = [
        (budget.budget_share(rows), -value, rows)
        for rows, (value, _) in search.evaluated_sets.items()
    ]
    lines, sets = [], []
    for k in range(CURVE_STEPS + 1):
        share = k / CURVE_STEPS
        within = [f for f in found if f[0] <= share + 1e-9]
        if not within:
            continue  # the required lines alone cost more
        _, minus, rows = min(within, key=lambda f: (f[1], f[0], search.names_of(f[2])))
        most = _most(search, programme, share)
        cost = sum(budget.gross[i] for i in rows), budget.money(rows)
        benefit = land[sorted(rows)].sum() - minus
        sets.append(frozenset(rows))
        lines.append((share, len(rows), budget.metres(rows), *cost, benefit, max(most, benefit)))
    columns = [
        "budget_share",
        "belt_count",
        "length_m",
        "cost_minor",
        "net_cost_minor",
        "set_benefit_ha",
        "benefit_bound_ha",
    ]
    curve = pd.DataFrame(lines, columns=columns)
    # A set within a share of the budget is one within every larger share.
    least = np.minimum.accumulate(curve["benefit_bound_ha"].to_numpy()[::-1])[::-1]
    return curve.assign(benefit_bound_ha=least), sets
