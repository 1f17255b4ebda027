"""What each candidate alone would add, by purpose, place and wind direction.

The unit is the equivalent sheltered area, ha eq.: 2 ha with the wind reduced by half are 1 ha eq.
The benefit of a candidate is Σ need × weight × (relative wind without − with) × area over cells,
directions and rays; over terrain the weight of a wind is (U·T)^p, so that windy ground counts more
than flat, open terrain.
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
from shelterscape.science.outlines import CLOSE_HEIGHTS
from shelterscape.science.places import Coverage
from shelterscape.science.scene import scene_of
from shelterscape.science.siting.ground import SITING_RAYS, Ground, wind_of
from shelterscape.science.siting.setting import NOBODY, Setting

Array = NDArray[np.float64]

PLANT = "plant"
"""The action of a candidate that replaces no existing belt."""

AT_ONCE = 128
"""Candidates whose benefit by place is calculated together, to limit memory."""

WORTH_NAMING = 0.01
"""Least share of its benefit for which a place or a wind is named beside a candidate (E)."""

WHOM = ("own", "neighbours", "public")


@dataclass(frozen=True)
class Benefits:
    """What each candidate alone would add, ha eq.

    Parameters
    ----------
    total : (n,) float64
        Below what the parts sum to, or below 0, where restoration first takes shelter away.
    by_direction : (n, directions) float64
        In the order of the setting; gains alone, as the parts below.
    by_purpose : (n, purposes, 3) float64
        For the own holding, for neighbours, for the public.
    by_place : DataFrame
        ``row`` of the candidate, ``place`` (row of the places) and ``benefit_ha``, most first.
    taken_away : (n,) float64
        What removal of the old belt costs a restoration; counted in `total`.
    """

    total: Array
    by_direction: Array
    by_purpose: Array
    by_place: pd.DataFrame
    taken_away: Array

    @property
    def gains(self) -> Array:
        """What each adds where it shelters better, old belts left in place."""
        found: Array = self.by_direction.sum(axis=1)
        return found


def benefits(ground: Ground, candidates: gpd.GeoDataFrame) -> Benefits:
    """Calculate what each candidate alone would add to the existing belts.

    Parameters
    ----------
    ground : Ground
        With nothing planted.
    candidates : GeoDataFrame
        Those the ground was made of, with ``holding_id``, ``action`` and ``mends`` where known.

    Returns
    -------
    Benefits

    Notes
    -----
    Exact within the rays and the plain rule (see `siting.ground`): existing belts are in place,
    a candidate's own overlapping lees count once, and the belt that a restoration replaces is
    taken away.
    """
    by_direction, by_purpose, by_place = _parts(ground, candidates)
    taken_away = loss_by_restoration(ground, candidates)
    total = by_direction.sum(axis=1) - taken_away
    return Benefits(total, by_direction, by_purpose, by_place, taken_away)


def work_bytes(cells: int, purposes: int = 2, rays: int = SITING_RAYS) -> float:
    """Memory that `benefits` takes besides its `Ground` while it works, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    purposes : int
        Purposes with a need of their own.
    rays : int
        Rays for each direction.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    Needs in hectares and the places on each cell first; then, for belts that would be replaced,
    the rays of one direction with and without the old belt, on a window that may be all the map.
    """
    return cells * max(4.0 * purposes + 8.0, 2 * 4.0 * rays + 16.0)


def table(candidates: gpd.GeoDataFrame, found: Benefits) -> pd.DataFrame:
    """Benefits beside each candidate, per 100 m and per thousand of money.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``candidate``, ``length_m`` and ``cost_minor``.
    found : Benefits

    Returns
    -------
    DataFrame
        ``candidate``, ``benefit_ha``, ``benefit_per_100m_ha``, ``benefit_per_1000_ha`` (per 1000
        whole units of money, of 100 minor ones; NaN for what costs nothing), ``own_ha``,
        ``neighbours_ha``, ``public_ha``, ``taken_away_ha``.
    """
    length = candidates["length_m"].to_numpy(dtype=float)
    cost = candidates["cost_minor"].to_numpy(dtype=float)
    whom = found.by_purpose.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_metre = np.where(length > 0, found.total / length, np.nan)
        per_money = np.where(cost > 0, found.total / cost, np.nan)
    return pd.DataFrame(
        {
            "candidate": candidates["candidate"].to_numpy(),
            "benefit_ha": found.total,
            "benefit_per_100m_ha": 100.0 * per_metre,
            "benefit_per_1000_ha": 1e5 * per_money,
            **{f"{name}_ha": whom[:, i] for i, name in enumerate(WHOM)},
            "taken_away_ha": found.taken_away,
        }
    )


def _parts(ground: Ground, candidates: gpd.GeoDataFrame) -> tuple[Array, Array, pd.DataFrame]:
    """Gains by direction, by purpose and for whom, and by place."""
    setting = ground.setting
    by_direction = np.zeros((len(candidates), len(setting.weights)))
    by_purpose = np.zeros((len(candidates), len(setting.purposes), len(WHOM)))
    order = ground.near_order
    rows: list[pd.DataFrame] = []
    count = 0 if setting.places is None else len(setting.places)
    facts = _facts(setting, candidates)
    for begin in range(0, len(order) if ground.lines is not None else 0, AT_ONCE):
        which = order[begin : begin + AT_ONCE]
        parts = np.empty((len(which), *by_purpose.shape[1:]))
        by_place = np.empty((len(which), count))
        out = np.empty((len(which), by_direction.shape[1]))
        standing = (ground.wind, ground.rays, ground.need, setting.open_wind)
        served(ground.lines, which, *standing, facts, out, parts, by_place)
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


def _facts(setting: Setting, candidates: gpd.GeoDataFrame) -> LandUse:
    """Need, owners and places as `kernels.siting.served` wants them, in hectares."""
    number = {name: i for i, name in enumerate(setting.holdings)}
    names = candidates["holding_id"] if "holding_id" in candidates else [""] * len(candidates)
    # A candidate of no known holding has no ground of its own.
    mine = np.array([number.get(str(name), NOBODY - 1) for name in names], np.int32)
    area = np.float32(setting.grid.cell_area_ha)
    cells = setting.grid.shape[0] * setting.grid.shape[1]
    by_cell: tuple[NDArray, ...]
    if setting.places is None or setting.covered is None:
        first = np.zeros(cells + 1, np.int64)
        by_cell = (first, np.empty(0, np.int32), np.empty(0, np.float32))
    else:
        need = setting.places["need"].to_numpy(dtype=float)
        by_cell = _by_cell(setting.covered, need * float(area), cells)
    return LandUse(setting.need * area, setting.owner, mine, *by_cell)


def _by_cell(covered: Coverage, need: Array, cells: int) -> tuple[NDArray, ...]:
    """Cover of places by cell: which places are on each cell, and what they count there."""
    owner = np.repeat(np.arange(len(covered.first) - 1), np.diff(covered.first))
    order = np.argsort(covered.cell, kind="stable")
    first = np.searchsorted(covered.cell[order], np.arange(cells + 1)).astype(np.int64)
    weight = (covered.share * need[owner])[order].astype(np.float32)
    return first, owner[order].astype(np.int32), weight


def replaced_rows(candidates: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Row of the existing belt each candidate replaces, -1 for none.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``mends`` where any replaces a belt.

    Returns
    -------
    (n,) int64
    """
    if "mends" not in candidates or not len(candidates):
        return np.full(len(candidates), -1, np.int64)
    rows = pd.to_numeric(candidates["mends"], errors="coerce").fillna(-1)
    return np.asarray(rows, dtype=np.int64)


def loss_by_restoration(ground: Ground, candidates: gpd.GeoDataFrame) -> Array:
    """What is lost because the belt a candidate replaces is removed, ha eq.

    Parameters
    ----------
    ground : Ground
        With nothing planted.
    candidates : GeoDataFrame

    Returns
    -------
    (n,) float64
        0 for new belts, and for restored ones that shelter all that the old one does.
    """
    mends, loss = replaced_rows(candidates), np.zeros(len(candidates))
    for belt in np.unique(mends[mends >= 0]):
        which = np.flatnonzero(mends == belt)
        loss[which] = _loss_of(ground, int(belt), which)
    return loss


def _loss_of(ground: Ground, belt: int, which: NDArray[np.int64]) -> Array:
    """The same for the candidates that replace one belt."""
    setting, grid = ground.setting, ground.setting.grid
    belts = setting.belts
    # A close belt half as tall again may act with the one taken away.
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
    # Beyond their reach belts change nothing here, so only those nearer are evaluated again.
    around = shapely.box(west, south, east, north)
    near = shapely.distance(belts.geometry.to_numpy(), around) <= reach
    near[belt] = False
    scene = scene_of([belts[near]], window, setting.how) if near.any() else None
    need = np.ascontiguousarray(ground.need[rows, cols])
    corner = np.array([window.row0, window.col0], np.int64)
    kept, new = (np.zeros((len(which), len(setting.weights))) for _ in range(2))
    held = 0.0
    # Direction by direction: copies of all rays could take twice what the ground itself takes.
    for direction in range(len(setting.weights)):
        here = np.flatnonzero(ground.rays[1] == direction)
        without = wind_of(scene, window, setting.how, ground.directions_deg[here])
        standing = np.ascontiguousarray(ground.wind[here, rows, cols])
        windy = np.ascontiguousarray(setting.open_wind[direction : direction + 1, rows, cols])
        share = ground.rays[2][here]
        rays = SitingRays(ground.rays[0][here], np.zeros(len(here), np.int64), share, corner)
        for wind, found in ((standing, kept), (without, new)):
            column = np.zeros((len(which), 1))
            gains(ground.lines, which, wind, rays, need, windy, column)
            found[:, direction] = column[:, 0]
        weight = need * windy[0] if len(windy) else need
        for ray, part in enumerate(share):
            held += part * float((weight * (without[ray] - standing[ray])).sum(dtype=float))
    loss: Array = np.maximum(kept.sum(axis=1) + held - new.sum(axis=1), 0.0)
    return loss
