"""Open water in place of missing cells: seen from the land, without results of its own."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from run_helpers import CELL_M, CELLS, CRS, NORTH, WEST, checksums, project
from shapely import box

import shelterscape
from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.plan import read_plan
from shelterscape.process.area import Area
from shelterscape.process.inputs import validated
from shelterscape.processes.exposure.spec import ExposureInputs
from shelterscape.runs.prepare import prepare
from shelterscape.science.terrain.ground import held
from shelterscape.science.terrain.water import Water, areas_of, sea_suspected

GRID = Grid((CELLS, CELLS), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)
SHORE = 40
"""First column of the sea."""

PLAN = """
[inputs]
dem = "dem.tif"
winds = "90,200"
missing_ground = "sea"
water_level_m = 3

[[step]]
process = "exposure"
limit_m = 150
by_direction = true

[[step]]
process = "shelter"
belts = "belts.gpkg"
seasons = ["in-leaf"]
"""


def coast(folder, sea_m=np.nan):
    """The sample project with sea (missing, or at a level) east of a shore; a path."""
    path = project(folder)["dem"]
    with rasterio.open(path, "r+") as data:
        heights = data.read(1)
        heights[:, SHORE:] = sea_m
        data.write(heights, 1)
        data.nodata = np.nan
    return path


def rasters(result):
    """All rasters of a run by name, land first; missing cells NaN."""
    found = {}
    for name, path in result.rasters.items():
        with rasterio.open(path) as data:
            found[name] = data.read(masked=True).astype(float).filled(np.nan)
    return found


def test_land_sees_water_as_ground_at_its_level(tmp_path):
    """A model whose sea has the level as elevation gives the same values on land."""
    options = {"winds": "100", "limit_m": 150, "by_direction": True}
    sea = {"missing_ground": "sea", "water_level_m": 3}
    dem = coast(tmp_path / "a")
    missing = shelterscape.exposure(dem=dem, **options, **sea, out=tmp_path / "1")
    dem = coast(tmp_path / "b", 3.0)
    level = shelterscape.exposure(dem=dem, **options, out=tmp_path / "2")
    mine, theirs = rasters(missing), rasters(level)
    assert set(mine) == set(theirs) and len(mine) >= 7
    for name, values in mine.items():
        np.testing.assert_array_equal(values[..., :SHORE], theirs[name][..., :SHORE], err_msg=name)
        assert np.isnan(values[..., SHORE:]).all(), name
    assert "missing cells count as open water" in str(missing.notices)


@pytest.mark.slow
def test_options_for_missing_cells_change_nothing_without_missing_cells(tmp_path):
    """Nor do `shelter` and `siting` change by the other options that leave the ground as it is."""
    inputs = project(tmp_path / "in")
    line = shapely.LineString([(WEST + 150, NORTH - 200), (WEST + 150, NORTH - 400)])
    layer = {"lines": [line], "water": [box(WEST + 300, NORTH - 400, WEST + 500, NORTH)]}
    for name, shapes in layer.items():
        path = tmp_path / f"{name}.gpkg"
        gpd.GeoDataFrame({"water_level_m": [0.5]}, geometry=shapes, crs=CRS).to_file(path)
    drawn = {"candidate_lines": tmp_path / "lines.gpkg", "candidate_types": ("drawn",)}
    siting = {**drawn, "budget_m": 300, "planting_year": 2027, "monte_carlo_runs": 0}
    sea = {"missing_ground": "lake", "open_water": tmp_path / "water.gpkg"}
    for process, more in (("shelter", {}), ("siting", siting)):
        found = []
        for number, options in enumerate(({}, {**sea, "near_ground": "simple"})):
            out = tmp_path / f"{process}{number}"
            getattr(shelterscape, process)(**inputs, **more, **options, out=out)
            found.append(checksums(out))
        files = {n for n in found[0] if n.endswith((".tif", ".csv", ".gpkg", ".png"))}
        assert len(files) > 5 and set(found[0]) == set(found[1])
        assert [n for n in files if found[0][n] != found[1][n]] == []


@pytest.mark.slow
def test_a_part_of_a_map_by_the_sea_equals_the_whole(tmp_path):
    coast(tmp_path / "in")
    plan = tmp_path / "in" / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    whole = rasters(shelterscape.run_plan(plan, out=tmp_path / "whole"))
    steps = read_plan(plan).steps
    for step in steps:
        prepare(step, tmp_path / "shared")
    outline = box(WEST + 200, NORTH - 400, WEST + 500, NORTH - 100)
    area = Area("part", shapely.to_wkb(outline), 180.0, str(tmp_path / "shared"))
    part = rasters(shelterscape.runs.run(steps, tmp_path / "part", area=area))
    for name in ("horizon_deg", "terrain_wind_ratio", "topex_deg", "site_wind_ratio"):
        np.testing.assert_array_equal(part[name], whole[name][..., 10:40, 20:50], err_msg=name)
        assert np.isfinite(part[name]).any() and np.isnan(part[name][..., -1]).all()


def test_only_missing_cells_inside_areas_of_open_water_are_filled():
    ground = np.full(GRID.shape, 20.0, np.float32)
    ground[10:30, 10:50] = np.nan
    west, east = (box(WEST + left, NORTH - 400, WEST + left + 200, NORTH) for left in (0.0, 200.0))
    frame = gpd.GeoDataFrame({"water_level_m": [12.0, np.nan]}, geometry=[west, east], crs=CRS)
    found = Water(areas_of(frame, 15.0, "lakes"), None).filled(ground, GRID)
    assert (found[10:30, 10:20] == 12).all() and (found[10:30, 20:40] == 15).all()
    assert np.isnan(found[10:30, 40:50]).all()
    assert (found[:10] == 20).all() and np.isnan(ground[10:30, 10:50]).all()
    window = Water(areas_of(frame, 15.0, "lakes"), None).filled(
        ground[5:25, 15:45], GRID.window(5, 15, (20, 30))
    )
    np.testing.assert_array_equal(window, found[5:25, 15:45])


def test_a_lake_needs_a_level_and_a_level_needs_water():
    frame = gpd.GeoDataFrame({"water_level_m": [np.nan]}, geometry=[box(0, 0, 1, 1)], crs=CRS)
    with pytest.raises(InputError) as caught:
        areas_of(frame, None, "lakes")
    assert caught.value.code == "water-level-missing" and "--water-level-m" in caught.value.hint
    for given in ({"missing_ground": "lake"}, {"water_level_m": 2.0}, {"open_water": "a.gpkg"}):
        with pytest.raises(InputError) as caught:
            validated(ExposureInputs, {"dem": "dem.tif", "winds": "90", **given}, "exposure")
        assert caught.value.code == "input-refused" and caught.value.hint


@pytest.mark.parametrize(("shore_m", "columns", "count"), [(4.0, 50, 500), (6.0, 50, 0)])
def test_missing_cells_beside_low_land_may_be_sea(shore_m, columns, count):
    ground = np.full((50, 60), 30.0, np.float32)
    ground[:, columns - 1] = shore_m
    ground[:, columns:] = np.nan
    ground[10:20, 10:20] = np.nan  # a gap inland is no sea
    for cell_m in (10.0, 30.0):  # blocks of two cells, and of one
        grid = Grid(ground.shape, Affine(cell_m, 0, WEST, 0, -cell_m, NORTH), CRS)
        found = sea_suspected(held(ground, grid))
        assert [notice.count for notice in found] == [count] * bool(count)
