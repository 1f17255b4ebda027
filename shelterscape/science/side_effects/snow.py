"""Ground on which belts drift snow, and the roads on it."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.grid import downwind
from shelterscape.science.side_effects.samples import pieces

LEEWARD_H = 35.0
"""Length of the drift leeward of a belt, along the wind, belt heights."""

WINDWARD_H = 15.0
"""Length of the drift windward of a belt, along the wind, belt heights."""

SNOW_SPEED_EXPONENT = 3.8
"""Transport of snow rises with this power of wind speed (Tabler 2003, status M)."""

LEAST_ROAD_M, LEAST_AREA_M2 = 1.0, 1e-6

DRIFT_COLUMNS = ("belt", "road", "length_m", "drift_wind_share", "direction_deg", "side")


def drift_area(
    belt: shapely.Geometry,
    height_m: float,
    direction_deg: float,
    *,
    sector_deg: float = 0.0,
    reach_h: float = LEEWARD_H,
) -> shapely.Geometry:
    """Ground on which a belt drifts snow with the wind from one sector.

    Parameters
    ----------
    belt : shapely geometry
        Line or area.
    height_m : float
        Belt height, m.
    direction_deg : float
        Where the wind comes from, degrees from grid north.
    sector_deg : float
        Width of the sector around the direction, degrees, below 180.
    reach_h : float
        Length of the drift along the wind, belt heights.

    Returns
    -------
    shapely geometry
        Ground passed by the belt when it is moved along all winds of the sector; empty for a belt
        along a single wind direction.

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
    steps = [downwind(direction_deg + turn * sector_deg) for turn in (-0.5, 0.0, 0.5)]
    fan = np.array([(0.0, 0.0), *((col, -row) for col, row in steps)]) * reach_h * height_m
    # All ends of a piece moved to all corners of the fan; their hull is the ground passed.
    ends = pieces(belt)[:, :, None] + fan
    hulls = shapely.convex_hull(shapely.multipoints(ends.reshape(len(ends), -1, 2)))
    return shapely.union_all(hulls[shapely.area(hulls) > LEAST_AREA_M2])


def drifts_on_roads(
    belts: gpd.GeoDataFrame,
    roads: gpd.GeoDataFrame,
    directions_deg: Sequence[float],
    sectors_deg: Sequence[float],
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
    sectors_deg : sequence of float
        Width of the sector of each direction, degrees.
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
            found = _by_direction(here, way.geometry, side, directions_deg, sectors_deg)
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
    belt: pd.Series,
    road: shapely.Geometry,
    side: str,
    directions_deg: Sequence[float],
    sectors_deg: Sequence[float],
) -> dict[int, shapely.Geometry]:
    """Drift areas on one side that reach a road, by index of the direction."""
    found = {}
    turn, reach = (0.0, LEEWARD_H) if side == "leeward" else (180.0, WINDWARD_H)
    for i, (direction, sector) in enumerate(zip(directions_deg, sectors_deg, strict=True)):
        area = drift_area(
            belt.geometry, belt["height_m"], direction + turn, sector_deg=sector, reach_h=reach
        )
        if shapely.length(shapely.intersection(road, area)) >= LEAST_ROAD_M:
            found[i] = area
    return found
