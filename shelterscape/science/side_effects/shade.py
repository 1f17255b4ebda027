"""Shade of belts on roads on the shortest day, when ice remains longest."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from numpy.typing import NDArray

from shelterscape.grid import Grid, grid_direction, toward
from shelterscape.science.side_effects.samples import pieces, values_at
from shelterscape.science.side_effects.sun import SunPositions, sun_positions, winter_day

Array = NDArray[np.float64]

LOWEST_SUN_DEG = 3.0
"""Elevation below which the sun is not counted, degrees: it gives no warmth (assumed)."""

FARTHEST_H = 40.0
"""Distance to which shade is examined, belt heights: twice the longest shadow on level ground."""

STEP_M = 5.0
"""Distance between examined points of a road, m."""

STEP_MINUTES = 10
"""Time between examined positions of the sun, minutes."""

SHADE_COLUMNS = ("road", "length_m", "shade_hours", "longest_shade_hours", "sun_hours", "belts")


def sun_at(grid: Grid) -> SunPositions:
    """Positions of the sun on the shortest day at the centre of a grid, from `LOWEST_SUN_DEG`.

    Parameters
    ----------
    grid : Grid
        With a coordinate system.

    Returns
    -------
    SunPositions
        Every `STEP_MINUTES` while the sun is high enough; azimuth from grid north.
    """
    longitude, latitude = grid.lon_lat()
    sun = sun_positions(winter_day(latitude, step_minutes=STEP_MINUTES), latitude, longitude)
    seen = sun.elevation_deg >= LOWEST_SUN_DEG
    turn = grid.convergence_deg()
    azimuth = np.array([grid_direction(a, turn) for a in sun.azimuth_deg[seen]])
    return SunPositions(sun.elevation_deg[seen], azimuth)


def shaded(
    points: Array, ground_m: Array, edges: Array, top_m: Array, sun: SunPositions
) -> NDArray[np.bool_]:
    """Whether a belt shades each point at each position of the sun.

    Parameters
    ----------
    points : (n, 2) float64
    ground_m : (n,) float64
        Elevation of the points, m.
    edges : (m, 2, 2) float64
        Start and end of straight pieces of the belt.
    top_m : (m,) float64
        Elevation of the top of each piece, m.
    sun : SunPositions
        Azimuth from grid north.

    Returns
    -------
    (positions, n) bool
        False where an elevation is unknown.

    Notes
    -----
    The top of a belt shades a point at distance s along the bearing of the sun where it is higher
    than s tan(elevation) above the point. Belts count as opaque, and the ground casts no shade.
    """
    along = edges[:, 1] - edges[:, 0]
    to = edges[None, :, 0] - points[:, None]
    above = top_m[None] - ground_m[:, None]
    across = to[..., 0] * along[:, 1] - to[..., 1] * along[:, 0]
    found = np.zeros((len(sun.elevation_deg), len(points)), bool)
    for i, (elevation, azimuth) in enumerate(zip(*sun, strict=True)):
        east, south = toward(float(azimuth))
        cross = -east * -along[:, 1] + south * along[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            distance = across / cross
            share = (-to[..., 0] * south - to[..., 1] * east) / cross
            hit = (distance >= 0) & (share >= 0) & (share <= 1)
            hit &= distance * np.tan(np.radians(elevation)) < above
        found[i] = hit.any(axis=1)
    return found


def road_shade(
    roads: gpd.GeoDataFrame,
    belts: gpd.GeoDataFrame,
    elevation: NDArray[np.float32],
    grid: Grid,
) -> gpd.GeoDataFrame:
    """Sections of road that belts shade on the shortest day.

    Parameters
    ----------
    roads : GeoDataFrame
        Lines with ``name``.
    belts : GeoDataFrame
        Lines or areas with ``name`` and ``height_m``.
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
        With a coordinate system.

    Returns
    -------
    GeoDataFrame
        `SHADE_COLUMNS`: mean and longest hours of shade within a section, hours with the sun above
        `LOWEST_SUN_DEG`, and the belts.
    """
    sun = sun_at(grid)
    lines, road = shapely.get_parts(roads.geometry.to_numpy(), return_index=True)
    rows = []
    for line, name in zip(lines, roads["name"].to_numpy()[road], strict=True):
        rows += [(name, *row) for row in _shade_on(line, belts, elevation, grid, sun)]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=[*SHADE_COLUMNS, "geometry"]), crs=roads.crs)


def _shade_on(
    line: shapely.LineString,
    belts: gpd.GeoDataFrame,
    elevation: NDArray[np.float32],
    grid: Grid,
    sun: SunPositions,
) -> list[tuple[float, float, float, float, str, shapely.Geometry]]:
    """Rows of `SHADE_COLUMNS` without the road, and the geometry, for one line of road."""
    count = max(round(line.length / STEP_M), 1)
    step = line.length / count
    points = shapely.get_coordinates(
        shapely.line_interpolate_point(line, (np.arange(count) + 0.5) * step)
    )
    ground = values_at(points, elevation, grid)
    by_belt: dict[str, NDArray[np.bool_]] = {}
    for belt in belts.itertuples():
        reach = FARTHEST_H * belt.height_m
        near = shapely.dwithin(shapely.points(points), belt.geometry, reach)
        if near.any():
            edges, top = _edges(belt.geometry, belt.height_m, elevation, grid)
            dark = np.zeros((len(sun.elevation_deg), count), bool)
            dark[:, near] = shaded(points[near], ground[near], edges, top, sun)
            by_belt[belt.name] = by_belt.get(belt.name, dark) | dark
    if not by_belt:
        return []
    hours = np.any(list(by_belt.values()), axis=0).sum(axis=0) * STEP_MINUTES / 60
    rows = []
    for first, last in _runs(hours > 0):
        names = [n for n, dark in by_belt.items() if dark[:, first:last].any()]
        part = shapely.ops.substring(line, first * step, last * step)
        here, sunny = hours[first:last], len(sun.elevation_deg) * STEP_MINUTES / 60
        rows.append((part.length, here.mean(), here.max(), sunny, ", ".join(names), part))
    return rows


def _edges(
    belt: shapely.Geometry, height_m: float, elevation: NDArray[np.float32], grid: Grid
) -> tuple[Array, Array]:
    """Straight pieces of a belt, at most five cells long, and the elevation of their tops."""
    edges = pieces(belt, 5 * grid.cell_m)
    return edges, values_at(edges.mean(axis=1), elevation, grid) + height_m


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First index, and the one after the last, of each run of true values."""
    change = np.flatnonzero(np.diff(np.r_[False, flags, False]))
    return list(zip(change[::2].tolist(), change[1::2].tolist(), strict=True))
