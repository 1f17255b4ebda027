"""Classes of slope for planting and machines."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.science.side_effects.samples import values_at

BOUNDS_PERCENT = (10.0, 20.0, 33.0, 50.0)
"""Bounds of the classes, percent: usual in forestry (common practice; not verified against a
source)."""

SLOPE_CLASSES = {
    "up to 10 %: gentle": "#f3f7f2",
    "10–20 %: moderate; machines with care along the slope": "#cfe0d6",
    "20–33 %: steep; planting by hand is usual": "#93bda6",
    "33–50 %: very steep; no ordinary machines": "#4f8a70",
    "above 50 %: extreme; expert advice first": "#1f5f4a",
}
"""Colour of each class, gentlest first."""

MISSING_CLASS = 255


def slope_class(slope_deg: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Class of each cell.

    Parameters
    ----------
    slope_deg : (rows, cols) float32
        Degrees; NaN where missing.

    Returns
    -------
    (rows, cols) uint8
        Index in `SLOPE_CLASSES`; 255 where missing.
    """
    percent = 100.0 * np.tan(np.radians(slope_deg))
    found = np.searchsorted(BOUNDS_PERCENT, percent).astype(np.uint8)
    return np.where(np.isfinite(slope_deg), found, np.uint8(MISSING_CLASS))


def steepest_under(
    belts: gpd.GeoDataFrame, slope_deg: NDArray[np.float32], grid: Grid
) -> NDArray[np.float64]:
    """Steepest slope under each belt, sampled at every cell.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or areas; areas are sampled along their outline.
    slope_deg : (rows, cols) float32
        Degrees; NaN where missing.
    grid : Grid

    Returns
    -------
    (n,) float64
        Degrees; NaN without a known slope.
    """
    shapes = shapely.segmentize(belts.geometry.to_numpy(), grid.cell_m)
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    steepest = np.full(len(belts), np.nan)
    np.fmax.at(steepest, owner, values_at(xy, slope_deg, grid))
    return steepest
