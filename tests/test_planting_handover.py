"""The pack for contractors: points by hand, GPX read back with GDAL, equal bytes."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pypdfium2
import pytest
import shapely
from test_planting_process import NORTH, WEST, inputs  # noqa: F401 - a fixture

import shelterscape
from shelterscape.process.design_files import packaged_designs
from shelterscape.processes.planting.belt_sheets import _windward
from shelterscape.science.planting.layout import Site, layout
from shelterscape.science.planting.map_pages import map_pages
from shelterscape.science.planting.set_out import set_out_points

CRS = "EPSG:25832"
DESIGNS = packaged_designs().designs


ACTIONS = """scheme,holding_id,date_rule,action_date,grant_action,evidence,loss_if_missed,at_stake,currency
Hill,H1,by,2028-05-31,claim of planting,invoices,these payments,1800,EUR
"""  # noqa: E501


@pytest.fixture(scope="module")
def make_pack(inputs, tmp_path_factory, drawn):  # noqa: F811
    """A function that runs planting with the pack."""
    dem, maps = inputs
    actions = tmp_path_factory.mktemp("actions") / "actions.csv"
    actions.write_text(ACTIONS, encoding="utf-8")

    def run():
        with drawn():
            return shelterscape.planting(
                dem=dem, belts=f"{maps}:belts", winds="270", design="three-row belt",
                openings=f"{maps}:tracks", parcels=f"{maps}:parcels", handover=True,
                grant_actions=actions, out=tmp_path_factory.mktemp("run") / "out", report=False,
            )  # fmt: skip

    return run


@pytest.fixture(scope="module")
def pack(make_pack):
    return make_pack()


def points(line, openings=()):
    belts = gpd.GeoDataFrame(
        {"belt": ["a"], "design": ["three-row belt"]}, geometry=[line], crs=CRS
    )
    plan = layout(belts, DESIGNS, Site(270.0, openings=openings))
    return set_out_points(belts, plan.rows, plan.fences, openings)


def test_a_line_with_a_bend_has_two_ends_and_a_mitred_bend_for_each_row():
    """By hand: 90° at (0, 100); outer rows at 1.5 m are mitred at (∓1.5, 100 ± 1.5)."""
    found = points(shapely.LineString([(0, 0), (0, 100), (100, 100)]))
    rows = found[found["planting_row"].notna()]
    assert rows["point_kind"].tolist() == ["row end", "bend", "row end"] * 3
    bends = rows[rows["point_kind"] == "bend"][["x_m", "y_m"]].to_numpy()
    np.testing.assert_allclose(bends, [(-1.5, 101.5), (0, 100), (1.5, 98.5)], atol=1e-6)
    assert found["point_number"].tolist() == list(range(1, len(found) + 1))


def test_the_gate_is_on_the_fence_beside_the_start_or_an_opening():
    """By hand: the fence is 1.5 m before the start of the line, and 3 m beside it."""
    line = shapely.LineString([(0, 0), (0, 100)])
    (gate,) = points(line).query("point_kind == 'gate'").geometry
    assert gate.distance(shapely.Point(0, -1.5)) < 1e-6
    (beside,) = points(line, [shapely.Point(6, 40)]).query("point_kind == 'gate'").geometry
    assert beside.distance(shapely.Point(3, 40)) < 1e-6
    across = points(line, [shapely.Point(1, 40)]).query("point_kind == 'gate'")
    assert sorted(across["y_m"].round(6)) == [38.0, 42.0], "an opening of 4 m has one to each side"


def test_gpx_read_back_with_gdal_gives_the_points_of_the_table(pack):
    table = pd.read_csv(pack.tables["set_out_list"])
    read = pyogrio.read_dataframe(pack.waypoints["set_out"], layer="waypoints")
    assert read.crs == "EPSG:4326"
    assert read["name"].tolist() == table["point_name"].tolist()
    there = read.to_crs(table["map_grid"][0])
    metres = np.hypot(there.geometry.x - table["x_m"], there.geometry.y - table["y_m"])
    assert metres.max() < 0.01
    first = read["desc"][0]
    for text in ("parcel P1", "row end", "accuracy 1.0 m", "EPSG:"):
        assert text in first
    assert set(table["point_kind"]) == {"row end", "gate"}
    # By hand: 3 rows of A1 with 2 ends each; A2 is divided by a track, so 3 × 2 × 2.
    ends = table[table["point_kind"] == "row end"].groupby("belt").size()
    assert ends.to_dict() == {"A1": 6, "A2": 12}


def test_every_layer_and_table_by_belt_has_the_parcel(pack):
    path = next(iter(pack.layers.values())).rpartition(":")[0]
    for name in pack.layers:
        assert set(gpd.read_file(path, layer=name)["parcel_id"]) == {"P1"}, name
    for name, file in pack.tables.items():
        table = pd.read_csv(file)
        if "belt" in table:
            assert set(table["parcel_id"]) <= {"P1"}, name


@pytest.mark.slow
def test_two_runs_give_equal_bytes(pack, make_pack):
    one, other = pack.folder, make_pack().folder
    for kind in ("*.xlsx", "*.gpx", "*.pdf", "tables/*.csv"):
        files = sorted(path.relative_to(one) for path in one.glob(kind))
        for file in files:
            assert (one / file).read_bytes() == (other / file).read_bytes(), file
    assert (one / "plant_order.xlsx").is_file() and len(list(one.glob("*.pdf"))) == 2


# ---- printed parts


def test_the_scale_is_the_largest_usual_one_that_fits():
    """By hand: 900 m need 900 / (0.39 × 0.84) = 2747, so 1:5,000; at 1:1,000 three pages."""
    line = np.array([shapely.LineString([(0, 0), (900, 0)])], dtype=object)
    assert map_pages(line, (390.0, 232.0)) == (5000.0, [(450.0, 0.0)])
    scale, middles = map_pages(line, (390.0, 232.0), 1000.0)
    assert scale == 1000.0 and len(middles) == 3


def pages_of(path):
    """Size and text of each page, and a function of a label to its left edge, all in points."""
    pdf = pypdfium2.PdfDocument(path)
    for page in pdf:
        text = page.get_textpage()
        yield (
            page.get_size(),
            text.get_text_range(),
            lambda label, text=text: text.get_charbox(text.search(label).get_next()[0])[0],
        )


def test_the_map_is_to_scale_on_a3_with_ids_and_labels(pack):
    """By hand: 200 m need 200 / (0.232 × 0.84) = 1026, so 1:1,250; 50 m are 40 mm there."""
    ((size, text, left_of),) = pages_of(pack.pictures["handover_map"])
    assert [round(v * 25.4 / 72) for v in size] == [420, 297]
    for word in ("P1", "A1", "A2", "holding H1", "grid north", "100 m", "EPSG:", "1:1,250"):
        assert word in text
    apart = left_of("500 150") - left_of("500 100")
    assert apart * 25.4 / 72 == pytest.approx(40.0, abs=0.1)


def test_each_belt_has_a_sheet_and_grants_have_a_page(pack):
    pages = [text for _, text, _ in pages_of(pack.pictures["planting_sheets"])]
    heads = [page.partition(" Planting sheet")[0] for page in pages]
    assert heads[0] == "Belt A1" and "Belt A2" in heads and heads[-1] == "Actions for grants"
    rows = gpd.read_file(pack.layers["planting_rows"].rpartition(":")[0], layer="planting_rows")
    first = rows[(rows["belt"] == "A1") & (rows["planting_row"] == 1)].iloc[0]
    item = f"0.0–{first['clump_to_m']:.1f} m: {first['plant_count']} {first['species']}"
    assert item in pages[0].replace("\u00a0", " ")
    belts = " ".join(page for page in pages if page.startswith("Belt A2"))
    assert "buried pipes and cables" in belts, "what is printed has all cautions"
    for word in (
        "by 2028-05-31",
        "claim of planting",
        "invoices",
        "1,800.00 EUR",
        "these payments",
    ):
        assert word in pages[-1]


def test_wind_along_a_belt_has_no_windward_share():
    """From the west on a line to the east: neither side is windward; from the north one is."""
    found = []
    for deg in (270.0, 0.0):
        winds = SimpleNamespace(direction_deg=np.array([deg]), weights=lambda _: np.ones(1))
        data = SimpleNamespace(
            site=Site(deg), convergence_deg=0.0, winds=winds,
            purpose=SimpleNamespace(speed_exponent=1.0),
        )  # fmt: skip
        found.append(_windward(shapely.LineString([(0, 0), (100, 0)]), data))
    assert found[0].endswith("; the wind is along the belt")
    assert found[1].startswith("on the north side (0°") and "100 % of the wind across" in found[1]
