"""Askervein hill: measured and calculated wind, for tests and for docs/askervein.md.

The data are in a folder beside the project and are only read. Terrain: Zenodo record 4095052,
CC BY 4.0 as stated by a mirror. Wind: Taylor and Teunissen 1987, Boundary-Layer Meteorology
39:15-39.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from scipy import ndimage

from shelterscape.grid import Grid
from shelterscape.science.terrain import TerrainWind, speed_up

FOLDER = Path(__file__).resolve().parents[2] / "shared" / "data" / "askervein"

WIND_FROM = 210.0
"""Degrees from grid north: by the coordinates of masts, line A bears 43.1 degrees."""
ROUGHNESS_M = 0.03
HEIGHT_M = 10.0

UPWIND = (
    *("ASW85", "ASW50", "ASW35", "ASW20", "ASW10"),
    *("AASW70", "AASW60", "AASW50", "AASW40", "AASW30", "AASW20", "AASW10"),
)
"""Masts upwind of the crest, on both lines."""
CREST = ("HT", "CP_mf", "CP_t", "AANE10")
"""Masts on the crest; CP has two sets of instruments, AANE10 is just past the top."""
LEE = ("ANE10", "ANE20", "ANE40", "AANE20", "AANE30", "AANE40", "AANE60")
"""Masts in the lee."""


@dataclass(frozen=True)
class Mast:
    """A mast and its measured speed-up, with the stated scatter."""

    x: float
    y: float
    speed_up: float
    scatter: float


def masts() -> dict[str, Mast]:
    """All masts by name; RS is the reference mast on flat ground upwind."""
    with (FOLDER / "masts_lines_a_aa.csv").open(encoding="utf-8", newline="") as stream:
        return {
            row["name"]: Mast(
                float(row["easting_m"]),
                float(row["northing_m"]),
                float(row["speed_up"]),
                max(float(row["minus"] or 0), float(row["plus"] or 0)),
            )
            for row in csv.DictReader(stream)
        }


def ground() -> tuple[np.ndarray, Grid]:
    """The terrain, 10 km square, cells of 25 m."""
    with rasterio.open(FOLDER / "askervein_dem_25m.tif") as source:
        return source.read(1), Grid(source.shape, source.transform, source.crs.to_wkt())


def coarser(elevation: np.ndarray, grid: Grid, times: int) -> tuple[np.ndarray, Grid]:
    """Terrain averaged over square blocks of cells."""
    rows, cols = (n // times for n in elevation.shape)
    means = elevation.reshape(rows, times, cols, times).mean(axis=(1, 3))
    return means, Grid((rows, cols), grid.affine * Affine.scale(times), grid.crs)


def read(values: np.ndarray, grid: Grid, mast: Mast) -> float:
    """Value of a map at a mast, by cubic spline between cell centres."""
    col, row = ~grid.affine * (mast.x, mast.y)
    return float(ndimage.map_coordinates(values, [[row - 0.5], [col - 0.5]], order=3)[0])


def flagged(wind: TerrainWind, grid: Grid, mast: Mast) -> bool:
    """Whether the cell of a mast is marked as not valid."""
    col, row = ~grid.affine * (mast.x, mast.y)
    return not wind.valid[int(row), int(col)]


def relative(wind: TerrainWind, grid: Grid) -> dict[str, float]:
    """Speed-up at every mast relative to the reference mast, as the measured ones are."""
    speed = 1.0 + wind.speed_up
    all_masts = masts()
    plain = read(speed, grid, all_masts["RS"])
    return {name: read(speed, grid, mast) / plain - 1.0 for name, mast in all_masts.items()}


def ours(
    elevation: np.ndarray | None = None, grid: Grid | None = None, **options: Any
) -> tuple[TerrainWind, dict[str, float]]:
    """Terrain wind from roughness and height only, and its speed-up at the masts."""
    if elevation is None or grid is None:
        elevation, grid = ground()
    wind = speed_up(
        elevation, grid, WIND_FROM, **{"height_m": HEIGHT_M, "roughness_m": ROUGHNESS_M, **options}
    )
    return wind, relative(wind, grid)


def rmse(found: dict[str, float], names: tuple[str, ...] = (*UPWIND, *CREST)) -> float:
    """Root mean squared difference from the measured speed-up."""
    measured = masts()
    return float(np.sqrt(np.mean([(found[n] - measured[n].speed_up) ** 2 for n in names])))


def near_hill(grid: Grid) -> tuple[slice, slice]:
    """The 2 km square around the hilltop."""
    top = masts()["HT"]
    col, row = ~grid.affine * (top.x, top.y)
    half = 1000 / grid.cell_m
    return slice(round(row - half), round(row + half)), slice(round(col - half), round(col + half))
