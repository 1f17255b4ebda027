"""Small calls that compile the kernels of the main jobs, so that the first run need not."""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import shapely
from affine import Affine

from shelterscape.grid import Grid
from shelterscape.science.belts import complete, seasonal
from shelterscape.science.places import coverage, means
from shelterscape.science.rays import lay_apart, rays_of
from shelterscape.science.scene import How, scene_of
from shelterscape.science.shelter import one_direction
from shelterscape.science.terrain.horizon import horizon_angle
from shelterscape.science.terrain.open_wind import speed_up

SIDE, CELL_M = 96, 5.0
CRS = "EPSG:25832"


def _grid() -> Grid:
    return Grid((SIDE, SIDE), Affine(CELL_M, 0, 4e5, 0, -CELL_M, 6e6), CRS)


def compile_belts() -> None:
    """Kernels that take belts, and sums over places, to cells."""
    lines = [
        shapely.LineString([(4e5 + 100, 6e6 - y), (4e5 + 300, 6e6 - y - 20)]) for y in (90, 110)
    ]
    frame = gpd.GeoDataFrame({"height_m": [8.0, 9.0]}, geometry=lines, crs=CRS)
    belts, _ = complete(frame, "belts")
    scene = scene_of([seasonal(belts, "in-leaf")], _grid(), How())
    field = one_direction(scene, _grid(), 10.0)
    wind = np.empty((1, SIDE, SIDE), np.float32)
    lay_apart(rays_of(scene, np.array([10.0])), _grid(), "smallest", wind)
    place = gpd.GeoDataFrame(
        geometry=[shapely.box(4e5 + 50, 6e6 - 300, 4e5 + 300, 6e6 - 50)], crs=CRS
    )
    means(field[0], coverage(place, _grid()))


def compile_terrain() -> None:
    """Kernels of horizons near and far, and of the wind over terrain."""
    row, col = np.mgrid[:SIDE, :SIDE]
    elevation = (20 * np.sin(row / 15) * np.cos(col / 20)).astype(np.float32)
    for limit_m in (100.0, None):
        horizon_angle(elevation, _grid(), 10.0, limit_m=limit_m)
    speed_up(elevation, _grid(), 10.0)


JOBS: dict[str, Callable[[], None]] = {"belts": compile_belts, "terrain": compile_terrain}
"""What can be compiled side by side, by name."""


def compile_kernels(name: str) -> str:
    """Do one of `JOBS`.

    Parameters
    ----------
    name : str
        Key of `JOBS`.

    Returns
    -------
    str
        The same name.
    """
    JOBS[name]()
    return name
