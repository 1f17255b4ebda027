"""Belts: defaults with notices, errors with hints, and porosity by season."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from shelterscape.errors import InputError
from shelterscape.science.belts import (
    belts_in_season,
    complete,
    porosity_in_season,
    with_height_and_porosity,
)
from shelterscape.science.value_sources import sources_of

LINE = shapely.LineString([(0, 0), (10, 0), (10, 5)])


def layer(**columns):
    return gpd.GeoDataFrame({"height_m": [5.0]} | columns, geometry=[LINE], crs="EPSG:25832")


def test_defaults_are_filled_in_and_reported():
    belts, notices = complete(layer(), "belts")
    row = belts.iloc[0]
    assert (row.porosity, row.bare_porosity, row.width_m) == (0.4, 0.6, 3.0)
    sources = sources_of(row.assumed)
    assert sources.pop("height_m") == "layer"
    assert {"porosity", "bare_porosity", "width_m", "belt_type", "porosity_low"} <= set(sources)
    assert set(sources.values()) == {"default"}
    assert {n.code for n in notices} == {"value-assumed"}
    assert belts.crs == "EPSG:25832"


def test_nothing_is_assumed_if_all_values_are_given():
    full = layer(porosity=[0.3], bare_porosity=[0.5], width_m=[2.0], belt_type=["hedge"])
    belts, notices = complete(full, "belts")
    sources = sources_of(belts.assumed.iloc[0])
    given = ("height_m", "porosity", "bare_porosity", "width_m", "belt_type")
    assert {sources[column] for column in given} == {"layer"}
    assert notices == []


@pytest.mark.parametrize(
    ("columns", "bare"),
    [
        ({"species": ["Scots pine"], "porosity": [0.35]}, 0.35),
        ({"species": ["sitka SPRUCE"], "porosity": [0.35]}, 0.35),
        ({"belt_type": ["wall"], "porosity": [0.0]}, 0.0),
        ({"belt_type": ["fence"], "porosity": [0.45]}, 0.45),
        ({"species": ["hawthorn"], "porosity": [0.35]}, 0.6),
        ({"species": ["something rare"], "porosity": [0.35]}, 0.6),
        ({"species": ["birch"], "porosity": [0.7]}, 0.7),  # never denser without leaves
    ],
)
def test_bare_porosity(columns, bare):
    belts, _ = complete(layer(**columns), "belts")
    assert porosity_in_season(belts, "bare")[0] == pytest.approx(bare)
    assert porosity_in_season(belts, "in-leaf")[0] == pytest.approx(columns["porosity"][0])


@pytest.mark.parametrize(
    ("columns", "code", "says"),
    [
        ({"height_m": [np.nan]}, "belts-no-height", "height"),
        ({"height_m": [350.0]}, "column-bad", "centimetres"),
        ({"height_m": [-2.0]}, "column-bad", "between"),
        ({"height_m": ["tall"]}, "column-bad", "must be a number"),
        ({"height_m": [np.inf]}, "column-bad", "between"),
        ({"porosity": [40.0]}, "column-bad", "percent"),
        ({"bare_porosity": [-0.1]}, "column-bad", "between"),
        ({"width_m": [1e6]}, "column-bad", "between"),
        ({"planted_year": ["long ago"]}, "column-bad", "planted_year must be a number"),
    ],
)
def test_refusals(columns, code, says):
    with pytest.raises(InputError, match=says) as caught:
        complete(layer(**columns), "belts")
    assert caught.value.code == code


def test_the_error_for_missing_heights_states_what_to_do():
    with pytest.raises(InputError, match=r"--field belts\.height_m"):
        complete(layer().drop(columns="height_m"), "belts")


def test_points_are_refused_as_belts():
    frame = gpd.GeoDataFrame(
        {"height_m": [5.0, 5.0]}, geometry=[LINE, shapely.Point(1, 1)], crs="EPSG:25832"
    )
    with pytest.raises(InputError, match="1 of 2") as caught:
        complete(frame, "belts")
    assert caught.value.code == "belts-points"


def test_numbers_written_as_text_are_read():
    belts, _ = complete(layer(height_m=["4.5"], planted_year=["2019"]), "belts")
    assert belts.height_m.iloc[0] == 4.5
    assert belts.planted_year.iloc[0] == 2019


def test_text_of_spaces_in_a_column_of_numbers_is_an_empty_cell():
    frame = gpd.GeoDataFrame(
        {"height_m": ["5", "6", "7"], "width_m": ["4", "  ", None]}, geometry=[LINE] * 3
    )
    belts, _ = complete(frame, "belts")
    assert belts["width_m"].tolist() == [4.0, 3.0, 3.0]
    with pytest.raises(InputError) as caught:
        complete(frame.assign(height_m=["5", "", "7"]), "belts")
    assert "feature 2" in str(caught.value.where)


def test_a_height_can_be_calculated_from_growth():
    grows = layer(height_m=[np.nan], species=["birch"], planted_year=[2010])
    belts, _ = complete(grows, "belts")
    assert np.isnan(belts.height_m.iloc[0])


@pytest.mark.parametrize(("long", "wide"), [(200.0, 12.0), (50.0, 50.0), (600.0, 4.0)])
def test_the_width_of_an_area_follows_from_its_outline(long, wide):
    frame = gpd.GeoDataFrame({"height_m": [5.0]}, geometry=[shapely.box(0, 0, long, wide)])
    belts, _ = complete(frame, "belts")
    assert belts.width_m.iloc[0] == pytest.approx(wide)
    assert sources_of(belts.assumed.iloc[0])["width_m"] == "layer"


def test_the_lower_half():
    plain, _ = complete(layer(porosity=[0.4]), "belts")
    bank, _ = complete(layer(porosity=[0.4], belt_type=["Bank with hedge"]), "belts")
    assert plain.porosity_low.iloc[0] == 0.4
    assert (bank.belt_type.iloc[0], bank.porosity_low.iloc[0]) == ("bank with hedge", 0.2)
    # With half of its density it also has half of the density of its lower half.
    bare = belts_in_season(complete(layer(porosity=[0.4], bare_porosity=[0.7]), "belts")[0], "bare")
    assert bare.porosity_low.iloc[0] == pytest.approx(0.7)


def test_bare_stems_open_the_lower_half():
    belts, _ = complete(layer(height_m=[8.0], bare_stem_m=[2.0], porosity=[0.4]), "belts")
    assert belts_in_season(belts, "in-leaf").porosity_low.iloc[0] == pytest.approx(0.7)
    taller = with_height_and_porosity(belts, np.array([16.0]), np.array([0.4]), "in-leaf")
    assert taller.porosity_low.iloc[0] == pytest.approx(0.55)
