"""The best set of lines under a budget: the best of several searches, with how far it may miss."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.siting.benefit import loss_by_restoration
from shelterscape.science.siting.budgets import CLAIM, Bound, BudgetTracker, Limits, NetCost, Step
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.search import LEAST_GAIN_HA, Evaluator, Search, State

Array = NDArray[np.float64]

CURVE_STEPS = 20
"""Budgets at which the benefit curve is given, as shares of the whole."""

METHODS = {
    "greedy": "one by one, the most for what it takes first",
    "single": "the best line by itself",
    "exchange": "one by one from several beginnings, then changed line for line while that helped",
    "none": "nothing fits, or nothing helps",
}

CHOSEN, RULED_OUT = "chosen", "ruled out"
REPLACED = "another restoration of the same belt is chosen"
NO_ROOM = "does not fit the budget beside the belts chosen"
NO_ADDITION = "adds no benefit to the existing belts and those chosen"
NOT_FOUND = "would fit and add benefit, but the search did not try it beside the belts chosen"
"""Why a line is or is not chosen, beside what `BudgetTracker.too_large_alone` says."""


@dataclass(frozen=True)
class Choice:
    """A set of lines chosen, and what is known of it, by the plain rule.

    Parameters
    ----------
    rows : list of int
        Rows of the candidates chosen, by phase and then in the order chosen.
    phase : list of int
        Number of the phase of each, all 0 without phases.
    adds_ha : (k,) float64
        What each adds after those before it.
    benefit_ha : float
    bound_ha : float
        No set under these limits brings more by the plain rule (see `siting.budgets.Bound`).
    gap : float
        Share of the bound the set may fall short of it, 0 to 1.
    method : str
        A name in `METHODS`.
    claim : str
        What the bound holds for.
    metres, net_cost_minor : float
    curve : DataFrame
        ``share`` of the budget, ``lines``, ``metres``, ``cost_minor``, ``net_cost_minor``,
        ``benefit_ha`` and ``bound_ha`` of the best set found within it; never falls.
    laid : int
        How many times a line was evaluated during the search.
    reason : (n,) array of str
        Why each candidate is chosen or not.
    """

    rows: list[int]
    phase: list[int]
    adds_ha: Array
    benefit_ha: float
    bound_ha: float
    gap: float
    method: str
    claim: str
    metres: float
    net_cost_minor: float
    curve: pd.DataFrame
    laid: int
    reason: NDArray[np.object_]


def choose(
    ground: Ground,
    candidates: gpd.GeoDataFrame,
    limits: Limits,
    *,
    must: Collection[str] = (),
    forbidden: Collection[str] = (),
    net_cost: NetCost | None = None,
    own: Array | None = None,
    taken_away: Array | None = None,
    exchange: bool = True,
    stop_if_asked: Callable[[], None] = lambda: None,
) -> Choice:
    """Choose lines that bring most under a budget.

    Parameters
    ----------
    ground : Ground
        Of these candidates, with nothing planted; left so.
    candidates : GeoDataFrame
        ``candidate`` (unique), ``length_m``, ``cost_minor``, ``holding_id``, and ``mends`` where
        some replace an existing belt: of those for one belt at most one is chosen.
    limits : Limits
    must, forbidden : collections of str
        Candidates every choice has, and such as it must not have.
    net_cost : callable, optional
        Net cost of a set of rows in minor units, where grants make it other than the sum of costs.
    own, taken_away : (n,) float64, optional
        `Benefits.gains` and `Benefits.taken_away`; calculated when not given.
    exchange : bool
        Whether to try changing the set line for line.
    stop_if_asked : callable
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

    Notes
    -----
    The order of the candidates does not matter: ties go by their names. With phases each year is
    chosen by itself after those before, so that the choice up to any phase is valid alone.
    """
    if taken_away is None:
        taken_away = loss_by_restoration(ground, candidates)
    budget = BudgetTracker(candidates, limits, net_cost)
    search = Search(ground, candidates, budget, own, taken_away, stop_if_asked)
    search.forbid(_rows_of(candidates, forbidden))
    try:
        search.begin(_rows_of(candidates, must), set(forbidden) & set(must))
        search.grow()
        greedy = search.state()
        single = search.best_single()
        if single is not None:
            search.value(single)
        if exchange:
            search.begin_with_each()
            search.restore(search.best())
            search.swap()
        best = search.best()
        method = "exchange" if best else "none"
        if best and set(best) <= set(greedy):
            method = "greedy"
        elif best == single:
            method = "single"
        return _told(search, best, method)
    finally:
        search.clear()


def choose_quickly(
    ground: Evaluator,
    candidates: gpd.GeoDataFrame,
    limits: Limits,
    *,
    must: Collection[str],
    net_cost: NetCost | None,
    taken_away: Array,
) -> tuple[list[int], float]:
    """Choose as `choose` does without changing lines for one another, and without a bound.

    Parameters
    ----------
    ground, candidates, limits, must, net_cost, taken_away
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
    search = Search(ground, candidates, budget, None, taken_away, lambda: None)
    search.begin(_rows_of(candidates, must), set())
    search.grow(keep=False)
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
            mend="Use the names in the column candidate.",
        )
    return sorted(
        (known[name] for name in names), key=lambda i: str(candidates["candidate"].iloc[i])
    )


def _told(search: Search, best: State, method: str) -> Choice:
    """The choice with its bound and curve."""
    budget = search.budget
    bound = Bound(budget, search.must)
    search.restore(tuple(sorted(best, key=lambda line: line[1])))
    _sharpen(search, bound)
    rows = list(search.ground.planted)
    adds = np.array([search.gain_of[row] - search.loss[row] for row in rows])
    value = search.value(best)
    most = max(min(bound.of(step)[0] for step, _ in search.steps), value)
    chosen = frozenset(rows)
    return Choice(
        rows=rows,
        phase=[search.phases[row] for row in rows],
        adds_ha=adds,
        benefit_ha=value,
        bound_ha=most,
        gap=(most - value) / most if most > 0 else 0.0,
        method=method,
        claim=CLAIM,
        metres=budget.metres(chosen),
        net_cost_minor=budget.money(chosen),
        curve=_curve(search, bound),
        laid=search.laid,
        reason=_reasons(search),
    )


def _reasons(search: Search) -> NDArray[np.object_]:
    """Why each line is chosen or not, with the set chosen in place."""
    adds = search.would_add()
    reason = np.where(adds > LEAST_GAIN_HA, NOT_FOUND, NO_ADDITION).astype(object)
    reason[np.isnan(adds)] = NO_ROOM
    alone = search.budget.too_large_alone()
    reason[alone != ""] = alone[alone != ""]
    reason[search.replaced()] = REPLACED
    reason[~search.allowed] = RULED_OUT
    reason[list(search.phases)] = CHOSEN
    return reason


def _sharpen(search: Search, bound: Bound) -> None:
    """Recalculate the additions to the set chosen that the bound depends on, until none is old."""
    additions = search.known_additions(search.state()).copy()
    additions[list(search.phases)] = 0.0
    fresh: set[int] = set()
    while True:
        _, used = bound.of(Step(search.plain(), additions))
        old = [int(i) for i in np.flatnonzero(used > 0) if int(i) not in fresh]
        if not old:
            break
        additions[old] = search.look(np.array(old, dtype=np.int64))
        fresh.update(old)
    search.steps.append((Step(search.plain(), additions), search.state()))


def _curve(search: Search, bound: Bound) -> pd.DataFrame:
    """Best set found within each share of the budget, those of smaller shares included."""
    budget = search.budget
    found = [(budget.share_of(rows), -value, rows) for rows, (value, _) in search.seen.items()]
    lines = []
    for k in range(CURVE_STEPS + 1):
        share = k / CURVE_STEPS
        within = [f for f in found if f[0] <= share + 1e-9]
        if not within:
            continue  # what every choice has costs more
        _, minus, rows = min(within, key=lambda f: (f[1], f[0], search.names_of(f[2])))
        most = min(bound.of(step, share)[0] for step, _ in search.steps)
        cost = sum(budget.gross[i] for i in rows), budget.money(rows)
        lines.append((share, len(rows), budget.metres(rows), *cost, -minus, max(most, -minus)))
    columns = ["share", "lines", "metres", "cost_minor", "net_cost_minor", "benefit_ha", "bound_ha"]
    return pd.DataFrame(lines, columns=columns)
