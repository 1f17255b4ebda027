"""Fences around planted belts, with strainer posts and gates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from shelterscape.science.planting.design import BeltDesign

STRAINER_BEND_DEG = 15.0
"""Smallest bend of a fence that has a strainer post (common practice)."""


def fence_lines(
    line: shapely.Geometry,
    design: BeltDesign,
    clearances: Sequence[shapely.Geometry] = (),
    openings: Sequence[shapely.Geometry] = (),
) -> list[shapely.LineString]:
    """Fences around each part of a belt.

    Parameters
    ----------
    line : LineString or MultiLineString
        Centre of the planted strip.
    design : BeltDesign
        The fence is `fence_offset_m` outside the outer rows, and beyond the ends.
    clearances : sequence of Polygon
        Ground in which no post is set; the fence follows its edge, so that it keeps animals out.
    openings : sequence of Polygon
        Strips that stay open; each part of the belt between them has a fence of its own.

    Returns
    -------
    list of LineString
        All closed.
    """
    half = design.planted_width_m / 2.0 + design.fence_offset_m
    extended = [_extended(part, design.fence_offset_m) for part in shapely.get_parts(line)]
    ground = shapely.union_all(
        [p.buffer(half, cap_style="flat", join_style="mitre", mitre_limit=5.0) for p in extended]
    )
    for area in (*openings, *clearances):
        ground = ground.difference(area)
    parts = [part for part in shapely.get_parts(ground) if part.area > 0]
    return [shapely.LineString(part.exterior.coords) for part in parts]


def _extended(line: shapely.LineString, by_m: float) -> shapely.LineString:
    """A line continued straight at both ends."""
    coords = shapely.get_coordinates(line)
    for end, inner in ((0, 1), (-1, -2)):
        outward = coords[end] - coords[inner]
        coords[end] = coords[end] + outward * (by_m / max(float(np.hypot(*outward)), 1e-9))
    return shapely.LineString(coords)


def strainer_count(fence: shapely.LineString) -> int:
    """Strainer posts of a fence: wherever it has turned by 15° or more since the last one.

    Parameters
    ----------
    fence : LineString

    Returns
    -------
    int
    """
    coords = shapely.get_coordinates(fence)
    closed = bool((coords[0] == coords[-1]).all())
    if closed:
        coords = np.vstack([coords, coords[1]])
    heading = np.unwrap(np.arctan2(*np.diff(coords, axis=0).T[::-1]))
    bends, turned = 0, 0.0
    for turn in np.diff(heading):
        turned += turn  # a curve of many small bends needs posts too
        if abs(turned) >= np.radians(STRAINER_BEND_DEG):
            bends, turned = bends + 1, 0.0
    return bends if closed else bends + 2
