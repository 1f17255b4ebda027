"""Cells of a raster as polygons."""

from __future__ import annotations

import itertools
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
    stop_if_requested: Callable[[], None] = lambda: None,
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Polygons around patches of equal cells.

    Cells that share an edge belong to one patch; cells that share only a corner do not.

    Parameters
    ----------
    cells : (rows, cols) uint8 or bool
    grid : Grid
        The grid of `cells`.
    wanted : (rows, cols) bool, optional
        Cells to outline; by default all cells that are not 0.
    stop_if_requested : callable
        Called before each polygon is built; may raise.

    Returns
    -------
    polygons : (n,) array of shapely polygons
        In the CRS of `grid`, with their holes.
    codes : (n,) int64
        Value of the cells inside each.
    """
    rings: list[list[tuple[float, float]]] = []
    ring_owner: list[int] = []
    codes: list[int] = []
    wanted = cells != 0 if wanted is None else wanted
    for outline, code in shapes(
        cells.astype(np.uint8, copy=False), mask=wanted, transform=grid.affine, connectivity=4
    ):
        stop_if_requested()
        rings += outline["coordinates"]
        ring_owner += [len(codes)] * len(outline["coordinates"])
        codes.append(int(code))
    return _polygons(rings, ring_owner, len(codes)), np.array(codes, dtype=np.int64)


def _polygons(
    rings: list[list[tuple[float, float]]], owner: list[int], count: int
) -> NDArray[np.object_]:
    """Polygons from their rings; the outer ring of each comes first."""
    polygons = np.empty(count, dtype=object)
    if count:
        # One call for all rings: with a call for each, building lists of points takes longest.
        lengths = [len(ring) for ring in rings]
        points = np.fromiter(
            itertools.chain.from_iterable(itertools.chain.from_iterable(rings)),
            dtype=np.float64,
            count=2 * sum(lengths),
        )
        ring_of_point = np.repeat(np.arange(len(rings)), lengths)
        outlines = shapely.linearrings(points.reshape(-1, 2), indices=ring_of_point)
        shapely.polygons(outlines, indices=np.array(owner), out=polygons)
    return polygons
