"""`planting` from files to files, with plants counted by hand (status D)."""

from __future__ import annotations

import zipfile
from decimal import Decimal
from types import SimpleNamespace
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from file_helpers import write_dem, write_features

import shelterscape
from shelterscape.process.area import Area
from shelterscape.process.design_files import packaged_designs
from shelterscape.process.reading import Reader
from shelterscape.processes.planting.loading import load
from shelterscape.processes.planting.pictures import _section
from shelterscape.processes.planting.spec import PlantingInputs
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belt_section import belt_section
from shelterscape.science.belts import SEASONS, Case, complete
from shelterscape.science.planting.profile import growth_table
from shelterscape.science.purposes import purposes

WEST, NORTH = 500_000.0, 6_101_000.0
AFFINE = Affine(10, 0, WEST, 0, -10, NORTH)


def _line(*xy: tuple[float, float]) -> shapely.LineString:
    """A line by metres east and south of the corner of the map."""
    return shapely.LineString([(WEST + x, NORTH - y) for x, y in xy])


@pytest.fixture(scope="module")
def inputs(tmp_path_factory):
    """Two belts of 100 and 200 m from north to south, the second with a tree and a track."""
    folder = tmp_path_factory.mktemp("planting")
    dem = write_dem(folder / "dem.tif", np.full((60, 60), 50, np.float32), affine=AFFINE)
    maps = folder / "maps.gpkg"
    lines = [_line((100, 100), (100, 200)), _line((300, 100), (300, 300)), _line((9, 9), (9, 99))]
    write_features(
        maps, lines, layer="belts", candidate=["A1", "A2", "R1"],
        design=["three-row belt", "", ""], action=["plant", "plant", "lay"],
    )  # fmt: skip
    tree = shapely.Point(WEST + 310, NORTH - 150)
    write_features(maps, [tree], layer="trees", stem_diameter_m=[1.2], canopy_radius_m=[6.0])
    write_features(maps, [_line((0, 250), (600, 250))], layer="tracks", width_m=[6.0])
    field = shapely.box(WEST + 50, NORTH - 400, WEST + 350, NORTH - 50)
    write_features(maps, [field], layer="parcels", parcel_id=["P1"], holding_id=["H1"])
    return dem, maps


@pytest.fixture(scope="module")
def result(inputs, tmp_path_factory):
    dem, maps = inputs
    return shelterscape.planting(
        dem=dem, belts=f"{maps}:belts", winds="270", design="three-row belt",
        veteran_trees=f"{maps}:trees", openings=f"{maps}:tracks", parcels=f"{maps}:parcels",
        out=tmp_path_factory.mktemp("run") / "out", pictures=False, report=False,
    )  # fmt: skip


def _layer(result, name: str) -> gpd.GeoDataFrame:
    path, _, layer = str(result.layers[name]).rpartition(":")
    return gpd.read_file(path, layer=layer)


def test_rows_of_a_straight_belt(result):
    """100 m at 1.5 m: 67, 66 (staggered) and 67 plants; the first row is the western one."""
    rows = _layer(result, "planting_rows").query("belt == 'A1'")
    counts = rows.groupby("planting_row")["plant_count"].sum()
    assert counts.tolist() == [67, 66, 67]
    x = rows.dissolve("planting_row").centroid.x - WEST
    np.testing.assert_allclose(x, [98.5, 100.0, 101.5], atol=0.01)
    by_row = rows.groupby(["planting_row", "species"])["plant_count"].sum()
    # 0.5, 0.4, 0.1 of 67 = 33.5, 26.8, 6.7; the largest remainders get the last two plants.
    assert by_row[1].to_dict() == {"hawthorn": 33, "hazel": 27, "holly": 7}
    assert set(rows["parcel_id"]) == {"P1"} and set(rows["holding_id"]) == {"H1"}


def test_nothing_within_clearances_and_openings(result):
    """Tree of 1.2 m: 18 m; track of 6 m: 3 m to either side of its middle."""
    shapes = pd.concat([_layer(result, n).geometry for n in ("planting_rows", "fences")])
    tree = shapely.Point(WEST + 310, NORTH - 150)
    assert shapes.distance(tree).min() >= 18.0 - 0.001
    rows = _layer(result, "planting_rows").geometry
    assert rows.distance(_line((0, 250), (600, 250))).min() == pytest.approx(3.0, abs=0.001)


def test_the_order_by_an_independent_count(result):
    rows = _layer(result, "planting_rows")
    planted = rows.groupby(["belt", "species"])["plant_count"].sum()
    order = pd.read_csv(result.tables["plant_order"]).set_index(["belt", "species"])
    assert order["plant_count"].to_dict() == planted.to_dict()
    # Losses of 15 %: ceil(n × 100 / 85) with whole numbers.
    assert order["ordered_count"].to_dict() == {k: -(-n * 100 // 85) for k, n in planted.items()}
    totals = pd.read_csv(result.tables["plant_totals"]).set_index("species")
    by_species = order.groupby("species")["ordered_count"].sum()
    assert totals["ordered_count"].to_dict() == by_species.to_dict()
    assert totals["bundle_count"].to_dict() == {k: -(-n // 25) for k, n in by_species.items()}
    bill = pd.read_csv(result.tables["bill_of_quantities"], dtype=str)
    has_none = bill["price"].isna()
    assert bill["cost"].isna().equals(has_none)
    assert set(bill["item"][has_none].str.partition(" of the fence")[0]) == {
        "strainer posts",
        "gates",
    }
    bill = bill[~has_none]
    costs = [
        Decimal(q) * Decimal(p) for q, p in zip(bill["item_quantity"], bill["price"], strict=True)
    ]
    for cost, exact in zip(bill["cost"].map(Decimal), costs, strict=True):
        assert abs(cost - exact) <= Decimal("0.005")
    (total,) = pd.read_csv(result.tables["holding_totals"], dtype=str)["cost"]
    assert Decimal(total) == bill["cost"].map(Decimal).sum()


def test_the_workbook_holds_the_tables(result):
    with zipfile.ZipFile(result.workbooks["plant_order"]) as book:
        names = ElementTree.fromstring(book.read("xl/workbook.xml"))
        sheets = [e.get("name") for e in names.iter() if e.tag.endswith("}sheet")]
        first = ElementTree.fromstring(book.read("xl/worksheets/sheet1.xml"))
    assert sheets == ["plant_order", "plant_totals", "bill_of_quantities", "holding_totals",
                      "design_costs", "task_calendar"]  # fmt: skip
    rows = [e for e in first.iter() if e.tag.endswith("}row")]
    assert len(rows) == 1 + len(pd.read_csv(result.tables["plant_order"]))


def test_the_answer_and_the_tasks(result):
    text = " ".join((result.folder / "summary.txt").read_text("utf-8").split())
    planted = _layer(result, "planting_rows")["plant_count"].sum()
    assert f"2 belts, 300 m: {planted} plants set" in text
    assert "restorations were left out" in text
    tasks = pd.read_csv(result.tables["task_calendar"])
    assert tasks["first_day"].is_monotonic_increasing
    assert {"work", "survey", "avoid"} == set(tasks["task_kind"])


def test_each_belt_is_planned_for_one_holding(inputs):
    """A part of the map plans the belts of its holding, and others whose middle is in it."""
    dem, maps = inputs
    params = PlantingInputs(dem=str(dem), belts=f"{maps}:belts", winds="270")
    west = shapely.box(WEST, NORTH - 600, WEST + 200, NORTH)
    east = shapely.box(WEST + 200, NORTH - 600, WEST + 600, NORTH)
    parts = [Area(name, shape.wkb, np.inf, "", name) for name, shape in (("W", west), ("E", east))]
    found = [list(load(params, Reader(area=area)).belts["belt"]) for area in parts]
    assert found == [["A1"], ["A2"]]
    named = params.model_copy(update={"parcels": f"{maps}:parcels"})
    of_h1 = Area("H1", east.wkb, np.inf, "", "H1")
    assert list(load(named, Reader(area=of_h1)).belts["belt"]) == ["A1", "A2"]


def test_shelter_of_the_planned_belts_is_that_of_their_design(result):
    """The layer of planned belts, as `shelter` reads it, 20 years after planting."""
    belts, _ = complete(_layer(result, "planned_belts"), "belts")
    grown = pd.read_csv(result.tables["design_growth"]).query("year == 2047").set_index("season")
    for case in (Case("in-leaf", 2047), Case("bare", 2047)):
        found = belts_at(belts, case)
        # Files carry 2 decimals of porosities and 1 of heights; both sides are rounded.
        for column, atol in (("height_m", 0.05), ("porosity", 0.01), ("porosity_low", 0.011)):
            expected = grown.loc[case.season_label, column]
            np.testing.assert_allclose(found[column], expected, atol=atol)


@pytest.mark.parametrize(("season", "purpose"), [("bare", "lambing"), ("in-leaf", "crop")])
def test_the_section_is_that_of_the_design_with_most_metres(season, purpose):
    designs = packaged_designs()
    names = ["uncut hedge", "dense stock belt", "uncut hedge"]
    belts = pd.DataFrame({"design": names, "length_m": [60.0, 100.0, 50.0]})
    data = SimpleNamespace(
        belts=belts, designs=designs, purpose=purposes()[purpose], local_heights={}
    )
    sheet = _section(SimpleNamespace(data=data, layers={"planned_belts": belts}))
    hedge = designs.designs["uncut hedge"]
    rows = growth_table({"uncut hedge": hedge}, {"uncut hedge": [2027]}, {})
    row = rows[(rows["age_years"] == 20) & (rows["season"] == SEASONS[season])].iloc[0]
    expected = belt_section(
        row["height_m"], row["porosity"], hedge.width_m,
        porosity_low=row["porosity_low"],
    )  # fmt: skip
    assert sheet.title == f"Wind across “uncut hedge” at 20 years, {SEASONS[season]}"
    assert sheet.values == pytest.approx(expected.relative_wind, abs=1e-3)
    # Rows are in the middle of the belt, as high as their species; the tallest is that of the belt.
    offsets = [one.offset_m for one in sheet.rows]
    assert np.diff(offsets) == pytest.approx(np.diff([one.offset_m for one in hedge.rows]))
    assert offsets[0] + offsets[-1] == pytest.approx(-hedge.width_m)
    assert max(one.height_m for one in sheet.rows) == pytest.approx(row["height_m"], abs=0.01)
    # The lee of a belt is calmer than the ground far behind it.
    assert sheet.values[np.argmin(np.abs(sheet.distance_m - 20.0)), 5] < sheet.values[-1, 5]
