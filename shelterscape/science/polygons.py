"""Cells of a raster as polygons."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes

from shelterscape.grid import Grid


def polygons_of(
    cells: NDArray[np.uint8] | NDArray[np.bool_],
    grid: Grid,
    *,
    wanted: NDArray[np.bool_] | None = None,
    stop_if_asked: Callable[[], None] = lambda: None,
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Outlines of patches of equal cells.

    Cells that touch along an edge make one patch; those that meet at a corner only do not.

    Parameters
    ----------
    cells : (rows, cols) uint8 or bool
    grid : Grid
        The grid of `cells`.
    wanted : (rows, cols) bool, optional
        Cells that count; all that are not 0 by default.
    stop_if_asked : callable
        Called before each polygon is built; may raise.

    Returns
    -------
    polygons : (n,) array of shapely polygons
        In the CRS of `grid`, with their holes.
    codes : (n,) int64
        Value of the cells inside each.
    """
    found: list[shapely.Geometry] = []
    codes: list[int] = []
    wanted = cells != 0 if wanted is None else wanted
    for outline, code in shapes(
        cells.astype(np.uint8, copy=False), mask=wanted, transform=grid.affine, connectivity=4
    ):
        stop_if_asked()
        found.append(shapely.geometry.shape(outline))
        codes.append(int(code))
    polygons = np.empty(len(found), dtype=object)
    polygons[:] = found
    return polygons, np.array(codes, dtype=np.int64)
