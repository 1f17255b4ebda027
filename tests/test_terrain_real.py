"""Exposure on open terrain models: error of shared lines of sight, and topex against measured wind.

The README of the data states their sources and licences; they are only read.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rasterio
from conftest import REAL_DATA
from ground_helpers import marched_apart

from shelterscape.files.terrain_models import read_terrain
from shelterscape.science.terrain import horizon_angle, topex, topex_class

pytestmark = pytest.mark.realdata

BARE = [
    "askervein/askervein_dem_25m.tif",
    "ebergotzen_25m/dem_25m.tif",
    "bretagne_lidar_2m5/dtm.tif",
]


@pytest.mark.parametrize("limit_m", [1000.0, None])
@pytest.mark.parametrize("file", BARE)
def test_horizon_of_bare_ground_against_an_independent_calculation(file, limit_m):
    """1 km is within the exact steps at 25 m cells, and beyond at 2.5 m except on diagonals."""
    elevation, grid, _ = read_terrain(str(REAL_DATA / file))
    draw = np.random.default_rng(5)
    rows, cols = (draw.integers(0, n, 3000) for n in grid.shape)
    for direction in (0.0, 22.5, 45.0, 73.0, 157.5, 210.0, 270.0, 300.0):
        ours = horizon_angle(elevation, grid, direction, limit_m=limit_m)[rows, cols]
        theirs = marched_apart(elevation, grid.cell_m, direction, limit_m, rows, cols)
        np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
        off = np.abs(ours - theirs)
        assert np.nanpercentile(off, 99) <= 0.5, direction
        if limit_m and grid.cell_m == 25:
            assert np.nanmax(off) < 2e-3, direction


@pytest.fixture(scope="module")
def masts():
    """Masts of the hill with measured speed-up, except the reference mast, and their cells.

    Taylor and Teunissen 1987, Boundary-Layer Meteorology 39:15-39 (measured; as stated in
    the README of the data).
    """
    table = pd.read_csv(REAL_DATA / "askervein" / "masts_lines_a_aa.csv")
    with rasterio.open(REAL_DATA / BARE[0]) as source:
        cols, rows = ~source.transform * (table["easting_m"], table["northing_m"])
    table["row"], table["col"] = np.floor(rows).astype(int), np.floor(cols).astype(int)
    return table[table["name"] != "RS"]


def test_signed_topex_correlates_with_measured_speed_up(masts):
    elevation, grid, _ = read_terrain(str(REAL_DATA / BARE[0]))
    assert len(masts) == 23
    at = masts["row"].to_numpy(), masts["col"].to_numpy()
    signed = topex(elevation, grid)[at]
    positive = topex(elevation, grid, signed=False)[at]
    pearson = np.corrcoef(signed, masts["speed_up"])[0, 1]
    assert pearson <= -0.7
    # Signed topex distinguishes hilltops; without negative angles all of them have 0.
    assert pearson < np.corrcoef(positive, masts["speed_up"])[0, 1] < 0


def test_a_hilltop_by_the_sea_is_the_most_exposed_class():
    elevation, grid, _ = read_terrain(str(REAL_DATA / BARE[0]))
    total = topex(elevation, grid, limit_m=None)
    top = np.unravel_index(np.nanargmax(elevation), elevation.shape)
    assert topex_class(total)[top] == 0
    assert len(np.unique(topex_class(total[1:-1, 1:-1]))) >= 3
