"""A large map in tiles: mosaics equal the rasters of one run, with constant memory."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.windows import Window
from run_helpers import CRS, NORTH, WEST

import shelterscape
from shelterscape.batch import run_batch
from shelterscape.grid import Grid
from shelterscape.plan import read_plan
from shelterscape.process.area import Area
from shelterscape.runs.prepare import prepare
from shelterscape.science.terrain import wind_over_terrain

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from watch import Watched, watch

pytestmark = pytest.mark.slow

CELL_M = 5.0
PLAN = """
[inputs]
dem = "dem.tif"
winds = "{winds}"
"""
EXPOSURE = """
[[step]]
process = "exposure"
limit_m = 150
by_direction = true
"""
SHELTER = """
[[step]]
process = "shelter"
belts = "belts.gpkg"
seasons = ["in-leaf"]
"""


def seeded_map(folder: Path, shape: tuple[int, int], steps: str, winds: str, belts: int) -> Path:
    """Write hills with a gap, and belts 3 m high; return the path of a plan."""
    folder.mkdir(parents=True, exist_ok=True)
    seed = np.random.default_rng(3)
    rows, cols = shape
    profile = {"driver": "GTiff", "height": rows, "width": cols, "count": 1, "dtype": "float32"}
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    along = np.arange(cols)
    with rasterio.open(
        folder / "dem.tif", "w", crs=CRS, transform=affine, nodata=-9999.0, tiled=True, **profile
    ) as data:
        for row in range(0, rows, 512):
            down = np.arange(row, min(row + 512, rows))
            heights = 200 + 20 * np.sin(down / 40)[:, None] * np.cos(along / 30)
            heights = heights + seed.normal(0, 0.05, heights.shape)
            heights[(down[:, None] % 700 > 660) & (along % 900 > 870)] = -9999.0
            data.write(heights.astype("f4"), 1, window=Window(0, row, cols, len(down)))
    first = seed.uniform(0.1, 0.9, (belts, 2)) * [cols * CELL_M, -rows * CELL_M] + [WEST, NORTH]
    turn = seed.uniform(0, np.pi, belts)
    ends = first + 100 * np.column_stack([np.cos(turn), np.sin(turn)])
    lines = [shapely.LineString(pair) for pair in zip(first, ends, strict=True)]
    frame = gpd.GeoDataFrame({"height_m": 3.0}, index=range(belts), geometry=lines, crs=CRS)
    frame.to_file(folder / "belts.gpkg", layer="belts", driver="GPKG")
    (folder / "plan.toml").write_text(PLAN.format(winds=winds) + steps, encoding="utf-8")
    return folder / "plan.toml"


def test_mosaics_equal_the_rasters_of_one_run(tmp_path):
    """Every raster of exposure and shelter, with terrain wind and gaps."""
    plan = seeded_map(tmp_path / "in", (330, 250), EXPOSURE + SHELTER, "210,300", belts=8)
    whole = shelterscape.run_plan(plan, out=tmp_path / "whole")
    tiled = run_batch(plan, tmp_path / "tiles", tiles=130)
    assert tiled.exit_code == 0 and len(tiled.states) == 6
    assert len(whole.rasters) >= 9
    for name, path in whole.rasters.items():
        with (
            rasterio.open(path) as one,
            rasterio.open(tiled.combined / "rasters" / path.name) as other,
        ):
            assert one.descriptions == other.descriptions and one.transform == other.transform
            assert np.array_equal(one.read(), other.read()), name


def test_terrain_wind_in_strips_equals_that_of_one_run(tmp_path, monkeypatch):
    """Terrain wind of large maps is calculated in tiles, in a single run as in a batch."""
    monkeypatch.setattr(wind_over_terrain, "WHOLE_CELLS", 200)
    monkeypatch.setattr(wind_over_terrain, "TILE_CELLS", 120)
    plan = seeded_map(tmp_path / "in", (330, 250), EXPOSURE, "210,300", belts=8)
    whole = shelterscape.run_plan(plan, out=tmp_path / "whole")
    (step,) = read_plan(plan).steps
    prepare(step, tmp_path / "shared")
    window = (slice(100, 230), slice(60, 200))
    west, north = WEST + 60 * CELL_M, NORTH - 100 * CELL_M
    box = shapely.box(west, north - 130 * CELL_M, west + 140 * CELL_M, north)
    area = Area("part", shapely.to_wkb(box), 160.0, str(tmp_path / "shared"))
    part = shelterscape.runs.run([step], tmp_path / "part", area=area)
    for name in ("terrain_wind_ratio", "terrain_wind_modelled", "horizon_deg"):
        with rasterio.open(whole.rasters[name]) as one, rasterio.open(part.rasters[name]) as two:
            assert np.array_equal(one.read()[:, *window], two.read()), name


def test_roughness_of_a_window_equals_that_of_the_whole(tmp_path):
    """Areas and belts have the same cells on a piece as on the whole map."""
    from shelterscape.science.terrain.roughness import completed, from_areas

    grid = Grid((330, 250), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)
    seed = np.random.default_rng(5)
    corners = seed.uniform(0, 1000, (40, 2))
    boxes = [shapely.box(WEST + x, NORTH - y - 160, WEST + x + 230, NORTH - y) for x, y in corners]
    areas = gpd.GeoDataFrame({"roughness_m": seed.uniform(0.01, 1, 40)}, geometry=boxes, crs=CRS)
    lines = [
        shapely.LineString([(WEST + 30, NORTH - y), (WEST + 900, NORTH - y - 300)])
        for y in corners[:9, 1]
    ]
    belts = gpd.GeoDataFrame({"width_m": 12.0}, index=range(9), geometry=lines, crs=CRS)

    def on(part: Grid) -> np.ndarray:
        lengths = from_areas(areas, part, None, "cover")
        return completed(lengths, 0.03, belts, part, height_m=10.0, where="cover")[0]

    whole = on(grid)
    assert len(np.unique(whole)) > 20
    for row, col, shape in ((0, 0, (40, 50)), (100, 60, (130, 140)), (200, 200, (130, 50))):
        part = on(grid.window(row, col, shape))
        assert np.array_equal(part, whole[row : row + shape[0], col : col + shape[1]])


def in_tiles(folder: Path, side: int, steps: str, *more: str) -> Watched:
    """Run a plan over a map in tiles of 2048 cells, in a separate process with one worker."""
    plan = seeded_map(folder / f"in-{side}", (side, side), steps, "270", belts=side // 10)
    command = [sys.executable, "-m", "shelterscape", "batch", str(plan), "--json"]
    command += ["--tiles", "2048", "--workers", "1", "--out", str(folder / f"out-{side}"), *more]
    found = watch(command, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)})
    assert found.exit_code == 0, found.events[-1]
    return found


MIDDLE = ("--only", "row 0 column 0", "--only", "row 2048 column 2048")


@pytest.mark.parametrize(
    ("steps", "more"), [(SHELTER, ()), (EXPOSURE, MIDDLE)], ids=["shelter", "exposure"]
)
def test_memory_does_not_depend_on_the_size_of_the_map(tmp_path, steps, more):
    """16 million cells against 64 million: the stage for the whole map, tiles and mosaics."""
    small, large = (in_tiles(tmp_path, side, steps, *more) for side in (4096, 8192))
    assert large.most_mib < 1.15 * small.most_mib
    assert large.own_mib < 1.15 * small.own_mib + 50
