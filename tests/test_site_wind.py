"""Site wind, of terrain and belts: in science and in the process `shelter`."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from rounding import half_digit
from run_helpers import CELLS, CRS, NORTH, WEST, project
from shapely import box

import shelterscape
from shelterscape import registry
from shelterscape.grid import Grid
from shelterscape.process.inputs import validated
from shelterscape.process.reading import Reader
from shelterscape.process.stages import collect
from shelterscape.processes.shelter import work
from shelterscape.science.site_wind import SiteWind, work_bytes
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain.validity import LEE, MODELLED, STEEP_GROUND

SHAPE = (4, 5)


def terrain(seed, valid=True):
    rng = np.random.default_rng(seed)
    change = rng.uniform(-0.6, 0.9, SHAPE).astype(np.float32)
    return TerrainWind(change, np.zeros(SHAPE, np.float32), np.full(SHAPE, valid))


def behind(seed):
    return np.random.default_rng(seed).uniform(0.2, 1.1, (1, *SHAPE)).astype(np.float32)


def added(winds, speed_exponent):
    """Weights, terrain winds and fields, added up for one case."""
    site = SiteWind(SHAPE, 1, speed_exponent)
    for weight, terrain_wind, field in winds:
        site.add([weight], terrain_wind, field)
    return site


@given(speed_exponent=st.sampled_from([1.0, 2.0, 3.0]), first=st.floats(0.0, 1.0))
def test_means_follow_the_formula(speed_exponent, first):
    """Calculated cell by cell."""
    winds = [(first, terrain(1), behind(2)), (1 - first, terrain(3), behind(4))]
    site = added(winds, speed_exponent)
    top = sum(w * ((1 + h.speed_up.astype(float)) * r[0]) ** speed_exponent for w, h, r in winds)
    foot = sum(w * (1 + h.speed_up.astype(float)) ** speed_exponent for w, h, r in winds)
    np.testing.assert_allclose(site.site_wind_ratio(0), top ** (1 / speed_exponent), rtol=1e-5)
    np.testing.assert_allclose(
        site.relative_wind(0), (top / foot) ** (1 / speed_exponent), rtol=1e-5
    )


def test_for_one_direction_site_wind_is_terrain_wind_times_relative_wind():
    site = added([(1.0, terrain(5), behind(6))], 2.0)
    np.testing.assert_allclose(site.relative_wind(0), behind(6)[0], rtol=1e-6)
    np.testing.assert_allclose(
        site.site_wind_ratio(0), (1 + terrain(5).speed_up) * behind(6)[0], rtol=1e-6
    )


def test_order_and_directions_without_weight_change_nothing():
    winds = [(0.25, terrain(1), behind(2)), (0.75, terrain(3), behind(4))]
    there, back = added(winds, 1.0), added(winds[::-1], 1.0)
    np.testing.assert_allclose(there.site_wind_ratio(0), back.site_wind_ratio(0), rtol=1e-6)
    unknown = TerrainWind(
        np.full(SHAPE, np.nan, np.float32), np.zeros(SHAPE, np.float32), np.zeros(SHAPE, bool)
    )
    with_idle = added([*winds, (0.0, unknown, behind(7))], 1.0)
    np.testing.assert_array_equal(with_idle.site_wind_ratio(0), there.site_wind_ratio(0))


def test_ground_modelled_for_most_of_the_wind_counts_as_modelled():
    winds = [(0.6, terrain(1, valid=True), behind(2)), (0.4, terrain(3, valid=False), behind(4))]
    assert not added(winds, 1.0).not_modelled(0).any()
    winds = [(0.4, terrain(1, valid=True), behind(2)), (0.6, terrain(3, valid=False), behind(4))]
    assert added(winds, 1.0).not_modelled(0).all()


# --- in the process ---------------------------------------------------------------------------


@pytest.mark.parametrize("cases", [1, 3])
@pytest.mark.parametrize("speed_exponent", [1.0, 3.0])
def test_the_memory_of_sums_is_between_the_peak_and_twice_the_peak(cases, speed_exponent):
    grid = Grid((800, 1000), Affine(10, 0, 0, 0, -10, 8000), CRS)
    zero = np.zeros(grid.shape, np.float32)
    terrain_wind = TerrainWind(zero, zero, np.ones(grid.shape, bool))
    field = np.ones((cases, *grid.shape), np.float32)
    added([(1.0, terrain(1), behind(2))], speed_exponent)  # compiles the kernels
    tracemalloc.start()
    site = SiteWind(grid.shape, cases, speed_exponent)
    site.add([1.0] * cases, terrain_wind, field)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    estimate = work_bytes(grid, cases, speed_exponent)
    small_objects = 64e3  # the estimate is for arrays; a map here has 3.2 MB
    assert peak - small_objects <= estimate <= 2 * peak


@pytest.fixture
def inputs(tmp_path):
    given = project(tmp_path / "in")
    winds = "direction_deg,frequency,mean_speed_ms,weibull_k\n210,.5,5,2\n240,.4,8,2\ncalm,.1,,\n"
    (tmp_path / "in" / "winds.csv").write_text(winds, encoding="utf-8")
    area = box(WEST + 150, NORTH - 400, WEST + 450, NORTH - 150)
    places = gpd.GeoDataFrame({"name": ["a"], "purpose": ["crop"]}, geometry=[area], crs=CRS)
    places.to_file(tmp_path / "in" / "places.gpkg", layer="places", driver="GPKG")
    return given | {
        "winds": f"{tmp_path}/in/winds.csv",
        "places": f"{tmp_path}/in/places.gpkg:places",
    }


def bands(result, name):
    with rasterio.open(result.rasters[name]) as data:
        return dict(zip(data.descriptions, data.read(), strict=True))


def layer(result, name):
    path, _, found = str(result.layers[name]).rpartition(":")
    return pyogrio.read_dataframe(path, layer=found)


def place_means(inputs, **options):
    """Relative wind and site wind of the first place, before rounding."""
    params = validated(registry.find("shelter").inputs, inputs | options, "shelter")
    _, results = collect(work.compute(work.load(params, Reader())))
    return results.layers["places_shelter"].iloc[0]


def test_terrain_wind_does_not_change_relative_wind_or_zones(inputs, tmp_path):
    hilly = shelterscape.shelter(**inputs, out=tmp_path / "a")
    level = shelterscape.shelter(**inputs, terrain=False, out=tmp_path / "b")
    np.testing.assert_array_equal(
        bands(hilly, "relative_wind")["in leaf"], bands(level, "relative_wind")["in leaf"]
    )
    zones = [layer(r, "shelter_zones") for r in (hilly, level)]
    assert len(zones[0]) > 1
    assert zones[0].geometry.geom_equals(zones[1].geometry).all()
    assert zones[0]["zone"].tolist() == zones[1]["zone"].tolist()
    # Means over places differ: terrain wind changes the weights of directions.
    means = [place_means(inputs, terrain=t)["relative_wind"] for t in (True, False)]
    assert means[0] != means[1] and means[0] == pytest.approx(means[1], abs=0.02)


SITE_WIND, TERRAIN_WIND = (
    ("site_wind_ms", "site_wind_ratio"),
    (
        "terrain_wind_ms",
        "terrain_wind_ratio",
    ),
)


def units(result, name):
    with rasterio.open(result.rasters[name]) as data:
        return set(data.units)


@pytest.mark.parametrize("speeds", [True, False])
def test_site_wind_is_one_raster_with_its_unit(inputs, tmp_path, speeds):
    """In m/s where speeds are known, otherwise a ratio; never both in one name."""
    given = inputs if speeds else inputs | {"winds": "210,240"}
    result = shelterscape.shelter(**given, out=tmp_path / "a")
    name, unit = ("site_wind_ms", "m/s") if speeds else ("site_wind_ratio", "1")
    assert [n for n in SITE_WIND if n in result.rasters] == [name]
    assert units(result, name) == {unit}
    without = shelterscape.shelter(**given, terrain=False, out=tmp_path / "b")
    assert not set(SITE_WIND) & set(without.rasters)


@pytest.mark.parametrize("speeds", [True, False])
def test_terrain_wind_is_one_raster_with_its_unit(inputs, tmp_path, speeds):
    winds = inputs["winds"] if speeds else "210,240"
    result = shelterscape.exposure(dem=inputs["dem"], winds=winds, limit_m=100, out=tmp_path / "a")
    name, unit = ("terrain_wind_ms", "m/s") if speeds else ("terrain_wind_ratio", "1")
    assert [n for n in TERRAIN_WIND if n in result.rasters] == [name]
    assert units(result, name) == {unit}


def test_places_carry_site_wind_in_both_units(inputs, tmp_path):
    """Ratio times speed over flat, open terrain is the speed in m/s."""
    speed_ms = (0.5 * 5 + 0.4 * 8) / 0.9 * np.log(1.5 / 0.03) / np.log(10 / 0.03)
    exact = place_means(inputs)
    assert exact["site_wind_ms"] == pytest.approx(exact["site_wind_ratio"] * speed_ms, rel=1e-4)
    written = layer(shelterscape.shelter(**inputs, out=tmp_path / "a"), "places_shelter").iloc[0]
    ratio, ms = written["site_wind_ratio"], written["site_wind_ms"]
    rounding = speed_ms * half_digit("site_wind_ratio", ratio) + half_digit("site_wind_ms", ms)
    assert abs(ratio * speed_ms - ms) <= rounding + 1e-3
    unknown = place_means(inputs, winds="210,240")
    assert np.isnan(unknown["site_wind_ms"]) and unknown["site_wind_ratio"] > 0
    flat = place_means(inputs, terrain=False)
    assert np.isnan(flat["site_wind_ms"]) and np.isnan(flat["site_wind_ratio"])


def test_site_wind_is_terrain_wind_times_relative_wind_by_direction(inputs, tmp_path):
    """Compared with the rasters of `exposure` and `shelter` for each wind direction."""
    shelter = shelterscape.shelter(**inputs, by_direction=True, out=tmp_path / "a")
    ground = {k: inputs[k] for k in ("dem", "winds")} | {"by_direction": True}
    exposure = shelterscape.exposure(**ground, at_height_m=1.5, limit_m=100, out=tmp_path / "b")
    terrain_wind, relative = (
        bands(exposure, "terrain_wind_ms"),
        bands(shelter, "relative_wind_by_direction"),
    )
    by_hand = sum(
        share / 0.9 * terrain_wind[f"from {d}°"] * relative[f"in leaf {d}°"]
        for d, share in ((210, 0.5), (240, 0.4))
    )
    np.testing.assert_allclose(bands(shelter, "site_wind_ms")["in leaf"], by_hand, rtol=1e-4)
    cells = (slice(15, 40), slice(15, 45))
    assert place_means(inputs)["site_wind_ms"] == pytest.approx(by_hand[cells].mean(), rel=1e-4)


def test_on_level_ground_terrain_wind_changes_nothing(inputs, tmp_path):
    with rasterio.open(inputs["dem"], "r+") as data:
        data.write(np.full((1, CELLS, CELLS), 20, "float32"))
    hilly = shelterscape.shelter(**inputs, speed_exponent=2.0, out=tmp_path / "a")
    means = [
        place_means(inputs, speed_exponent=2.0, terrain=t)["relative_wind"] for t in (True, False)
    ]
    assert means[0] == pytest.approx(means[1], abs=1e-6)
    wind, relative = (bands(hilly, n)["in leaf"] for n in ("site_wind_ms", "relative_wind"))
    plain = wind / relative
    assert plain.std() < 1e-5 * plain.mean()
    # Root-mean-square speed at 1.5 m: Rayleigh spread (k = 2) makes <U²> = 4/π mean²; log law.
    squares = (0.5 * 5**2 + 0.4 * 8**2) / 0.9 * 4 / np.pi
    lift = np.log(1.5 / 0.03) / np.log(10 / 0.03)
    assert plain.mean() == pytest.approx(np.sqrt(squares) * lift, rel=1e-4)


@pytest.mark.pictures
def test_ground_not_modelled_is_reported_counted_and_drawn(inputs, tmp_path):
    result = shelterscape.shelter(**inputs, out=tmp_path / "a")
    not_modelled = layer(result, "shelter_not_modelled")
    hilly = not_modelled[not_modelled["reason"].str.contains("terrain wind")]
    assert hilly["reason"].tolist() == ["terrain wind is not modelled: close to unknown ground"]
    assert hilly["area_ha"].iloc[0] > 0
    texts = [n["text"] for n in result.record["steps"][0]["notices"] if n["code"] == "not-modelled"]
    assert any(f"{hilly['area_ha'].iloc[0]:,.1f} ha" in text for text in texts)
    assert (tmp_path / "a" / "preview-site_wind.png").stat().st_size > 10_000


def test_the_reason_is_that_of_the_direction_without_terrain_wind():
    """Lee from one direction, steep ground from any; the reason of the lost cells alone counts."""
    site = SiteWind(SHAPE, 1, 1.0)
    for weight, lee in ((0.6, True), (0.4, False)):
        reason = np.zeros(SHAPE, np.uint8)
        reason[0], reason[1] = LEE * lee, STEEP_GROUND
        reason[2] = LEE * (not lee)  # lost for 0.4 of the wind only
        wind = replace(terrain(1), valid=reason == 0, reason=reason)
        site.add([weight], wind, behind(2))
    found = site.reasons(0)
    assert (found[0] == LEE).all() and (found[1] == STEEP_GROUND).all()
    assert (found[2:] == MODELLED).all()
