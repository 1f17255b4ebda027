"""Invented canopy height of the Ostrel valley, as a survey from the air would give it.

Usage: python sample_gis/sample_canopy.py

Rewrites canopy.tif from ostrel.gpkg; every run gives the same bytes. Hedges, tree belts and woods
consist of crowns of random place, size and height, some of them missing. Single trees, bushes
and farm buildings are there too. Walls and fences are not, since they are no canopy.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from rasterio.features import geometry_mask
from rasterio.transform import from_origin
from sample_ground import EPSG, NORTH, WEST

HERE = Path(__file__).resolve().parent
SEED = 20260501
CELL = 2.5
SIDE = 3200
STEP_M = 0.1
CROWN_SHARE_MISSING = 0.06
TREES, TREE_M = 160, (5.0, 14.0)
ROOF_M = 5.5
BUSHES, BUSH_M = 900, (0.5, 2.5)


def crowns_of(area: shapely.Geometry, radius: float, rng: np.random.Generator) -> np.ndarray:
    """Middles of crowns in an area: one in the area of each crown, displaced at random."""
    step = radius * 1.2
    west, south, east, north = area.bounds
    x, y = np.meshgrid(np.arange(west, east + step, step), np.arange(south, north + step, step))
    at = np.stack([x.ravel(), y.ravel()], axis=1)
    at += rng.uniform(-0.4, 0.4, at.shape) * step
    # Crowns stay within the width of a belt, as it is surveyed.
    inner = shapely.buffer(area, -0.75 * radius)
    at = at[shapely.contains_xy(inner, at[:, 0], at[:, 1])]
    return at[rng.random(len(at)) >= CROWN_SHARE_MISSING]


def crown(canopy: np.ndarray, at: np.ndarray, radius: float, height: float) -> None:
    """Add a crown: a dome, at least three quarters as high at its edge as in its middle."""
    col, row = (at[0] - WEST) / CELL - 0.5, (NORTH - at[1]) / CELL - 0.5
    reach = radius / CELL
    top, left = (max(0, int(np.ceil(v - reach))) for v in (row, col))
    part = canopy[top : int(row + reach) + 1, left : int(col + reach) + 1]
    r, c = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
    away = ((r - row) ** 2 + (c - col) ** 2) / reach**2
    np.maximum(part, np.where(away <= 1, height * (1 - 0.25 * away), 0), out=part)


def grow(
    canopy: np.ndarray,
    area: shapely.Geometry,
    height: float,
    radius: float,
    rng: np.random.Generator,
) -> None:
    """Fill an area with crowns of about a height."""
    for at in crowns_of(area, radius, rng):
        # A crown smaller than a cell still gives its cell a height.
        size = max(radius * rng.uniform(0.8, 1.2), 0.75 * CELL)
        crown(canopy, at, size, height * rng.uniform(0.8, 1.02))


def roofs(canopy: np.ndarray, areas: np.ndarray) -> None:
    """Flat roofs of buildings."""
    affine = from_origin(WEST, NORTH, CELL, CELL)
    canopy[geometry_mask(areas, canopy.shape, affine, invert=True)] = ROOF_M


def build(rng: np.random.Generator) -> np.ndarray:
    """Canopy height of the valley, m."""
    belts, woods, farms = (
        gpd.read_file(HERE / "ostrel.gpkg", layer=name) for name in ("belts", "woods", "farmsteads")
    )
    canopy = np.zeros((SIDE, SIDE), dtype=np.float32)
    for belt in belts[~belts["belt_type"].isin(["wall", "fence"])].itertuples():
        strip = shapely.buffer(belt.geometry, belt.width_m / 2, cap_style="flat")
        grow(canopy, strip, belt.height_m, min(0.25 * belt.height_m, belt.width_m / 4), rng)
    for wood in woods.itertuples():
        grow(canopy, wood.geometry, wood.height_m, 3.5, rng)
    corner = np.array([WEST, NORTH - SIDE * CELL])
    for count, heights in ((TREES, TREE_M), (BUSHES, BUSH_M)):
        for at in corner + rng.uniform(0, SIDE * CELL, (count, 2)):
            height = rng.uniform(*heights)
            crown(canopy, at, max(0.3 * height, 0.75 * CELL), height)
    roofs(canopy, farms.geometry.to_numpy())
    return canopy


def main() -> None:
    """Write canopy.tif, in steps of 0.1 m."""
    canopy = build(np.random.default_rng(SEED))
    profile = {
        "driver": "GTiff",
        "width": SIDE,
        "height": SIDE,
        "count": 1,
        "dtype": "uint8",
        "crs": f"EPSG:{EPSG}",
        "transform": from_origin(WEST, NORTH, CELL, CELL),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "zlevel": 9,
    }
    with rasterio.open(HERE / "canopy.tif", "w", **profile) as target:
        target.write(np.round(canopy / STEP_M).astype(np.uint8), 1)
        target.scales = (STEP_M,)
        target.set_band_description(1, "canopy height above ground, m")
        target.update_tags(TITLE="Ostrel valley, invented canopy")


if __name__ == "__main__":
    main()
