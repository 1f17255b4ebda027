"""Edges of parcels as candidate lines: shared edges once, from junction to junction."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.siting.across_wind import LONGEST_M, SHORTEST_M, as_array, equal_parts

Shapes = NDArray[np.object_]

SAME_EDGE_M = 5.0
"""Two edges that run beside each other within this distance are one, metres (E): neighbours drawn
apart rarely share their vertices, and a hedge has room for one belt."""

RUNS_BESIDE = 4.0
"""How many times that distance two edges must run beside each other to count as one (E); shorter
nearness is a corner where edges meet."""

SIMPLIFY_M = 2.0
"""Wiggles of an edge smaller than this are drawn straight, metres (E)."""

CORNER_DEG = 45.0
"""An edge is parted where it turns by more than this, for what stands beyond a corner meets another
wind (E)."""

CENTIMETRE = 0.01


class Edges(NamedTuple):
    """Candidate lines along parcel edges.

    Parameters
    ----------
    lines : (n,) array of LineString
    doubled_m : float
        Length left out because another edge runs beside it.
    """

    lines: Shapes
    doubled_m: float


def parcel_edges(
    parcels: Shapes,
    *,
    same_m: float = SAME_EDGE_M,
    simplify_m: float = SIMPLIFY_M,
    longest_m: float = LONGEST_M,
    shortest_m: float = SHORTEST_M,
) -> Edges:
    """Edges of parcels, shared ones once, parted at junctions and corners.

    Parameters
    ----------
    parcels : (n,) array of polygons
    same_m : float
        Distance within which edges that run beside each other are one.
    simplify_m : float
        Wiggles smaller than this are drawn straight; junctions stay where they are.
    longest_m, shortest_m : float
        Lines are cut into equal parts no longer than this; shorter ones are left out.

    Returns
    -------
    Edges
        In an order that depends on where they lie alone, from the north-west.
    """
    if not len(parcels):
        return Edges(np.empty(0, dtype=object), 0.0)
    # On a centimetre grid, edges drawn alike have the very same vertices and become one.
    drawn = shapely.union_all(shapely.boundary(parcels), grid_size=CENTIMETRE)
    whole = shapely.get_parts(shapely.line_merge(drawn))
    straight = shapely.simplify(whole, simplify_m)
    parted = as_array([part for line in straight for part in _at_corners(line)])
    once, doubled_m = _once(parted, same_m)
    kept = once[shapely.length(once) >= max(shortest_m, CENTIMETRE)]
    return Edges(in_place_order(equal_parts(kept, longest_m)), doubled_m)


def in_place_order(lines: Shapes) -> Shapes:
    """Lines in an order that their place alone decides: by their middle, from the north-west."""
    middle = shapely.get_coordinates(shapely.centroid(lines))
    return lines[np.lexsort(np.round([middle[:, 0], -middle[:, 1]], 2))] if len(lines) else lines


def _once(lines: Shapes, same_m: float) -> tuple[Shapes, float]:
    """Lines without what runs beside a longer one, and how much of them that was."""
    order = np.lexsort((*np.round(shapely.bounds(lines), 2).T, -np.round(shapely.length(lines), 2)))
    lines = lines[order]
    tree = shapely.STRtree(lines)
    near = np.column_stack(tree.query(lines, predicate="dwithin", distance=same_m))
    # Only lines that come earlier, and so are longer, count against a line.
    near = near[near[:, 1] < near[:, 0]]
    first = np.searchsorted(near[:, 0], np.arange(len(lines) + 1))
    kept = lines.copy()
    for i in range(len(lines)):
        for j in np.sort(near[first[i] : first[i + 1], 1]):
            kept[i] = shapely.difference(kept[i], _beside(kept[i], kept[j], same_m))
    doubled_m = float(shapely.length(lines).sum() - shapely.length(kept).sum())
    parts = shapely.get_parts(kept)
    return parts[shapely.get_type_id(parts) == 1], doubled_m


def _beside(line: shapely.Geometry, other: shapely.Geometry, same_m: float) -> shapely.Geometry:
    """Ground along another line in which this one runs beside it."""
    strip = shapely.buffer(other, same_m, cap_style="flat")
    shared = shapely.get_parts(shapely.line_merge(shapely.intersection(line, strip)))
    long = shared[shapely.length(shared) > RUNS_BESIDE * same_m]
    # A hair wider than the line, so that rounding does not leave it standing.
    return shapely.buffer(shapely.union_all(long), CENTIMETRE, cap_style="flat")


def _at_corners(line: shapely.LineString) -> list[shapely.LineString]:
    """A line parted where it turns sharply; a ring also where it begins."""
    xy = shapely.get_coordinates(line)
    if shapely.is_closed(line):
        # Where a ring was begun is chance: begin it where it turns most.
        ring = xy[:-1]
        xy = np.roll(ring, -int(np.argmax(_bends(np.vstack([ring[-1:], xy])))), axis=0)
        xy = np.vstack([xy, xy[:1]])
    at = [0, *(np.flatnonzero(_bends(xy) > CORNER_DEG) + 1), len(xy) - 1]
    return [shapely.LineString(xy[a : b + 1]) for a, b in itertools.pairwise(at)]


def _bends(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """By how much a line turns at each vertex but its ends, degrees."""
    step = np.diff(xy, axis=0)
    bearing = np.degrees(np.arctan2(step[:, 0], step[:, 1]))
    bends: NDArray[np.float64] = np.abs((np.diff(bearing) + 180.0) % 360.0 - 180.0)
    return bends
