"""Lines generated on fields: across the damaging wind, along parcel edges, L and cross shapes.

Bearings of belts are degrees clockwise from north, 0 <= b < 180: a belt runs both ways.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Shapes = NDArray[np.object_]

LOSS_STEP_DEG = 15
"""Step, degrees, in which the loss beside the best bearing is given."""

SPACING_H = 15.0
"""Usual distance between generated lines, belt heights (E): parallel belts are usually about 25
apart (AMS Glossary, status S), and closer lines leave a choice."""

LONGEST_M = 400.0
"""Longest candidate, metres (E): longer lines are halved, thirded and so on, so that a budget can
be spent where it helps most."""

SHORTEST_M = 20.0
"""Shortest line worth offering, metres (E)."""


class Bearing(NamedTuple):
    """The bearing at which a belt catches most of some winds.

    Parameters
    ----------
    bearing_deg : float
        0 <= b < 180, from the north the directions count from.
    caught : float
        Share of the wind that comes perpendicular to it, 0 to 1: 1 for one wind, 0.64 for winds
        from all round.
    loss : dict
        Share of that lost by a belt turned by so many degrees, -90 to 90; the wrong way round
        counts below zero.
    """

    bearing_deg: float
    caught: float
    loss: dict[int, float]

    @property
    def across_deg(self) -> float:
        """Axis along which the damaging wind blows, perpendicular to the belt, 0 <= a < 180."""
        return (self.bearing_deg + 90.0) % 180.0


def wind_caught(bearing_deg: ArrayLike, direction_deg: ArrayLike, weights: ArrayLike) -> Array:
    """Share of the wind that comes perpendicular to belts of some bearings: Σ w |sin(d − φ)|.

    Parameters
    ----------
    bearing_deg : (n,) array
        Bearings φ of belts, degrees clockwise from north.
    direction_deg : (m,) array
        Where winds come from, d, from the same north.
    weights : (m,) array
        How much each counts, as `WindSet.weights` returns them: frequency times the mean of speed
        to a power, summing to 1.

    Returns
    -------
    (n,) float64
        0 to 1.
    """
    bearing, direction = np.atleast_1d(bearing_deg), np.atleast_1d(direction_deg)
    turn = np.radians(direction[None, :] - np.asarray(bearing, dtype=float)[:, None])
    caught: Array = np.abs(np.sin(turn)) @ np.asarray(weights, dtype=float)
    return caught


def best_bearing(direction_deg: ArrayLike, weights: ArrayLike) -> Bearing:
    """The bearing that catches most of some winds.

    Parameters
    ----------
    direction_deg, weights : (n,) array
        As for `wind_caught`.

    Returns
    -------
    Bearing
        Of bearings that catch the same, the one that comes first from north.

    Notes
    -----
    Between two winds (taken as axes) no sine changes its sign, so the sum is one sine wave whose
    top has a closed form; at the winds themselves the sum has its dents. The largest of the tops
    that are within their own stretch, and of the ends, is exact.
    """
    direction, weight = (np.asarray(a, dtype=float) for a in (direction_deg, weights))
    dents = np.unique(direction % 180.0)
    ends = np.append(dents[1:], dents[0] + 180.0)
    middle = np.radians((dents + ends) / 2)
    sign = np.sign(np.sin(np.radians(direction)[None, :] - middle[:, None]))
    east = sign @ (weight * np.sin(np.radians(direction)))
    north = sign @ (weight * np.cos(np.radians(direction)))
    # Σ w s sin(d − φ) = east cos φ − north sin φ
    tops = np.degrees(np.arctan2(-north, east))
    tops = dents + (tops - dents) % 360.0
    tried = np.concatenate([tops[tops <= ends], dents]) % 180.0
    tried = np.unique(np.round(tried, 9) % 180.0)
    caught = wind_caught(tried, direction, weight)
    best = int(np.flatnonzero(caught >= caught.max() - 1e-12)[0])
    turns = np.arange(-90, 91, LOSS_STEP_DEG)
    beside = wind_caught(tried[best] + turns, direction, weight)
    loss = {int(t): float(1.0 - b / caught[best]) for t, b in zip(turns, beside, strict=True)}
    return Bearing(float(tried[best]), float(caught[best]), loss)


def unit(bearing_deg: float) -> Array:
    """Unit step (east, north) along a bearing.

    Parameters
    ----------
    bearing_deg : float
        Degrees clockwise from north.

    Returns
    -------
    (2,) float64
        Length 1.
    """
    turn = math.radians(bearing_deg)
    return np.array([math.sin(turn), math.cos(turn)])


def lines_across(
    ground: Shapes,
    bearing_deg: float,
    spacing_m: float,
    *,
    longest_m: float = LONGEST_M,
    shortest_m: float = SHORTEST_M,
) -> Shapes:
    """Parallel lines over pieces of open ground, each piece parted evenly.

    Parameters
    ----------
    ground : (n,) array of polygons
        Open ground, such as fields; a field less deep than two spacings gets no line, for its
        edges will do.
    bearing_deg : float
        Bearing of the lines, from grid north.
    spacing_m : float
        Least distance between lines, and of the outer ones from the ends of the ground.
    longest_m, shortest_m : float
        Lines are cut into equal parts no longer than this; shorter ones are left out.

    Returns
    -------
    (m,) array of LineString
    """
    found = [
        _over_one(part, unit(bearing_deg), spacing_m) for part in shapely.get_parts(ground.ravel())
    ]
    lines = np.concatenate([np.empty(0, dtype=object), *found])
    lines = lines[shapely.length(lines) >= shortest_m]
    return equal_parts(lines, longest_m)


def _over_one(ground: shapely.Geometry, along: Array, spacing_m: float) -> Shapes:
    xy = shapely.get_coordinates(ground)
    if not len(xy):
        return np.empty(0, dtype=object)
    across = np.array([along[1], -along[0]])
    low, high = (xy @ across).min(), (xy @ across).max()
    count = max(math.floor((high - low) / spacing_m + 1e-9) - 1, 0)
    offsets = low + (high - low) * np.arange(1, count + 1) / (count + 1)
    run = np.outer([(xy @ along).min() - 1.0, (xy @ along).max() + 1.0], along)
    lines = as_array([shapely.LineString(o * across + run) for o in offsets])
    parts: Shapes = shapely.get_parts(shapely.intersection(lines, ground))
    return parts[shapely.get_type_id(parts) == 1]


def equal_parts(lines: Shapes, longest_m: float) -> Shapes:
    """Lines cut into equal parts none of which is longer than a bound.

    Parameters
    ----------
    lines : (n,) array of LineString
    longest_m : float
        m.

    Returns
    -------
    (m,) array of LineString
    """
    out: list[shapely.Geometry] = []
    for line, length in zip(lines, shapely.length(lines), strict=True):
        count = max(math.ceil(length / longest_m - 1e-9), 1)
        out += [line] if count == 1 else _cut_at(line, length * np.arange(1, count) / count)
    return as_array(out)


def _cut_at(line: shapely.LineString, places: Array) -> list[shapely.LineString]:
    """A line cut at distances along it."""
    xy = shapely.get_coordinates(line)
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, places))
    bounds = [0.0, *places, at[-1]]
    ends = [xy[0], *points, xy[-1]]
    parts = []
    for i in range(len(ends) - 1):
        inner = xy[(at > bounds[i] + 1e-9) & (at < bounds[i + 1] - 1e-9)]
        parts.append(shapely.LineString([ends[i], *inner, ends[i + 1]]))
    return parts


def as_array(shapes: list[shapely.Geometry]) -> Shapes:
    """Shapes as an array of objects, even when there is none.

    Parameters
    ----------
    shapes : list of geometries

    Returns
    -------
    (n,) array of geometries
    """
    out = np.empty(len(shapes), dtype=object)
    out[:] = shapes
    return out


SAME_EDGE_M = 5.0
"""Two edges that run beside each other within this distance are one, metres (E): neighbours drawn
apart rarely share their vertices, and a hedge has room for one belt."""

RUNS_BESIDE = 4.0
"""How many times that distance two edges must run beside each other to count as one (E); shorter
nearness is a corner where edges meet."""

SIMPLIFY_M = 2.0
"""Wiggles of an edge smaller than this are drawn straight, metres (E)."""

CORNER_DEG = 45.0
"""An edge is parted where it turns by more than this, for what is beyond a corner meets another
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
        In an order that depends on their positions alone, from the north-west.
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
    return Edges(_in_place_order(equal_parts(kept, longest_m)), doubled_m)


def _in_place_order(lines: Shapes) -> Shapes:
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
    # A hair wider than the line, so that rounding does not leave it there.
    return shapely.buffer(shapely.union_all(long), CENTIMETRE, cap_style="flat")


def _at_corners(line: shapely.LineString) -> list[shapely.LineString]:
    """A line parted where it turns sharply; a ring also where it begins."""
    xy = shapely.get_coordinates(line)
    if shapely.is_closed(line):
        # Where a ring starts is chance: start it where it turns most.
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


ARM_M = 60.0
"""Length of each arm of an L, and half that of each bar of a cross, metres (E)."""

SQUARE_TO_DEG = 40.0
"""A corner of a field is taken for an L when its sides turn by 90° give or take this (E)."""

STRAIGHT_M = 10.0
"""Wiggles smaller than this are overlooked when corners are searched for, metres (E)."""

INSIDE_M = 10.0
"""A cross keeps this far from the edge of its field, metres (E)."""

SHORTEST_ARM = 0.5
"""An arm shorter than this share of what it should be is none (E)."""


def corner_shapes(ground: Shapes, *, arm_m: float = ARM_M) -> Shapes:
    """An L along both sides of each roughly square corner of fields.

    Parameters
    ----------
    ground : (n,) array of polygons
        Stock ground.
    arm_m : float
        Length of each arm; at most half the side it is on.

    Returns
    -------
    (m,) array of LineString
        Each bends once, at the corner.
    """
    return as_array([s for part in shapely.get_parts(ground) for s in _corners_of(part, arm_m)])


def _corners_of(field: shapely.Polygon, arm_m: float) -> list[shapely.LineString]:
    ring = shapely.simplify(shapely.get_exterior_ring(field), STRAIGHT_M)
    xy = shapely.get_coordinates(ring)[:-1]
    if len(xy) < 3:
        return []
    ahead, behind = np.roll(xy, -1, axis=0) - xy, np.roll(xy, 1, axis=0) - xy
    lengths = np.hypot(*ahead.T), np.hypot(*behind.T)
    cosine = np.einsum("ij,ij->i", ahead, behind) / (lengths[0] * lengths[1])
    # The inner angle, so that a corner that juts into the field is no shelter.
    clockwise = not shapely.is_ccw(ring)
    cross = ahead[:, 0] * behind[:, 1] - ahead[:, 1] * behind[:, 0]
    inward = cross < 0 if clockwise else cross > 0
    square = np.abs(np.degrees(np.arccos(np.clip(cosine, -1, 1))) - 90.0) <= SQUARE_TO_DEG
    arms = [np.minimum(arm_m, side / 2) for side in lengths]
    found = []
    for i in np.flatnonzero(square & inward):
        if min(arm[i] for arm in arms) < SHORTEST_ARM * arm_m:
            continue
        tips = [
            xy[i] + arm[i] * side[i] / length[i]
            for arm, side, length in zip(arms, (behind, ahead), lengths, strict=True)
        ]
        found.append(shapely.LineString([tips[0], xy[i], tips[1]]))
    return found


def cross_shapes(ground: Shapes, bearing_deg: float, *, arm_m: float = ARM_M) -> Shapes:
    """A cross in the middle of each piece of ground, one bar across the damaging wind.

    Parameters
    ----------
    ground : (n,) array of polygons
        Stock ground.
    bearing_deg : float
        Bearing of that bar, from grid north; the other is perpendicular to it.
    arm_m : float
        Length of each of the four arms, cut short where the ground ends.

    Returns
    -------
    (m,) array of MultiLineString
        Ground too small for a cross gets none.
    """
    bars = [unit(bearing_deg), unit(bearing_deg + 90.0)]
    found = []
    for part in shapely.get_parts(ground):
        middle = shapely.get_coordinates(shapely.centroid(part))[0]
        room = shapely.buffer(part, -INSIDE_M)
        shape = shapely.multilinestrings(
            [np.array([middle - arm_m * bar, middle + arm_m * bar]) for bar in bars]
        )
        if shapely.length(shapely.intersection(shape, room)) >= 4 * SHORTEST_ARM * arm_m:
            # Four arms that meet, for what cuts one must leave the others whole.
            arms = shapely.get_parts(shapely.intersection(shapely.node(shape), room))
            found.append(shapely.MultiLineString(list(arms)))
    return as_array(found)
