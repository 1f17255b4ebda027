"""Site wind: hills and belts together, in science and in the process `shelter`."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from run_helpers import CELLS, CRS, NORTH, WEST, project
from shapely import box

import shelterscape
from shelterscape.science.site_wind import SiteWind
from shelterscape.science.terrain import OpenWind

SHAPE = (4, 5)


def hills(seed, valid=True):
    rng = np.random.default_rng(seed)
    change = rng.uniform(-0.6, 0.9, SHAPE).astype(np.float32)
    return OpenWind(change, np.zeros(SHAPE, np.float32), np.full(SHAPE, valid))


def behind(seed):
    return np.random.default_rng(seed).uniform(0.2, 1.1, (1, *SHAPE)).astype(np.float32)


def gathered(winds, power):
    """Winds of weight, hills and field, gathered for one case."""
    site = SiteWind(SHAPE, 1, power)
    for weight, over, field in winds:
        site.add([weight], over, field)
    return site


@given(power=st.sampled_from([1.0, 2.0, 3.0]), first=st.floats(0.0, 1.0))
def test_means_are_those_of_the_formula(power, first):
    """By plain arithmetic, cell by cell."""
    winds = [(first, hills(1), behind(2)), (1 - first, hills(3), behind(4))]
    site = gathered(winds, power)
    top = sum(w * ((1 + h.speed_up.astype(float)) * r[0]) ** power for w, h, r in winds)
    foot = sum(w * (1 + h.speed_up.astype(float)) ** power for w, h, r in winds)
    np.testing.assert_allclose(site.site(0), top ** (1 / power), rtol=1e-5)
    np.testing.assert_allclose(site.relative(0), (top / foot) ** (1 / power), rtol=1e-5)


def test_one_wind_is_open_wind_times_relative_wind():
    site = gathered([(1.0, hills(5), behind(6))], 2.0)
    np.testing.assert_allclose(site.relative(0), behind(6)[0], rtol=1e-6)
    np.testing.assert_allclose(site.site(0), (1 + hills(5).speed_up) * behind(6)[0], rtol=1e-6)


def test_winds_of_any_order_and_no_weight():
    winds = [(0.25, hills(1), behind(2)), (0.75, hills(3), behind(4))]
    there, back = gathered(winds, 1.0), gathered(winds[::-1], 1.0)
    np.testing.assert_allclose(there.site(0), back.site(0), rtol=1e-6)
    unknown = OpenWind(
        np.full(SHAPE, np.nan, np.float32), np.zeros(SHAPE, np.float32), np.zeros(SHAPE, bool)
    )
    with_idle = gathered([*winds, (0.0, unknown, behind(7))], 1.0)
    np.testing.assert_array_equal(with_idle.site(0), there.site(0))


def test_ground_modelled_for_most_of_the_wind_counts_as_modelled():
    winds = [(0.6, hills(1, valid=True), behind(2)), (0.4, hills(3, valid=False), behind(4))]
    assert not gathered(winds, 1.0).not_modelled(0).any()
    winds = [(0.4, hills(1, valid=True), behind(2)), (0.6, hills(3, valid=False), behind(4))]
    assert gathered(winds, 1.0).not_modelled(0).all()


# --- in the process ---------------------------------------------------------------------------


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


def test_hills_never_change_relative_wind_or_zones(inputs, tmp_path):
    hilly = shelterscape.shelter(**inputs, out=tmp_path / "a")
    level = shelterscape.shelter(**inputs, terrain=False, out=tmp_path / "b")
    np.testing.assert_array_equal(
        bands(hilly, "relative_wind")["in leaf"], bands(level, "relative_wind")["in leaf"]
    )
    zones = [layer(r, "shelter_zones") for r in (hilly, level)]
    assert len(zones[0]) > 1
    assert zones[0].geometry.geom_equals(zones[1].geometry).all()
    assert zones[0]["zone"].tolist() == zones[1]["zone"].tolist()
    assert "site_wind" in hilly.rasters and "site_wind" not in level.rasters
    # Their weights differ over places, by what hills make of each wind there.
    means = [layer(r, "places")["relative_wind"].iloc[0] for r in (hilly, level)]
    assert means[0] != means[1] and means[0] == pytest.approx(means[1], abs=0.02)


def test_site_wind_is_open_wind_times_relative_wind_wind_by_wind(inputs, tmp_path):
    """Put together by hand from what `exposure` and `shelter` write for each wind."""
    shelter = shelterscape.shelter(**inputs, by_direction=True, out=tmp_path / "a")
    ground = {k: inputs[k] for k in ("dem", "winds")} | {"by_direction": True}
    exposure = shelterscape.exposure(**ground, at_height_m=1.5, limit_m=100, out=tmp_path / "b")
    open_wind, relative = bands(exposure, "open_wind"), bands(shelter, "relative_wind_by_direction")
    by_hand = sum(
        share / 0.9 * open_wind[f"from {d}°"] * relative[f"in leaf {d}°"]
        for d, share in ((210, 0.5), (240, 0.4))
    )
    np.testing.assert_allclose(bands(shelter, "site_wind")["in leaf"], by_hand, rtol=1e-4)
    found = layer(shelter, "places").iloc[0]
    cells = (slice(15, 40), slice(15, 45))
    assert found["site_wind"] == pytest.approx(by_hand[cells].mean(), rel=1e-4)


def test_on_level_ground_hills_change_nothing(inputs, tmp_path):
    with rasterio.open(inputs["dem"], "r+") as data:
        data.write(np.full((1, CELLS, CELLS), 20, "float32"))
    hilly = shelterscape.shelter(**inputs, power=2.0, out=tmp_path / "a")
    level = shelterscape.shelter(**inputs, power=2.0, terrain=False, out=tmp_path / "b")
    means = [layer(r, "places")["relative_wind"].iloc[0] for r in (hilly, level)]
    assert means[0] == pytest.approx(means[1], abs=1e-6)
    wind, relative = (bands(hilly, n)["in leaf"] for n in ("site_wind", "relative_wind"))
    plain = wind / relative
    assert plain.std() < 1e-5 * plain.mean()
    # Root-mean-square speed at 1.5 m: Rayleigh spread (k = 2) makes <U²> = 4/π mean²; log law.
    squares = (0.5 * 5**2 + 0.4 * 8**2) / 0.9 * 4 / np.pi
    lift = np.log(1.5 / 0.03) / np.log(10 / 0.03)
    assert plain.mean() == pytest.approx(np.sqrt(squares) * lift, rel=1e-4)


@pytest.mark.pictures
def test_ground_not_modelled_is_told_counted_and_drawn(inputs, tmp_path):
    result = shelterscape.shelter(**inputs, out=tmp_path / "a")
    lost = layer(result, "not_modelled")
    hilly = lost[lost["reason"].str.contains("terrain wind")]
    assert len(hilly) == 1 and hilly["area_ha"].iloc[0] > 0
    texts = [n["text"] for n in result.record["steps"][0]["notices"] if n["code"] == "not-modelled"]
    assert any(f"{hilly['area_ha'].iloc[0]:,.1f} ha" in text for text in texts)
    assert (tmp_path / "a" / "preview-site_wind.png").stat().st_size > 10_000
