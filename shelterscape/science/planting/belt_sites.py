"""The ground of each planned belt, as far as layers show it: wet, salt, peat, drains, exposure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.science.planting.design import BeltDesign
from shelterscape.science.side_effects.samples import pieces, values_at
from shelterscape.science.terrain import TOPEX_BOUNDS, speed_up, topex, topex_class

WIND_HEIGHT_M = 10.0
"""Height of the terrain wind above ground, m."""

EXPOSED_CLASSES = 2
"""Number of the most exposed topex classes that count as exposed (assumed)."""

EXPOSURE_COLUMNS = ("topex_deg", "topex_class", "terrain_wind_ms")
SITE_COLUMNS = (
    "belt",
    "wet",
    "salt",
    "deep_peat",
    "drain_distance_m",
    "height_limit_m",
    *EXPOSURE_COLUMNS,
    "deer",
)


@dataclass(frozen=True)
class SiteLayers:
    """Layers that show where ground is special; None where a layer is not given.

    Parameters
    ----------
    wet, salt, deep_peat : (n,) array of geometries or None
        Wet ground; ground that salt spray reaches; deep peat.
    drains : (n,) array of geometries or None
        Drains and pipes.
    height_limits : (n,) array of geometries or None
        Ground on which a height is limited, as under power lines.
    height_limit_m : (n,) float64
        Limit of each of those, m, as their operator states it; NaN where unknown.
    """

    wet: NDArray[np.object_] | None = None
    salt: NDArray[np.object_] | None = None
    deep_peat: NDArray[np.object_] | None = None
    drains: NDArray[np.object_] | None = None
    height_limits: NDArray[np.object_] | None = None
    height_limit_m: NDArray[np.float64] | None = None


def belt_sites(
    belts: gpd.GeoDataFrame,
    designs: Mapping[str, BeltDesign],
    layers: SiteLayers,
    exposure: pd.DataFrame,
) -> pd.DataFrame:
    """Ground of each belt.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines with ``belt`` and ``design``.
    designs : dict of BeltDesign
        Width and browsers.
    layers : SiteLayers
    exposure : DataFrame
        As `belt_exposure` returns it.

    Returns
    -------
    DataFrame
        `SITE_COLUMNS`. None where the layer is not given; ``drain_distance_m`` from the outer row
        and ``height_limit_m``: m, infinite where the layer has none near; the limit is NaN where
        the layer states none. ``deer`` is None where the design names no browsers.
    """
    half = np.array([designs[name].planted_width_m / 2.0 for name in belts["design"]])
    strips = shapely.buffer(belts.geometry.to_numpy(), half)
    browsers = [designs[name].browsers for name in belts["design"]]
    found = pd.DataFrame(
        {
            "belt": belts["belt"].to_numpy(),
            "wet": _touched(strips, layers.wet),
            "salt": _touched(strips, layers.salt),
            "deep_peat": _touched(strips, layers.deep_peat),
            "drain_distance_m": _distances(strips, layers.drains),
            "height_limit_m": _limits(strips, layers),
            "deer": [any("deer" in b for b in some) if some else None for some in browsers],
        },
        dtype=object,
    )
    return found.join(exposure.reset_index(drop=True))[list(SITE_COLUMNS)]


def _touched(strips: NDArray[np.object_], shapes: NDArray[np.object_] | None) -> list[bool | None]:
    if shapes is None:
        return [None] * len(strips)
    at = shapely.STRtree(shapes).query(strips, predicate="intersects")[0]
    found = np.zeros(len(strips), dtype=bool)
    found[at] = True
    return list(found.tolist())


def _distances(
    strips: NDArray[np.object_], shapes: NDArray[np.object_] | None
) -> list[float | None]:
    if shapes is None:
        return [None] * len(strips)
    found = np.full(len(strips), np.inf)
    at, metres = shapely.STRtree(shapes).query_nearest(
        strips, return_distance=True, all_matches=False
    )
    found[at[0]] = metres
    return list(found)


def _limits(strips: NDArray[np.object_], layers: SiteLayers) -> list[float | None]:
    """Lowest limit on each belt; NaN where one of them is unknown."""
    if layers.height_limits is None or layers.height_limit_m is None:
        return [None] * len(strips)
    found = np.full(len(strips), np.inf)
    at, limit = shapely.STRtree(layers.height_limits).query(strips, predicate="intersects")
    with np.errstate(invalid="ignore"):  # an unknown limit stays unknown
        np.minimum.at(found, at, layers.height_limit_m[limit])
    return list(found)


def belt_exposure(
    belts: gpd.GeoDataFrame,
    elevation: NDArray[np.float32],
    grid: Grid,
    wind_from_deg: float,
    mean_speed_ms: float,
) -> pd.DataFrame:
    """Topex and terrain wind at the most exposed place of each belt.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines.
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    wind_from_deg : float
        Direction of the damaging wind, degrees from grid north.
    mean_speed_ms : float
        Mean wind speed over flat, open terrain, m/s; NaN where unknown.

    Returns
    -------
    DataFrame
        ``topex_deg``: lowest topex to the edge of the map, degrees; ``topex_class``: 1 for the most
        exposed; ``terrain_wind_ms``: highest terrain wind 10 m above ground, m/s. NaN where
        unknown.
    """
    if belts.empty:  # topex of a large map takes long
        return pd.DataFrame(columns=list(EXPOSURE_COLUMNS), dtype=float)
    seen = topex(elevation, grid, limit_m=None, signed=False)
    wind = speed_up(elevation, grid, wind_from_deg, height_m=WIND_HEIGHT_M)
    ratio = np.where(wind.valid, 1.0 + wind.speed_up, np.nan).astype(np.float32)
    lowest, fastest = np.full((2, len(belts)), np.nan)
    for i, line in enumerate(belts.geometry):
        middle = pieces(line, grid.cell_m).mean(axis=1)
        lowest[i] = np.fmin.reduce(values_at(middle, seen, grid))
        fastest[i] = np.fmax.reduce(values_at(middle, ratio, grid))
    number = topex_class(lowest, TOPEX_BOUNDS) + 1.0
    return pd.DataFrame(
        {
            "topex_deg": lowest,
            "topex_class": np.where(np.isnan(lowest), np.nan, number),
            "terrain_wind_ms": fastest * mean_speed_ms,
        }
    )
