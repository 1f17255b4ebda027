"""The shortest or cheapest set of belts of `siting` with which places reach their targets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.processes.siting.aims import FEWEST_METRES
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.places import targets
from shelterscape.science.siting.benefit import Benefits
from shelterscape.science.siting.budgets import Limits
from shelterscape.science.siting.full_evaluation import (
    ExistingWinds,
    existing_winds,
    full_evaluation,
)
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.joining import MOST_EXCHANGES, MOST_TRIED, BeltEnds, exchanges
from shelterscape.science.siting.least_cost import LeastCost, cost_with_land, least_cost
from shelterscape.science.siting.least_runs import LeastProblem
from shelterscape.science.siting.place_cover import PlaceGround
from shelterscape.science.siting.place_terms import STOCK_TIME, reaches_target, target_terms
from shelterscape.science.siting.working_land import excluded_rows

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Rows = list[int]
Rules = dict[str, Any]

MOST_SEARCHES, MORE_GROUND, MORE_REDUCTION = 6, 2.0, 1.1
"""Most searches, and factors by which the requirement of a place below its target rises between
them (assumed)."""

NO_LOSS_HA = 1e-6
"""Restorations that lose more existing shelter than this are not considered, ha eq."""


@dataclass(frozen=True)
class LeastSets:
    """Sets with which places reach their targets, in metres or minor units of money.

    Parameters
    ----------
    chosen : LeastCost
        With regard to the working land; its costs are `cost_with_land`, except of required lines.
    alone : LeastCost
        By cost alone: without cost to working land, exclusion of candidates and least length.
    cost : float
        Cost of the chosen set by itself.
    problem : LeastProblem
        The search that found it, in which more is required of places that were below their target.
    """

    chosen: LeastCost
    alone: LeastCost
    cost: float
    problem: LeastProblem


class LeastSearch:
    """Searches for the shortest or cheapest set with which each place in reach meets its target.

    Each set is evaluated in full. Where a place is still below its target, because its sheltered
    ground is scattered or moves with the wind, more is required of it and the search repeated. The
    bound is that of the first search. Required lines are part of every set.

    Parameters
    ----------
    data : SitingData
    ground : Ground
        Of the candidates, with nothing planted.
    frame : GeoDataFrame
        The candidates.
    own : Benefits
    must, forbidden : list of str
        Names of required and of forbidden candidates.
    """

    def __init__(
        self,
        data: SitingData,
        ground: Ground,
        frame: gpd.GeoDataFrame,
        own: Benefits,
        must: list[str],
        forbidden: list[str],
    ) -> None:
        self._data, self._ground, self._own, self._frame = data, ground, own, frame
        self._terms = target_terms(ground.context)
        self._existing = existing_winds(ground.context, stop_if_requested=data.check_stop)
        by_length = data.params.aim == FEWEST_METRES
        self._cost = frame["length_m" if by_length else "cost_minor"].to_numpy(dtype=float)
        self._required = frame["candidate"].isin(must).to_numpy()
        self._usable = own.restoration_loss <= NO_LOSS_HA
        self._usable &= ~frame["candidate"].isin(forbidden).to_numpy()
        self._places = PlaceGround(ground.context, self._terms)
        self._cells = self._places.cells(ground.frame)

    def sets(self, land_cost: Array, short: list[str], ends: BeltEnds) -> LeastSets:
        """The set with regard to the working land, and that by cost alone.

        Parameters
        ----------
        land_cost : (n,) float64
            Cost to working land, ha eq.
        short : list of str
            Names of candidates that are too short.
        ends : BeltEnds
        """
        free = self._frame.assign(excludes="")
        alone, lacking, _ = self._least(self._cost, self._usable, free)
        counted = cost_with_land(self._cost, self._own.gains, land_cost)
        usable = self._usable & np.isfinite(counted)
        usable &= ~self._frame["candidate"].isin(short).to_numpy()
        counted = np.where(np.isfinite(counted), counted, self._cost)
        chosen, below, problem = self._least(counted, usable, self._frame)
        chosen = self._with_fewer_ends(chosen, below, counted, usable, ends)
        cost, needed = float(self._cost[chosen.rows].sum()), (alone.required > 0) & ~lacking
        if cost < alone.cost and not (self._below_target(chosen.rows) & needed).any():
            # No search is exhaustive, and every set that spares the working land counts too.
            alone = replace(alone, rows=chosen.rows, cost=cost)
        return LeastSets(chosen, alone, cost, problem)

    def _least(
        self, cost: Array, usable: NDArray[np.bool_], frame: gpd.GeoDataFrame
    ) -> tuple[LeastCost, NDArray[np.bool_], LeastProblem]:
        """The set with the least cost found, the places below their target, and the search."""
        terms, required, excludes = self._terms, self._required, excluded_rows(frame)
        pairs = [(a, b) for a, others in enumerate(excludes) for b in sorted(others) if a < b]
        rivals = [row for one in np.flatnonzero(required) for row in excludes[one]]
        usable = usable.copy()
        usable[rivals] = False
        rules: Rules = {
            "cost": np.where(required, 0.0, cost),
            "enough": np.where(terms.stock, STOCK_TIME, 1.0),
            "allowed": usable | required,
            "conflicts": pairs,
        }
        first, best, lacking, searched = None, None, np.zeros(0, bool), terms
        for _ in range(MOST_SEARCHES):
            found = least_cost(
                self._places.with_terms(terms).expected(self._cells, self._ground.frame),
                **rules,
                stop_if_requested=self._data.check_stop,
            )
            first = first or found
            rows = sorted({*found.rows, *(int(row) for row in np.flatnonzero(required))})
            below = self._below_target(rows) & (first.required > 0)
            if best is None or below.sum() < lacking.sum():
                best, lacking, searched = rows, below, terms
            if not (below & (found.required > 0)).any():
                break
            more_needed = np.where(terms.stock, MORE_GROUND, MORE_REDUCTION)
            terms = replace(terms, need=terms.need * np.where(below, more_needed, 1.0))
        assert first is not None and best is not None
        if searched is not self._terms:
            best = self._without_needless(best, (first.required > 0) & ~lacking, cost)
        bound = first.cost_bound + float(cost[required].sum())
        total = float(cost[best].sum())
        found = replace(first, rows=best, cost=total, cost_bound=bound)
        return found, lacking, LeastProblem(searched, required=required, **rules)

    def _without_needless(self, rows: Rows, needed: NDArray[np.bool_], cost: Array) -> Rows:
        """The set without lines that no target needs once it is evaluated in full.

        Places that need their target reach it with the set. The search may have required more
        ground than one needs in one piece.
        """
        for row in sorted(rows, key=lambda r: (-cost[r], r)):
            fewer = [one for one in rows if one != row]
            if not self._required[row] and not (self._below_target(fewer) & needed).any():
                rows = fewer
        return rows

    def _with_fewer_ends(
        self,
        found: LeastCost,
        below: NDArray[np.bool_],
        cost: Array,
        usable: NDArray[np.bool_],
        ends: BeltEnds,
    ) -> LeastCost:
        """The set with lines exchanged for others that continue belts, where that costs little."""
        most, in_reach = found.cost * (1.0 + self._data.params.join_loss), found.required > 0
        rows, excludes = found.rows, excluded_rows(self._frame)
        for _ in range(MOST_EXCHANGES):
            tried: list[tuple[int, float, Rows]] = []
            for left, place, other in exchanges(rows, ends):
                rest = [row for row in rows if row != rows[place]]
                total, old = float(cost[[*rest, other]].sum()), rows[place]
                fits = usable[other] and not excludes[other] & frozenset(rest) and total <= most
                if fits and not self._required[old]:
                    tried.append((left, total, sorted([*rest, other])))
            sets = (one for *_, one in sorted(tried)[:MOST_TRIED])
            reach = (one for one in sets if not (self._below_target(one) & in_reach & ~below).any())
            better = next(reach, None)
            if better is None:
                break
            rows = better
        return replace(found, rows=rows, cost=float(cost[rows].sum()))

    def _below_target(self, rows: Sequence[int]) -> NDArray[np.bool_]:
        return below_target(self._ground, rows, self._existing)


def below_target(ground: Ground, rows: Sequence[int], existing: ExistingWinds) -> NDArray[np.bool_]:
    """Places below their target with a set evaluated in full; places without one are below it.

    Parameters
    ----------
    ground : Ground
        Of the candidates.
    rows : sequence of int
    existing : ExistingWinds
        As `existing_winds` returns it.
    """
    assert ground.context.places is not None
    found = full_evaluation(ground.context, ground.frame, rows, existing=existing).places
    return ~reaches_target(
        found["relative_wind_with_belts"].to_numpy(),
        targets(ground.context.places),
        found["corner_time_share_with"].to_numpy(),
    )


def fixed_set(frame: gpd.GeoDataFrame, rows: Rows) -> tuple[list[str], list[str], Limits]:
    """Required and excluded candidates, and limits, with which `choose` returns this set."""
    chosen = frame.index.isin(frame.index[rows])
    names = frame["candidate"]
    # Any budget that the set fits.
    return list(names[chosen]), list(names[~chosen]), Limits(metres=frame["length_m"].sum())
