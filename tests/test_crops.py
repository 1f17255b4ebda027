"""Crops beside belts: distances by hand on one field, existing belts, and present value."""

from __future__ import annotations

from decimal import Decimal

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from run_helpers import CRS as MAP_CRS
from run_helpers import NORTH, WEST, project
from siting_helpers import CRS, GRID, LEAF, belts, winds

import shelterscape
from shelterscape.errors import InputError
from shelterscape.science import crops, field_crops
from shelterscape.science.places import complete, coverage
from shelterscape.science.present_value import present_values, years_until_paid_back
from shelterscape.science.siting.context import evaluation_context, priority_by_purpose
from shelterscape.science.siting.crop_fields import CropFields, least_and_most

LOW, HIGH = crops.crop_responses(["winter wheat"])


def field_beside(lines, planted, height_m=10.0):
    """A field of 300 × 200 m (6 ha), and belts 6 m wide from south to north, west wind."""
    frame = gpd.GeoDataFrame({"purpose": ["crop"]}, geometry=[shapely.box(200, 200, 500, 400)])
    places = complete(frame.set_crs(CRS), "places")[0]
    priority = priority_by_purpose(places, coverage(places, GRID), GRID)
    there = belts(lines, height_m, width_m=6.0)
    context = evaluation_context(GRID, LEAF, winds((270.0,), [1.0]), there, priority, places=places)
    return CropFields(context, [0], there, np.array(planted))


def test_one_belt_on_a_field_by_hand():
    """Belt of 10 m height 60 m into the field; it reaches beyond the field at both ends."""
    found = field_beside([[(260, 10), (260, 590)]], [True])
    none, all_belts, height = np.array([False]), np.array([True]), np.array([10.0])
    high = found.change(height, none, all_belts, HIGH, fences=False)
    # 6 m × 200 m; 1 height on both sides with a quarter lost.
    assert high.taken[0] == pytest.approx(0.12)
    assert high.lost[0] == pytest.approx(2 * 10 * 200 / 1e4 * 0.25)
    # Full gain from 1 to 15 heights behind the lee face, then falling to 0 at 20 heights.
    ground_ha = (140 + 50 / 2) * 200 / 1e4
    assert high.gained[0] == pytest.approx(0.23 * ground_ha, rel=0.05)
    low = found.change(height, none, all_belts, LOW, fences=True)
    assert low.taken[0] == pytest.approx(0.16)
    # 2 heights, less the strip of the fence, with half lost.
    assert low.lost[0] == pytest.approx(2 * 19 * 200 / 1e4 * 0.5)
    assert low.gained[0] == pytest.approx(-0.02 * (ground_ha - 0.2), rel=0.05)
    assert high.net[0] == pytest.approx(high.gained[0] - high.lost[0] - high.taken[0])
    # Before the belt grows, it only takes land.
    young = found.change(np.array([0.0]), none, all_belts, HIGH, fences=False)
    assert (young.taken[0], young.lost[0], young.gained[0]) == (pytest.approx(0.12), 0.0, 0.0)
    # At half the height everything reaches half as far.
    half = found.change(np.array([5.0]), none, all_belts, HIGH, fences=False)
    assert half.lost[0] == pytest.approx(high.lost[0] / 2)
    assert half.gained[0] == pytest.approx(high.gained[0] / 2, rel=0.08)


def test_a_belt_beside_an_equal_one_adds_only_its_land():
    """The second belt is where the first is, so only land is taken, on which a quarter was lost."""
    first, second = [(260, 10), (260, 590)], [(260, 20), (260, 580)]
    found = field_beside([first, second], [False, True])
    change = found.change(
        np.array([10.0, 10.0]), np.array([True, False]), np.array([True, True]), HIGH, fences=False
    )
    assert change.gained[0] == pytest.approx(0.0, abs=1e-12)
    assert change.taken[0] == pytest.approx(0.12)
    assert change.lost[0] == pytest.approx(-0.12 * 0.25)


def test_a_belt_cut_lower_loses_most_by_the_high_response():
    """Half the height is half the ground in gain and loss; the range keeps its order."""
    found = field_beside([[(260, 10), (260, 590)], [(260, 20), (260, 580)]], [False, False])
    before, after, heights = np.array([True, False]), np.array([False, True]), np.array([10.0, 5.0])
    low, high = (found.change(heights, before, after, one, fences=False) for one in (LOW, HIGH))
    assert high.gained[0] < 0 < low.gained[0] and low.lost[0] < high.lost[0] < 0
    least, most = least_and_most(low, high)
    assert (least.gained[0], most.gained[0]) == (high.gained[0], low.gained[0])
    assert least.net[0] == high.gained[0] - high.lost[0] < most.net[0]


def test_gains_are_those_published_and_the_widest_where_no_crop_is_named():
    """Texts that cite Kort 1988 (S2), in the order of the fields; the last is the largest."""
    names = ["winter wheat", "maize", "spring wheat", "soybean", "potatoes", ""]
    low, high = crops.crop_responses(names)
    assert high.gain_share.tolist() == [0.23, 0.12, 0.08, 0.15, 0.09, 0.23]
    assert set(low.gain_share) == {-0.02}
    assert low.loss_to_h > high.loss_to_h
    assert crops.gain_weight(np.array([15.0, 20.0])).tolist() == [1.0, 0.0]


def test_options_apply_to_fields_of_their_crop_and_only_fields_with_crops_are_read():
    """A price of maize must not become that of potatoes; a pasture may carry any word."""
    fields = pd.DataFrame(
        {
            "crop": ["Maize", "potatoes", None, "grass"],
            "crop_yield_t_ha": [9.0, 40.0, None, -1.0],
            "crop_price": [None, None, 150.25, None],
        }
    )
    purposes = np.array(["crop", "crop", "crop", "lambing"], dtype=object)
    usual = field_crops.UsualCrop("maize", 8.0, 180.1)
    found = pd.DataFrame(field_crops.crop_columns(fields, purposes, usual, "places"))
    assert found["crop"].tolist() == ["maize", "potatoes", "maize", ""]
    # 9 t × 180.10; no price of potatoes; 8 t × 150.25; no crop.
    per_ha = [Decimal("1620.90"), None, Decimal(1202), None]
    assert field_crops.values_per_ha(found) == per_ha
    with pytest.raises(InputError, match="No response") as raised:
        field_crops.crop_columns(fields.iloc[[3]], purposes[:1], usual, "places")
    assert raised.value.code == "name-unknown" and raised.value.where == "places, feature 4"
    with pytest.raises(InputError) as raised:
        field_crops.check_crop("winter weat", "crop")
    assert "Did you mean winter wheat?" in raised.value.hint


def test_the_present_value_is_that_of_an_annuity():
    """30 yearly payments of 100 after one year at 4 %: 100 × (1 − 1.04^−30) / 0.04 = 1729.203."""
    amounts = [0, *[10_000] * 30]
    # Each year is rounded to the minor unit.
    assert abs(sum(present_values(amounts, 0.04)) - 172_920.33) <= 30 * 0.5
    assert present_values(amounts, 0.0) == amounts
    assert present_values([-501, 105], 0.05) == [-501, 100]


def test_the_year_in_which_the_money_turns_positive_by_hand():
    """100 spent, then 60 twice: at 10 % worth 54.55 and 49.59, at 20 % 50 and 41.67."""
    assert years_until_paid_back([-10000, 6000, 6000], 0.10) == 2
    assert years_until_paid_back([-10000, 6000, 6000], 0.20) is None
    # It counts from where it stays: 50 above 0 after a year, 10 below after two.
    assert years_until_paid_back([-100, 150, -60, 30], 0.0) == 3
    assert years_until_paid_back([5, 0], 0.04) == 0
    assert years_until_paid_back([-5, 5], 0.0) is None


def test_years_until_the_net_stays_positive():
    assert crops.years_until_positive(np.array([-1.0, 0.0, -0.1])) is None
    assert crops.years_until_positive(np.array([-1.0, 0.1])) == 1


@pytest.mark.slow
def test_the_process_reports_crops_by_year(tmp_path):
    """One drawn belt on the edge of one field: land from the first year on, loss as it grows."""
    given = project(tmp_path / "in")
    maps, west, south = str(tmp_path / "in" / "maps.gpkg"), WEST + 200, NORTH - 500
    field = {"name": ["field"], "purpose": ["crop"], "crop": ["maize"], "crop_price": [200.0]}
    square = gpd.GeoDataFrame(
        field, geometry=[shapely.box(west, south, west + 200, south + 200)], crs=MAP_CRS
    )
    square.to_file(maps, layer="places", driver="GPKG")
    line = shapely.LineString([(west + 10, south), (west + 10, south + 200)])
    gpd.GeoDataFrame(geometry=[line], crs=MAP_CRS).to_file(maps, layer="lines", driver="GPKG")
    found = shelterscape.siting(
        dem=given["dem"],
        winds="270",
        places=f"{maps}:places",
        candidate_lines=f"{maps}:lines",
        candidate_types=["drawn"],
        purpose="crop",
        crop="maize",
        crop_yield_t_ha=9.0,
        stock_ground_m2=2.0,
        planting_year=2027,
        budget_m=300,
        monte_carlo_runs=0,
        out=tmp_path / "out",
    )
    table = pd.read_csv(tmp_path / "out" / "tables" / "crop_response.csv")
    assert table["year"].tolist() == list(range(2027, 2058))
    chosen = gpd.read_file(tmp_path / "out" / "layers.gpkg", layer="chosen_belts").iloc[0]
    # 200 m of a belt and of two fences; 1 height on both sides with a quarter lost.
    assert table["crop_taken_low_ha"].unique() == pytest.approx([200 * chosen["width_m"] / 1e4])
    taken = 200 * (chosen["width_m"] + 2) / 1e4
    assert table["crop_taken_high_ha"].unique() == pytest.approx([taken], abs=1e-3)
    at_20 = table.set_index("year").loc[2047]
    near = min(chosen["height_at_20_years_m"], 10 - chosen["width_m"] / 2)
    zone_m = chosen["height_at_20_years_m"] + near
    assert at_20["crop_lost_low_ha"] == pytest.approx(0.25 * zone_m * 200 / 1e4, rel=0.05)
    assert (table["crop_gained_high_ha"].diff().dropna() >= -1e-6).all()
    net = at_20["crop_gained_high_ha"] - at_20["crop_lost_low_ha"] - at_20["crop_taken_low_ha"]
    assert at_20["crop_net_high_ha"] == pytest.approx(net, abs=0.002)
    # 9 t/ha at 200 a tonne, from hectares with three digits at least.
    for end in ("low", "high"):
        value = 1800 * table[f"crop_net_{end}_ha"]
        assert np.abs(table[f"crop_value_{end}"] - value).max() < 1800 * 0.005
    assert set(table["crop"]) == {"maize"} and set(table["currency"]) == {"EUR"}
    years = pd.read_csv(tmp_path / "out" / "tables" / "crop_years.csv").iloc[0]
    first = table.loc[table["crop_net_high_ha"] > 0, "year"].min()
    assert years["crop_positive_earliest"] == first > 2027
    # The low response has no gain at all.
    assert np.isnan(years["crop_positive_latest"])
    # The answer begins with it, in the year in which lines are compared.
    low, high = at_20["crop_net_low_ha"], at_20["crop_net_high_ha"]
    amounts = f"{at_20['crop_value_low']:+,.2f} to {at_20['crop_value_high']:+,.2f} EUR a year"
    assert found.record["steps"][0]["answer"][0] == (
        f"Crops on 1 field in 2047: net {low:+.1f} to {high:+.1f} ha of full yield, {amounts}; "
        f"net above 0 from {first} with the high response, not within 30 years with the low"
    )


DESIGNS = """
currency = "EUR"

[design."hedge belt"]
width_m = 6.0
species = "common alder"
porosity = 0.4
suits = ["crop"]
prices = { other_per_m = "9.50" }
"""

SCHEME = """
name = "half of the cost"
rules_date = 2026-01-01
source = "invented for a test"
status = "invented"
currency = "EUR"
opens = 2026-01-01
closes = 2040-12-31

[qualify]
categories = ["shelter"]

[[pay]]
what = "share of the cost"
kind = "capital"
per = "cost"
percent = 50
"""


def two_phases(tmp_path, **changes):
    """Two drawn belts on one field, planted in 2027 and 2028; half of the cost is paid."""
    given = project(tmp_path / "in")
    maps, west, south = str(tmp_path / "in" / "maps.gpkg"), WEST + 200, NORTH - 500
    square = shapely.box(west, south, west + 300, south + 200)
    fields = {"purpose": ["crop", "crop"], "crop": ["maize", ""], "category": ["shelter"] * 2}
    shapes = [square, shapely.box(west, south + 210, west + 300, south + 400)]
    frame = gpd.GeoDataFrame(fields, geometry=shapes, crs=MAP_CRS)
    frame.to_file(maps, layer="places", driver="GPKG")
    lines = [shapely.LineString([(west + x, south), (west + x, south + 200)]) for x in (20, 170)]
    drawn = gpd.GeoDataFrame({"must_have": [True, True]}, geometry=lines, crs=MAP_CRS)
    drawn.to_file(maps, layer="lines", driver="GPKG")
    for name, text in (("designs", DESIGNS), ("scheme", SCHEME)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    asked = {
        "designs": str(tmp_path / "designs.toml"),
        "schemes": [str(tmp_path / "scheme.toml")],
        "grant_areas": [f"{maps}:places"],
        "crop": "maize",
        "crop_yield_t_ha": 9.0,
        "crop_price": 200.0,
        "discount_rate": 0.05,
    }
    return shelterscape.siting(
        dem=given["dem"],
        winds="270",
        places=f"{maps}:places",
        candidate_lines=f"{maps}:lines",
        candidate_types=["drawn"],
        purpose="crop",
        planting_year=2027,
        budget_m=420,
        phases=2,
        monte_carlo_runs=0,
        out=tmp_path / "out",
        overwrite=True,
        **asked | changes,
    )


@pytest.mark.slow
def test_the_net_present_value_is_that_of_its_parts(tmp_path):
    """Cost and grant by hand, crops from the table in hectares, discounted with numpy."""
    found = two_phases(tmp_path)
    table, totals = (
        pd.read_csv(found.tables[n]) for n in ("present_value_by_year", "present_value")
    )
    by_item = table.set_index(["money_item", "year"])
    assert totals["money_item"].tolist() == ["cost", "grant", "land", "crops", "net"]
    # 200 m at 9.50 in each of the first two years, half of it paid.
    for item, amount in (("cost", -1900.0), ("grant", 950.0)):
        values = by_item.loc[item]
        assert values["amount_low"].tolist() == [amount, amount, *[0.0] * 29]
        assert values["present_high"].iloc[1] == round(amount / 1.05, 2)
    # Land of the second belt is taken from its own year on: 6 m and 8 m with fences, at 1,800 a ha.
    land = by_item.loc["land"]
    assert land["amount_high"].tolist() == pytest.approx([-216.0, *[-432.0] * 30])
    assert land["amount_low"].tolist() == pytest.approx([-288.0, *[-576.0] * 30])
    response = pd.read_csv(found.tables["crop_response"])
    hectares = response.groupby("year")[["crop_net_low_ha", "crop_net_high_ha"]].sum().to_numpy()
    crops_of = by_item.loc["land"] + by_item.loc["crops"]
    assert np.abs(crops_of[["amount_low", "amount_high"]] - 1800 * hectares).max(axis=None) < 20
    # The net of all years, discounted to 2027.
    net, factor = by_item.loc["net"], 1.05 ** -np.arange(31.0)
    items = table[table["money_item"] != "net"].groupby("year")[["amount_low", "amount_high"]].sum()
    assert np.allclose(net[["amount_low", "amount_high"]], items, atol=1e-6)
    for end in ("low", "high"):
        total = totals.set_index("money_item").loc["net", f"present_{end}"]
        assert total == pytest.approx(factor @ net[f"amount_{end}"].to_numpy(), abs=31 * 0.005)
    assert any(
        "Present value over 30 years at 5 % a year" in text for text in found.summary.results
    )


@pytest.mark.slow
def test_the_year_of_payback_is_that_of_the_sums_by_year(tmp_path):
    """At a price with which the crops pay, from the amounts by year."""
    found = two_phases(tmp_path, crop_price=5000.0)
    net = pd.read_csv(found.tables["present_value_by_year"]).query("money_item == 'net'")
    totals = pd.read_csv(found.tables["present_value"]).set_index("money_item")
    sums = np.cumsum(net["amount_high"].to_numpy() * 1.05 ** -np.arange(31.0))
    assert sums[0] < 0 < sums[-1]
    year = 2027 + int(np.flatnonzero(sums <= 0)[-1]) + 1
    assert totals.loc["net", "payback_earliest"] == year
    assert totals["payback_earliest"].notna().sum() == 1
    # The low response never pays.
    assert totals["payback_latest"].isna().all()
    text = " ".join(found.summary.results)
    assert f"paid back from {year} with the high amounts, not within 30 years with the low" in text


@pytest.mark.slow
def test_the_present_value_is_linear_in_the_price_and_a_plain_sum_without_discount(tmp_path):
    one, two = (
        pd.read_csv(two_phases(tmp_path, crop_price=p, discount_rate=0.0).tables["present_value"])
        for p in (200.0, 400.0)
    )
    assert (one["present_low"] == one["amount_low"]).all()
    assert (one["present_high"] == one["amount_high"]).all()
    one, two = (
        table.set_index("money_item")[["present_low", "present_high"]] for table in (one, two)
    )
    # Each of 31 years and of two fields is rounded once at each price: three halves of a cent.
    twice = 2 * one.loc[["land", "crops"]]
    assert np.abs(two.loc[["land", "crops"]] - twice).max(axis=None) < 31 * 2 * 0.015
    assert (two.loc[["cost", "grant"]] == one.loc[["cost", "grant"]]).all(axis=None)
    none = two_phases(tmp_path, crop_price=None)
    assert "present_value" not in none.tables
    assert not any("resent value" in text for text in none.summary.results)
    invented = two_phases(tmp_path, designs=None)
    assert "present_value" not in invented.tables
    assert any("Present value not calculated" in text for text in invented.summary.results)
