"""Sight lines at road junctions that belts would block."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import shapely
import shapely.ops

MEETING_M = 1.0
"""Distance within which ends of roads meet, m (assumed)."""

STRAIGHT_DEG = 175.0
"""Angle between two arms of a junction from which no ground is between them."""


def sight_areas(roads: gpd.GeoDataFrame, sight_m: float) -> gpd.GeoDataFrame:
    """Ground between the arms of each junction over which drivers look.

    Parameters
    ----------
    roads : GeoDataFrame
        Lines with ``name``.
    sight_m : float
        Length of each arm from which the junction is to be seen, m.

    Returns
    -------
    GeoDataFrame
        For each junction ``name``, the roads that meet, and the area. Lines that cross on a bridge
        count as a junction.

    Notes
    -----
    The area of a junction is the hull of each two neighbouring arms, up to `sight_m` along each.
    No published rule was found for `sight_m`: the highway authority sets it.
    """
    pieces = _pieces(roads)
    meeting = _meeting(pieces)
    rows = [
        (_roads_at(roads, point), _area([_arm(pieces[i], at_end, sight_m) for i, at_end in arms]))
        for point, arms in meeting
        if len(arms) > 2
    ]
    rows = [row for row in rows if not row[1].is_empty]
    names, areas = zip(*rows, strict=True) if rows else ((), ())
    return gpd.GeoDataFrame({"name": list(names)}, geometry=list(areas), crs=roads.crs)


def _pieces(roads: gpd.GeoDataFrame) -> list[shapely.LineString]:
    """Roads divided where they cross or meet; ends within `MEETING_M` of a road are moved to it."""
    lines = shapely.get_parts(shapely.line_merge(shapely.union_all(roads.geometry.to_numpy())))
    snapped = [
        shapely.snap(line, shapely.union_all(np.delete(lines, i)), MEETING_M)
        for i, line in enumerate(lines)
    ]
    return list(shapely.get_parts(shapely.node(shapely.multilinestrings(snapped))))


def _meeting(
    pieces: list[shapely.LineString],
) -> list[tuple[shapely.Point, list[tuple[int, bool]]]]:
    """Points where pieces end, with the pieces there and whether each ends or starts there."""
    found: dict[tuple[float, float], list[tuple[int, bool]]] = {}
    for i, piece in enumerate(pieces):
        for at_end, xy in ((False, piece.coords[0]), (True, piece.coords[-1])):
            key = (round(xy[0], 2), round(xy[1], 2))
            found.setdefault(key, []).append((i, at_end))
    return [(shapely.Point(key), arms) for key, arms in sorted(found.items())]


def _arm(piece: shapely.LineString, at_end: bool, sight_m: float) -> shapely.LineString:
    """The part of a piece up to a distance from the junction, drawn away from it."""
    away = shapely.reverse(piece) if at_end else piece
    return shapely.ops.substring(away, 0.0, sight_m)


def _area(arms: list[shapely.LineString]) -> shapely.Geometry:
    """Hulls of neighbouring arms."""
    bearing = [_bearing(arm) for arm in arms]
    order = np.argsort(bearing)
    hulls = []
    for i, j in itertools.pairwise([*order, order[0]]):
        if (bearing[j] - bearing[i]) % 360.0 < STRAIGHT_DEG:
            hulls.append(shapely.convex_hull(shapely.union_all([arms[i], arms[j]])))
    return shapely.union_all([hull for hull in hulls if hull.area > 0])


def _bearing(arm: shapely.LineString) -> float:
    """Bearing from the start of an arm to its end, degrees."""
    (x0, y0), (x1, y1) = arm.coords[0], arm.coords[-1]
    return float(np.degrees(np.arctan2(x1 - x0, y1 - y0)) % 360.0)


def _roads_at(roads: gpd.GeoDataFrame, point: shapely.Point) -> str:
    """Names of the roads that meet at a point."""
    here = shapely.dwithin(roads.geometry.to_numpy(), point, MEETING_M)
    names = dict.fromkeys(str(n) for n in roads["name"].to_numpy(object)[here])
    return "junction of " + " and ".join(names)
