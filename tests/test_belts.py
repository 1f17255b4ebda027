"""Belts: defaults that are said, refusals that help, and straight pieces."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from shelterscape.errors import InputError
from shelterscape.science.belts import Case, complete, seasonal_porosity, straight_pieces

LINE = shapely.LineString([(0, 0), (10, 0), (10, 5)])


def layer(**columns):
    return gpd.GeoDataFrame({"height_m": [5.0]} | columns, geometry=[LINE], crs="EPSG:25832")


def test_defaults_are_filled_counted_and_named():
    belts, notices = complete(layer(), "belts")
    row = belts.iloc[0]
    assert (row.porosity, row.bare_porosity, row.width_m) == (0.4, 0.6, 3.0)
    assert set(row.assumed.split(", ")) == {"porosity", "bare_porosity", "width_m", "belt_type"}
    assert {n.code for n in notices} == {"value-assumed"}
    assert belts.crs == "EPSG:25832"


def test_nothing_assumed_when_all_is_given():
    full = layer(porosity=[0.3], bare_porosity=[0.5], width_m=[2.0], belt_type=["hedge"])
    belts, notices = complete(full, "belts")
    assert belts.assumed.iloc[0] == ""
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
        ({"species": ["birch"], "porosity": [0.7]}, 0.7),  # never closes by dropping leaves
    ],
)
def test_bare_porosity(columns, bare):
    belts, _ = complete(layer(**columns), "belts")
    assert seasonal_porosity(belts, Case("bare"))[0] == pytest.approx(bare)
    assert seasonal_porosity(belts, Case("in-leaf"))[0] == pytest.approx(columns["porosity"][0])


@pytest.mark.parametrize(
    ("columns", "code", "says"),
    [
        ({"height_m": [np.nan]}, "belts-no-height", "height"),
        ({"height_m": [350.0]}, "column-bad", "centimetres"),
        ({"height_m": [-2.0]}, "column-bad", "between"),
        ({"height_m": ["tall"]}, "column-bad", "numbers"),
        ({"height_m": [np.inf]}, "column-bad", "between"),
        ({"porosity": [40.0]}, "column-bad", "percent"),
        ({"bare_porosity": [-0.1]}, "column-bad", "between"),
        ({"width_m": [1e6]}, "column-bad", "between"),
        ({"planted_year": ["long ago"]}, "column-bad", "years"),
    ],
)
def test_refusals(columns, code, says):
    with pytest.raises(InputError, match=says) as caught:
        complete(layer(**columns), "belts")
    assert caught.value.code == code


def test_a_layer_without_heights_names_the_way_out():
    with pytest.raises(InputError, match=r"--field belts\.height_m"):
        complete(layer().drop(columns="height_m"), "belts")


def test_points_are_no_belts():
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


def test_straight_pieces():
    many = shapely.MultiLineString([[(0, 0), (1, 0)], [(5, 5), (5, 6), (5, 6), (7, 6)]])
    square = shapely.box(0, 0, 2, 2)
    ends, owner = straight_pieces(np.array([LINE, many, square], dtype=object))
    assert owner.tolist() == [0, 0, 1, 1, 1, 2, 2, 2, 2]
    lengths = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    assert lengths.tolist() == [10, 5, 1, 1, 2, 2, 2, 2, 2]


def test_no_pieces_of_nothing():
    ends, owner = straight_pieces(np.array([], dtype=object))
    assert ends.shape == (0, 4)
    assert owner.shape == (0,)


def test_areas_act_through_their_outlines_and_that_is_said():
    frame = gpd.GeoDataFrame({"height_m": [5.0]}, geometry=[shapely.box(0, 0, 9, 9)])
    _, notices = complete(frame, "belts")
    assert ("belts-as-boundary", 1) in [(n.code, n.count) for n in notices]
