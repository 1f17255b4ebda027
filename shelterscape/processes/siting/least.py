"""The shortest or cheapest set of belts of `siting` with which places reach their targets."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.processes.siting.aims import FEWEST_METRES, MOST_SHELTER
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.places import targets
from shelterscape.science.siting.benefit import Benefits, replaced_rows
from shelterscape.science.siting.budgets import Limits
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.full_evaluation import existing_winds, full_evaluation
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.least_cost import ROUNDING, LeastCost, least_cost
from shelterscape.science.siting.place_cover import STOCK_TIME, PlaceGround, target_terms

Field = NDArray[np.float32]

MOST_SEARCHES, MORE_GROUND, MORE_REDUCTION = 6, 2.0, 1.1
"""Most searches, and factors by which the requirement of a place below its target rises between
them (assumed)."""

NO_LOSS_HA = 1e-6
"""Restorations that lose more existing shelter than this are not considered, ha eq."""


def least_set(
    data: SitingData,
    ground: Ground,
    frame: gpd.GeoDataFrame,
    own: Benefits,
    must: list[str],
    forbidden: list[str],
) -> LeastCost | None:
    """The shortest or cheapest set found with which every place within reach reaches its target.

    None where another aim is given.

    Each set is evaluated in full. Where a place is still below its target, because its sheltered
    ground is scattered or moves with the wind, more is required of it and the search repeated. The
    bound is that of the first search. Required lines are part of the set and cost nothing in it.
    """
    if data.params.aim == MOST_SHELTER:
        return None
    context, terms = ground.context, target_terms(ground.context)
    existing = existing_winds(context, stop_if_requested=data.check_stop)
    by_length = data.params.aim == FEWEST_METRES
    cost = frame["length_m" if by_length else "cost_minor"].to_numpy(dtype=float)
    required = frame["candidate"].isin(must).to_numpy()
    usable = (own.restoration_loss <= NO_LOSS_HA) & ~frame["candidate"].isin(forbidden).to_numpy()
    cells = PlaceGround(context, terms).cells(ground.frame)
    first, best, fewest = None, None, np.inf
    for _ in range(MOST_SEARCHES):
        found = least_cost(
            PlaceGround(context, terms).expected(cells, ground.frame),
            np.where(required, 0.0, cost),
            enough=np.where(terms.stock, STOCK_TIME, 1.0),
            allowed=usable | required,
            conflicts=_conflicts(frame),
            stop_if_requested=data.check_stop,
        )
        first = first or found
        rows = sorted({*found.rows, *(int(row) for row in np.flatnonzero(required))})
        below = _below_target(context, ground.frame, rows, existing) & (first.required > 0)
        if below.sum() < fewest:
            best, fewest = rows, below.sum()
        if not (below & (found.required > 0)).any():
            break
        more = np.where(below, np.where(terms.stock, MORE_GROUND, MORE_REDUCTION), 1.0)
        terms = replace(terms, need=terms.need * more)
    assert first is not None and best is not None
    bound = first.cost_bound + float(cost[required].sum())
    return replace(first, rows=best, cost=float(cost[best].sum()), cost_bound=bound)


def fixed_set(frame: gpd.GeoDataFrame, rows: list[int]) -> tuple[list[str], list[str], Limits]:
    """Required and excluded candidates, and limits, with which `choose` returns this set."""
    chosen = frame.index.isin(frame.index[rows])
    names = frame["candidate"]
    # Any budget that the set fits.
    return list(names[chosen]), list(names[~chosen]), Limits(metres=frame["length_m"].sum())


def _below_target(
    context: EvaluationContext, grown: gpd.GeoDataFrame, rows: list[int], existing: Field
) -> NDArray[np.bool_]:
    """Places below their target with a set evaluated in full."""
    assert context.places is not None
    found = full_evaluation(context, grown, rows, existing=existing).places
    corner = found["corner_time_share_with"].to_numpy()
    calm = found["relative_wind_with_belts"].to_numpy() <= targets(context.places)
    return ~np.where(np.isfinite(corner), corner >= STOCK_TIME - ROUNDING, calm)


def _conflicts(frame: gpd.GeoDataFrame) -> list[tuple[int, int]]:
    """Restorations of the same belt."""
    replaced = replaced_rows(frame)
    return [
        (int(one), int(other))
        for belt in np.unique(replaced[replaced >= 0])
        for i, one in enumerate(np.flatnonzero(replaced == belt))
        for other in np.flatnonzero(replaced == belt)[i + 1 :]
    ]
