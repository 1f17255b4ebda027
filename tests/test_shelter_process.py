"""The process `shelter`: cases, purposes, places and what its files say."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from run_helpers import CRS, NORTH, WEST, project
from shapely import box

import shelterscape
from shelterscape.errors import InputError

WINDS = """subset,direction_deg,frequency,mean_speed_ms
,210,.5,5
,240,.4,6
,calm,.1,
winter,240,.7,8
winter,300,.2,6
winter,calm,.1,
"""


@pytest.fixture
def inputs(tmp_path):
    """Inputs with a wind table, species, years planted and places."""
    given = project(tmp_path / "in")
    (tmp_path / "in" / "winds.csv").write_text(WINDS, encoding="utf-8")
    belts = gpd.read_file(given["belts"], layer="belts")
    belts["species"], belts["planted_year"] = ["birch", "hazel"], [2010, 2035]
    belts.to_file(given["belts"], layer="belts", driver="GPKG")
    places = gpd.GeoDataFrame(
        {"name": ["a", "b"], "purpose": ["outwintering stock", "crop"], "head": [40, None]},
        geometry=[
            box(WEST + 360, NORTH - 140, WEST + 480, NORTH - 80),
            box(WEST, NORTH - 599, WEST + 80, NORTH - 500),
        ],
        crs=CRS,
    )
    places.to_file(tmp_path / "in" / "places.gpkg", layer="places", driver="GPKG")
    del given["seasons"]
    winds = str(tmp_path / "in" / "winds.csv")
    return given | {"winds": winds, "places": f"{tmp_path}/in/places.gpkg:places"}


def layer(result, name):
    path, _, found = str(result.layers[name]).rpartition(":")
    return pyogrio.read_dataframe(path, layer=found)


def test_cases_run_through_every_output(inputs, tmp_path):
    result = shelterscape.shelter(
        **inputs, years=("surveyed", 2030, 2045), by_direction=True, out=tmp_path / "o"
    )
    labels = [f"{s}{y}" for y in ("", " 2030", " 2045") for s in ("in leaf", "bare")]
    with rasterio.open(result.rasters["relative_wind"]) as data:
        assert list(data.descriptions) == labels
        fields = dict(zip(labels, data.read(), strict=True))
    with rasterio.open(result.rasters["relative_wind_by_direction"]) as data:
        assert list(data.descriptions) == [f"{label} {d}°" for label in labels for d in (210, 240)]
        single = dict(zip(data.descriptions, data.read(), strict=True))
    weight = 0.5 * 5 / (0.5 * 5 + 0.4 * 6)
    mean = weight * single["bare 2045 210°"] + (1 - weight) * single["bare 2045 240°"]
    np.testing.assert_allclose(fields["bare 2045"], mean, atol=1e-5)
    # Growth only ever adds shelter here, and the hazel is not there before it is planted.
    assert fields["in leaf 2045"].sum() < fields["in leaf 2030"].sum()
    belts = layer(result, "belts")
    names = belts.groupby(["season", "year"], dropna=False)["name"].apply(list).to_dict()
    assert names["in leaf", 2030.0] == ["low"]
    assert sorted(names["bare", 2045.0]) == ["low", "top"]
    low = belts[(belts["name"] == "low") & (belts["season"] == "in leaf")]
    assert low["height_m"].is_monotonic_increasing
    np.testing.assert_allclose(low["reach_possible_m"], 1.24 * low["reach_likely_m"])
    for name in ("shelter_zones", "shelter_zones_by_direction", "places"):
        assert set(layer(result, name)["season"]) == {"in leaf", "bare"}
    table = pd.read_csv(result.tables["sheltered_hectares"])
    for row in table.itertuples():
        label = row.season if np.isnan(row.year) else f"{row.season} {int(row.year)}"
        assert row.sheltered_ha == pytest.approx((1 - fields[label]).sum() / 100, rel=1e-4)
    assert set(result.pictures) == {"relative_wind", "site_wind", "sheltered_hectares"}


def test_places_by_hand(inputs, tmp_path):
    result = shelterscape.shelter(**inputs, seasons=("bare",), terrain=False, out=tmp_path / "o")
    with rasterio.open(result.rasters["relative_wind"]) as data:
        field = data.read(1)
    places = layer(result, "places").set_index("name")
    inside = field[8:14, 36:48]
    assert places.loc["a", "relative_wind"] == pytest.approx(inside.mean(), abs=1e-5)
    assert places.loc["a", "covered_share"] == pytest.approx((inside < 0.95).mean(), abs=1e-5)
    assert places.loc["a", "cut_40_up_ha"] == pytest.approx((inside < 0.6).sum() / 100, abs=1e-6)
    assert places.loc["a", "corner_share"] > 0
    assert np.isnan(places.loc["b", "corner_share"])
    assert places.loc["b", "target_reached"] == "not as surveyed"
    corners = layer(result, "sheltered_corners")
    assert corners["name"].tolist() == ["a"]
    assert corners.geometry.area.iloc[0] >= 40 * 2.3


def test_the_first_year_a_place_reaches_its_target(inputs, tmp_path):
    place = gpd.GeoDataFrame(
        {"name": ["lee"], "purpose": ["old trees"]},
        geometry=[box(WEST + 400, NORTH - 145, WEST + 470, NORTH - 120)],
        crs=CRS,
    )
    place.to_file(tmp_path / "lee.gpkg", layer="p", driver="GPKG")
    given = inputs | {"places": str(tmp_path / "lee.gpkg"), "purpose": "old trees", "power": 1.0}
    belts = gpd.read_file(inputs["belts"], layer="belts")
    belts["planted_year"], belts["species"], belts["height_m"] = 2000, "poplar", np.nan
    belts.to_file(inputs["belts"], layer="belts", driver="GPKG")
    years = (2003, 2015, 2030)
    result = shelterscape.shelter(**given, years=years, out=tmp_path / "o")
    found = layer(result, "places")
    assert found["relative_wind"].is_monotonic_decreasing
    reached = found.loc[found["relative_wind"] <= 0.85, "year"].min()
    assert found["target_reached"].unique().tolist() == [str(int(reached))]
    assert reached > 2003


def test_a_purpose_settles_what_is_left_open(inputs, tmp_path):
    result = shelterscape.shelter(
        **inputs, purpose="outwintering stock", at_height_m=0.5, out=tmp_path / "o"
    )
    with rasterio.open(result.rasters["relative_wind"]) as data:
        assert data.descriptions == ("bare",)
    told = next(n.text for n in result.notices if n.code == "purpose-used")
    assert "season bare" in told and "given instead: at_height_m" in told
    by_hand = shelterscape.shelter(
        **inputs, seasons=("bare",), subset="winter", at_height_m=0.5, out=tmp_path / "h"
    )
    np.testing.assert_array_equal(
        rasterio.open(result.rasters["relative_wind"]).read(),
        rasterio.open(by_hand.rasters["relative_wind"]).read(),
    )


def test_local_heights_are_believed(inputs, tmp_path):
    asked = inputs | {"seasons": ("bare",), "years": (2040,)}
    usual = shelterscape.shelter(**asked, out=tmp_path / "usual")
    local = shelterscape.shelter(**asked, local_heights=("birch 20 m at 20",), out=tmp_path / "l")
    heights = [layer(r, "belts").set_index("name").height_m["low"] for r in (usual, local)]
    assert heights[1] > heights[0] + 3


def test_steep_ground_is_told_and_mapped(inputs, tmp_path):
    with rasterio.open(inputs["dem"], "r+") as data:
        ground = data.read(1)
        ground[:, 24:] += 40.0
        data.write(ground, 1)
    result = shelterscape.shelter(**inputs, out=tmp_path / "o")
    lost = layer(result, "not_modelled")
    steep = lost[lost["reason"].str.startswith("ground steeper")]
    assert set(steep["season"]) == {"in leaf", "bare"}
    table = pd.read_csv(result.tables["sheltered_hectares"])
    np.testing.assert_allclose(steep["area_ha"], table["not_modelled_ha"])
    assert "not-modelled" in {n.code for n in result.notices}


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"years": (1066,)}, "input-refused"),
        ({"purpose": "lambs"}, "input-refused"),
        ({"local_heights": ("tall birch",)}, "input-refused"),
        ({"at_height_m": -1.0}, "input-refused"),
        ({"combine": "largest"}, "input-refused"),
        ({"fields": {"places.purpos": "use"}}, "name-unknown"),
    ],
)
def test_refusals(inputs, tmp_path, changes, code):
    with pytest.raises(InputError) as caught:
        shelterscape.shelter(**inputs | changes, out=tmp_path / "o")
    assert caught.value.code == code
    assert not (tmp_path / "o").exists()


def test_a_belt_without_height_needs_a_year(inputs, tmp_path):
    belts = gpd.read_file(inputs["belts"], layer="belts")
    belts["height_m"] = np.nan
    belts.to_file(inputs["belts"], layer="belts", driver="GPKG")
    with pytest.raises(InputError, match="Give a year"):
        shelterscape.shelter(**inputs, out=tmp_path / "o")
    shelterscape.shelter(**inputs, years=(2040,), out=tmp_path / "o")
