"""Rows of a belt on the ground: true parallel lines, with plants evenly spaced on each."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.planting.design import BeltDesign

STEM_FACTOR, BEYOND_CANOPY_M = 15.0, 5.0
"""Clearance of a veteran tree: the larger of 15 stem diameters and 5 m beyond the canopy (not
verified against the source; both can be set)."""

MITRE_LIMIT = 5.0
"""Longest corner of a row, as a multiple of its offset; sharper bends are cut off."""

GAP_TOLERANCE = 0.002
"""Share of a gap by which rows may be nearer, from corners of buffers."""


def veteran_clearances(
    trees: NDArray[np.object_],
    stem_diameter_m: NDArray[np.float64],
    canopy_radius_m: NDArray[np.float64],
    stem_factor: float = STEM_FACTOR,
    beyond_canopy_m: float = BEYOND_CANOPY_M,
) -> NDArray[np.object_]:
    """Ground around veteran trees on which nothing is planted and no post is set.

    Parameters
    ----------
    trees : (n,) array of Point
    stem_diameter_m, canopy_radius_m : (n,) float64
        m; NaN where unknown, so that the other one counts.
    stem_factor : float
        Stem diameters.
    beyond_canopy_m : float
        Distance beyond the canopy, m.

    Returns
    -------
    (n,) array of Polygon
        Each contains the whole circle.
    """
    radius = np.fmax(stem_factor * stem_diameter_m, canopy_radius_m + beyond_canopy_m)
    # A polygon around the circle, not within it: nothing is planted inside the circle.
    segments = 16
    outer = np.nan_to_num(radius) / math.cos(math.pi / (4 * segments))
    return np.asarray(shapely.buffer(trees, outer, quad_segs=segments))


def opening_strips(
    line: shapely.Geometry,
    openings: Sequence[shapely.Geometry],
    opening_m: Sequence[float],
    reach_m: float,
) -> list[shapely.Polygon]:
    """Strips across a belt that stay open.

    Parameters
    ----------
    line : LineString or MultiLineString
        Centre of the belt.
    openings : sequence of geometries
        Points or lines; each opens the belt at its nearest place.
    opening_m : sequence of float
        Width of each strip along the belt, m.
    reach_m : float
        Length of each strip to either side of the line, m.

    Returns
    -------
    list of Polygon
    """
    parts = shapely.get_parts(line)
    found = []
    for opening, width_m in zip(openings, opening_m, strict=True):
        part = parts[int(np.argmin(shapely.distance(parts, opening)))]
        where = part.project(shapely.get_point(shapely.shortest_line(part, opening), 0))
        a, b = (
            part.interpolate(min(max(where + d, 0.0), part.length)) for d in (-width_m, width_m)
        )
        along = np.array([b.x - a.x, b.y - a.y])
        along *= width_m / 2 / max(math.hypot(*along), 1e-9)
        middle = part.interpolate(where)
        axis = shapely.LineString(
            [(middle.x - along[0], middle.y - along[1]), (middle.x + along[0], middle.y + along[1])]
        )
        found.append(axis.buffer(reach_m, cap_style="flat"))
    return found


def is_leeward_left(line: shapely.Geometry, wind_from_deg: float) -> bool:
    """Whether the leeward side of a line is on its left, as drawn.

    Parameters
    ----------
    line : LineString or MultiLineString
    wind_from_deg : float
        Direction the damaging wind comes from, degrees from grid north.

    Returns
    -------
    bool
    """
    coords = shapely.get_coordinates(line)
    dx, dy = coords[-1] - coords[0]
    toward = math.radians(wind_from_deg + 180.0)
    # The left normal is (−dy, dx); the wind blows toward (sin, cos).
    return bool(-dy * math.sin(toward) + dx * math.cos(toward) >= 0)


def windward_side_deg(line: shapely.Geometry, wind_from_deg: float) -> float:
    """Direction from the middle of a belt to its first row.

    Parameters
    ----------
    line : LineString or MultiLineString
    wind_from_deg : float
        Direction the damaging wind comes from, degrees from grid north.

    Returns
    -------
    float
        Perpendicular to the line from its start to its end, degrees from grid north, 0 <= d < 360.
    """
    coords = shapely.get_coordinates(line)
    dx, dy = coords[-1] - coords[0]
    turn = 90.0 if is_leeward_left(line, wind_from_deg) else -90.0
    return (math.degrees(math.atan2(dx, dy)) + turn) % 360.0


def row_lines(
    line: shapely.Geometry,
    design: BeltDesign,
    leeward_left: bool,
    clearances: Sequence[shapely.Geometry] = (),
) -> list[list[shapely.LineString]]:
    """Pieces of each row of a belt, from windward to leeward.

    Parameters
    ----------
    line : LineString or MultiLineString
        Centre of the planted strip.
    design : BeltDesign
    leeward_left : bool
        Whether the leeward side is on the left of the line.
    clearances : sequence of geometries
        Ground on which nothing is planted.

    Returns
    -------
    list of list of LineString
        For each row its pieces, in the direction of the line. Rows are offset with mitred corners;
        a row that would come nearer to another than the design's gap is cut short there.
    """
    middle = design.planted_width_m / 2.0
    found: list[list[shapely.LineString]] = []
    before: shapely.Geometry | None = None
    for number, row in enumerate(design.rows):
        offset = (row.offset_m - middle) * (1.0 if leeward_left else -1.0)
        here = _offset(line, offset)
        if before is not None:
            gap = row.offset_m - design.rows[number - 1].offset_m
            here = _kept_apart(here, before, gap)
        before = here if before is None else shapely.union_all([before, here])
        free = here
        for ground in clearances:
            free = free.difference(ground)
        found.append(_pieces(free, line))
    return found


def _offset(line: shapely.Geometry, offset_m: float) -> shapely.Geometry:
    """A parallel line, positive to the left."""
    if offset_m == 0:
        return line
    parts = shapely.offset_curve(
        shapely.get_parts(line), offset_m, join_style="mitre", mitre_limit=MITRE_LIMIT
    )
    # Within a narrow bend nothing of a row may remain.
    return shapely.MultiLineString([p for p in shapely.get_parts(parts) if p.length > 0])


def _kept_apart(here: shapely.Geometry, before: shapely.Geometry, gap_m: float) -> shapely.Geometry:
    """A row without the parts that are nearer than the gap to rows before it."""
    if shapely.distance(here, before) >= gap_m * (1 - GAP_TOLERANCE):
        return here
    return here.difference(before.buffer(gap_m * (1 - GAP_TOLERANCE / 2), quad_segs=32))


def _pieces(geometry: shapely.Geometry, line: shapely.Geometry) -> list[shapely.LineString]:
    """Lines of a geometry, in the order and direction of the line of the belt."""
    merged = shapely.line_merge(geometry)
    lines = np.array([p for p in shapely.get_parts(merged) if p.length > 0], dtype=object)
    if len(lines) == 0:
        return []
    # Two places within each piece, so that closed lines have a direction too.
    early, late = (
        shapely.line_locate_point(line, shapely.line_interpolate_point(lines, at, normalized=True))
        for at in (0.4, 0.6)
    )
    lines = np.where(late < early, shapely.reverse(lines), lines)
    return [lines[i] for i in np.argsort(early, kind="stable")]


def plant_distances(length_m: float, spacing_m: float, staggered: bool) -> NDArray[np.float64]:
    """Distance of each plant along a piece of a row, evenly spaced over its real length.

    Parameters
    ----------
    length_m : float
        m; counted to the millimetre.
    spacing_m : float
        Spacing of the design, m.
    staggered : bool
        Whether plants are beside the middle between plants of an unstaggered row; that is one plant
        fewer.

    Returns
    -------
    (n,) float64
        m, ascending; none where the piece is shorter than half a spacing.

    Examples
    --------
    >>> len(plant_distances(6.0, 1 / 6 * 2, False)), len(plant_distances(6.0, 1 / 6 * 2, True))
    (18, 17)
    """
    length = round(length_m * 1000) / 1000
    number = int(length / spacing_m + 0.5)
    step = length / max(number, 1)
    if staggered and number > 1:
        return step * np.arange(1, number, dtype=np.float64)
    return step * (np.arange(number, dtype=np.float64) + 0.5)
