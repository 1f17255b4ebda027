"""Generated lines: across the damaging wind, along parcel edges, and L and cross shapes.

Bearings of belts are degrees clockwise from north, 0 <= b < 180, because a belt has no direction.
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
"""Step of the losses at other bearings than the best one, degrees."""

SPACING_H = 15.0
"""Default distance between generated lines, belt heights (assumed). Parallel belts are usually
about 25 heights apart (AMS Glossary, status S); closer lines allow a choice."""

LONGEST_M = 400.0
"""Longest candidate, metres (assumed); longer lines are divided, so that budgets are used well."""

SHORTEST_M = 20.0
"""Shortest line proposed, metres (assumed)."""


class Bearing(NamedTuple):
    """The bearing at which most of the wind crosses a belt.

    Parameters
    ----------
    bearing_deg : float
        0 <= b < 180, degrees from the north of the wind directions.
    wind_share : float
        Share of the wind perpendicular to the belt, 0 to 1: 1 for one direction, 0.64 for wind
        equally from all directions.
    loss : dict
        Share of `wind_share` lost by a belt turned by each angle, -90 to 90 degrees (negative:
        anticlockwise).
    """

    bearing_deg: float
    wind_share: float
    loss: dict[int, float]

    @property
    def wind_axis_deg(self) -> float:
        """Axis along which the damaging wind blows, perpendicular to the belt, 0 <= a < 180."""
        return (self.bearing_deg + 90.0) % 180.0


def share_of_wind_across(
    bearing_deg: ArrayLike, direction_deg: ArrayLike, weights: ArrayLike
) -> Array:
    """Share of the wind perpendicular to belts with these bearings: Σ w |sin(d − φ)|.

    Parameters
    ----------
    bearing_deg : (n,) array
        Bearings φ of belts, degrees clockwise from north.
    direction_deg : (m,) array
        Wind directions d, degrees clockwise from the same north.
    weights : (m,) array
        Weight of each direction, as `WindSet.weights` returns them: frequency times the mean of
        speed to the wind-speed exponent; the sum is 1.

    Returns
    -------
    (n,) float64
        0 to 1.
    """
    bearing, direction = np.atleast_1d(bearing_deg), np.atleast_1d(direction_deg)
    turn = np.radians(direction[None, :] - np.asarray(bearing, dtype=float)[:, None])
    wind_share: Array = np.abs(np.sin(turn)) @ np.asarray(weights, dtype=float)
    return wind_share


def best_bearing(direction_deg: ArrayLike, weights: ArrayLike) -> Bearing:
    """The bearing at which most of the wind crosses a belt.

    Parameters
    ----------
    direction_deg, weights : (n,) array
        As for `share_of_wind_across`.

    Returns
    -------
    Bearing
        Of equally good bearings, the first one clockwise from north.

    Notes
    -----
    Between two adjacent wind directions (as axes) no sine changes its sign, so the sum is one sine
    wave whose maximum has a closed form; at the wind directions themselves the sum has kinks. The
    largest of the maxima within their interval and of the values at the kinks is exact.
    """
    direction, weight = (np.asarray(a, dtype=float) for a in (direction_deg, weights))
    kinks = np.unique(direction % 180.0)
    ends = np.append(kinks[1:], kinks[0] + 180.0)
    middle = np.radians((kinks + ends) / 2)
    sign = np.sign(np.sin(np.radians(direction)[None, :] - middle[:, None]))
    east = sign @ (weight * np.sin(np.radians(direction)))
    north = sign @ (weight * np.cos(np.radians(direction)))
    # Σ w s sin(d − φ) = east cos φ − north sin φ
    peaks = np.degrees(np.arctan2(-north, east))
    peaks = kinks + (peaks - kinks) % 360.0
    tried = np.concatenate([peaks[peaks <= ends], kinks]) % 180.0
    tried = np.unique(np.round(tried, 9) % 180.0)
    wind_share = share_of_wind_across(tried, direction, weight)
    best = int(np.flatnonzero(wind_share >= wind_share.max() - 1e-12)[0])
    turns = np.arange(-90, 91, LOSS_STEP_DEG)
    beside = share_of_wind_across(tried[best] + turns, direction, weight)
    loss = {int(t): float(1.0 - b / wind_share[best]) for t, b in zip(turns, beside, strict=True)}
    return Bearing(float(tried[best]), float(wind_share[best]), loss)


def unit_vector(bearing_deg: float) -> Array:
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
    """Evenly spaced parallel lines over areas of open ground.

    Parameters
    ----------
    ground : (n,) array of polygons
        Open ground, such as fields. A field narrower than two spacings gets no line, because belts
        on its edges suffice.
    bearing_deg : float
        Bearing of the lines, from grid north.
    spacing_m : float
        Least distance between lines, and from the outer lines to the ends of the ground, m.
    longest_m, shortest_m : float
        m; longer lines are divided into equal parts, shorter ones dropped.

    Returns
    -------
    (m,) array of LineString
    """
    found = [
        _over_one(part, unit_vector(bearing_deg), spacing_m)
        for part in shapely.get_parts(ground.ravel())
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
    """Lines divided into equal parts no longer than a limit.

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
    """A line divided at distances along it."""
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
    """Shapes as an array of objects; the list may be empty.

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
"""Parallel edges within this distance are one, metres (assumed): a boundary takes one belt."""

RUNS_BESIDE = 4.0
"""Least length, in multiples of `SAME_EDGE_M`, over which parallel edges count as one (assumed);
shorter contact is a corner."""

SIMPLIFY_M = 2.0
"""Tolerance of the simplification of edges, metres (assumed)."""

CORNER_DEG = 45.0
"""Turn, degrees, above which an edge is divided (assumed): wind meets the parts differently."""

CENTIMETRE = 0.01


class ParcelEdges(NamedTuple):
    """Candidate lines along parcel edges.

    Parameters
    ----------
    lines : (n,) array of LineString
    duplicate_m : float
        Length dropped because another edge runs beside it, m.
    """

    lines: Shapes
    duplicate_m: float


def parcel_edges(
    parcels: Shapes,
    *,
    same_m: float = SAME_EDGE_M,
    simplify_m: float = SIMPLIFY_M,
    longest_m: float = LONGEST_M,
    shortest_m: float = SHORTEST_M,
) -> ParcelEdges:
    """Edges of parcels, each shared edge once, divided at junctions and corners.

    Parameters
    ----------
    parcels : (n,) array of polygons
    same_m : float
        Distance within which parallel edges are one, m.
    simplify_m : float
        Tolerance of simplification, m; junctions do not move.
    longest_m, shortest_m : float
        m; longer lines are divided into equal parts, shorter ones dropped.

    Returns
    -------
    ParcelEdges
        In order of position, from the north-west.
    """
    if not len(parcels):
        return ParcelEdges(np.empty(0, dtype=object), 0.0)
    # On a centimetre grid, edges drawn alike have identical vertices and become one.
    drawn = shapely.union_all(shapely.boundary(parcels), grid_size=CENTIMETRE)
    whole = shapely.get_parts(shapely.line_merge(drawn))
    straight = shapely.simplify(whole, simplify_m)
    divided = as_array([part for line in straight for part in _at_corners(line)])
    distinct, duplicate_m = _without_duplicates(divided, same_m)
    kept = distinct[shapely.length(distinct) >= max(shortest_m, CENTIMETRE)]
    return ParcelEdges(_in_place_order(equal_parts(kept, longest_m)), duplicate_m)


def _in_place_order(lines: Shapes) -> Shapes:
    """Lines in order of the position of their middle, from the north-west."""
    middle = shapely.get_coordinates(shapely.centroid(lines))
    return lines[np.lexsort(np.round([middle[:, 0], -middle[:, 1]], 2))] if len(lines) else lines


def _without_duplicates(lines: Shapes, same_m: float) -> tuple[Shapes, float]:
    """Lines without parts that run beside a longer line, and the length removed."""
    order = np.lexsort((*np.round(shapely.bounds(lines), 2).T, -np.round(shapely.length(lines), 2)))
    lines = lines[order]
    tree = shapely.STRtree(lines)
    near = np.column_stack(tree.query(lines, predicate="dwithin", distance=same_m))
    # Lines are sorted by length: only earlier, longer ones remove parts of a line.
    near = near[near[:, 1] < near[:, 0]]
    first = np.searchsorted(near[:, 0], np.arange(len(lines) + 1))
    kept = lines.copy()
    for i in range(len(lines)):
        for j in np.sort(near[first[i] : first[i + 1], 1]):
            kept[i] = shapely.difference(kept[i], _beside(kept[i], kept[j], same_m))
    duplicate_m = float(shapely.length(lines).sum() - shapely.length(kept).sum())
    parts = shapely.get_parts(kept)
    return parts[shapely.get_type_id(parts) == 1], duplicate_m


def _beside(line: shapely.Geometry, other: shapely.Geometry, same_m: float) -> shapely.Geometry:
    """Ground along another line where this one runs beside it."""
    strip = shapely.buffer(other, same_m, cap_style="flat")
    shared = shapely.get_parts(shapely.line_merge(shapely.intersection(line, strip)))
    long = shared[shapely.length(shared) > RUNS_BESIDE * same_m]
    # Slightly wider than the line, so that rounding does not leave a remainder.
    return shapely.buffer(shapely.union_all(long), CENTIMETRE, cap_style="flat")


def _at_corners(line: shapely.LineString) -> list[shapely.LineString]:
    """A line divided at sharp turns; a ring is also divided at its start."""
    xy = shapely.get_coordinates(line)
    if shapely.is_closed(line):
        # The start of a ring is arbitrary: move it to the sharpest turn.
        ring = xy[:-1]
        xy = np.roll(ring, -int(np.argmax(_bends(np.vstack([ring[-1:], xy])))), axis=0)
        xy = np.vstack([xy, xy[:1]])
    at = [0, *(np.flatnonzero(_bends(xy) > CORNER_DEG) + 1), len(xy) - 1]
    return [shapely.LineString(xy[a : b + 1]) for a, b in itertools.pairwise(at)]


def _bends(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Change of direction of a line at each inner vertex, degrees."""
    step = np.diff(xy, axis=0)
    bearing = np.degrees(np.arctan2(step[:, 0], step[:, 1]))
    bends: NDArray[np.float64] = np.abs((np.diff(bearing) + 180.0) % 360.0 - 180.0)
    return bends


ARM_M = 60.0
"""Length of each arm of an L and of a cross, metres (assumed)."""

RIGHT_ANGLE_WITHIN_DEG = 40.0
"""A field corner gets an L where its angle differs from 90° by at most this (assumed)."""

STRAIGHT_M = 10.0
"""Tolerance of simplification in the search for corners, metres (assumed)."""

INSIDE_M = 10.0
"""Least distance of a cross from the edge of its field, metres (assumed)."""

SHORTEST_ARM = 0.5
"""Least length of an arm, as a share of its full length (assumed)."""


def corner_shapes(ground: Shapes, *, arm_m: float = ARM_M) -> Shapes:
    """An L along both sides of each roughly right-angled corner of fields.

    Parameters
    ----------
    ground : (n,) array of polygons
        Stock ground.
    arm_m : float
        Length of each arm, m; at most half of its side of the field.

    Returns
    -------
    (m,) array of LineString
        Each has one bend, at the corner.
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
    # Inner angles only: a corner that points into the field gives no shelter.
    clockwise = not shapely.is_ccw(ring)
    cross = ahead[:, 0] * behind[:, 1] - ahead[:, 1] * behind[:, 0]
    inward = cross < 0 if clockwise else cross > 0
    right_angled = (
        np.abs(np.degrees(np.arccos(np.clip(cosine, -1, 1))) - 90.0) <= RIGHT_ANGLE_WITHIN_DEG
    )
    arms = [np.minimum(arm_m, side / 2) for side in lengths]
    found = []
    for i in np.flatnonzero(right_angled & inward):
        if min(arm[i] for arm in arms) < SHORTEST_ARM * arm_m:
            continue
        tips = [
            xy[i] + arm[i] * side[i] / length[i]
            for arm, side, length in zip(arms, (behind, ahead), lengths, strict=True)
        ]
        found.append(shapely.LineString([tips[0], xy[i], tips[1]]))
    return found


def cross_shapes(ground: Shapes, bearing_deg: float, *, arm_m: float = ARM_M) -> Shapes:
    """A cross in the middle of each area, with one bar across the damaging wind.

    Parameters
    ----------
    ground : (n,) array of polygons
        Stock ground.
    bearing_deg : float
        Bearing of that bar, from grid north; the other is perpendicular to it.
    arm_m : float
        Length of each of the four arms, m; shorter where the ground ends.

    Returns
    -------
    (m,) array of MultiLineString
        None for areas too small for a cross.
    """
    bars = [unit_vector(bearing_deg), unit_vector(bearing_deg + 90.0)]
    found = []
    for part in shapely.get_parts(ground):
        middle = shapely.get_coordinates(shapely.centroid(part))[0]
        inside = shapely.buffer(part, -INSIDE_M)
        shape = shapely.multilinestrings(
            [np.array([middle - arm_m * bar, middle + arm_m * bar]) for bar in bars]
        )
        if shapely.length(shapely.intersection(shape, inside)) >= 4 * SHORTEST_ARM * arm_m:
            # Four separate arms, so that an exclusion on one does not affect the others.
            arms = shapely.get_parts(shapely.intersection(shapely.node(shape), inside))
            found.append(shapely.MultiLineString(list(arms)))
    return as_array(found)
