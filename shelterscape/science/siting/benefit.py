"""Benefit each candidate would add by itself, by purpose, place and wind direction.

The unit is the equivalent sheltered area, ha eq.: 2 ha with the wind reduced by half are 1 ha eq.
The benefit of a candidate is Σ priority × weight × (relative wind without − with) × area over
cells, directions and rays. With terrain wind the weight is (U·T)^p, so that windy ground counts
more than flat, open terrain.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.kernels.shelter_curves import REACH_LEEWARD_H
from shelterscape.kernels.siting import LandUse, SitingRays, gains, served
from shelterscape.science.belt_profiles import ProfileTables
from shelterscape.science.outlines import CLOSE_HEIGHTS
from shelterscape.science.places import Coverage
from shelterscape.science.prepared_belts import prepare_belts
from shelterscape.science.siting.context import NO_HOLDING, EvaluationContext
from shelterscape.science.siting.ground import SITING_RAYS, Ground, wind_of

Array = NDArray[np.float64]

PLANT = "plant"
"""Action of a candidate that replaces no existing belt."""

CANDIDATES_AT_ONCE = 128
"""Candidates whose benefit by place is calculated together, to limit memory."""

WORTH_NAMING = 0.01
"""Least share of the benefit of a candidate for which a place is reported (assumed)."""

BENEFICIARIES = ("own", "neighbours", "public")
"""Who benefits: the holding of the candidate, other holdings, and public land."""


@dataclass(frozen=True)
class Benefits:
    """Benefit each candidate would add by itself, ha eq.

    Parameters
    ----------
    total : (n,) float64
        Gains minus `restoration_loss`; below 0 where a restoration removes more shelter than it
        adds.
    by_direction : (n, directions) float64
        Gains in the order of the wind set, without `restoration_loss`.
    by_purpose : (n, purposes, 3) float64
        Gains by beneficiary, in the order of `BENEFICIARIES`.
    by_place : DataFrame
        ``row`` of the candidate, ``place`` (row of the places) and ``benefit_ha``, largest first.
    restoration_loss : (n,) float64
        Shelter lost because a restoration replaces the existing belt.
    """

    total: Array
    by_direction: Array
    by_purpose: Array
    by_place: pd.DataFrame
    restoration_loss: Array

    @property
    def gains(self) -> Array:
        """Benefit each adds with all existing belts in place."""
        found: Array = self.total + self.restoration_loss
        return found


def benefits(ground: Ground, candidates: gpd.GeoDataFrame) -> Benefits:
    """Calculate the benefit each candidate would add by itself to the existing belts.

    Parameters
    ----------
    ground : Ground
        With nothing planted.
    candidates : GeoDataFrame
        The candidates of the ground, with ``holding_id``, ``action`` and ``restores_belt`` where
        known.

    Returns
    -------
    Benefits

    Notes
    -----
    Exact for the given rays and the smallest-wind rule (see `siting.ground`): existing belts are in
    place, overlapping shelter of one candidate counts once, and a restoration replaces its belt.
    """
    by_direction, by_purpose, by_place = _parts(ground, candidates)
    restoration_loss = loss_by_restoration(ground, candidates)
    total = by_direction.sum(axis=1) - restoration_loss
    return Benefits(total, by_direction, by_purpose, by_place, restoration_loss)


def work_bytes(cells: int, purposes: int = 2, rays: int = SITING_RAYS) -> float:
    """Memory that `benefits` needs in addition to its `Ground`, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    purposes : int
        Number of purposes.
    rays : int
        Rays for each direction.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    First, priorities in hectares and the places on each cell. Then, for belts to be replaced, the
    rays of one direction with and without the old belt, on a window of at most the whole map.
    """
    return cells * max(4.0 * purposes + 8.0, 2 * 4.0 * rays + 16.0)


def benefit_table(candidates: gpd.GeoDataFrame, found: Benefits) -> pd.DataFrame:
    """Benefits of each candidate, in total, per 100 m and per 1000 currency units.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``candidate``, ``length_m`` and ``cost_minor``.
    found : Benefits

    Returns
    -------
    DataFrame
        ``candidate``, ``benefit_alone_ha``, ``benefit_per_100m_ha``, ``benefit_per_1000_ha`` (per
        1000 currency units of 100 minor units; NaN for candidates without cost),
        ``own_benefit_ha``, ``neighbours_benefit_ha``, ``public_benefit_ha``,
        ``shelter_removed_ha``.
    """
    length = candidates["length_m"].to_numpy(dtype=float)
    cost = candidates["cost_minor"].to_numpy(dtype=float)
    by_beneficiary = found.by_purpose.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_metre = np.where(length > 0, found.total / length, np.nan)
        per_money = np.where(cost > 0, found.total / cost, np.nan)
    return pd.DataFrame(
        {
            "candidate": candidates["candidate"].to_numpy(),
            "benefit_alone_ha": found.total,
            "benefit_per_100m_ha": 100.0 * per_metre,
            "benefit_per_1000_ha": 1e5 * per_money,
            **{f"{name}_benefit_ha": by_beneficiary[:, i] for i, name in enumerate(BENEFICIARIES)},
            "shelter_removed_ha": found.restoration_loss,
        }
    )


def _parts(ground: Ground, candidates: gpd.GeoDataFrame) -> tuple[Array, Array, pd.DataFrame]:
    """Gains by direction, by purpose and beneficiary, and by place."""
    context = ground.context
    by_direction = np.zeros((len(candidates), len(context.weights)))
    by_purpose = np.zeros((len(candidates), len(context.purposes), len(BENEFICIARIES)))
    order = ground.spatial_order
    rows: list[pd.DataFrame] = []
    count = 0 if context.places is None else len(context.places)
    land_use = _land_use(context, candidates)
    for begin in range(0, len(order) if ground.lines is not None else 0, CANDIDATES_AT_ONCE):
        which = order[begin : begin + CANDIDATES_AT_ONCE]
        parts = np.empty((len(which), *by_purpose.shape[1:]))
        by_place = np.empty((len(which), count))
        out = np.empty((len(which), by_direction.shape[1]))
        inputs = (ground.wind, ground.rays, ground.priority, context.terrain_wind)
        served(ground.lines, which, *inputs, land_use, out, parts, by_place)
        by_direction[which], by_purpose[which] = out, parts
        least = WORTH_NAMING * parts.sum(axis=(1, 2))
        one, place = np.nonzero((by_place > 0) & (by_place >= least[:, None]))
        rows.append(
            pd.DataFrame({"row": which[one], "place": place, "benefit_ha": by_place[one, place]})
        )
    empty = pd.DataFrame({"row": [], "place": [], "benefit_ha": []})
    named = pd.concat(rows, ignore_index=True) if rows else empty
    keys = {"by": ["row", "benefit_ha", "place"], "ascending": [True, False, True]}
    return by_direction, by_purpose, named.sort_values(**keys, ignore_index=True)  # type: ignore[call-overload]


def _land_use(context: EvaluationContext, candidates: gpd.GeoDataFrame) -> LandUse:
    """Priority, owners and places in hectares, as `kernels.siting.served` requires them."""
    number = {name: i for i, name in enumerate(context.holdings)}
    names = candidates["holding_id"] if "holding_id" in candidates else [""] * len(candidates)
    # A candidate without a known holding has no land of its own.
    mine = np.array([number.get(str(name), NO_HOLDING - 1) for name in names], np.int32)
    area = np.float32(context.grid.cell_area_ha)
    cells = context.grid.shape[0] * context.grid.shape[1]
    by_cell: tuple[NDArray, ...]
    if context.places is None or context.covered is None:
        first = np.zeros(cells + 1, np.int64)
        by_cell = (first, np.empty(0, np.int32), np.empty(0, np.float32))
    else:
        priority = context.places["priority"].to_numpy(dtype=float)
        by_cell = _by_cell(context.covered, priority * float(area), cells)
    return LandUse(context.priority * area, context.owner, mine, *by_cell)


def _by_cell(covered: Coverage, priority: Array, cells: int) -> tuple[NDArray, ...]:
    """Places on each cell, and the priority × area they have there."""
    owner = np.repeat(np.arange(len(covered.first) - 1), np.diff(covered.first))
    order = np.argsort(covered.cell, kind="stable")
    first = np.searchsorted(covered.cell[order], np.arange(cells + 1)).astype(np.int64)
    weight = (covered.share * priority[owner])[order].astype(np.float32)
    return first, owner[order].astype(np.int32), weight


def replaced_rows(candidates: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Row of the existing belt each candidate replaces; -1 where it replaces none.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``restores_belt`` where any replaces a belt.

    Returns
    -------
    (n,) int64
    """
    if "restores_belt" not in candidates or not len(candidates):
        return np.full(len(candidates), -1, np.int64)
    rows = pd.to_numeric(candidates["restores_belt"], errors="coerce").fillna(-1)
    return np.asarray(rows, dtype=np.int64)


def loss_by_restoration(ground: Ground, candidates: gpd.GeoDataFrame) -> Array:
    """Shelter lost because the belt a candidate replaces is removed, ha eq.

    Parameters
    ----------
    ground : Ground
        With nothing planted.
    candidates : GeoDataFrame

    Returns
    -------
    (n,) float64
        0 for new belts, and for restorations that shelter everything the old belt does.
    """
    restores_belt, loss = replaced_rows(candidates), np.zeros(len(candidates))
    tables = ProfileTables(1)
    for belt in np.unique(restores_belt[restores_belt >= 0]):
        which = np.flatnonzero(restores_belt == belt)
        loss[which] = _loss_of(ground, int(belt), which, tables)
    return loss


def _loss_of(ground: Ground, belt: int, which: NDArray[np.int64], tables: ProfileTables) -> Array:
    """The same for the candidates that replace one belt; profiles of others are added to tables."""
    context, grid = ground.context, ground.context.grid
    belts = context.belts
    # A close belt up to `CLOSE_HEIGHTS` times as tall may act together with the removed one.
    reach = CLOSE_HEIGHTS * REACH_LEEWARD_H * belts["height_m"].to_numpy(dtype=float)
    old = belts.geometry.to_numpy()[belt]
    west, south, east, north = old.buffer(reach[belt]).bounds
    left, top = ~grid.affine * (west, north)
    right, bottom = ~grid.affine * (east, south)
    rows = slice(max(int(top), 0), min(int(bottom) + 1, grid.shape[0]))
    cols = slice(max(int(left), 0), min(int(right) + 1, grid.shape[1]))
    if rows.stop <= rows.start or cols.stop <= cols.start:
        return np.zeros(len(which))
    window = grid.window(rows.start, cols.start, (rows.stop - rows.start, cols.stop - cols.start))
    # Belts farther away have no effect here, so only nearer ones are evaluated again.
    around = shapely.box(west, south, east, north)
    near = shapely.distance(belts.geometry.to_numpy(), around) <= reach
    near[belt] = False
    prepared = None
    if near.any():
        prepared = prepare_belts([belts[near]], window, context.options, tables=tables)
    priority = np.ascontiguousarray(ground.priority[rows, cols])
    corner = np.array([window.row0, window.col0], np.int64)
    kept, new = (np.zeros((len(which), len(context.weights))) for _ in range(2))
    old_shelter = 0.0
    # Direction by direction: copies of all rays could need twice the memory of the ground.
    for direction in range(len(context.weights)):
        here = np.flatnonzero(ground.rays[1] == direction)
        without = wind_of(prepared, window, context.options, ground.directions_deg[here])
        with_old = np.ascontiguousarray(ground.wind[here, rows, cols])
        windy = np.ascontiguousarray(context.terrain_wind[direction : direction + 1, rows, cols])
        share = ground.rays[2][here]
        rays = SitingRays(ground.rays[0][here], np.zeros(len(here), np.int64), share, corner)
        for wind, found in ((with_old, kept), (without, new)):
            column = np.zeros((len(which), 1))
            gains(ground.lines, which, wind, rays, priority, windy, column)
            found[:, direction] = column[:, 0]
        weight = priority * windy[0] if len(windy) else priority
        for ray, part in enumerate(share):
            old_shelter += part * float((weight * (without[ray] - with_old[ray])).sum(dtype=float))
    loss: Array = np.maximum(kept.sum(axis=1) + old_shelter - new.sum(axis=1), 0.0)
    return loss
