"""A survey on foot: its table, heights by clinometer, and belts with its values."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from input_helpers import plain_belts, plain_dem

import shelterscape
from shelterscape.errors import InputError
from shelterscape.science.belts import complete
from shelterscape.science.survey_table import READ_COLUMNS, height_by_angles, read_survey
from shelterscape.science.surveyed_belts import CHANGE_COLUMNS, with_survey
from shelterscape.science.value_sources import SOURCES, sources_of


def table(*rows, **renamed):
    """A checked table from rows given as mappings."""
    text = [{column: str(row.get(column, "")) for column in READ_COLUMNS} for row in rows]
    return read_survey(pd.DataFrame(text, columns=list(READ_COLUMNS), dtype=object), "survey.csv")


def layer(line=((0, 0), (100, 0)), **columns):
    lines = [shapely.LineString(line), shapely.LineString([(0, 200), (100, 200)])]
    names = {"name": ["North hedge", "South hedge"], "height_m": [5.0, 8.0]}
    return gpd.GeoDataFrame(names | columns, geometry=lines, crs="EPSG:25832")


def surveyed(*rows, belts=None):
    rows = [{"name": "North hedge"} | row for row in rows]
    return with_survey(layer() if belts is None else belts, table(*rows), "survey.csv")


# ---- heights


@pytest.mark.parametrize(
    ("distance", "up", "down", "height"),
    [
        # By hand: tan 30° = 1/√3, tan 45° = 1, tan 60° = √3.
        (20.0, 45.0, 0.0, 20.0),
        (30.0, 30.0, 30.0, 60 / math.sqrt(3)),
        (10.0, 60.0, -45.0, 10 * (math.sqrt(3) - 1)),  # base above the eye: uphill
        (10.0, -5.0, 45.0, 10 * (1 - math.tan(math.pi / 36))),  # top below the eye: downhill
    ],
)
def test_heights_by_angles_are_those_by_hand(distance, up, down, height):
    assert height_by_angles(distance, up, down) == pytest.approx(height, rel=1e-12)
    row = {"name": "a", "clinometer_distance_m": distance, "angle_up_deg": up}
    found = table(row | {"angle_down_deg": down})
    assert found["height_m"].tolist() == pytest.approx([height])


def test_eye_height_takes_the_place_of_the_angle_down_and_a_measured_height_of_both():
    row = {"name": "a", "clinometer_distance_m": 20, "angle_up_deg": 45, "eye_height_m": 1.6}
    found = table(row, row | {"height_m": 7}, {"name": "a", "along_m": 40, "eye_height_m": 1.6})
    assert found["height_m"].tolist() == pytest.approx([21.6, 7.0])
    assert len(found) == 2, "a row that only the form filled in was not surveyed"


# ---- faulty cells


@pytest.mark.parametrize(
    ("row", "column", "hint"),
    [
        ({"porosity": "0,4"}, "porosity", "0.4"),
        ({"porosity": "40"}, "porosity", "0.4 for 40 %"),
        ({"height_m": "tall"}, "height_m", "Correct"),
        ({"along_m": "-3", "height_m": 4}, "along_m", "Correct"),
        ({"season": "spring", "porosity": 0.3}, "season", "bare"),
        ({"name": "", "height_m": 4}, "name", "name"),
        ({"from_end": "left", "height_m": 4}, "from_end", "compass"),
        ({"clinometer_distance_m": 20}, "angle_up_deg", "top"),
        ({"angle_up_deg": 20}, "clinometer_distance_m", "distance"),
        ({"clinometer_distance_m": 20, "angle_up_deg": 20}, "angle_down_deg", "eye_height_m"),
        (
            {"clinometer_distance_m": 20, "angle_up_deg": 3, "angle_down_deg": -5},
            "angle_up_deg",
            "angles",
        ),
        ({"gap_from_m": 30}, "gap_to_m", "both ends"),
        ({"gap_to_m": 30}, "gap_from_m", "both ends"),
        ({"gap_from_m": 30, "gap_to_m": 20}, "gap_to_m", "nearer one first"),
    ],
)
def test_each_faulty_cell_is_named(row, column, hint):
    good = {"name": "North hedge", "height_m": 4}
    with pytest.raises(InputError) as caught:
        table(good, {"name": "North hedge"} | row)
    error = caught.value
    assert "row 2" in error.where
    assert column in error.where or error.what.startswith(column)
    assert hint in error.hint


@pytest.mark.parametrize(
    ("row", "column", "word"),
    [
        ({"name": "Nord hedge", "height_m": 4}, "name", "Did you mean North hedge?"),
        ({"along_m": 140, "height_m": 4}, "along_m", "distance"),
        ({"gap_from_m": 90, "gap_to_m": 104}, "gap_to_m", "distance"),
        ({"gap_from_m": 0, "gap_to_m": 100}, "gap_to_m", "gaps"),
        ({"from_end": "N", "along_m": 10, "height_m": 4}, "from_end", "compass point"),
    ],
)
def test_what_does_not_fit_the_layer_is_named(row, column, word):
    with pytest.raises(InputError) as caught:
        surveyed({"along_m": 1, "height_m": 4}, row)
    assert "row 2" in caught.value.where and column in caught.value.where
    assert word in caught.value.hint


def test_names_must_be_unique_and_areas_have_no_gaps():
    twins = layer(name=["North hedge", "north HEDGE"])
    areas = layer().set_geometry(layer().buffer(3))
    for belts, row in ((twins, {"height_m": 4}), (areas, {"gap_from_m": 1, "gap_to_m": 9})):
        with pytest.raises(InputError) as caught:
            surveyed(row, belts=belts)
        assert caught.value.code == "survey-bad"
    assert surveyed({"height_m": 4}, belts=areas)[0]["height_m"].tolist() == [4.0, 8.0]


def test_a_part_of_the_map_may_lack_surveyed_belts():
    stations = table({"name": "elsewhere", "height_m": 4})
    belts, changes, notices = with_survey(layer(), stations, "survey.csv", whole=False)
    assert changes.empty and notices == [] and belts["height_m"].tolist() == [5.0, 8.0]


# ---- values


def test_height_is_the_median_and_porosity_the_mean_over_length():
    belts, changes, notices = surveyed(
        {"along_m": 10, "height_m": 4, "porosity": 0.2, "species": "ash"},
        {"along_m": 30, "height_m": 9, "porosity": 0.6, "species": "oak"},
        {"along_m": 90, "height_m": 5, "porosity": 0.3, "species": "oak"},
        {"along_m": 90, "porosity": 0.8, "season": "bare", "bare_stem_m": 1.5},
        {"gap_from_m": 40, "gap_to_m": 60},
    )
    hedge = belts.iloc[0]
    assert hedge["height_m"] == 5 and hedge["species"] == "oak" and hedge["bare_stem_m"] == 1.5
    # By hand: 0-20 m, 20-60 m without the gap of 20 m, 60-100 m.
    assert hedge["porosity"] == pytest.approx((20 * 0.2 + 20 * 0.6 + 40 * 0.3) / 80)
    assert hedge["bare_porosity"] == pytest.approx(0.8)
    assert hedge.geometry.equals(shapely.MultiLineString([[(0, 0), (40, 0)], [(60, 0), (100, 0)]]))
    rows = {row["changed_column"]: row for row in changes.to_dict("records")}
    assert list(changes) == list(CHANGE_COLUMNS) and notices[0].count == len(changes) == 6
    assert rows["height_m"]["value_before"] == "5.0" and rows["height_m"]["value_after"] == "5.0"
    assert rows["height_m"]["source_before"] == "layer" and rows["porosity"]["source_before"] == ""
    assert (rows["length_m"]["value_before"], rows["length_m"]["value_after"]) == ("100", "80")
    assert belts.iloc[1]["height_m"] == 8 and belts.iloc[1].geometry.length == 100


@pytest.mark.parametrize(
    ("line", "end", "gap"),
    [
        ([(0, 0), (100, 0)], "", (10, 30)),
        ([(0, 0), (100, 0)], "start", (10, 30)),
        ([(0, 0), (100, 0)], "end", (70, 90)),
        ([(0, 0), (100, 0)], "W", (10, 30)),
        ([(0, 0), (100, 0)], "north-east", (70, 90)),
        ([(100, 0), (0, 0)], "W", (10, 30)),  # drawn the other way round
        ([(100, 0), (0, 0)], "E", (70, 90)),
        ([(0, 0), (60, 0), (100, 0)], "E", (70, 90)),
    ],
)
def test_distances_are_from_the_named_end_however_the_line_was_drawn(line, end, gap):
    row = {"from_end": end, "gap_from_m": 10, "gap_to_m": 30}
    belts, _, _ = surveyed(row, belts=layer(line))
    missing = shapely.LineString(line).difference(belts.geometry.iloc[0].buffer(1e-6))
    assert missing.bounds[0] == pytest.approx(gap[0], abs=1e-5)
    assert missing.bounds[2] == pytest.approx(gap[1], abs=1e-5)
    # The weights of porosity turn with the line: the stations are 10 m and 30 m from that end.
    stations = [{"from_end": end, "along_m": 10, "porosity": 0.2}]
    stations += [{"from_end": end, "along_m": 30, "porosity": 0.6}]
    found, _, _ = surveyed(*stations, belts=layer(line))
    assert found["porosity"].iloc[0] == pytest.approx(0.2 * 0.2 + 0.8 * 0.6)


@pytest.mark.parametrize("source", SOURCES)
def test_a_survey_takes_precedence_over_every_source(source):
    given = layer(
        porosity=[0.5, 0.5], porosity_spread=[0.1, 0.1], assumed=[f"{source}: porosity"] * 2
    )
    belts, changes, _ = surveyed({"porosity": 0.3}, belts=given)
    assert changes["source_before"].tolist() == [source]
    done, _ = complete(belts, "belts")
    assert done["porosity"].tolist() == [0.3, 0.5]
    assert sources_of(done["assumed"][0])["porosity"] == "survey"
    assert np.isnan(done["porosity_spread"][0]), "the spread was that of the porosity before"
    assert done["porosity_spread"][1] == 0.1


# ---- from the table to shelter


def test_shelter_takes_a_survey(tmp_path):
    rows = ["name;from_end;along_m;height_m;porosity;gap_from_m;gap_to_m"]
    rows += ["West;S;20;4;0.3;;", "West;S;60;6;0.5;30;50"]
    path = tmp_path / "survey.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    belts = plain_belts(tmp_path, name=["West", "other"], porosity=[0.8, 0.5])
    given = {"dem": str(plain_dem(tmp_path)), "belts": str(belts), "winds": "230"}
    given |= {"seasons": ("in-leaf",)}
    before = shelterscape.shelter(**given, out=tmp_path / "plain")
    done = shelterscape.shelter(**given, survey=str(path), out=tmp_path / "out")
    assert "survey_changes" not in before.tables
    changes = pd.read_csv(done.tables["survey_changes"])
    assert set(changes["name"]) == {"West"}
    assert set(changes["changed_column"]) == {"height_m", "porosity", "length_m"}
    hedge, was = (
        gpd.read_file(str(run.folder / "layers.gpkg"), layer="belts_assessed").set_index("name")
        for run in (done, before)
    )
    assert hedge.loc["West", "height_m"] == 5
    assert was.loc["West", "length_m"] - hedge.loc["West", "length_m"] == pytest.approx(20, abs=1)
    pd.testing.assert_series_equal(hedge.loc["other"], was.loc["other"])
    codes = [n["code"] for step in done.record["steps"] for n in step["notices"]]
    assert codes.count("values-replaced") == 1
