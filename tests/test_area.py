"""Results for a part of the map equal those of the whole map, bit for bit."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from batch_helpers import cells_inside, square
from run_helpers import CELL_M, CELLS, CRS, NORTH, WEST, project
from shapely import LineString

from shelterscape import registry
from shelterscape.errors import InputError, InternalError
from shelterscape.grid import Grid
from shelterscape.process.area import Area, AreaMask
from shelterscape.process.inputs import validated
from shelterscape.runs import Step, files_read, key_of, run
from shelterscape.runs.prepare import prepare

pytestmark = pytest.mark.slow

GRID = Grid((CELLS, CELLS), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)
LIMIT_M = 60.0


def step(process_id, **given):
    """One step of a built-in process."""
    process = registry.find(process_id)
    return Step(process, validated(process.inputs, given, "test"))


def area(place, margin_m, shared, name="here"):
    """A part of the map, from a rectangle in cells or from an outline."""
    outline = square(*place) if isinstance(place, tuple) else place
    return Area(name, shapely.to_wkb(outline), margin_m, str(shared))


def bands(path):
    """All bands of a raster, and its grid."""
    with rasterio.open(path) as data:
        return data.read(), data.transform


def test_a_part_of_a_grid_covers_the_bounds_and_keeps_its_position():
    cut = GRID.around((WEST + 105, NORTH - 395, WEST + 305, NORTH - 205), 20.0)
    assert (cut.row0, cut.col0, cut.shape) == (18, 8, (24, 25))
    assert cut.whole == GRID and GRID.whole == GRID
    assert cut.convergence_deg() == GRID.convergence_deg() != 0
    assert GRID.around(cut.bounds, np.inf).shape == GRID.shape
    assert cut.around(cut.bounds, 0.0) == cut
    assert GRID.around((WEST - 900, NORTH, WEST - 800, NORTH + 10), 5.0) is None


def test_cells_inside_are_those_with_their_centre_inside():
    part = GRID.around((WEST + 105, NORTH - 395, WEST + 305, NORTH - 205), 50.0)
    # 1.5 cells wide: only cells whose centre is covered count.
    outline = shapely.box(WEST + 120, NORTH - 320, WEST + 134, NORTH - 300)
    inside = AreaMask(area(outline, 50.0, ""), part)
    assert inside.cells.sum() == 2 and inside.grid.shape == (2, 1)
    assert (inside.grid.row0, inside.grid.col0) == (30, 12)
    values = np.arange(part.shape[0] * part.shape[1], dtype=np.float32).reshape(part.shape)
    whole, row, col = inside.crop(values, 0, 0)
    assert (row, col) == (0, 0) and (whole == values[inside.cells].reshape(2, 1)).all()
    # The result is the same row by row.
    strips = [inside.crop(values[n : n + 1], n, 0) for n in range(len(values))]
    strips = [one for one in strips if one is not None]
    assert [(one[1], one[2]) for one in strips] == [(0, 0), (1, 0)]
    assert (np.concatenate([one[0] for one in strips]) == whole).all()


def test_an_area_between_cell_centres_is_refused():
    outline = shapely.box(WEST + 121, NORTH - 304, WEST + 124, NORTH - 301)
    with pytest.raises(InputError) as caught:
        AreaMask(area(outline, 0.0, ""), GRID)
    assert caught.value.code == "holding-bad"


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    """Results of the whole map: exposure and shelter, two seasons, a future year, by direction."""
    folder = tmp_path_factory.mktemp("whole")
    given = project(folder / "in")
    # With a wood and a close row, to include areas and chains. All are low, so that shelter
    # extends over a part of the map only.
    frame = gpd.read_file(given["belts"], layer="belts").assign(height_m=[4.0, 3.0])
    more = gpd.GeoDataFrame(
        {"name": ["wood", "row"], "height_m": [4.0, 3.5]},
        geometry=[
            shapely.box(WEST + 420, NORTH - 420, WEST + 460, NORTH - 360),
            LineString([(WEST + 350, NORTH - 160), (WEST + 500, NORTH - 160)]),
        ],
        crs=CRS,
    )
    belts = gpd.GeoDataFrame(pd.concat([frame, more], ignore_index=True), crs=CRS)
    belts.to_file(folder / "in" / "more.gpkg", layer="belts", driver="GPKG")
    shared = {"dem": given["dem"], "winds": "210,240"}
    steps = [
        step("exposure", limit_m=LIMIT_M, **shared),
        step(
            "shelter",
            belts=str(folder / "in" / "more.gpkg"),
            years=("surveyed", 2040),
            by_direction=True,
            **shared,
        ),
    ]
    whole = run(steps, folder / "whole")
    margin = max(prepare(one, folder / "shared") for one in steps)
    return steps, whole, folder / "shared", margin


@pytest.mark.parametrize("place", [(30, 12, 21, 15), (0, 40, 9, 20)])
def test_every_raster_equals_that_of_the_whole_map(ground, tmp_path, place):
    steps, whole, shared, margin = ground
    assert GRID.around(square(*place).bounds, margin).shape != GRID.shape, "it is a real part"
    part = run(steps, tmp_path / "part", area=area(place, margin, shared))
    assert {*part.rasters} == {*whole.rasters}
    rows, cols = cells_inside(place)
    for name, path in part.rasters.items():
        expected, _ = bands(whole.rasters[name])
        found, affine = bands(path)
        assert (affine.c, affine.f) == (WEST + CELL_M * place[1], NORTH - CELL_M * place[0])
        np.testing.assert_array_equal(found, expected[:, rows, cols], err_msg=name)


def test_too_narrow_a_margin_changes_results(ground, tmp_path):
    steps, whole, shared, _ = ground
    part = run(steps[:1], tmp_path / "part", area=area((20, 18, 21, 15), 0.0, shared))
    expected, _ = bands(whole.rasters["topex_deg"])
    rows, cols = cells_inside((20, 18, 21, 15))
    assert (bands(part.rasters["topex_deg"])[0] != expected[:, rows, cols]).any()


def test_the_margin_is_as_wide_as_views_and_shelter_extend(ground):
    steps, _, shared, margin = ground
    assert prepare(steps[0], shared) == LIMIT_M + 2 * CELL_M
    assert prepare(steps[1], shared) == margin == 50 * 4.0 + 2 * CELL_M


def test_figures_include_the_area_alone(ground, tmp_path):
    steps, _, shared, margin = ground
    here = area((20, 18, 21, 15), margin, shared)
    part = run(steps, tmp_path / "part", area=here, pictures=False)
    frame = pd.read_csv(part.tables["shelter_areas"])
    by_case = frame.fillna({"year": 0}).groupby(["season", "year"])["area_ha"].sum()
    assert by_case.to_numpy() == pytest.approx(21 * 15 * CELL_M**2 / 1e4)
    path, _, layer = part.layers["shelter_zones"].rpartition(":")
    zones = gpd.read_file(path, layer=layer)
    assert zones.union_all().within(square(20, 18, 21, 15).buffer(1e-6))
    assert not part.pictures and not list(part.folder.glob("*.png"))


def test_missing_results_for_the_whole_map_are_an_error(ground, tmp_path):
    steps, *_ = ground
    with pytest.raises(InternalError) as caught:
        run(steps[:1], tmp_path / "part", area=area((20, 18, 21, 15), 90.0, tmp_path / "none"))
    assert caught.value.code == "shared-missing"


def test_a_part_without_belts_is_open(tmp_path):
    given = project(tmp_path / "in")
    one = step("shelter", dem=given["dem"], winds="210", belts=given["belts"], terrain=False)
    prepare(one, tmp_path / "shared")
    part = run([one], tmp_path / "part", area=area((0, 52, 6, 6), 10.0, tmp_path / "shared"))
    found, _ = bands(part.rasters["relative_wind"])
    assert (found == 1).all()
    path, _, layer = part.layers["belts_assessed"].rpartition(":")
    assert len(gpd.read_file(path, layer=layer)) == 0


def test_places_and_holdings_inside_are_read(tmp_path):
    given = project(tmp_path / "in")
    outlines = [square(20, 20, 6, 6), square(20, 30, 6, 6), square(40, 40, 5, 5)]
    frame = gpd.GeoDataFrame(
        {"name": ["in", "touches", "far"], "holding_id": ["a", "b", "c"]},
        geometry=outlines,
        crs=CRS,
    )
    frame.to_file(tmp_path / "in" / "places.gpkg", layer="places", driver="GPKG")
    source = str(tmp_path / "in" / "places.gpkg")
    one = step(
        "exposure", dem=given["dem"], winds="210", limit_m=LIMIT_M, places=source, holdings=source
    )
    margin = prepare(one, tmp_path / "shared")
    here = area((18, 18, 12, 12), margin, tmp_path / "shared")
    part = run([one], tmp_path / "part", area=here)
    for name in ("place_exposure", "holding_exposure"):
        path, _, layer = part.layers[name].rpartition(":")
        assert list(gpd.read_file(path, layer=layer)["name"]) == ["in"]


def test_a_terrain_model_is_resampled_once_for_all_parts(tmp_path):
    """Parts of a terrain model in degrees are taken from the same resampled model."""
    (tmp_path / "in").mkdir()
    lon, lat = 9.0, 55.0
    row, col = np.mgrid[:40, :40]
    heights = (20 + 0.3 * row + 10 * np.exp(-((row - 20) ** 2 + (col - 18) ** 2) / 60)).astype("f4")
    path = tmp_path / "in" / "degrees.tif"
    profile = {"driver": "GTiff", "height": 40, "width": 40, "count": 1, "dtype": "float32"}
    affine = Affine(2e-4, 0, lon, 0, -1e-4, lat)
    with rasterio.open(path, "w", crs="EPSG:4326", transform=affine, **profile) as data:
        data.write(heights, 1)
    one = step(
        "exposure",
        dem=str(path),
        winds="210",
        limit_m=LIMIT_M,
        to_crs="EPSG:25832",
        by_direction=True,
    )
    whole = run([one], tmp_path / "whole")
    margin = prepare(one, tmp_path / "shared")
    expected, layout = bands(whole.rasters["horizon_deg"])
    west, north = layout * (12, 11)
    east, south = layout * (25, 30)
    here = area(shapely.box(west, south, east, north), margin, tmp_path / "shared")
    part = run([one], tmp_path / "part", area=here)
    for name in whole.rasters:
        expected, _ = bands(whole.rasters[name])
        np.testing.assert_array_equal(
            bands(part.rasters[name])[0], expected[:, 11:30, 12:25], err_msg=name
        )


def test_the_key_changes_with_everything_results_depend_on(tmp_path):
    given = project(tmp_path / "in")
    steps = [step("exposure", dem=given["dem"], winds="210", limit_m=LIMIT_M)]
    here = area((20, 20, 5, 5), 80.0, tmp_path / "shared")
    key = key_of(steps, files_read(steps), here)
    elsewhere = area((20, 20, 5, 5), 80.0, tmp_path / "moved")
    assert key_of(steps, files_read(steps), elsewhere) == key
    others = [
        (steps, area((20, 20, 5, 6), 80.0, "")),
        (steps, area((20, 20, 5, 5), 90.0, "")),
        ([step("exposure", dem=given["dem"], winds="220", limit_m=LIMIT_M)], here),
    ]
    with rasterio.open(given["dem"], "r+") as data:
        data.write(data.read(1) + 1, 1)
    others.append((steps, here))
    assert len({key, *(key_of(s, files_read(s), a) for s, a in others)}) == 1 + len(others)


def test_terrain_wind_with_a_map_of_roughness_equals_that_of_the_whole_map(tmp_path):
    """Rough ground outside the part affects it too."""
    given = project(tmp_path / "in")
    rough = gpd.GeoDataFrame({"roughness_m": [0.4]}, geometry=[square(40, 0, 20, 60)], crs=CRS)
    rough.to_file(tmp_path / "in" / "rough.gpkg", layer="rough", driver="GPKG")
    shared = {"dem": given["dem"], "winds": "180,240", "limit_m": LIMIT_M}
    one = step("exposure", roughness=str(tmp_path / "in" / "rough.gpkg"), **shared)
    whole = run([one], tmp_path / "whole")
    margin = prepare(one, tmp_path / "shared")
    part = run([one], tmp_path / "part", area=area((2, 20, 12, 14), margin, tmp_path / "shared"))
    rows, cols = cells_inside((2, 20, 12, 14))
    for name, path in part.rasters.items():
        expected, _ = bands(whole.rasters[name])
        np.testing.assert_array_equal(bands(path)[0], expected[:, rows, cols], err_msg=name)
