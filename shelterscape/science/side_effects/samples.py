"""Straight pieces of belts, and values of rasters at points."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid

Array = NDArray[np.float64]


def pieces(shape: shapely.Geometry, longest_m: float | None = None) -> Array:
    """Straight pieces of a line, or of the outline of an area.

    Parameters
    ----------
    shape : shapely geometry
        Line or area.
    longest_m : float, optional
        Longer pieces are divided, m.

    Returns
    -------
    (n, 2, 2) float64
        Start and end of each piece, x and y.
    """
    outline = shapely.boundary(shape) if shapely.get_dimensions(shape) == 2 else shape
    if longest_m is not None:
        outline = shapely.segmentize(outline, longest_m)
    xy, owner = shapely.get_coordinates(shapely.get_parts(outline), return_index=True)
    joined = np.flatnonzero(owner[1:] == owner[:-1])
    return np.stack([xy[joined], xy[joined + 1]], axis=1)


def values_at(xy: Array, raster: NDArray[np.float32], grid: Grid) -> Array:
    """Value of the cell of each point; NaN off the map.

    Parameters
    ----------
    xy : (n, 2) float64
    raster : (rows, cols) float32
    grid : Grid

    Returns
    -------
    (n,) float64
        In the unit of the raster.
    """
    x, y = ~grid.affine * (xy[:, 0], xy[:, 1])
    row, col = np.floor(y).astype(int), np.floor(x).astype(int)
    inside = (row >= 0) & (row < grid.shape[0]) & (col >= 0) & (col < grid.shape[1])
    found = np.full(len(xy), np.nan)
    found[inside] = raster[row[inside], col[inside]]
    return found
