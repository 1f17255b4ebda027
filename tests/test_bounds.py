"""Kernels with every index checked, on belts of unusual shapes."""

from __future__ import annotations

import pytest
from run_helpers import child, environment

AWKWARD = """
import geopandas as gpd, numpy as np, shapely
from affine import Affine
from shelterscape.grid import Grid
from shelterscape.science.belts import complete, belts_in_season
from shelterscape.science.places import complete as places_of, coverage, means
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts
from shelterscape.science.shelter import one_direction
from shelterscape.science.terrain import horizon_angle, speed_up

grid = Grid((61, 47), Affine(10, 0, 0, 0, -10, 610))
lines = {
    "huge": [(-1e7, 300), (1e7, 305)],
    "tiny": [(200, 300), (200, 300.0001)],
    "upright": [(235, -50), (235, 900)],
    "level": [(-50, 305), (900, 305)],
    "on a corner": [(0, 0), (470, 610)],
    "folded": [(100, 100), (300, 100), (100, 100)],
    "far off": [(9e6, 9e6), (9e6 + 100, 9e6)],
    "crossing itself": [(100, 500), (300, 400), (100, 400), (300, 500)],
    "ring": [(50, 50), (90, 50), (90, 90), (50, 90), (50, 50)],
    "close": [(100, 210), (400, 214)], "closer": [(100, 222), (400, 226)],
}
shapes = [shapely.LineString(line) for line in lines.values()]
shapes += [shapely.box(300, 300, 420, 520), shapely.box(-1e5, -1e5, 1e5, 1e5)]
frame = gpd.GeoDataFrame(geometry=shapes, crs="EPSG:25832")
frame["height_m"] = np.linspace(0.3, 60, len(frame))
belts, _ = complete(frame, "belts")
for options in (
    ShelterOptions(), ShelterOptions(combine="product"),
    ShelterOptions(ends=False, spread_deg=0.0), ShelterOptions("handbook"),
):
    for direction in (0.0, 45.0, 90.0, 180.0, 233.7, 270.0, 359.99):
        for part in (grid, grid.window(60, 46, (1, 1)), grid.window(7, 3, (16, 31))):
            for seasons in (("in-leaf",), ("in-leaf", "bare")):
                ready = prepare_belts([belts_in_season(belts, s) for s in seasons], part, options)
                field = one_direction(ready, part, direction, 22.5)
                assert np.isfinite(field).all()
                assert 0 <= field.min() and field.max() <= 1.25
ground = np.random.default_rng(2).normal(0, 9, grid.shape).astype(np.float32)
ground[9:13, 4:8] = np.nan
for limit in (15.0, 300.0, 5000.0):
    for direction in (0.0, 45.0, 100.0, 233.7):
        assert np.nanmax(np.abs(horizon_angle(ground, grid, direction, limit_m=limit))) <= 90
for tile in (16, 25, 60, None):
    speed_up(ground, grid, 210.0, tile_cells=tile)
where = places_of(frame.drop(columns="height_m").iloc[-2:], "places")[0]
means(ground, coverage(where, grid))
print("within bounds")
"""


@pytest.mark.slow
def test_no_kernel_reads_or_writes_out_of_bounds(tmp_path):
    # Compiled into a separate folder: the usual code has no checks.
    settings = environment(NUMBA_BOUNDSCHECK="1", NUMBA_CACHE_DIR=str(tmp_path))
    done = child(AWKWARD, env=settings, timeout=900)
    assert done.stdout.strip() == "within bounds", done.stderr[-2000:]
