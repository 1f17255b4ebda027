"""What each chosen line contributes: what changes without it, and what could take its place."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.science.places import StockCorners, cell_means
from shelterscape.science.siting.benefit import Benefits
from shelterscape.science.siting.budgets import BudgetTracker, Limits, NetCost
from shelterscape.science.siting.choice import Choice
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.search import (
    LEAST_GAIN_HA,
    REFRESHED_TOGETHER,
    Evaluator,
    Search,
    State,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LeftOut:
    """A chosen set without one of its lines, by the smallest-wind rule (see `siting.ground`).

    Parameters
    ----------
    benefit_lost_ha : float
        Benefit of the set minus that without the line, ha eq.
    alternative : int or None
        Row of the line that adds most in its place after its cost to working land, of those not
        chosen that fit the limits.
    alternative_benefit_ha : float
        Benefit that the alternative adds to the other lines, ha eq.; 0 without one.
    wind_rise : (places,) float64
        Mean relative wind of each place without the line, minus that with it; empty without
        places.
    corner_time_fall : (places,) float64
        Share of the time with wind in which stock has a sheltered corner, minus that without the
        line; NaN on places without stock, empty without places.
    """

    benefit_lost_ha: float
    alternative: int | None
    alternative_benefit_ha: float
    wind_rise: Array
    corner_time_fall: Array


def left_out(
    ground: Evaluator,
    candidates: gpd.GeoDataFrame,
    limits: Limits,
    choice: Choice,
    own: Benefits,
    *,
    shelter: Ground | None = None,
    forbidden: Collection[str] = (),
    land_cost: Array | None = None,
    net_cost: NetCost | None = None,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> list[LeftOut]:
    """Leave out each chosen line by itself.

    Parameters
    ----------
    ground : Evaluator
        Of these candidates, with nothing planted; it is returned to that state.
    candidates, limits, forbidden, land_cost, net_cost
        As for `choice.choose`.
    choice : Choice
    own : Benefits
        As `benefit.benefits` returns it.
    shelter : Ground, optional
        Of the same candidates, for the wind on places; by default `ground`, if it is a `Ground`.
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
    if shelter is None and isinstance(ground, Ground):
        shelter = ground
    both = ground if shelter is None or shelter is ground else _PlantedInBoth(ground, shelter)
    search = Search(both, candidates, budget, own.gains, own.restoration_loss, stop_if_requested)
    names = set(forbidden)
    search.forbid(np.flatnonzero(candidates["candidate"].isin(names)).tolist())
    chosen: State = tuple(zip(choice.rows, choice.phase, strict=True))
    found: dict[int, LeftOut] = {}
    try:
        search.restore(chosen)
        with_all = wind_on_places(shelter), corner_time(shelter)
        land = np.zeros(len(candidates)) if land_cost is None else land_cost
        _visit(search, chosen, (), (choice.benefit_ha, land), (shelter, with_all), found)
    finally:
        search.clear()
    return [found[row] for row in choice.rows]


class _PlantedInBoth:
    """An evaluator whose lines are also planted on a ground, for the wind on its places."""

    def __init__(self, evaluator: Evaluator, ground: Ground) -> None:
        self._evaluator, self._ground, self.planted = evaluator, ground, evaluator.planted

    def gains(self, which: NDArray[np.int64]) -> Array:
        """Benefit each would add, ha eq."""
        return self._evaluator.gains(which)

    def plant(self, one: int) -> float:
        """Plant a candidate and return the benefit it adds, ha eq."""
        added = self._evaluator.plant(one)
        self._ground.plant(one)
        return added

    def remove_last(self) -> int:
        """Remove the candidate planted last and return its row."""
        # In reverse, because both may share one map of the wind.
        self._ground.remove_last()
        return self._evaluator.remove_last()


def _visit(
    search: Search,
    part: State,
    planted: State,
    whole: tuple[float, Array],
    shelter: tuple[Ground | None, tuple[Array, Array]],
    found: dict[int, LeftOut],
) -> None:
    """Leave out each line of a part, with all others planted.

    `whole` is the benefit of the whole set, and the cost of each line to working land.
    """
    benefit_ha, land = whole
    if len(part) > 1:
        middle = len(part) // 2
        one, other = part[:middle], part[middle:]
        _visit(search, one, planted + other, whole, shelter, found)
        _visit(search, other, planted + one, whole, shelter, found)
        return
    for row, phase in part:
        search.restore(planted)
        without = search.planted_benefit() - sum(float(search.loss[r]) for r, _ in planted)
        alternative, adds = _alternative(search, row, phase, land)
        ground, (wind, corner) = shelter
        changes = wind_on_places(ground) - wind, corner - corner_time(ground)
        found[row] = LeftOut(benefit_ha - without, alternative, adds, *changes)


def _alternative(search: Search, row: int, phase: int, land: Array) -> tuple[int | None, float]:
    """The line that adds most after its cost to land in place of another, and what it adds."""
    # What a line adds alone is the most it adds to any set, so the rest need not be evaluated.
    most = search.steps[0][0].additions - search.loss - land
    usable = search.allowed & (most > LEAST_GAIN_HA) & search.budget.could_fit(search.phases, phase)
    usable[[row, *search.phases]] = False
    order = [int(r) for r in np.lexsort((search.rank, -most)) if usable[r]]
    best: tuple[float, int, int] | None = None
    while order and (best is None or -best[0] < most[order[0]]):
        lot, order = order[:REFRESHED_TOGETHER], order[REFRESHED_TOGETHER:]
        lot = [r for r in lot if search.fits(r, phase)]
        if lot:
            adds = search.gains_of(np.array(lot, dtype=np.int64)) - search.loss[lot] - land[lot]
            ranked = [(-float(a), int(search.rank[r]), r) for a, r in zip(adds, lot, strict=True)]
            best = min([*ranked, *([] if best is None else [best])])
    if best is None or -best[0] <= LEAST_GAIN_HA:
        return None, 0.0
    return best[2], float(land[best[2]]) - best[0]


def wind_on_places(ground: Ground | None) -> Array:
    """Mean relative wind of each place with the planted lines, weighted as in `shelter`.

    Parameters
    ----------
    ground : Ground or None

    Returns
    -------
    (places,) float64
        Empty without places.
    """
    if ground is None or (covered := ground.context.covered) is None:
        return np.empty(0)
    exponent = ground.context.speed_exponent
    wind = ground.wind.reshape(len(ground.wind), -1)
    power = np.zeros(len(covered.cell))
    for ray, share in enumerate(ground.rays.share):
        power += share * wind[ray, covered.cell].astype(float) ** exponent
    return cell_means(power ** (1.0 / exponent), covered)


def corner_time(ground: Ground | None) -> Array:
    """Share of the time with wind in which stock has a sheltered corner.

    Parameters
    ----------
    ground : Ground or None

    Returns
    -------
    (places,) float64
        NaN without stock; empty without places.
    """
    if ground is None or ground.context.places is None or ground.context.covered is None:
        return np.empty(0)
    places, covered, grid = ground.context.places, ground.context.covered, ground.context.grid
    found = np.full(len(places), np.nan)
    corners = StockCorners(places, covered, grid, 1)
    cells = covered.cell[np.isin(covered.owner, list(corners.share))]
    wind, field = ground.wind.reshape(len(ground.wind), -1), np.ones(grid.shape, np.float32)
    for number, share in enumerate(ground.context.time_share if len(cells) else ()):
        rays = np.flatnonzero(ground.rays.direction == number)
        field.ravel()[cells] = wind[np.ix_(rays, cells)].mean(axis=0)
        corners.add([float(share)], field[None])
    for place, by_case in corners.share.items():
        found[place] = by_case[0]
    return found
