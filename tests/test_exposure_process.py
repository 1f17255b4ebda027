"""The process `exposure`: its results agree with the science and with independent calculations."""

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


def terrain_wind_ratio(result):
    """Terrain wind ratio over all wind directions, at the height of the mast."""
    return bands(result, "terrain_wind_ms")["all winds"] / MEAN_SPEED_MS


def layer(result, name):
    path, _, found = str(result.layers[name]).rpartition(":")
    return pyogrio.read_dataframe(path, layer=found)


def test_rasters_hold_what_the_science_gives_each_wind(inputs, tmp_path):
    result = shelterscape.exposure(**inputs, by_direction=True, out=tmp_path / "o")
    elevation, grid, _ = read_terrain(inputs["dem"])
    horizon, wind = (bands(result, n) for n in ("horizon_deg", "terrain_wind_ms"))
    modelled = np.zeros(grid.shape)
    mean_horizon, mean_speed_up = 0.0, 0.0
    for true_deg, speed_ms, share in ((90.0, 4.0, 1.2 / 4.8), (240.0, 6.0, 3.6 / 4.8)):
        band, direction = f"from {true_deg:g}°", grid_direction(true_deg, grid.convergence_deg())
        # Views have directions rounded to a millionth of a degree.
        angle = horizon_angle(elevation, grid, azimuth_of(direction), limit_m=LIMIT_M)
        over = speed_up(elevation, grid, direction)
        np.testing.assert_array_equal(horizon[band], angle)
        # At the height and roughness of the mast, wind over flat, open terrain has its speed.
        np.testing.assert_allclose(wind[band], speed_ms * (1 + over.speed_up), rtol=1e-5)
        modelled += share * over.valid
        mean_horizon, mean_speed_up = (
            mean_horizon + share * angle,
            mean_speed_up + share * over.speed_up,
        )
    np.testing.assert_allclose(
        bands(result, "weighted_horizon_deg")["all winds"], mean_horizon, atol=1e-4
    )
    np.testing.assert_array_equal(
        bands(result, "terrain_wind_modelled")["all winds"], modelled >= 0.5
    )
    np.testing.assert_allclose(wind["all winds"], MEAN_SPEED_MS * (1 + mean_speed_up), rtol=1e-5)
    np.testing.assert_array_equal(
        bands(result, "topex_deg")[f"to {LIMIT_M} m"], topex(elevation, grid, limit_m=LIMIT_M)
    )


def test_places_and_holdings_have_the_means_of_their_cells(inputs, tmp_path):
    result = shelterscape.exposure(**inputs, out=tmp_path / "o")
    found, holding = layer(result, "place_exposure").iloc[0], layer(result, "holding_exposure")
    cells = (slice(20, 40), slice(20, 40))
    # Files carry angles and speeds to 0.1 and ratios to 0.01: half of that is rounding.
    for column in ("topex_deg", "upwind_slope_deg"):
        (field,) = bands(result, column).values()
        assert found[column] == pytest.approx(np.nanmean(field[cells]), abs=0.05 + 1e-4)
    wind_ms = bands(result, "terrain_wind_ms")["all winds"]
    assert found["terrain_wind_ms"] == pytest.approx(wind_ms[cells].mean(), abs=0.05 + 1e-4)
    ratio = terrain_wind_ratio(result)
    assert found["terrain_wind_ratio"] == pytest.approx(ratio[cells].mean(), abs=0.005 + 1e-5)
    assert found["strongest_from_deg"] == 240
    assert holding["area_ha"].tolist() == pytest.approx([36.0])
    assert holding["terrain_wind_ratio"].iloc[0] == pytest.approx(ratio.mean(), abs=0.005 + 1e-5)
    # A view of 150 m is complete in the central 300 m of 600 m.
    (complete,) = bands(result, "complete_views_share").values()
    assert complete[15:45, 15:45].min() == 1
    assert (complete[0] < 1).all() and (complete[:, 0] < 1).all()
    assert holding["complete_views_share"].iloc[0] == pytest.approx(
        complete.mean(), abs=0.0005 + 1e-5
    )


def test_ground_not_modelled_is_counted_on_screen_and_in_the_record(inputs, tmp_path):
    # Wide enough that part of the ground is far from an edge.
    cells = 160
    with rasterio.open(inputs["dem"]) as dem:
        profile = dem.profile | {"width": cells, "height": cells}
    with rasterio.open(inputs["dem"], "w", **profile) as data:
        data.write(rough_ground(cells, cells, 1), 1)
    result = shelterscape.exposure(**inputs, out=tmp_path / "o")
    modelled = bands(result, "terrain_wind_modelled")
    lost_ha = (modelled["all winds"] == 0).sum() * CELL_M**2 / 1e4
    whole_ha = (cells * CELL_M) ** 2 / 1e4
    assert 0 < lost_ha < whole_ha
    texts = [n["text"] for n in result.record["steps"][0]["notices"] if n["code"] == "not-modelled"]
    assert len(texts) == 1 and f"{lost_ha:,.1f} of {whole_ha:,.1f} ha" in texts[0]
    table = pd.read_csv(result.tables["terrain_wind_by_direction"])
    elevation, grid, _ = read_terrain(inputs["dem"])
    for row in table.itertuples():
        direction = grid_direction(row.direction_deg, grid.convergence_deg())
        lost = (~speed_up(elevation, grid, direction).valid).sum() * CELL_M**2 / 1e4
        # To 0.1 ha.
        assert row.terrain_wind_not_modelled_ha == pytest.approx(lost, abs=0.05 + 1e-9)


def test_a_wind_set_without_speeds_gives_ratios(inputs, tmp_path):
    given = inputs | {"winds": "90,240", "by_direction": True}
    result = shelterscape.exposure(**given, out=tmp_path / "o")
    elevation, grid, _ = read_terrain(inputs["dem"])
    wind = bands(result, "terrain_wind_ratio")
    for true_deg in (90.0, 240.0):
        direction = grid_direction(true_deg, grid.convergence_deg())
        over = speed_up(elevation, grid, direction)
        np.testing.assert_allclose(wind[f"from {true_deg:g}°"], 1 + over.speed_up, rtol=1e-6)
    with rasterio.open(result.rasters["terrain_wind_ratio"]) as data:
        assert set(data.units) == {"1"} and data.tags()["QUANTITY"] == "terrain wind ratio"
    assert layer(result, "place_exposure")["terrain_wind_ms"].isna().all()
    assert "terrain_wind_ms" not in result.rasters


def test_wind_speed_is_converted_to_another_height(inputs, tmp_path):
    """Log law, z0 0.03 m: speed at 2 m ÷ at 10 m is 0.7229 (arithmetic); flat."""
    with rasterio.open(inputs["dem"], "r+") as data:
        data.write(np.full((1, CELLS, CELLS), 20, "float32"))
    given = inputs | {"at_height_m": 2.0, "by_direction": True}
    result = shelterscape.exposure(**given, out=tmp_path / "o")
    wind = bands(result, "terrain_wind_ms")
    np.testing.assert_allclose(wind["from 240°"], 6 * 0.7229, rtol=1e-4)
    np.testing.assert_allclose(wind["all winds"], 0.7229 * MEAN_SPEED_MS, rtol=1e-4)


@pytest.mark.slow
def test_topex_modes_and_classes(inputs, tmp_path):
    elevation, grid, _ = read_terrain(inputs["dem"])
    plain = {k: v for k, v in inputs.items() if k not in ("places", "holdings")}
    free = shelterscape.exposure(**plain, topex_mode="topex_unlimited", out=tmp_path / "u")
    (total,) = bands(free, "topex_deg").values()
    np.testing.assert_array_equal(total, topex(elevation, grid, limit_m=None))
    assert "complete_views_share" not in free.rasters
    with rasterio.open(free.rasters["topex_class"]) as data:
        codes = data.read(1)
        assert data.tags(1)["CLASS_0"] == "1 most exposed: up to 10°"
        assert data.colormap(1)[0][:3] == (0xF6, 0xF2, 0xFB)
    np.testing.assert_array_equal((codes == 0)[codes < 255], (total <= 10)[codes < 255])
    own = shelterscape.exposure(
        **plain,
        negative_angles=False,
        topex_classes=(5, 20),
        out=tmp_path / "p",
    )
    (total,) = bands(own, "topex_deg").values()
    np.testing.assert_array_equal(total, topex(elevation, grid, limit_m=LIMIT_M, signed=False))
    (codes,) = bands(own, "topex_class").values()
    np.testing.assert_array_equal(
        codes, np.where(np.isnan(total), np.nan, np.digitize(total, [5, 20], right=True))
    )


@pytest.mark.parametrize(
    ("bounds", "found"), [((10, 5), "10, 5"), ((10, 10), "10, 10"), ((10, float("inf")), "inf")]
)
def test_topex_classes_with_bounds_that_do_not_rise_are_refused(inputs, tmp_path, bounds, found):
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(**inputs, topex_classes=bounds, out=tmp_path / "o")
    assert caught.value.where == "topex_classes" and found in str(caught.value.value)
    assert not (tmp_path / "o").exists()


def rough_inputs(inputs, tmp_path, lengths):
    path = tmp_path / "in" / "roughness.tif"
    with rasterio.open(inputs["dem"]) as dem, rasterio.open(path, "w", **dem.profile) as data:
        data.write(lengths.astype("float32"), 1)
    return inputs | {"roughness": str(path)}


def test_a_map_of_roughness_as_a_raster(inputs, tmp_path):
    # Without speeds there is no conversion from the roughness at a mast to that of the ground.
    inputs |= {"winds": "240"}
    even = rough_inputs(inputs, tmp_path, np.full((CELLS, CELLS), 0.25))
    mapped = shelterscape.exposure(**even, out=tmp_path / "a")
    stated = shelterscape.exposure(**inputs, roughness_m=0.25, out=tmp_path / "b")
    plain = shelterscape.exposure(**inputs, out=tmp_path / "c")
    by_map, by_option, smooth = (
        bands(r, "terrain_wind_ratio")["all winds"] for r in (mapped, stated, plain)
    )
    np.testing.assert_array_equal(by_map, by_option)
    assert by_map.max() > smooth.max() + 0.01
    assert mapped.record["steps"][0]["files_read"]["roughness"]["name"] == "roughness.tif"


def test_land_cover_codes_and_areas_need_a_table_or_known_names(inputs, tmp_path):
    codes = rough_inputs(inputs, tmp_path, np.full((CELLS, CELLS), 231))
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(**codes, out=tmp_path / "o")
    assert caught.value.code == "roughness-bad" and "table" in caught.value.hint
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
    np.testing.assert_array_equal(terrain_wind_ratio(by_code), terrain_wind_ratio(by_area))


def test_a_map_of_roughness_off_the_terrain_model_is_refused(inputs, tmp_path):
    path = tmp_path / "in" / "far.tif"
    with rasterio.open(inputs["dem"]) as dem:
        profile = dem.profile | {"transform": dem.transform.translation(1e5, 0) * dem.transform}
        with rasterio.open(path, "w", **profile) as data:
            data.write(np.full((1, CELLS, CELLS), 0.1, "float32"))
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(**inputs, roughness=str(path), out=tmp_path / "o")
    assert caught.value.code == "layer-outside"


def test_belts_on_the_map_of_roughness_do_not_count_twice(inputs, tmp_path):
    """A map in which only the belts are rough has no effect once belts are removed from it."""
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
    plain, doubled, cleared = (terrain_wind_ratio(r) for r in (without, twice, once))
    assert np.abs(plain - doubled).max() > 1e-3
    np.testing.assert_allclose(cleared, plain, atol=1e-6)
