"""Outlines of belts on the ground: lines get their width, and pieces of one belt are joined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.grid import Grid

SIMPLIFY_CELLS = 0.1
"""Tolerance with which outlines are simplified, as a share of a cell."""

LEAST_WIDTH_M = 0.1

CLOSE_H = 3.0
"""Widest gap along the wind over which two belts act as one, heights of the lower (assumed)."""

CLOSE_HEIGHTS = 1.5
"""Largest ratio of heights of two belts that act as one (assumed)."""


MOST_CROSSINGS, CROSSING_SAMPLE = 10, 200
"""Largest mean number of other lines that cross a line, and lines examined for it (assumed)."""

MOST_NEIGHBOURS, SMALL_PAIRS = 24, 50_000
"""Largest mean number of close belts beside each, unless there are few pairs in all (assumed):
1 000 random belts of 50 m on 36 ha have 36 beside each, and took minutes and 6 GiB."""


@dataclass(frozen=True)
class Outlines:
    """Outlines of belts in cells of the whole raster.

    Parameters
    ----------
    edges : (n, 4) float64
        Column and row of both ends of each edge, outline after outline.
    first_edge : (m + 1,) int64
        Index of the first edge of each outline.
    kind : (m,) int64
        Kind of belt of each outline, as given.
    neighbours, first_neighbour : arrays
        For each outline, others that may act with it as one: near, and similar in height.
    gap_m : (k,) float64
        Smallest distance to each of those neighbours, m.
    """

    edges: NDArray[np.float64]
    first_edge: NDArray[np.int64]
    kind: NDArray[np.int64]
    neighbours: NDArray[np.int64]
    first_neighbour: NDArray[np.int64]
    gap_m: NDArray[np.float64]


def outlines_of(
    geometry: NDArray[np.object_],
    kind: NDArray[np.int64],
    width_m: NDArray[np.float64],
    height_m: NDArray[np.float64],
    grid: Grid,
) -> Outlines:
    """Outlines of belts on the ground.

    A line becomes a strip of its width. Lines of one kind that meet end to end are joined first,
    so a belt drawn in two pieces is one belt; parallel rows stay separate. Areas of one kind that
    touch are joined.

    Parameters
    ----------
    geometry : (n,) array of shapely geometries
        Lines or areas in the CRS of `grid`.
    kind : (n,) int64
        Kind of each belt: belts of one kind have the same effect on the wind.
    width_m, height_m : (kinds,) float64
        Width and height of each kind, m.
    grid : Grid

    Returns
    -------
    Outlines

    Raises
    ------
    InputError
        ``input-refused`` for belts too dense to combine.
    """
    _refuse_crossing(geometry, kind)
    axes, kind_of_axis = _joined(geometry, kind)
    # With `preserve_topology` no ring intersects itself afterwards.
    axes = shapely.simplify(axes, SIMPLIFY_CELLS * grid.cell_m, preserve_topology=True)
    half_width = np.maximum(width_m[kind_of_axis], LEAST_WIDTH_M) / 2
    strips = shapely.buffer(axes, half_width, cap_style="flat", join_style="mitre", mitre_limit=2.0)
    areas = np.where(shapely.get_dimensions(axes) == 1, strips, axes)
    shapes, part_of = shapely.get_parts(areas, return_index=True)
    keep = shapely.area(shapes) > 0
    shapes, part_of = shapes[keep], part_of[keep]
    found = kind_of_axis[part_of]
    edges, first_edge = _edges(shapes, grid)
    return Outlines(edges, first_edge, found, *_neighbours(shapes, axes[part_of], height_m[found]))


def _refuse_crossing(geometry: NDArray[np.object_], kind: NDArray[np.int64]) -> None:
    """Refuse lines that cross many others of their kind, before each crossing cuts them.

    The kind with most lines is examined: lines of different kinds are not cut.
    """
    is_line = shapely.get_dimensions(geometry) == 1
    if not is_line.any():
        return
    lines = geometry[is_line & (kind == np.bincount(kind[is_line]).argmax())]
    if len(lines) <= MOST_CROSSINGS:
        return
    sample = lines[np.linspace(0, len(lines) - 1, min(len(lines), CROSSING_SAMPLE)).astype(int)]
    # Lines that only meet at their ends do not cross.
    crossings = shapely.STRtree(lines).query(sample, predicate="crosses").shape[1] / len(sample)
    if crossings > MOST_CROSSINGS:
        raise InputError(
            "input-refused",
            "Belts cross each other too often.",
            where="belts",
            value=f"{len(lines):,} lines, each crossed by {crossings:.0f} others on average",
            hint=f"Remove duplicates from the layer, or lines that are no belts: at most "
            f"{MOST_CROSSINGS} crossings of each line on average can be calculated.",
        )


def _joined(
    geometry: NDArray[np.object_], kind: NDArray[np.int64]
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Lines joined end to end and areas joined where they touch, among belts of one kind."""
    parts, owner = shapely.get_parts(geometry, return_index=True)
    if not len(parts):
        return parts, np.empty(0, np.int64)
    dimension, kind = shapely.get_dimensions(parts), kind[owner]
    order = np.lexsort((dimension, kind))
    parts, dimension, kind = parts[order], dimension[order], kind[order]
    begins = np.flatnonzero(np.diff(kind, prepend=-1) | np.diff(dimension, prepend=-1))
    axes: list[shapely.Geometry] = []
    kinds: list[int] = []
    for first, last in zip(begins, [*begins[1:], len(parts)], strict=True):
        group = parts[first:last]
        if len(group) > 1:
            union = shapely.union_all(group)
            union = shapely.line_merge(union) if dimension[first] == 1 else union
            group = shapely.get_parts(union)
        axes.extend(group)
        kinds.extend([int(kind[first])] * len(group))
    found = np.empty(len(axes), dtype=object)
    found[:] = axes
    return found, np.array(kinds, dtype=np.int64)


def _edges(
    shapes: NDArray[np.object_], grid: Grid
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    rings, shape_of_ring = shapely.get_rings(shapes, return_index=True)
    xy, ring_of_point = shapely.get_coordinates(rings, return_index=True)
    at = grid.to_cells(xy) if len(xy) else np.empty((0, 2))
    within = ring_of_point[1:] == ring_of_point[:-1]
    edges = np.hstack([at[:-1], at[1:]])[within]
    shape_of_edge = shape_of_ring[ring_of_point[:-1][within]]
    first = np.searchsorted(shape_of_edge, np.arange(len(shapes) + 1))
    return np.ascontiguousarray(edges), first.astype(np.int64)


def _refuse_dense(pairs: int, outlines: int) -> None:
    """Refuse belts so dense that their sets grow without bound: a calculation would take hours."""
    if pairs > max(SMALL_PAIRS, MOST_NEIGHBOURS * outlines):
        raise InputError(
            "input-refused",
            "Too many belts are close to each other to be combined as close belts.",
            where="belts",
            value=f"{outlines} pieces of belts with {pairs / outlines:.0f} others close to each",
            hint="Remove duplicate and crossing lines, or draw dense planting as areas.",
        )


def _neighbours(
    shapes: NDArray[np.object_], axes: NDArray[np.object_], height: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Pairs of outlines that may act as one: near, similar in height, and not yet joined."""
    if not len(shapes):
        return np.empty(0, np.int64), np.zeros(1, np.int64), np.empty(0)
    tree = shapely.STRtree(shapes)
    one, other = tree.query(shapes, predicate="dwithin", distance=CLOSE_H * height)
    low, high = np.minimum(height[one], height[other]), np.maximum(height[one], height[other])
    gap = shapely.distance(shapes[one], shapes[other])
    apart = shapely.distance(axes[one], axes[other]) > 1e-6
    keep = (one != other) & (high <= CLOSE_HEIGHTS * low) & (gap <= CLOSE_H * low) & apart
    one, other, gap = one[keep], other[keep], gap[keep]
    _refuse_dense(len(one), len(shapes))
    order = np.lexsort((other, one))
    first = np.searchsorted(one[order], np.arange(len(shapes) + 1)).astype(np.int64)
    return other[order].astype(np.int64), first, gap[order]
