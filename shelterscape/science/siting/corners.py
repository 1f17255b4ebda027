"""L and cross shapes on stock ground, where animals find a lee whichever way the wind turns."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.siting.across_wind import as_array, unit

Shapes = NDArray[np.object_]

ARM_M = 60.0
"""Length of each arm of an L, and half that of each bar of a cross, metres (E)."""

SQUARE_TO_DEG = 40.0
"""A corner of a field is taken for an L when its sides turn by 90° give or take this (E)."""

STRAIGHT_M = 10.0
"""Wiggles smaller than this are overlooked when corners are looked for, metres (E)."""

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
        Length of each arm; at most half the side it stands on.

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
        Bearing of that bar, from grid north; the other stands square to it.
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
            # Four arms that meet, for what cuts one must leave the others standing.
            arms = shapely.get_parts(shapely.intersection(shapely.node(shape), room))
            found.append(shapely.MultiLineString(list(arms)))
    return as_array(found)
