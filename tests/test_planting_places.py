"""The year in which places reach their targets in `planting` is that which `shelter` finds."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from file_helpers import write_dem, write_features

import shelterscape
from shelterscape.processes.planting.sheltered import target_answer

WEST, NORTH = 500_000.0, 6_101_000.0
AFFINE = Affine(10, 0, WEST, 0, -10, NORTH)
YEARS = [2027, 2032, 2037, 2042, 2047, 2057, 2067]


def _line(x: float) -> shapely.LineString:
    """A line from north to south, x m east of the corner of the map."""
    return shapely.LineString([(WEST + x, NORTH - 20), (WEST + x, NORTH - 580)])


def _box(west: float, east: float) -> shapely.Polygon:
    return shapely.box(WEST + west, NORTH - 320, WEST + east, NORTH - 280)


@pytest.fixture(scope="module")
def inputs(tmp_path_factory):
    """An old belt, a line to plant, and fields behind each, far behind, and before both."""
    folder = tmp_path_factory.mktemp("places")
    dem = write_dem(folder / "dem.tif", np.full((60, 120), 50, np.float32), affine=AFFINE)
    maps = folder / "maps.gpkg"
    write_features(maps, [_line(100)], layer="old", height_m=[9.0], porosity=[0.4])
    write_features(maps, [_line(600)], layer="new", name=["N1"])
    fields = [_box(620, 650), _box(120, 150), _box(1150, 1200), _box(50, 80)]
    names = ["behind", "old", "far", "before"]
    purposes = ["crop", "crop", "crop", ""]
    write_features(maps, fields, layer="places", name=names, purpose=purposes)
    return dem, maps, folder


@pytest.mark.slow
def test_places_reach_their_targets_when_shelter_finds_it(inputs):
    """Target 0.80 of crops, in leaf; `shelter` calculates the same belts as one layer."""
    dem, maps, folder = inputs
    common = {"dem": dem, "winds": "270", "pictures": False, "report": False}
    planted = shelterscape.planting(
        belts=f"{maps}:new", existing_belts=f"{maps}:old", places=f"{maps}:places",
        design="three-row belt", out=folder / "planted", **common,
    )  # fmt: skip
    found = pd.read_csv(planted.tables["places_by_year"], keep_default_na=False)
    assert found["year"].drop_duplicates().tolist() == YEARS
    when = found.set_index("name")["target_reached"].groupby("name").first()
    assert when["old"] == "without these belts" and when["before"] == ""
    assert when["far"] == "not by 2067"
    behind = found[found["name"] == "behind"].set_index("year")["relative_wind"]
    assert behind[2027] == pytest.approx(1.0, abs=0.03)  # the old belt is 55 H away
    reached = found[found["reaches_target"] == "yes"].groupby("name")["year"].min()
    assert int(when["behind"]) == reached["behind"] > 2027

    path, _, layer = str(planted.layers["planned_belts"]).rpartition(":")
    both = pd.concat([gpd.read_file(maps, layer="old"), gpd.read_file(path, layer=layer)])
    both.to_file(folder / "both.gpkg", layer="belts")
    sheltered = shelterscape.shelter(
        belts=f"{folder / 'both.gpkg'}:belts", places=f"{maps}:places", purpose="crop",
        years=YEARS, out=folder / "sheltered", **common,
    )  # fmt: skip
    path, _, layer = str(sheltered.layers["places_shelter"]).rpartition(":")
    other = gpd.read_file(path, layer=layer)
    keys = ["name", "year"]
    pairs = found.merge(other.astype({"year": int}), on=keys, suffixes=("", "_shelter"))
    assert len(pairs) == len(found)
    # The layer holds porosity, and the tables hold wind, with two decimals.
    wind = pairs[["relative_wind", "relative_wind_shelter"]].to_numpy().T
    np.testing.assert_allclose(*wind, rtol=0, atol=0.0101)
    by_belts = pairs["name"].isin(["behind", "far"])
    assert (pairs["target_reached"] == pairs["target_reached_shelter"])[by_belts].all()


@pytest.mark.slow
def test_existing_belts_without_height_shelter_no_place(inputs):
    """They still lengthen belts that adjoin them; a point is a place, too."""
    dem, maps, folder = inputs
    write_features(folder / "lines.gpkg", [_line(100)], layer="lines")
    point = shapely.Point(WEST + 620, NORTH - 300)
    write_features(folder / "lines.gpkg", [point], layer="points", purpose=["crop"])
    run = shelterscape.planting(
        dem=dem, belts=f"{maps}:new", winds="270", existing_belts=f"{folder}/lines.gpkg:lines",
        places=f"{folder}/lines.gpkg:points", out=folder / "lines", pictures=False, report=False,
    )  # fmt: skip
    assert "shelter no place here" in (run.folder / "summary.txt").read_text("utf-8")
    found = pd.read_csv(run.tables["places_by_year"])
    assert found["relative_wind"].iloc[0] == 1.0 > found["relative_wind"].iloc[-1]


def test_without_places_the_year_is_not_calculated(inputs):
    dem, maps, folder = inputs
    run = shelterscape.planting(
        dem=dem, belts=f"{maps}:new", winds="270", out=folder / "no_places",
        pictures=False, report=False,
    )  # fmt: skip
    assert "reach their targets: not calculated, because no places" in str(run.summary)
    assert "places_by_year" not in run.tables


def test_a_place_that_falls_below_its_target_again_is_named():
    """Two places of one name: the first keeps its target, the second has lost it in 2067."""
    table = pd.DataFrame(
        {
            "name": ["field", "field", "yard"] * 2,
            "year": [2027] * 3 + [2067] * 3,
            "reaches_target": ["no"] * 3 + ["yes", "no", "no"],
            "target_reached": ["2037", "2042", "not by 2067"] * 2,
        }
    )
    data = SimpleNamespace(neighbouring=pd.DataFrame({"belt": ["N1"]}), sheltered=object())
    (text,) = target_answer(SimpleNamespace(data=data, tables={"places_by_year": table}))
    assert text.startswith("Of 3 places") and text.endswith("; below it again in 2067: field")
    table.loc[4, "reaches_target"] = "yes"
    (text,) = target_answer(SimpleNamespace(data=data, tables={"places_by_year": table}))
    assert text.endswith("1 do not within 40 years")
