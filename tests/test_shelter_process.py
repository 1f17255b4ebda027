"""The process `shelter`: cases, purposes, places and the content of its files."""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from rounding import half_digit
from run_helpers import CRS, NORTH, WEST, project
from shapely import box

import shelterscape
from shelterscape import registry
from shelterscape.errors import InputError
from shelterscape.kernels.shelter_curves import CURVES, DEFAULT_CURVE
from shelterscape.process.inputs import validated
from shelterscape.process.reading import Reader
from shelterscape.process.stages import collect
from shelterscape.processes.shelter import work
from shelterscape.processes.shelter.summary import _hectares
from shelterscape.science.belts import Case
from shelterscape.terms import TERMS

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


def test_every_output_has_every_case(inputs, tmp_path):
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
    # Growth only adds shelter here, and the hazel is left out before it is planted.
    assert fields["in leaf 2045"].sum() < fields["in leaf 2030"].sum()
    belts = layer(result, "belts_assessed")
    names = belts.groupby(["season", "year"], dropna=False)["name"].apply(list).to_dict()
    assert names["in leaf", 2030.0] == ["low"]
    assert sorted(names["bare", 2045.0]) == ["low", "top"]
    low = belts[(belts["name"] == "low") & (belts["season"] == "in leaf")]
    assert low["height_m"].is_monotonic_increasing
    for row in low.itertuples():
        expected, upper = row.sheltered_distance_expected_m, row.sheltered_distance_upper_m
        rounding = 1.41 * half_digit("sheltered_distance_expected_m", expected)
        rounding += half_digit("sheltered_distance_upper_m", upper)
        assert abs(upper - 1.41 * expected) <= rounding
    for name in ("shelter_zones", "shelter_zones_by_direction", "places_shelter"):
        assert set(layer(result, name)["season"]) == {"in leaf", "bare"}
    table = pd.read_csv(result.tables["equivalent_sheltered_area"])
    for row in table.itertuples():
        label = row.season if np.isnan(row.year) else f"{row.season} {int(row.year)}"
        by_cells = (1 - fields[label].astype(float)).sum() / 100
        rounding = half_digit("equivalent_sheltered_ha", by_cells)
        assert row.equivalent_sheltered_ha == pytest.approx(by_cells, abs=rounding + 1e-4)
    assert set(result.pictures) == {"relative_wind", "site_wind", "equivalent_sheltered_area"}


def test_a_heading_states_season_and_year():
    assert Case("in-leaf").heading == "in leaf, as surveyed"
    assert Case("in-leaf", 2045).heading == "in leaf, projected growth to 2045"
    assert Case("bare", 2030).heading == "bare, projected growth to 2030"


def test_maps_and_findings_carry_the_heading_of_their_case(inputs):
    """A map of grown belts is not labelled as one of belts as surveyed, nor the reverse."""
    process = registry.find("shelter")
    params = validated(process.inputs, inputs | {"years": ("surveyed", 2030)}, "shelter")
    data = work.load(params, Reader())
    rasters, results = collect(work.compute(data))
    summary = work.summarise(results, params)
    headings = [
        f"{season}, {when}"
        for when in ("as surveyed", "projected growth to 2030")
        for season in ("in leaf", "bare")
    ]
    assert [text.split(":")[0] for text in summary.answer[-4:]] == headings
    for name, raster in (("relative_wind", "relative_wind"), ("site_wind", "site_wind_ms")):
        panels = summary.pictures[name].panels
        shown = [panel for panel in panels if panel.term == raster]
        by_heading = {panel.heading.split("; ")[0]: panel.values for panel in shown}
        assert set(by_heading) == set(headings) and len(shown) == len(headings)
        for heading, band in zip(headings, rasters[raster], strict=True):
            np.testing.assert_array_equal(by_heading[heading], band)
    change = summary.pictures["relative_wind"].panels[-1]
    assert change.heading == "change, bare, as surveyed to 2030"
    wind = rasters["relative_wind"]
    np.testing.assert_array_equal(change.values, wind[1] - wind[3])
    # The hazel is planted in 2035, so the two years differ.
    assert (rasters["relative_wind"][0] != rasters["relative_wind"][2]).any()


def test_the_finding_states_equivalent_area_and_area_reduced(inputs):
    process = registry.find("shelter")
    params = validated(process.inputs, inputs | {"seasons": ("bare",)}, "shelter")
    rasters, results = collect(work.compute(work.load(params, Reader())))
    field = rasters["relative_wind"][0].astype(float)
    sheltered, factor = (1 - field).sum(), CURVES[DEFAULT_CURVE].shelter_factor
    cells = (
        *(sheltered * scale for scale in (1, 1 / factor, factor)),
        (field < 0.95).sum(),
        field.size,
    )
    finding = work.summarise(results, params).answer[-1]
    numbers = re.fullmatch(
        r"bare, as surveyed: equivalent sheltered area (\S+) ha \((\S+)–(\S+) from published "
        r"belts\); (\S+) of (\S+) ha reduced by 5 % or more",
        finding,
    ).groups()
    # One decimal, so an error of up to 0.05 ha; cells are of 0.01 ha.
    assert [float(n) for n in numbers] == pytest.approx([n / 100 for n in cells], abs=0.05 + 1e-6)


def test_large_areas_in_findings_are_whole_hectares():
    assert [_hectares(area) for area in (6400.4, 173.2, 99.94, 0.81)] == [
        "6,400",
        "173",
        "99.9",
        "0.8",
    ]


def test_equivalent_areas_have_a_unit_of_their_own(inputs, tmp_path):
    """Columns, figures and the legend of the chart state ha eq., never ha."""
    for output in registry.find("shelter").outputs:
        for name in getattr(output, "columns", ()):
            assert (TERMS[name].unit == "ha eq.") == name.startswith("equivalent_sheltered"), name
    for figure in registry.find("shelter").figures:
        equivalent = figure.name.startswith("equivalent_sheltered")
        assert (TERMS[figure.name].unit == "ha eq.") == equivalent
    assert TERMS["equivalent_sheltered_ha"].label == "equivalent sheltered area (ha eq.)"
    process = registry.find("shelter")
    params = validated(process.inputs, inputs | {"years": ("surveyed", 2045)}, "shelter")
    _, results = collect(work.compute(work.load(params, Reader())))
    summary = work.summarise(results, params)
    assert summary.pictures["equivalent_sheltered_area"].y_label.endswith("(ha eq.)")
    table = results.tables["equivalent_sheltered_area"]
    surveyed = table[table["year"].isna()].set_index("season")["equivalent_sheltered_ha"]
    assert summary.figures == {
        "equivalent_sheltered_in_leaf_ha": surveyed["in leaf"],
        "equivalent_sheltered_bare_ha": surveyed["bare"],
        "shelter_error_factor": CURVES[DEFAULT_CURVE].shelter_factor,
    }
    assert set(summary.figures) == {figure.name for figure in process.figures}


def test_places_equal_means_over_cells(inputs, tmp_path):
    result = shelterscape.shelter(**inputs, seasons=("bare",), terrain=False, out=tmp_path / "o")
    with rasterio.open(result.rasters["relative_wind"]) as data:
        field = data.read(1)
    places = layer(result, "places_shelter").set_index("name")
    inside = field[8:14, 36:48]
    for column, by_cells in (
        ("relative_wind", inside.mean()),
        ("reduced_5_up_share", (inside < 0.95).mean()),
        ("reduced_40_up_ha", (inside < 0.6).sum() / 100),
    ):
        rounding = half_digit(column, by_cells)
        assert places.loc["a", column] == pytest.approx(by_cells, abs=rounding + 1e-5)
    assert places.loc["a", "corner_time_share"] > 0
    assert np.isnan(places.loc["b", "corner_time_share"])
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
    given = inputs | {
        "places": str(tmp_path / "lee.gpkg"),
        "purpose": "old trees",
        "speed_exponent": 1.0,
    }
    belts = gpd.read_file(inputs["belts"], layer="belts")
    belts["planted_year"], belts["species"], belts["height_m"] = 2000, "poplar", np.nan
    belts.to_file(inputs["belts"], layer="belts", driver="GPKG")
    years = (2003, 2015, 2030)
    result = shelterscape.shelter(**given, years=years, out=tmp_path / "o")
    found = layer(result, "places_shelter")
    assert found["relative_wind"].is_monotonic_decreasing
    reached = found.loc[found["relative_wind"] <= 0.85, "year"].min()
    assert found["target_reached"].unique().tolist() == [str(int(reached))]
    assert reached > 2003


def test_a_purpose_sets_values_that_are_not_given(inputs, tmp_path):
    result = shelterscape.shelter(
        **inputs, purpose="outwintering stock", at_height_m=0.5, out=tmp_path / "o"
    )
    with rasterio.open(result.rasters["relative_wind"]) as data:
        assert data.descriptions == ("bare",)
    reported = next(n.text for n in result.notices if n.code == "purpose-used")
    assert "season bare" in reported and "given as inputs: at_height_m" in reported
    by_hand = shelterscape.shelter(
        **inputs, seasons=("bare",), subset="winter", at_height_m=0.5, out=tmp_path / "h"
    )
    np.testing.assert_array_equal(
        rasterio.open(result.rasters["relative_wind"]).read(),
        rasterio.open(by_hand.rasters["relative_wind"]).read(),
    )


def test_local_heights_replace_those_of_the_table(inputs, tmp_path):
    requested = inputs | {"seasons": ("bare",), "years": (2040,)}
    usual = shelterscape.shelter(**requested, out=tmp_path / "usual")
    local = shelterscape.shelter(
        **requested, local_heights=("birch 20 m at 20",), out=tmp_path / "l"
    )
    heights = [layer(r, "belts_assessed").set_index("name").height_m["low"] for r in (usual, local)]
    assert heights[1] > heights[0] + 3


def test_steep_ground_is_reported_and_mapped(inputs, tmp_path):
    with rasterio.open(inputs["dem"], "r+") as data:
        ground = data.read(1)
        ground[:, 24:] += 40.0
        data.write(ground, 1)
    result = shelterscape.shelter(**inputs, out=tmp_path / "o")
    not_modelled = layer(result, "shelter_not_modelled")
    steep = not_modelled[not_modelled["reason"].str.startswith("ground steeper")]
    assert set(steep["season"]) == {"in leaf", "bare"}
    table = pd.read_csv(result.tables["equivalent_sheltered_area"])
    np.testing.assert_allclose(steep["area_ha"], table["shelter_not_modelled_ha"])
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
