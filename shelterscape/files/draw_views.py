"""Parts of the ground to show in a picture, at the scale of its subject."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from shelterscape.grid import Grid

Bounds = tuple[float, float, float, float]
"""West, south, east, north, m."""

ROWS_AT_ONCE = 64

APART_M, LEAST_SIDE_M, MARGIN_M = 500.0, 500.0, 120.0
"""Distance between clusters, least side of a view, and ground around a cluster, m."""

DETAIL_SIDE_M = 1500.0
"""Side of the view of a subject that covers the whole ground, m."""

MOST_VIEWS = 6
"""Clusters that get a view of their own."""


def clusters(shapes: NDArray[np.object_], weights: Sequence[float]) -> list[NDArray[np.int64]]:
    """Features in groups that are far from each other, the group with the largest weight first.

    Parameters
    ----------
    shapes : (n,) array of geometries
    weights : (n,) sequence of float

    Returns
    -------
    list of array of int
        Row numbers of each group.
    """
    first, second = shapely.STRtree(shapes).query(shapes, "dwithin", APART_M)
    near = coo_array((np.ones(len(first)), (first, second)), shape=(len(shapes),) * 2)
    count, group = connected_components(near, directed=False)
    found = [np.flatnonzero(group == k) for k in range(count)]
    return sorted(found, key=lambda rows: -float(np.asarray(weights, float)[rows].sum()))


def views_of(
    shapes: NDArray[np.object_], weights: Sequence[float], grid: Grid
) -> dict[str, Bounds]:
    """A square view of each group of features, by its letter; empty where one view shows all.

    Parameters
    ----------
    shapes : (n,) array of geometries
    weights : (n,) sequence of float
    grid : Grid
        The whole ground.
    """
    there = np.array([shape is not None and not shape.is_empty for shape in shapes], bool)
    shapes, weights = shapes[there], np.asarray(weights, float)[there]
    groups = clusters(shapes, weights)[:MOST_VIEWS] if len(shapes) else []
    views = {
        chr(ord("A") + i): square_around(tuple(shapely.total_bounds(shapes[rows]).tolist()))
        for i, rows in enumerate(groups)
    }
    west, south, east, north = grid.bounds
    side = min(east - west, north - south)
    wide = any(2 * (view[2] - view[0]) > side for view in views.values())
    return {} if wide else views


def overview(views: dict[str, Bounds], grid: Grid) -> Bounds | None:
    """The square that contains a grid and all views; None where the grid contains them."""
    if not views:
        return None
    both = shapely.union_all([shapely.box(*b) for b in (grid.bounds, *views.values())])
    west, south, east, north = (float(v) for v in both.bounds)
    if (west, south, east, north) == grid.bounds:
        return None
    return square_around((west, south, east, north))


def square_around(bounds: Bounds) -> Bounds:
    """A square with some ground around bounds, not too small to recognise the place."""
    west, south, east, north = bounds
    half = max(max(east - west, north - south) / 2 + MARGIN_M, LEAST_SIDE_M / 2)
    x, y = (west + east) / 2, (south + north) / 2
    return x - half, y - half, x + half, y + half


def bounds_around(shapes: NDArray[np.object_]) -> Bounds:
    """A square that holds features and every view of some of them.

    Parameters
    ----------
    shapes : (n,) array of geometries
        At least one of them not empty.
    """
    west, south, east, north = square_around(tuple(shapely.total_bounds(shapes).tolist()))
    beyond = LEAST_SIDE_M / 2
    return west - beyond, south - beyond, east + beyond, north + beyond


def part_around(
    elevation: NDArray[np.float32], grid: Grid, shapes: NDArray[np.object_]
) -> tuple[NDArray[np.float32], Grid]:
    """The part of a map that `bounds_around` features holds; the whole map without features.

    Parameters
    ----------
    elevation : (rows, cols) float32
    grid : Grid
    shapes : (n,) array of geometries
    """
    part = grid.around(bounds_around(shapes), 0.0) if len(shapes) else None
    if part is None:
        return elevation, grid
    row, col = part.row0 - grid.row0, part.col0 - grid.col0
    return elevation[row : row + part.shape[0], col : col + part.shape[1]], part


def view_of_most(amounts: NDArray[np.floating], grid: Grid) -> dict[str, Bounds]:
    """The square view with the largest sum of an amount, as “A”; empty on ground that is no larger.

    Parameters
    ----------
    amounts : (rows, cols) float
        NaN where missing.
    grid : Grid
    """
    west, south, east, north = grid.bounds
    if min(east - west, north - south) < 2 * DETAIL_SIDE_M:
        return {}
    coarse_m = max(DETAIL_SIDE_M / 15, grid.cell_m)
    shape = math.ceil((north - south) / coarse_m), math.ceil((east - west) / coarse_m)
    cells = max(int(DETAIL_SIDE_M / coarse_m), 1)
    sums = uniform_filter(np.nan_to_num(averaged(amounts, shape)), cells, mode="constant")
    edge = cells // 2
    inner = sums[edge : shape[0] - edge, edge : shape[1] - edge]
    row, col = np.unravel_index(int(inner.argmax()), inner.shape)
    x = west + (col + edge + 0.5) * (east - west) / shape[1]
    y = north - (row + edge + 0.5) * (north - south) / shape[0]
    half = DETAIL_SIDE_M / 2
    return {"A": (x - half, y - half, x + half, y + half)}


def averaged(
    values: NDArray[np.floating] | NDArray[np.bool_], shape: tuple[int, int]
) -> NDArray[np.float32]:
    """Means of cells over larger cells; missing cells are not counted.

    Parameters
    ----------
    values : (rows, cols) float or bool
    shape : tuple of int
        Rows and columns of the result, at most those of `values`. A cell that overlaps two larger
        cells counts in each with the share inside it.

    Returns
    -------
    (shape) float32
        NaN where all cells are missing.
    """
    if values.shape == shape:
        return values.astype(np.float32)
    down, across = _overlaps(values.shape[0], shape[0]), _overlaps(values.shape[1], shape[1]).T
    found = np.full(shape, np.nan, np.float32)
    for first in range(0, shape[0], ROWS_AT_ONCE):  # avoids a copy of a large raster
        last = min(first + ROWS_AT_ONCE, shape[0])
        rows = slice(first * values.shape[0] // shape[0], -(-last * values.shape[0] // shape[0]))
        part, weights = values[rows], down[first:last, rows]
        known = np.isfinite(part)
        total = weights @ np.where(known, part, 0) @ across
        weight = weights @ known.astype(np.float32) @ across
        # A weight below a thousandth of a cell comes from rounding.
        np.divide(total, weight, out=found[first:last], where=weight > 1e-3, casting="same_kind")
    return found


def _overlaps(cells: int, pixels: int) -> csr_array:
    """Length of each cell inside each pixel of the same line, (pixels, cells)."""
    cuts = np.unique(np.concatenate([np.arange(cells + 1), np.linspace(0, cells, pixels + 1)]))
    middles = (cuts[1:] + cuts[:-1]) / 2
    at = (middles * pixels / cells).astype(int), middles.astype(int)
    return csr_array((np.diff(cuts).astype(np.float32), at), shape=(pixels, cells))
