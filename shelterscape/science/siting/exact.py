"""The field with a chosen set, calculated again in full: ends, close belts, all rays.

Candidates are compared by a plain rule (see `siting.ground`). What counts in the end is the field
as `science.shelter` returns it, without the belts that restoration replaces; the difference
between the two is reported.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.science.places import Corners, means
from shelterscape.science.scene import Scene, scene_of
from shelterscape.science.shelter import one_direction, taken_to_relative
from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.ground import VERTEX_BYTES
from shelterscape.science.siting.setting import NOBODY, PUBLIC, Setting

Array = NDArray[np.float64]
Field = NDArray[np.float32]


@dataclass(frozen=True)
class Exact:
    """A set of candidates in place, calculated in full.

    Parameters
    ----------
    benefit_ha : float
        Equivalent sheltered area gained beside existing belts, ha eq.
    by_purpose : (purposes,) float64
    own_ha, neighbours_ha, public_ha : float
        Of the benefit: on the holdings that plant, on other ground, on public ground.
    relative_wind, relative_wind_with : (rows, cols) float32
        Mean relative wind without and with the set, as `science.shelter.over_winds` returns it.
    places : DataFrame
        For each place ``relative_wind``, ``relative_wind_with``, ``benefit_ha``; for stock ground
        with a head of stock ``corner_share`` and ``corner_share_with`` too, the share of the winds'
        time in which there is a sheltered corner big enough, NaN elsewhere.
    """

    benefit_ha: float
    by_purpose: Array
    own_ha: float
    neighbours_ha: float
    public_ha: float
    relative_wind: Field
    relative_wind_with: Field
    places: pd.DataFrame

    def shortfall_ha(self, plain_ha: float) -> float:
        """What the plain rule predicted beyond this; below 0 where it predicted less.

        Parameters
        ----------
        plain_ha : float
            Benefit by the plain rule, ha eq.

        Returns
        -------
        float
            ha eq.
        """
        return plain_ha - self.benefit_ha


def with_chosen(setting: Setting, frame: gpd.GeoDataFrame, rows: Sequence[int]) -> gpd.GeoDataFrame:
    """Belts once a set is in place, without the old ones it replaces.

    Parameters
    ----------
    setting : Setting
    frame : GeoDataFrame
        Candidates as `growth.belts_at` returns them in the case (`Ground.frame`).
    rows : sequence of int

    Returns
    -------
    GeoDataFrame
        The columns a scene needs.
    """
    chosen = frame.iloc[list(rows)]
    gone = replaced_rows(chosen)
    stays = ~np.isin(np.arange(len(setting.belts)), gone[gone >= 0])
    columns = ["height_m", "width_m", "belt_type", "porosity", "porosity_low", "geometry"]
    parts = [f[columns] for f in (setting.belts[stays] if len(stays) else None, chosen)
             if f is not None and len(f)]  # fmt: skip
    if not parts:
        return gpd.GeoDataFrame({c: [] for c in columns}, geometry="geometry", crs=frame.crs)
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=parts[0].crs)


def exact(
    setting: Setting,
    frame: gpd.GeoDataFrame,
    rows: Sequence[int],
    *,
    stop_if_asked: Callable[[], None] = lambda: None,
) -> Exact:
    """Work out a set of candidates in full.

    Parameters
    ----------
    setting : Setting
    frame : GeoDataFrame
        Candidates as `growth.belts_at` returns them in the case (`Ground.frame`), with
        ``holding_id`` and ``mends`` where known.
    rows : sequence of int
        Those in place.
    stop_if_asked : callable
        Called between directions; raises to stop.

    Returns
    -------
    Exact
    """
    grid, how = setting.grid, setting.how
    scenes = [
        scene_of([belts], grid, how) if len(belts) else None
        for belts in (with_chosen(setting, frame, []), with_chosen(setting, frame, rows))
    ]
    lost = np.zeros(grid.shape)
    taken = np.zeros((2, *grid.shape), np.float32)
    corners = _corners(setting)
    for number, weight in enumerate(setting.weights):
        stop_if_asked()
        fields = np.concatenate([_field(scene, setting, number) for scene in scenes])
        lost += weight * setting.windy(number) * (fields[0] - fields[1]).astype(float)
        taken += np.float32(weight) * (1 - fields ** np.float32(setting.power))
        if corners is not None:
            corners.add([float(setting.time_share[number])] * 2, fields)
    return _summed(setting, frame, rows, lost, taken_to_relative(taken, setting.power), corners)


def work_bytes(cells: int, vertices: int) -> float:
    """Memory that `exact` takes while it works, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    vertices : int
        Vertices of belts and candidates together.

    Returns
    -------
    float
        Bytes.
    """
    # Loss in doubles with its terms, what both cases take and what each leaves.
    return 72.0 * cells + VERTEX_BYTES * vertices


def _field(scene: Scene | None, setting: Setting, number: int) -> Field:
    if scene is None:
        return np.ones((1, *setting.grid.shape), np.float32)
    direction, sector = setting.directions_deg[number], setting.sector_deg[number]
    return one_direction(scene, setting.grid, float(direction), float(sector))


def _corners(setting: Setting) -> Corners | None:
    if setting.places is None or setting.covered is None:
        return None
    return Corners(setting.places, setting.covered, setting.grid, 2)


def _summed(
    setting: Setting,
    frame: gpd.GeoDataFrame,
    rows: Sequence[int],
    lost: Array,
    fields: Field,
    corners: Corners | None,
) -> Exact:
    """Loss of wind on each cell added up by what and whom it serves."""
    number = {name: i for i, name in enumerate(setting.holdings)}
    planting = {
        number.get(str(h), NOBODY - 1) for h in frame.iloc[list(rows)].get("holding_id", [])
    }
    area = setting.grid.cell_area_ha
    by_purpose = area * np.array([(need * lost).sum() for need in setting.need])
    all_needs = setting.need.sum(axis=0) * lost * area
    own = np.isin(setting.owner, sorted(planting))
    public = setting.owner == PUBLIC
    return Exact(
        benefit_ha=float(all_needs.sum()),
        by_purpose=by_purpose,
        own_ha=float(all_needs[own].sum()),
        neighbours_ha=float(all_needs[~own & ~public].sum()),
        public_ha=float(all_needs[public].sum()),
        relative_wind=fields[0],
        relative_wind_with=fields[1],
        places=_places(setting, lost, fields, corners),
    )


def _places(setting: Setting, lost: Array, fields: Field, corners: Corners | None) -> pd.DataFrame:
    if setting.places is None or setting.covered is None or corners is None:
        return pd.DataFrame()
    covered, count = setting.covered, len(setting.places)
    owner = np.repeat(np.arange(count), np.diff(covered.first))
    inside = covered.share * lost.ravel()[covered.cell]
    need = setting.places["need"].to_numpy(dtype=float) * setting.grid.cell_area_ha
    share = np.full((count, 2), np.nan)
    for place, by_case in corners.share.items():
        share[place] = by_case
    return pd.DataFrame(
        {
            "relative_wind": means(fields[0], covered),
            "relative_wind_with": means(fields[1], covered),
            "benefit_ha": need * np.bincount(owner, inside, count),
            "corner_share": share[:, 0],
            "corner_share_with": share[:, 1],
        }
    )
