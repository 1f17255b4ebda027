"""The process `exposure`: what it writes agrees with itself, with the science and the outside."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from ground_helpers import rough_ground
from run_helpers import CELL_M, CELLS, CRS, NORTH, WEST, project
from shapely import box

import shelterscape
from shelterscape.errors import InputError
from shelterscape.files.terrain_models import read_terrain
from shelterscape.grid import grid_direction
from shelterscape.science.terrain import horizon_angle, speed_up, topex
from shelterscape.science.terrain.views import azimuth_of

WINDS = """# measured_height_m: 10
# roughness_m: 0.03
direction_deg,frequency,mean_speed_ms,weibull_k
90,.3,4,2
240,.6,6,2
calm,.1,,
"""
LIMIT_M = 150
MEAN_SPEED_MS = (0.3 * 4 + 0.6 * 6) / 0.9


@pytest.fixture
def inputs(tmp_path):
    """Ground with winds, places and holdings."""
    given = project(tmp_path / "in")
    (tmp_path / "in" / "winds.csv").write_text(WINDS, encoding="utf-8")
    middle = box(WEST + 200, NORTH - 400, WEST + 400, NORTH - 200)
    places = gpd.GeoDataFrame({"name": ["a"], "purpose": ["crop"]}, geometry=[middle], crs=CRS)
    places.to_file(tmp_path / "in" / "places.gpkg", layer="places", driver="GPKG")
    whole = box(WEST, NORTH - 600, WEST + 600, NORTH)
    holdings = gpd.GeoDataFrame({"holding_id": ["H1"]}, geometry=[whole], crs=CRS)
    holdings.to_file(tmp_path / "in" / "holdings.gpkg", layer="holdings", driver="GPKG")
    return {
        "dem": given["dem"],
        "winds": f"{tmp_path}/in/winds.csv",
        "places": f"{tmp_path}/in/places.gpkg:places",
        "holdings": f"{tmp_path}/in/holdings.gpkg:holdings",
        "limit_m": LIMIT_M,
    }


def bands(result, name):
    with rasterio.open(result.rasters[name]) as data:
        values = data.read(masked=True).astype(float).filled(np.nan)
        return dict(zip(data.descriptions, values, strict=True))


def relative(result):
    """Wind divided by that over flat, open terrain, over all winds at the height of the mast."""
    return bands(result, "open_wind")["all winds"] / MEAN_SPEED_MS


def layer(result, name):
    path, _, found = str(result.layers[name]).rpartition(":")
    return pyogrio.read_dataframe(path, layer=found)


def test_rasters_hold_what_the_science_gives_each_wind(inputs, tmp_path):
    result = shelterscape.exposure(**inputs, by_direction=True, out=tmp_path / "o")
    elevation, grid, _ = read_terrain(inputs["dem"])
    horizon, wind = (bands(result, n) for n in ("horizon", "open_wind"))
    modelled = np.zeros(grid.shape)
    mean_horizon, mean_hills = 0.0, 0.0
    for true_deg, speed_ms, share in ((90.0, 4.0, 1.2 / 4.8), (240.0, 6.0, 3.6 / 4.8)):
        band, direction = f"from {true_deg:g}°", grid_direction(true_deg, grid.convergence_deg())
        # Views are taken at directions rounded to a millionth of a degree.
        angle = horizon_angle(elevation, grid, azimuth_of(direction), limit_m=LIMIT_M)
        over = speed_up(elevation, grid, direction)
        np.testing.assert_array_equal(horizon[band], angle)
        # At the height and over the roughness of the mast the plain has the mast's own speed.
        np.testing.assert_allclose(wind[band], speed_ms * (1 + over.speed_up), rtol=1e-5)
        modelled += share * over.valid
        mean_horizon, mean_hills = mean_horizon + share * angle, mean_hills + share * over.speed_up
    np.testing.assert_allclose(
        bands(result, "weighted_horizon")["all winds"], mean_horizon, atol=1e-4
    )
    np.testing.assert_array_equal(bands(result, "open_wind_modelled")["all winds"], modelled >= 0.5)
    np.testing.assert_allclose(wind["all winds"], MEAN_SPEED_MS * (1 + mean_hills), rtol=1e-5)
    np.testing.assert_array_equal(
        bands(result, "topex")[f"to {LIMIT_M} m"], topex(elevation, grid, limit_m=LIMIT_M)
    )


def test_places_and_holdings_have_the_means_of_their_cells(inputs, tmp_path):
    result = shelterscape.exposure(**inputs, out=tmp_path / "o")
    found, holding = layer(result, "place_exposure").iloc[0], layer(result, "holding_exposure")
    cells = (slice(20, 40), slice(20, 40))
    for column, raster in (("topex", "topex"), ("upwind_slope", "upwind_slope")):
        (field,) = bands(result, raster).values()
        assert found[column] == pytest.approx(np.nanmean(field[cells]), abs=1e-4)
    hills = bands(result, "open_wind")["all winds"] / MEAN_SPEED_MS - 1
    assert found["speed_up"] == pytest.approx(hills[cells].mean(), abs=1e-5)
    assert found["open_wind"] == pytest.approx(
        bands(result, "open_wind")["all winds"][cells].mean()
    )
    assert found["strongest_from_deg"] == 240
    assert holding["area_ha"].tolist() == pytest.approx([36.0])
    assert holding["speed_up"].iloc[0] == pytest.approx(hills.mean(), abs=1e-5)
    # 150 m of view: the middle 300 m of 600 see all of it, more or less by where samples fall.
    (complete,) = bands(result, "views_complete").values()
    assert complete[15:45, 15:45].min() == 1
    assert (complete[0] < 1).all() and (complete[:, 0] < 1).all()
    assert holding["views_complete"].iloc[0] == pytest.approx(complete.mean(), abs=1e-5)


def test_ground_not_modelled_is_counted_on_screen_and_in_the_record(inputs, tmp_path):
    # On ground wide enough that not all of it is near an edge.
    cells = 160
    with rasterio.open(inputs["dem"]) as dem:
        profile = dem.profile | {"width": cells, "height": cells}
    with rasterio.open(inputs["dem"], "w", **profile) as data:
        data.write(rough_ground(cells, cells, 1), 1)
    result = shelterscape.exposure(**inputs, out=tmp_path / "o")
    modelled = bands(result, "open_wind_modelled")
    lost_ha = (modelled["all winds"] == 0).sum() * CELL_M**2 / 1e4
    whole_ha = (cells * CELL_M) ** 2 / 1e4
    assert 0 < lost_ha < whole_ha
    texts = [n["text"] for n in result.record["steps"][0]["notices"] if n["code"] == "not-modelled"]
    assert len(texts) == 1 and f"{lost_ha:,.1f} of {whole_ha:,.1f} ha" in texts[0]
    table = pd.read_csv(result.tables["winds_over_ground"])
    elevation, grid, _ = read_terrain(inputs["dem"])
    for row in table.itertuples():
        direction = grid_direction(row.direction_deg, grid.convergence_deg())
        lost = (~speed_up(elevation, grid, direction).valid).sum() * CELL_M**2 / 1e4
        assert row.not_modelled_ha == pytest.approx(lost)


def test_winds_without_speeds_give_wind_relative_to_the_plain(inputs, tmp_path):
    given = inputs | {"winds": "90,240", "by_direction": True}
    result = shelterscape.exposure(**given, out=tmp_path / "o")
    elevation, grid, _ = read_terrain(inputs["dem"])
    wind = bands(result, "open_wind")
    for true_deg in (90.0, 240.0):
        direction = grid_direction(true_deg, grid.convergence_deg())
        over = speed_up(elevation, grid, direction)
        np.testing.assert_allclose(wind[f"from {true_deg:g}°"], 1 + over.speed_up, rtol=1e-6)
    with rasterio.open(result.rasters["open_wind"]) as data:
        assert set(data.units) == {"1"} and "relative" in data.tags()["QUANTITY"]
    assert layer(result, "place_exposure")["open_wind"].isna().all()


def test_wind_is_carried_from_the_mast_to_another_height(inputs, tmp_path):
    """Log law over z0 .03 m: 2 m over 10 m is .7229 (CHECKS 3.4, arithmetic); flat ground."""
    with rasterio.open(inputs["dem"], "r+") as data:
        data.write(np.full((1, CELLS, CELLS), 20, "float32"))
    given = inputs | {"at_height_m": 2.0, "by_direction": True}
    result = shelterscape.exposure(**given, out=tmp_path / "o")
    wind = bands(result, "open_wind")
    np.testing.assert_allclose(wind["from 240°"], 6 * 0.7229, rtol=1e-4)
    np.testing.assert_allclose(wind["all winds"], 0.7229 * MEAN_SPEED_MS, rtol=1e-4)


@pytest.mark.slow
def test_topex_forms_and_classes(inputs, tmp_path):
    elevation, grid, _ = read_terrain(inputs["dem"])
    plain = {k: v for k, v in inputs.items() if k not in ("places", "holdings")}
    free = shelterscape.exposure(**plain, topex_form="unlimited", out=tmp_path / "u")
    (total,) = bands(free, "topex").values()
    np.testing.assert_array_equal(total, topex(elevation, grid, limit_m=None))
    assert "views_complete" not in free.rasters
    with rasterio.open(free.rasters["exposure_class"]) as data:
        codes = data.read(1)
        assert data.tags(1)["CLASS_0"] == "severely exposed"
        assert data.colormap(1)[0][:3] == (0x5C, 0x2A, 0x00)
    np.testing.assert_array_equal((codes == 0)[codes < 255], (total <= 10)[codes < 255])
    own = shelterscape.exposure(
        **plain,
        topex_form="positive",
        topex_classes=("5 open", "20 fair", "shut in"),
        out=tmp_path / "p",
    )
    (total,) = bands(own, "topex").values()
    np.testing.assert_array_equal(total, topex(elevation, grid, limit_m=LIMIT_M, signed=False))
    (codes,) = bands(own, "exposure_class").values()
    np.testing.assert_array_equal(
        codes, np.where(np.isnan(total), np.nan, np.digitize(total, [5, 20], right=True))
    )


@pytest.mark.parametrize(
    ("classes", "found"),
    [
        (("10 a", "5 b", "c"), "10 a; 5 b; c"),
        (("a", "b"), "a; b"),
        (("10 a", "20 a", "b"), "10 a"),
        (("10 a", "20 b"), "20 b"),
        (("10", "b"), "10; b"),
    ],
)
def test_classes_that_are_none_are_refused(inputs, tmp_path, classes, found):
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(**inputs, topex_classes=classes, out=tmp_path / "o")
    assert caught.value.where == "topex_classes" and found in str(caught.value.value)
    assert not (tmp_path / "o").exists()


def rough_inputs(inputs, tmp_path, lengths):
    path = tmp_path / "in" / "roughness.tif"
    with rasterio.open(inputs["dem"]) as dem, rasterio.open(path, "w", **dem.profile) as data:
        data.write(lengths.astype("float32"), 1)
    return inputs | {"roughness": str(path)}


def test_a_map_of_roughness_as_a_raster(inputs, tmp_path):
    # Without speeds nothing is carried from the roughness of a mast to that of the ground.
    inputs |= {"winds": "240"}
    even = rough_inputs(inputs, tmp_path, np.full((CELLS, CELLS), 0.25))
    mapped = shelterscape.exposure(**even, out=tmp_path / "a")
    stated = shelterscape.exposure(**inputs, roughness_m=0.25, out=tmp_path / "b")
    plain = shelterscape.exposure(**inputs, out=tmp_path / "c")
    by_map, by_word, smooth = (bands(r, "open_wind")["all winds"] for r in (mapped, stated, plain))
    np.testing.assert_array_equal(by_map, by_word)
    assert by_map.max() > smooth.max() + 0.01
    assert mapped.record["steps"][0]["files_read"]["roughness"]["name"] == "roughness.tif"


def test_land_cover_codes_and_areas_need_a_table_or_known_words(inputs, tmp_path):
    codes = rough_inputs(inputs, tmp_path, np.full((CELLS, CELLS), 231))
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(**codes, out=tmp_path / "o")
    assert caught.value.code == "roughness-bad" and "table" in caught.value.mend
    table = tmp_path / "in" / "table.csv"
    table.write_text("land_cover,roughness_m\n231,0.25\npasture,0.25\n", encoding="utf-8")
    by_code = shelterscape.exposure(**codes, roughness_table=str(table), out=tmp_path / "a")
    areas = gpd.GeoDataFrame(
        {"cover": ["Pasture"]}, geometry=[box(WEST, NORTH - 600, WEST + 600, NORTH)], crs=CRS
    )
    areas.to_file(tmp_path / "in" / "cover.gpkg", layer="cover", driver="GPKG")
    by_area = shelterscape.exposure(
        **inputs,
        roughness=f"{tmp_path}/in/cover.gpkg:cover",
        roughness_table=str(table),
        fields={"roughness.land_cover": "cover"},
        out=tmp_path / "b",
    )
    np.testing.assert_array_equal(relative(by_code), relative(by_area))


def test_a_map_of_roughness_elsewhere_is_refused(inputs, tmp_path):
    path = tmp_path / "in" / "far.tif"
    with rasterio.open(inputs["dem"]) as dem:
        profile = dem.profile | {"transform": dem.transform.translation(1e5, 0) * dem.transform}
        with rasterio.open(path, "w", **profile) as data:
            data.write(np.full((1, CELLS, CELLS), 0.1, "float32"))
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(**inputs, roughness=str(path), out=tmp_path / "o")
    assert caught.value.code == "layer-outside"


def test_belts_on_the_map_of_roughness_do_not_count_twice(inputs, tmp_path):
    """A map whose only rough ground is the belts themselves is no map at all."""
    belts = project(tmp_path / "again")["belts"]
    lines = gpd.read_file(belts, layer="belts")
    shaws = gpd.GeoDataFrame(
        {"land_cover": ["very rough"] * len(lines)},
        geometry=lines.buffer(1.4, cap_style="flat"),
        crs=CRS,
    )
    shaws.to_file(tmp_path / "in" / "shaws.gpkg", layer="shaws", driver="GPKG")
    given = inputs | {"roughness": f"{tmp_path}/in/shaws.gpkg:shaws"}
    without = shelterscape.exposure(**inputs, out=tmp_path / "a")
    twice = shelterscape.exposure(**given, out=tmp_path / "b")
    once = shelterscape.exposure(**given, belts=f"{belts}:belts", out=tmp_path / "c")
    plain, doubled, cleared = (relative(r) for r in (without, twice, once))
    assert np.abs(plain - doubled).max() > 1e-3
    np.testing.assert_allclose(cleared, plain, atol=1e-6)
