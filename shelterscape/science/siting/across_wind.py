"""The bearing at which a belt catches most of the wind, and lines of that bearing in open ground.

Bearings of belts are degrees clockwise from north, 0 <= b < 180: a belt runs both ways.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Shapes = NDArray[np.object_]

LOSS_STEP_DEG = 15
"""Step, degrees, in which the loss beside the best bearing is told."""

SPACING_H = 15.0
"""Usual distance between generated lines, belt heights (E): about 25 is planted in the end, and
closer lines leave a choice."""

LONGEST_M = 400.0
"""Longest candidate, metres (E): longer lines are halved, thirded and so on, so that a budget can
be spent where it tells most."""

SHORTEST_M = 20.0
"""Shortest line worth offering, metres (E)."""


class Bearing(NamedTuple):
    """The bearing at which a belt catches most of some winds.

    Parameters
    ----------
    bearing_deg : float
        0 <= b < 180, from the north the directions count from.
    caught : float
        Share of the wind that comes square to it, 0 to 1: 1 for a single wind, .64 for winds
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
        """Axis along which the damaging wind blows, square to the belt, 0 <= a < 180."""
        return (self.bearing_deg + 90.0) % 180.0


def wind_caught(bearing_deg: ArrayLike, direction_deg: ArrayLike, weights: ArrayLike) -> Array:
    """Share of the wind that comes square to belts of some bearings: Σ w |sin(d − φ)|.

    Parameters
    ----------
    bearing_deg : (n,) array
        Bearings φ of belts, degrees clockwise from north.
    direction_deg : (m,) array
        Where winds come from, d, from the same north.
    weights : (m,) array
        How much each counts, as `WindSet.weights` gives them: frequency times the mean of speed
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
    that lie within their own stretch, and of the ends, is exact.
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
    """Unit step (east, north) along a bearing."""
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
    """Lines cut into equal parts none of which is longer than a bound."""
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
    """Shapes as an array of objects, even when there is none."""
    out = np.empty(len(shapes), dtype=object)
    out[:] = shapes
    return out
