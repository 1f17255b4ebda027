"""Runoff that belts intercept: upslope area of each belt, and share of the runoff of each field."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from rasterio.features import rasterize

from shelterscape.grid import Grid
from shelterscape.science.landform import Flow, share_reaching, upslope_cells

NO_BELT = 0

CHANNEL_HA = 5.0
"""Upslope area from which water flows in a channel and passes through a belt, ha (assumed)."""


class Runoff(NamedTuple):
    """Runoff that belts intercept.

    Parameters
    ----------
    upslope_ha : (belts,) float64
        Ground whose runoff meets each belt before any other belt, the belt itself included.
    share : (rows, cols) float32
        Share of the runoff of each cell that meets a belt, 0 to 1.
    """

    upslope_ha: NDArray[np.float64]
    share: NDArray[np.float32]


def intercepted(belts: gpd.GeoDataFrame, flow: Flow, grid: Grid) -> Runoff:
    """Upslope area of each belt; runoff that meets several belts counts at the first.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or areas.
    flow : Flow
    grid : Grid

    Returns
    -------
    Runoff

    Notes
    -----
    A belt is every cell that its line touches, so that no flow passes between two of its cells
    through a corner. On a plane, a belt along the contour intercepts its length times the upslope
    length, within one row of cells. Water that comes from more than `CHANNEL_HA` flows in a
    channel through the belt and does not count.

    References
    ----------
    Young fenced belts took in up to 60 times the water of grazed pasture: Carroll and others 2004,
    Soil Use and Management (status S). How much a belt takes in is not calculated.
    """
    cells = _belt_cells(belts, grid)
    natural_ha = upslope_cells(flow, np.zeros(grid.shape, bool)) * grid.cell_area_ha
    cells[natural_ha > CHANNEL_HA] = NO_BELT
    counts = upslope_cells(flow, cells != NO_BELT)
    sums: NDArray[np.float64] = np.bincount(
        cells.ravel(), counts.ravel(), minlength=len(belts) + 1
    )[1:].astype(float)
    return Runoff(sums * grid.cell_area_ha, share_reaching(flow, cells != NO_BELT))


def _belt_cells(belts: gpd.GeoDataFrame, grid: Grid) -> NDArray[np.int32]:
    """Number of the belt on each cell, from 1; where belts cross, the last."""
    shapes = list(zip(belts.geometry, range(1, len(belts) + 1), strict=True))
    if not shapes:
        return np.zeros(grid.shape, np.int32)
    found: NDArray[np.int32] = rasterize(
        shapes, grid.shape, fill=NO_BELT, transform=grid.affine, all_touched=True, dtype=np.int32
    )
    return found


def field_shares(fields: gpd.GeoDataFrame, share: NDArray[np.float32], grid: Grid) -> NDArray:
    """Share of the runoff of each field that meets a belt.

    Parameters
    ----------
    fields : GeoDataFrame
        Polygons.
    share : (rows, cols) float32
        As in `Runoff`.
    grid : Grid

    Returns
    -------
    (fields,) float64
        0 to 1; NaN for a field without a cell centre.
    """
    shapes = list(zip(fields.geometry, range(1, len(fields) + 1), strict=True))
    number = rasterize(shapes, grid.shape, transform=grid.affine, dtype=np.int32)
    size = len(fields) + 1
    cells = np.bincount(number.ravel(), minlength=size)
    sums = np.bincount(number.ravel(), share.ravel(), minlength=size)
    with np.errstate(invalid="ignore"):
        found: NDArray[np.float64] = (sums / np.where(cells > 0, cells, np.nan))[1:]
    return found
