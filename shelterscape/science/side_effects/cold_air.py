"""Cold air that belts hold back on slopes."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.science.not_modelled import gradient
from shelterscape.science.side_effects.samples import pieces, values_at

Array = NDArray[np.float64]

LEAST_SLOPE = 0.02
"""Slope below which cold air does not flow to one side, m/m (assumed)."""

ACROSS_DEG = 45.0
"""Largest angle between a belt and the contour at which it counts as across the slope (assumed)."""

DENSE = 0.4
"""Porosity up to which a belt holds back cold air (assumed)."""

FARTHEST_M = 100.0
"""Longest pool uphill of a belt, m (assumed)."""

LEAST_ACROSS_M = 10.0
"""Shortest length of belt across the slope that is reported, m (assumed)."""

POOL_COLUMNS = ("belt", "length_across_m", "pool_depth_m", "area_ha", "opening_x", "opening_y")


def cold_air_pools(
    belts: gpd.GeoDataFrame,
    elevation: NDArray[np.float32],
    grid: Grid,
    depth_m: float,
) -> gpd.GeoDataFrame:
    """Ground uphill of dense belts on which cold air collects, and the lowest point of each belt.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_new_belts` returns them.
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    depth_m : float
        Depth of the cold air held back, at most the height of the belt, m.

    Returns
    -------
    GeoDataFrame
        `POOL_COLUMNS`: length of belt across the slope; coordinates of the lowest point of that
        part, where an opening or an open base lets the air drain; and the pool as geometry.

    Notes
    -----
    The pool is level: it extends uphill until the ground is as high as the cold air at the belt,
    depth divided by slope, at most `FARTHEST_M`.

    References
    ----------
    Frost pockets form uphill of dense obstacles across a slope: common advice, its text seen but
    no title recorded; an opening at the lowest point: not verified against a source. Depth, slope
    and angle: assumed values.
    """
    slopes = gradient(elevation, grid)
    rows = []
    for belt in belts[belts["porosity"] <= DENSE].itertuples():
        depth = min(depth_m, belt.height_m)
        pool = _pool(belt.geometry, depth, slopes, elevation, grid)
        if pool is not None:
            rows.append((belt.name, pool[0], depth, pool[2].area / 1e4, *pool[1], pool[2]))
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=[*POOL_COLUMNS, "geometry"]), crs=belts.crs)


def _pool(
    belt: shapely.Geometry,
    depth_m: float,
    slopes: NDArray[np.float32],
    elevation: NDArray[np.float32],
    grid: Grid,
) -> tuple[float, Array, shapely.Geometry] | None:
    """Length across the slope, lowest point and pool of one belt; None without any."""
    start, end = pieces(belt, grid.cell_m).swapaxes(0, 1)
    middle, along = (start + end) / 2, end - start
    length = np.hypot(*along.T)
    # Uphill, in x and y: rows count to the south.
    uphill = np.stack([values_at(middle, slopes[1], grid), -values_at(middle, slopes[0], grid)])
    slope = np.hypot(*uphill)
    with np.errstate(invalid="ignore", divide="ignore"):
        between = np.abs(along[:, 0] * uphill[0] + along[:, 1] * uphill[1]) / (length * slope)
        across = (slope >= LEAST_SLOPE) & (between <= np.sin(np.radians(ACROSS_DEG)))
        step = uphill / slope * np.minimum(depth_m / slope, FARTHEST_M)
    if length[across].sum() < LEAST_ACROSS_M:
        return None
    far = step.T[across]
    ring = np.stack([start[across], end[across], end[across] + far, start[across] + far], axis=1)
    ground = values_at(middle[across], elevation, grid)
    lowest = middle[across][int(np.nanargmin(ground))]
    # Pieces differ in direction where the slope does: a small buffer closes the gaps.
    pool = shapely.buffer(shapely.union_all(shapely.buffer(shapely.polygons(ring), 0.5)), -0.5)
    return float(length[across].sum()), lowest, pool
