"""Layers of the planner other than parcels and belts."""

from __future__ import annotations

import geopandas as gpd
import pytest
from line_helpers import CRS, array_of
from shapely import LineString, MultiPoint, Point, box

from shelterscape.errors import InputError
from shelterscape.science.siting import planner_layers


def layer(*shapes, **columns) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=array_of(*shapes), crs=CRS)


LINE = LineString([(0, 0), (100, 0)])


def test_lines_with_and_without_columns():
    plain = planner_layers.drawn_lines(layer(LINE), "lines")
    assert plain[["name", "design"]].iloc[0].tolist() == ["", ""]
    assert not plain["must_have"].any() and not plain["forbidden"].any()
    answers = layer(LINE, LINE, LINE, must_have=["Yes", None, "0"], forbidden=[False, True, None])
    found = planner_layers.drawn_lines(answers, "lines")
    assert found["must_have"].tolist() == [True, False, False]
    assert found["forbidden"].tolist() == [False, True, False]


@pytest.mark.parametrize(
    ("shape", "columns"),
    [
        (Point(0, 0), {}),
        (box(0, 0, 1, 1), {}),
        (LINE, {"must_have": ["perhaps"]}),
        (LINE, {"must_have": [True], "forbidden": [True]}),
    ],
)
def test_invalid_lines_are_refused(shape, columns):
    with pytest.raises(InputError) as caught:
        planner_layers.drawn_lines(layer(shape, **columns), "lines")
    assert caught.value.code == "column-bad" and "lines" in caught.value.where


def test_keep_clear_by_reason_with_its_clearance():
    shapes = (box(0, 0, 1, 1), LINE, Point(0, 0))
    frame = layer(*shapes, reason=["road", "line", "road"], clear_m=[5, None, 7])
    exclusion_zones, notices = planner_layers.keep_clear_zones(frame, "keep clear")
    assert [c.reason for c in exclusion_zones] == ["keep clear: line", "keep clear: road"]
    assert [c.clear_m.tolist() for c in exclusion_zones] == [[0.0], [5.0, 7.0]]
    assert [n.count for n in notices] == [1]
    for wrong in (-1, "near", 10_000):
        with pytest.raises(InputError):
            planner_layers.keep_clear_zones(layer(LINE, clear_m=[wrong]), "keep clear")


def test_keep_clear_reasons_that_name_a_usual_constraint_count_as_checked():
    frame = layer(LINE, LINE, reason=["deep peat on the ridge", "old barn"])
    assert planner_layers.usual_constraints_in(planner_layers.keep_clear_zones(frame, "k")[0]) == [
        "deep peat"
    ]


def test_water_and_openings():
    (water,), _ = planner_layers.water_zones(layer(LINE), "water")
    assert water.clear_m.tolist() == [planner_layers.WATER_CLEAR_M]
    (ways,), _ = planner_layers.opening_zones(
        layer(MultiPoint([(0, 0), (5, 5)]), width_m=[6.0]), "gates"
    )
    assert ways.is_opening and ways.clear_m.tolist() == [3.0, 3.0]
    assert len(ways.areas) == 2


def test_holdings_need_their_id():
    assert planner_layers.with_holding_ids(layer(box(0, 0, 1, 1), holding_id=[7]), "h")[
        "holding_id"
    ].tolist() == ["7"]
    public = layer(box(0, 0, 1, 1), box(1, 0, 2, 1), holding_id=["A", "B"], public=["false", "yes"])
    assert planner_layers.with_holding_ids(public, "h")["public"].tolist() == [False, True]
    for frame in (layer(box(0, 0, 1, 1)), layer(LINE, holding_id=["A"])):
        with pytest.raises(InputError):
            planner_layers.with_holding_ids(frame, "h")
