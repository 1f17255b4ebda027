"""Ground on which belts drift snow, and the roads on it."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.grid import downwind

LEEWARD_H = 35.0
"""Length of the drift leeward of a belt, along the wind, belt heights."""

WINDWARD_H = 15.0
"""Length of the drift windward of a belt, along the wind, belt heights."""

SNOW_SPEED_EXPONENT = 3.8
"""Transport of snow rises with this power of wind speed (Tabler 2003, status M)."""

LEAST_ROAD_M = 1.0

DRIFT_COLUMNS = ("belt", "road", "length_m", "drift_wind_share", "direction_deg", "side")


def drift_area(
    belt: shapely.Geometry,
    height_m: float,
    direction_deg: float,
    reach_h: float = LEEWARD_H,
) -> shapely.Geometry:
    """Ground on which a belt drifts snow with the wind from one direction.

    Parameters
    ----------
    belt : shapely geometry
        Line or area.
    height_m : float
        Belt height, m.
    direction_deg : float
        Where the wind comes from, degrees from grid north.
    reach_h : float
        Length of the drift along the wind, belt heights.

    Returns
    -------
    shapely geometry
        Ground passed by the belt when it is moved along the wind.

    Notes
    -----
    A road parallel to the belt is reached up to ``reach_h`` × H × sin α from it, with α the angle
    between the wind and the road: the usual set-back.

    References
    ----------
    Drift to about 35 H behind a barrier of porosity 0.5, set-back 35 H sin α (status M). Denser
    barriers have shorter and deeper drifts, so this is an upper limit. Windward drift to about
    15 H: Tabler 2003 (status M); it is the area for the opposite wind with that length.
    """
    col, row = downwind(direction_deg)
    step = np.array([col, -row]) * height_m
    outline = shapely.boundary(belt) if shapely.get_dimensions(belt) == 2 else belt
    parts = shapely.get_parts(outline)
    xy, owner = shapely.get_coordinates(parts, return_index=True)
    joined = np.flatnonzero(owner[1:] == owner[:-1])
    first, last = xy[joined], xy[joined + 1]
    far = reach_h * step
    swept = shapely.polygons(np.stack([first, last, last + far, first + far], axis=1))
    # A piece along the wind passes over no area; buffer keeps what has some.
    return shapely.union_all([*shapely.buffer(swept, 0), belt])


def drifts_on_roads(
    belts: gpd.GeoDataFrame,
    roads: gpd.GeoDataFrame,
    directions_deg: Sequence[float],
    weights: Sequence[float],
) -> gpd.GeoDataFrame:
    """Drift areas that reach roads, for each belt, road and side.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or areas with ``name`` and ``height_m``.
    roads : GeoDataFrame
        Lines with ``name``.
    directions_deg : sequence of float
        Where the wind comes from, degrees from grid north.
    weights : sequence of float
        Share of the snow moved from each direction; they sum to 1.

    Returns
    -------
    GeoDataFrame
        `DRIFT_COLUMNS`: length of road within the drift area; share of the snow moved that comes
        from directions in which the drift reaches the road; the one with the largest weight, as
        given; and whether the road is leeward or windward of the belt.
    """
    rows = []
    near = _near_roads(belts, roads)
    for belt, road in near:
        here, way = belts.iloc[belt], roads.iloc[road]
        for side in ("leeward", "windward"):
            found = _by_direction(here, way.geometry, side, directions_deg)
            if not found:
                continue
            share = np.array([weights[i] for i in found])
            area = shapely.union_all(list(found.values()))
            length = shapely.length(shapely.intersection(way.geometry, area))
            main = directions_deg[list(found)[int(np.argmax(share))]]
            rows.append((here["name"], way["name"], length, share.sum(), main, side, area))
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=[*DRIFT_COLUMNS, "geometry"]), crs=belts.crs)


def _near_roads(belts: gpd.GeoDataFrame, roads: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Pairs of belt and road that a drift may reach."""
    tree = shapely.STRtree(roads.geometry.to_numpy())
    reach = LEEWARD_H * belts["height_m"].to_numpy(dtype=float)
    pairs = tree.query(belts.geometry.to_numpy(), predicate="dwithin", distance=reach)
    found: NDArray[np.int64] = pairs.T[np.lexsort(pairs[::-1])]
    return found


def _by_direction(
    belt: pd.Series, road: shapely.Geometry, side: str, directions_deg: Sequence[float]
) -> dict[int, shapely.Geometry]:
    """Drift areas on one side that reach a road, by index of the direction."""
    found = {}
    for i, direction in enumerate(directions_deg):
        from_deg = direction if side == "leeward" else direction + 180.0
        reach = LEEWARD_H if side == "leeward" else WINDWARD_H
        area = drift_area(belt.geometry, belt["height_m"], from_deg, reach)
        if shapely.length(shapely.intersection(road, area)) >= LEAST_ROAD_M:
            found[i] = area
    return found
