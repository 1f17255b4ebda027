"""The land around a map: horizons and terrain wind see it, and no step is left at the seam."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import Transformer
from rasterio.warp import Resampling, reproject
from run_helpers import CRS, NORTH, WEST, project

import shelterscape
from shelterscape.errors import InputError
from shelterscape.files.terrain_models import read_terrain
from shelterscape.grid import Grid
from shelterscape.plan import read_plan
from shelterscape.process.area import Area
from shelterscape.runs.prepare import prepare
from shelterscape.science.terrain import horizon_angle, speed_ups, view_complete
from shelterscape.science.terrain.ground import held
from shelterscape.science.terrain.land_around import joined
from shelterscape.science.terrain.surroundings import WIDTH_M, blocks_around

REAL = Path(__file__).resolve().parents[2] / "shared" / "data"
SIDE, FROM, TO = 260, 90, 170
"""Cells of 25 m: a map of 2 km in terrain of 6.5 km."""

WHOLE = Grid((SIDE, SIDE), Affine(25, 0, WEST, 0, -25, NORTH), CRS)
CUT = np.s_[FROM:TO, FROM:TO]
MAP = Grid((TO - FROM, TO - FROM), WHOLE.affine * Affine.translation(FROM, FROM), CRS)


def on_blocks(heights, grid, of, resampling=Resampling.bilinear):
    """Another model on the blocks around a map."""
    blocks = blocks_around(of, WIDTH_M)
    out = np.full(blocks.shape, np.nan, np.float32)
    reproject(
        heights, out, src_transform=grid.affine, src_crs=grid.crs.to_wkt(), src_nodata=np.nan,
        dst_transform=blocks.affine, dst_crs=of.crs.to_wkt(), dst_nodata=np.nan,
        resampling=resampling,
    )  # fmt: skip
    return out


def around(heights, grid, inner, part, resampling=Resampling.bilinear):
    """The land around a map, from another model."""
    return joined(held(inner, part), on_blocks(heights, grid, part, resampling), WIDTH_M)


def terrain():
    """Long hills, short hills, and a high ridge beyond the map."""
    row, col = np.mgrid[:SIDE, :SIDE] * 25.0
    hills = 30 * np.sin(row / 900) * np.cos(col / 1300) + 6 * np.sin((row + 2 * col) / 160)
    return (200 + hills + 120 * np.exp(-(((col - 4600) / 250) ** 2))).astype(np.float32)


def test_a_map_with_its_surroundings_has_the_values_of_the_whole():
    whole = terrain()
    inner = np.ascontiguousarray(whole[CUT])
    land, offset_m, spread_m = around(whole, WHOLE, inner, MAP)
    assert abs(offset_m) < 1e-3 and spread_m < 1e-3
    for direction in (77.0, 225.0):
        mine = horizon_angle(inner, MAP, direction, surroundings=land)
        theirs = horizon_angle(whole, WHOLE, direction)[CUT]
        assert np.percentile(np.abs(mine - theirs), 99) <= 0.5
        (wind,) = speed_ups(inner, MAP, [direction], surroundings=land)
        (full,) = speed_ups(whole, WHOLE, [direction])
        assert np.percentile(np.abs(wind.speed_up - full.speed_up[CUT]), 99) <= 0.02
        assert (wind.valid == full.valid[CUT]).mean() > 0.99
        assert view_complete(MAP, direction, surroundings=land).all()
    # Alone, the map misses the ridge.
    alone = np.nan_to_num(horizon_angle(inner, MAP, 77.0), nan=-9.0)
    assert np.percentile(np.abs(alone - horizon_angle(whole, WHOLE, 77.0)[CUT]), 99) > 2


def test_a_seam_leaves_no_step():
    """A plane goes on as the same plane at another level, on cells of another size."""
    east = np.arange(SIDE // 2) * 50.0 + 25.0
    rising = np.repeat((103 + 0.05 * east).astype(np.float32)[None], SIDE // 2, axis=0)
    outer = Grid(rising.shape, Affine(50, 0, WEST, 0, -50, NORTH), CRS)
    inner = (100 + 0.05 * (np.arange(FROM, TO) * 25.0 + 12.5)).astype(np.float32)
    inner = np.repeat(inner[None], TO - FROM, axis=0)
    land, offset_m, spread_m = around(rising, outer, inner, MAP)
    assert offset_m == pytest.approx(-3.0, abs=0.01) and spread_m < 0.01
    angle = horizon_angle(inner, MAP, 90.0, surroundings=land)
    np.testing.assert_allclose(angle, np.degrees(np.arctan(0.05)), atol=0.05)
    (wind,) = speed_ups(inner, MAP, [270.0], surroundings=land)
    assert np.abs(np.diff(wind.speed_up, axis=1)).max() < 1e-3
    assert np.ptp(wind.speed_up) < 0.01 and wind.valid.all()


@pytest.mark.parametrize("direction", [0.0, 89.5, 91.0, 178.0, 225.0])
def test_squares_that_extend_past_the_edge_see_the_plane_go_on(direction):
    """Cells of 5 m share samples in squares of 3, which do not fit 103 rows and 100 columns."""
    grid = Grid((103, 100), Affine(5, 0, WEST, 0, -5, NORTH), CRS)
    row, col = np.mgrid[:103, :100] * 5.0 + 2.5
    inner = (100 + 0.04 * col - 0.03 * row).astype(np.float32)
    row, col = np.mgrid[:200, :200] * 25.0 + 12.5 - 2250
    wide = Grid((200, 200), Affine(25, 0, WEST - 2250, 0, -25, NORTH + 2250), CRS)
    outer = (100 + 0.04 * col - 0.03 * row).astype(np.float32)
    land, _, _ = around(outer, wide, inner, grid)
    turn = np.radians(direction)
    rise = 0.04 * np.sin(turn) + 0.03 * np.cos(turn)
    angle = horizon_angle(inner, grid, direction, surroundings=land)
    error = np.abs(angle - np.degrees(np.arctan(rise)))
    # A sample of the square is up to a diagonal of a cell beside the view, 25 m away or more.
    assert error.max() <= np.degrees(np.hypot(0.04, 0.03) * 5 * np.sqrt(2) / 25)
    assert np.median(error) < 0.05


def test_differences_at_the_seam_fade_without_a_step():
    """Where both models differ by more and more, the blocks go on smoothly from the map."""
    flat = np.full(WHOLE.shape, 50.0, np.float32)
    inner = np.repeat(np.linspace(47, 53, TO - FROM, dtype=np.float32)[None], TO - FROM, axis=0)
    land, _, _ = around(flat, WHOLE, inner, MAP)
    line = land.heights[land.margin[0] + 40]
    at = land.margin[1] + TO - FROM
    assert np.abs(np.diff(line[at - 3 : at + 30])).max() < 0.5
    assert line[at] == pytest.approx(53.0, abs=0.3) and line[at + 25] == pytest.approx(50, abs=0.01)


def test_surroundings_at_another_level_or_elsewhere_are_refused():
    whole = terrain()
    for other in (whole + 30, np.full_like(whole, np.nan), np.full_like(whole, -9999)):
        with pytest.raises(InputError) as caught:
            around(other, WHOLE, whole[CUT], MAP)
        assert caught.value.code == "surroundings-bad" and caught.value.hint


PLAN = """
[inputs]
dem = "dem.tif"
winds = "90,200"
surroundings = "wide.tif"

[[step]]
process = "exposure"
limit_m = 300
by_direction = true

[[step]]
process = "shelter"
belts = "belts.gpkg"
seasons = ["in-leaf"]
"""


def holding(folder):
    """The sample map without its south-east, in a coarser model in another coordinate system."""
    path = project(folder)["dem"]
    with rasterio.open(path, "r+") as data:
        heights = data.read(1)
        heights[45:, 45:] = np.nan
        data.write(heights, 1)
        data.nodata = np.nan
    wide = Affine(40, 0, WEST - 6000, 0, -40, NORTH + 6000)
    row, col = np.mgrid[:320, :320]
    ground = 18 + 4 * np.sin(row / 9) + 60 * np.exp(-(((col - 175) / 4.0) ** 2))
    profile = {"driver": "GTiff", "height": 400, "width": 400, "count": 1, "dtype": "float32"}
    x, y = Transformer.from_crs(CRS, "EPSG:25833").transform(WEST, NORTH)
    with rasterio.open(
        folder / "wide.tif",
        "w",
        crs="EPSG:25833",
        nodata=-9999.0,
        transform=Affine(40, 0, x - 8000, 0, -40, y + 8000),
        **profile,
    ) as data:
        out = np.full((400, 400), -9999, np.float32)
        reproject(
            ground.astype(np.float32), out, src_transform=wide, src_crs=CRS,
            dst_transform=data.transform, dst_crs="EPSG:25833", dst_nodata=-9999.0,
            resampling=Resampling.bilinear,
        )  # fmt: skip
        data.write(out, 1)
    return path


def bands(result, name):
    with rasterio.open(result.rasters[name]) as data:
        return data.read(masked=True).astype(float).filled(np.nan)


@pytest.mark.slow
def test_a_part_of_a_map_with_surroundings_equals_the_whole(tmp_path):
    holding(tmp_path / "in")
    plan = tmp_path / "in" / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    whole = shelterscape.run_plan(plan, out=tmp_path / "whole")
    steps = read_plan(plan).steps
    for step in steps:
        prepare(step, tmp_path / "shared")
    outline = shapely.box(WEST + 200, NORTH - 500, WEST + 500, NORTH - 100)
    area = Area("part", shapely.to_wkb(outline), 320.0, str(tmp_path / "shared"))
    part = shelterscape.runs.run(steps, tmp_path / "part", area=area)
    for name in ("horizon_deg", "terrain_wind_ratio", "topex_deg", "site_wind_ratio"):
        mine, theirs = bands(part, name), bands(whole, name)[..., 10:50, 20:50]
        np.testing.assert_array_equal(mine, theirs, err_msg=name)
        # The land beyond is seen, also where the map has no values, but has no results.
        assert np.isnan(mine[..., 35:, 25:]).all() and np.isfinite(mine[..., :35, :]).all()
    assert bands(whole, "horizon_deg")[0, 10, -1] > 3
    assert bands(whole, "complete_views_share")[0, 0, 0] == 1
    assert "surroundings wide.tif: changed by" in str(whole.notices)


# ---- real ground


DEMS = {
    "Askervein": "askervein/askervein_dem_25m.tif",
    "Ebergötzen": "ebergotzen_25m/dem_25m.tif",
    "Danish coast": "dk_dtm_16m/dtm_16m.tif",
}


@pytest.mark.slow
@pytest.mark.realdata
@pytest.mark.parametrize("coarser", [1, 2])
@pytest.mark.parametrize("name", DEMS)
def test_a_window_of_real_ground_has_the_values_of_the_whole(name, coarser):
    """The rest of the model, with its cells or with cells twice as large, as surroundings.

    Results of the whole model are the check: no part of them comes from surroundings.
    """
    path = REAL / DEMS[name]
    if not path.is_file():
        pytest.skip(f"{path} is absent")
    whole, grid, _ = read_terrain(str(path))
    rows, cols = (n // 4 * 2 for n in grid.shape)
    top, left = rows // 2, cols // 2
    cut = np.s_[top : top + rows, left : left + cols]
    inner = np.ascontiguousarray(whole[cut])
    part = Grid((rows, cols), grid.affine * Affine.translation(left, top), grid.crs)
    other, over = whole, grid
    if coarser > 1:
        even = whole[: 4 * (grid.shape[0] // 4), : 4 * (grid.shape[1] // 4)]
        other = even.reshape(even.shape[0] // 2, 2, -1, 2).mean(axis=(1, 3))
        over = Grid(other.shape, grid.affine * Affine.scale(2), grid.crs)
    land, _, _ = around(other, over, inner, part)
    angles, winds = [], []
    for direction in np.arange(8) * 45 + 11.0:
        theirs = horizon_angle(whole, grid, direction)[cut]
        angles.append(np.abs(horizon_angle(inner, part, direction, surroundings=land) - theirs))
        (full,) = speed_ups(whole, grid, [direction])
        (mine,) = speed_ups(inner, part, [direction], surroundings=land)
        winds.append(np.abs(mine.speed_up - full.speed_up[cut]))
    horizon_p99, wind_p99 = (np.nanpercentile(found, 99) for found in (angles, winds))
    assert horizon_p99 <= 0.5 and wind_p99 <= 0.02
