"""Points to set out on the ground: ends and bends of rows, and gates of fences."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

ROW_END, BEND, GATE = "row end", "bend", "gate"

BEND_DEG = 1.0
"""Smallest change of direction of a row that is set out, degrees (assumed)."""

POINT_COLUMNS = ("belt", "point_number", "point_kind", "planting_row", "x_m", "y_m")


def set_out_points(
    belts: gpd.GeoDataFrame,
    rows: gpd.GeoDataFrame,
    fences: gpd.GeoDataFrame,
    openings: Sequence[shapely.Geometry] = (),
) -> gpd.GeoDataFrame:
    """Points that place the rows and gates of each belt.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines with ``belt``.
    rows : GeoDataFrame
        Clumps with ``belt``, ``row``, ``row_part``, ``from_m``, as `layout.layout` returns them.
    fences : GeoDataFrame
        With ``belt`` and ``gate_count``.
    openings : sequence of geometries
        Gateways and tracks; the gate of a fence is beside the nearest within 10 m, otherwise at the
        start of the line.

    Returns
    -------
    GeoDataFrame
        Points with `POINT_COLUMNS`: rows from windward to leeward, each in the direction of the
        line, then gates, whose row is NaN. Numbers start at 1 in each belt.
    """
    found: list[tuple[str, str, float, float, float]] = []
    by_belt = dict(tuple(rows.groupby("belt", sort=False)))
    fence_of = dict(tuple(fences.groupby("belt", sort=False)))
    for belt, line in zip(belts["belt"], belts.geometry, strict=True):
        if belt in by_belt:
            found += [(belt, *point) for point in _row_points(by_belt[belt])]
        if belt in fence_of:
            found += [(belt, *point) for point in _gates(fence_of[belt], line, openings)]
    names = ["belt", "point_kind", "planting_row", "x_m", "y_m"]
    table = pd.DataFrame(found, columns=names)
    table["point_number"] = table.groupby("belt").cumcount() + 1
    table["planting_row"] = table["planting_row"].astype(float)
    points = shapely.points(table[["x_m", "y_m"]].to_numpy(dtype=float).reshape(-1, 2))
    return gpd.GeoDataFrame(table[list(POINT_COLUMNS)], geometry=points, crs=belts.crs)


def _row_points(rows: gpd.GeoDataFrame) -> Iterator[tuple[str, float, float, float]]:
    """Ends and bends of each part of each row."""
    for (row, _), clumps in rows.groupby(["row", "row_part"]):
        xy = shapely.get_coordinates(clumps.sort_values("from_m").geometry.to_numpy())
        bends = _bends(xy)
        yield ROW_END, float(row), *xy[0]
        for at in bends:
            yield BEND, float(row), *xy[at]
        yield ROW_END, float(row), *xy[-1]


def _bends(xy: NDArray[np.float64]) -> list[int]:
    """Vertices at which a line changes its direction."""
    step = np.hypot(*np.diff(xy, axis=0).T)
    # Clumps share their ends; vertices a millimetre apart are one.
    kept = np.concatenate([[0], np.flatnonzero(step > 1e-3) + 1])
    heading = np.arctan2(*np.diff(xy[kept], axis=0).T[::-1])
    turned = np.abs((np.diff(heading) + math.pi) % (2 * math.pi) - math.pi)
    return [int(kept[i + 1]) for i in np.flatnonzero(turned >= math.radians(BEND_DEG))]


NEAR_OPENING_M = 10.0
"""Largest distance from a fence to the opening that its gate is beside, m (assumed)."""


def _gates(
    fences: gpd.GeoDataFrame, line: shapely.Geometry, openings: Sequence[shapely.Geometry]
) -> Iterator[tuple[str, float, float, float]]:
    """The place of each gate on its fence."""
    tree = shapely.STRtree(list(openings))
    start = shapely.Point(shapely.get_coordinates(line)[0])
    for fence, count in zip(fences.geometry, fences["gate_count"], strict=True):
        if not count:
            continue
        near = tree.query_nearest(fence, max_distance=NEAR_OPENING_M, all_matches=False)
        toward = openings[int(near[0])] if len(near) else start
        place = shapely.get_point(shapely.shortest_line(fence, toward), 0)
        yield GATE, math.nan, place.x, place.y
