"""What each chosen line contributes: what changes without it, and what could take its place."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.science.places import Coverage
from shelterscape.science.siting.benefit import Benefits
from shelterscape.science.siting.budgets import BudgetTracker, Limits, NetCost
from shelterscape.science.siting.choice import Choice
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.search import LEAST_GAIN_HA, REFRESHED_TOGETHER, Search, State

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LeftOut:
    """A chosen set without one of its lines, by the smallest-wind rule (see `siting.ground`).

    Parameters
    ----------
    benefit_lost_ha : float
        Benefit of the set minus that without the line, ha eq.
    alternative : int or None
        Row of the line that adds most in its place, of those not chosen that fit the limits.
    alternative_benefit_ha : float
        Benefit that the alternative adds to the other lines, ha eq.; 0 without one.
    wind_rise : (places,) float64
        Mean relative wind of each place without the line, minus that with it; empty without
        places.
    """

    benefit_lost_ha: float
    alternative: int | None
    alternative_benefit_ha: float
    wind_rise: Array


def left_out(
    ground: Ground,
    candidates: gpd.GeoDataFrame,
    limits: Limits,
    choice: Choice,
    own: Benefits,
    *,
    forbidden: Collection[str] = (),
    net_cost: NetCost | None = None,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> list[LeftOut]:
    """Leave out each chosen line by itself.

    Parameters
    ----------
    ground : Ground
        Of these candidates, with nothing planted; it is returned to that state.
    candidates, limits, forbidden, net_cost
        As for `choice.choose`.
    choice : Choice
    own : Benefits
        As `benefit.benefits` returns it.
    stop_if_requested : callable
        Called between short pieces of work; raises to stop.

    Returns
    -------
    list of LeftOut
        In the order of `choice.rows`.

    Notes
    -----
    Lines are removed by halves: the other half is planted once for a whole half, so that the number
    of plantings grows with n log n.
    """
    budget = BudgetTracker(candidates, limits, net_cost)
    search = Search(ground, candidates, budget, own.gains, own.restoration_loss, stop_if_requested)
    names = set(forbidden)
    search.forbid(np.flatnonzero(candidates["candidate"].isin(names)).tolist())
    chosen: State = tuple(zip(choice.rows, choice.phase, strict=True))
    found: dict[int, LeftOut] = {}
    try:
        search.restore(chosen)
        wind, covered = None, ground.context.covered
        if covered is not None:
            wind = _wind_on_places(ground, covered)
        _visit(search, chosen, (), choice.benefit_ha, wind, found)
    finally:
        search.clear()
    return [found[row] for row in choice.rows]


def _visit(
    search: Search,
    part: State,
    planted: State,
    benefit_ha: float,
    wind: Array | None,
    found: dict[int, LeftOut],
) -> None:
    """Leave out each line of a part, with all others planted."""
    if len(part) > 1:
        middle = len(part) // 2
        one, other = part[:middle], part[middle:]
        _visit(search, one, planted + other, benefit_ha, wind, found)
        _visit(search, other, planted + one, benefit_ha, wind, found)
        return
    for row, phase in part:
        search.restore(planted)
        without = search.planted_benefit() - sum(float(search.loss[r]) for r, _ in planted)
        alternative, adds = _alternative(search, row, phase)
        rise = np.empty(0)
        if wind is not None:
            assert isinstance(search.ground, Ground)
            assert search.ground.context.covered is not None
            rise = _wind_on_places(search.ground, search.ground.context.covered) - wind
        found[row] = LeftOut(benefit_ha - without, alternative, adds, rise)


def _alternative(search: Search, row: int, phase: int) -> tuple[int | None, float]:
    """The line that adds most in place of one left out, and what it adds."""
    # What a line adds alone is the most it adds to any set, so the rest need not be evaluated.
    most = search.steps[0][0].additions - search.loss
    usable = search.allowed & (most > LEAST_GAIN_HA) & search.budget.could_fit(search.phases, phase)
    usable[[row, *search.phases]] = False
    order = [int(r) for r in np.lexsort((search.rank, -most)) if usable[r]]
    best: tuple[float, int, int] | None = None
    while order and (best is None or -best[0] < most[order[0]]):
        lot, order = order[:REFRESHED_TOGETHER], order[REFRESHED_TOGETHER:]
        lot = [r for r in lot if search.fits(r, phase)]
        if lot:
            adds = search.gains_of(np.array(lot, dtype=np.int64)) - search.loss[lot]
            ranked = [(-float(a), int(search.rank[r]), r) for a, r in zip(adds, lot, strict=True)]
            best = min([*ranked, *([] if best is None else [best])])
    if best is None or -best[0] <= LEAST_GAIN_HA:
        return None, 0.0
    return best[2], -best[0]


def _wind_on_places(ground: Ground, covered: Coverage) -> Array:
    """Mean relative wind of each place with the planted lines, weighted as in `shelter`."""
    exponent, count = ground.context.speed_exponent, len(covered.first) - 1
    wind = ground.wind.reshape(len(ground.wind), -1)
    power = np.zeros(len(covered.cell))
    for ray, share in enumerate(ground.rays.share):
        power += share * wind[ray, covered.cell].astype(float) ** exponent
    values = power ** (1.0 / exponent)
    weight = np.bincount(covered.owner, covered.share, count)
    total = np.bincount(covered.owner, covered.share * values, count)
    found: Array = np.divide(total, weight, out=np.full(count, np.nan), where=weight > 0)
    return found
