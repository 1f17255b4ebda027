"""The process `siting`: what its files say, checked by sums, by another process and by laws."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from run_helpers import CRS, NORTH, WEST, checksums, project
from shapely import LineString, Point, box

import shelterscape
from shelterscape.errors import InputError
from shelterscape.processes.siting import spec
from shelterscape.science.siting import cutting, designs, generated_lines
from shelterscape.science.siting import planner_layers as register
from shelterscape.science.siting.designs import packaged

pytestmark = pytest.mark.slow

DESIGN = packaged().find("dense stock belt")
FIELDS = [
    box(WEST + x, NORTH - 590 + y, WEST + x + 190, NORTH - 590 + y + 190)
    for x in (10, 200, 390)
    for y in (0, 190, 380)
]


def save(path, layer_name, shapes, **columns):
    """A layer of its own in a file of the project."""
    frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)
    frame.to_file(path, layer=layer_name, driver="GPKG")
    return f"{path}:{layer_name}"


@pytest.fixture(scope="module")
def inputs(tmp_path_factory):
    """Fields, stock, lines drawn and constraints on the tiny ground."""
    folder = tmp_path_factory.mktemp("siting")
    given = project(folder / "in")
    belts = gpd.read_file(given["belts"], layer="belts")
    belts["name"], belts["species"] = ["low", "top"], ["birch", "hazel"]
    belts.to_file(given["belts"], layer="belts", driver="GPKG")
    maps = folder / "in" / "maps.gpkg"
    lines = [
        LineString([(WEST + 200, NORTH - 500), (WEST + 200, NORTH - 300)]),
        LineString([(WEST + 480, NORTH - 590), (WEST + 480, NORTH - 410)]),
        LineString([(WEST + 30, NORTH - 100), (WEST + 180, NORTH - 100)]),
    ]
    holdings = [
        box(WEST, NORTH - 600, WEST + 390, NORTH),
        box(WEST + 390, NORTH - 600, WEST + 600, NORTH),
    ]
    constraint = {
        "constraint": ["deep peat", "waders"],
        "effect": ["forbid", "consult"],
        "distance_m": [5.0, 60.0],
        "authority": ["office", "trust"],
        "date": ["2025-01-01", "2025-02-01"],
    }
    del given["seasons"]
    return given | {
        "winds": "210,240,270",
        "purpose": "outwintering stock",
        "places": save(
            maps,
            "places",
            [FIELDS[4], FIELDS[7]],
            name=["middle", "east"],
            purpose=["outwintering stock"] * 2,
            head=[40, 20],
            need=[2.0, 1.0],
        ),
        "parcels": save(maps, "parcels", FIELDS, parcel_id=[f"P{n}" for n in range(9)]),
        "holdings": save(maps, "holdings", holdings, holding_id=["A", "B"]),
        "candidate_lines": save(
            maps,
            "lines",
            lines,
            name=["west", "east", "far"],
            must_have=[False, True, False],
            forbidden=[False, False, True],
        ),
        "keep_clear": save(
            maps,
            "clear",
            [Point(WEST + 200, NORTH - 400).buffer(10)],
            reason=["pit"],
            clear_m=[6.0],
        ),
        "openings": save(maps, "gates", [Point(WEST + 480, NORTH - 500)], width_m=[5.0]),
        "constraints": [
            save(
                maps,
                "register",
                [box(WEST + 190, NORTH - 590, WEST + 210, NORTH - 540), FIELDS[8]],
                **constraint,
            )
        ],
        "planting_year": 2027,
        "budget_m": 450,
        "reruns": 3,
    }


@pytest.fixture(scope="module")
def result(inputs, tmp_path_factory):
    return shelterscape.siting(**inputs, out=tmp_path_factory.mktemp("sited") / "out")


def layer(result, name):
    path, _, found = str(result.layers[name]).rpartition(":")
    return pyogrio.read_dataframe(path, layer=found)


def table(result, name):
    return pd.read_csv(result.tables[name], keep_default_na=False)


def band(result, name, number=1):
    with rasterio.open(result.rasters[name]) as data:
        return data.read(number, masked=True).filled(np.nan)


def test_the_choice_is_within_its_budget_and_sums_up(result):
    chosen, every = layer(result, "chosen_belts"), layer(result, "candidates")
    assert chosen["order"].tolist() == list(range(1, len(chosen) + 1))
    assert chosen["length_m"].sum() <= 450 + 1e-6
    assert chosen["length_m"].sum() == pytest.approx(chosen.geometry.length.sum())
    np.testing.assert_allclose(chosen["so_far_m"], chosen["length_m"].cumsum())
    np.testing.assert_allclose(chosen["so_far_ha"], chosen["adds_ha"].cumsum())
    assert chosen["so_far_minor"].tolist() == chosen["cost_minor"].cumsum().tolist()
    # What a belt adds is never more than what it brings by itself (diminishing returns).
    assert (chosen["adds_ha"] <= chosen["benefit_ha"] + 1e-6).all()
    assert set(every[every["order"].notna()]["candidate"]) == set(chosen["candidate"])
    assert (every["reason"] == "chosen").sum() == len(chosen)
    assert set(every["kind"]) >= {"line given", "parcel edge", "stock corner"}


def test_land_is_length_times_width_and_crops_lose_to_two_heights(result):
    every = layer(result, "candidates")
    new = every[every["action"] == "plant"]
    strip = new["length_m"] * new["width_m"] / 1e4
    np.testing.assert_allclose(new["land_low_ha"], strip)
    np.testing.assert_allclose(new["land_high_ha"] - strip, new["length_m"] * 2 / 1e4)
    # To 1 to 2 heights on both sides (Kort 1988; Cleugh and others 2002, seen).
    np.testing.assert_allclose(new["crop_low_ha"], new["length_m"] * 2 * new["height_20_m"] / 1e4)
    np.testing.assert_allclose(new["crop_high_ha"], 2 * new["crop_low_ha"])
    mended = every[every["action"] != "plant"]
    assert (mended[["land_high_ha", "crop_high_ha"]] == 0).all(axis=None)


def test_lines_asked_for_are_chosen_and_those_ruled_out_are_not(result):
    every = layer(result, "candidates").set_index("name")
    assert every.loc["east", "asked"] == "asked for" and every.loc["east", "order"] >= 1
    assert every.loc["far", "asked"] == "ruled out" and every.loc["far", "reason"] == "ruled out"
    assert np.isnan(every.loc["far", "order"])


def test_costs_are_lengths_times_the_rate(result):
    every = layer(result, "candidates")
    new = every[every["action"] == "plant"]
    rate = int(DESIGN.cost_per_m * 100)
    assert np.abs(new["cost_minor"] - new["length_m"] * rate).max() <= 0.005 * rate + 1


def test_drawn_lines_kept_and_cut_sum_to_what_was_drawn(inputs, tmp_path):
    found = shelterscape.siting(**inputs | {"offer": ("drawn",), "reruns": 0}, out=tmp_path / "out")
    every, cuts = layer(found, "candidates"), table(found, "cuts")
    # 200 + 180 + 150 m were drawn.
    assert every["length_m"].sum() + cuts["cut_m"].sum() == pytest.approx(530, abs=1e-6)
    by_reason = cuts.groupby("reason")["cut_m"].sum()
    # Clear of the pit by 10 + 6 m and half of 8 m to both sides.
    assert by_reason["keep clear: pit"] == pytest.approx(40, abs=0.1)
    assert by_reason["opening"] == pytest.approx(5.0)
    assert set(every["kind"]) == {"line given"}
    east = every[every["name"] == "east"]
    assert east["openings"].tolist() == [1]
    assert "opening faces" in east["flags"].item()


def test_what_stands_against_lines_is_told(result):
    told, every = table(result, "constraints"), layer(result, "candidates")
    missing = told[told["candidate"] == ""]
    assert set(missing["effect"]) == {"not checked: no layer given"}
    assert len(missing) == len(register.USUAL) - 2
    near = told[told["constraint"].eq("waders") & told["candidate"].ne("")]
    away = every.geometry.distance(FIELDS[8]) - every["width_m"] / 2
    assert set(near["candidate"]) == set(every["candidate"][away < 60 - 0.1])
    told_of = every.set_index("candidate").loc[near["candidate"], "constraints"]
    assert told_of.str.contains("consult: waders").all()
    assert (
        (every.geometry.distance(box(WEST + 190, NORTH - 590, WEST + 210, NORTH - 540)) >= 4.9)
        .where(every["action"] == "plant", True)
        .all()
    )


def test_the_field_with_belts_is_that_of_the_process_shelter(inputs, result, tmp_path):
    """By another road: the belts chosen handed to `shelter` beside those that stand."""
    chosen = layer(result, "chosen_belts")
    assert (chosen["action"] == "plant").all()
    old = gpd.read_file(inputs["belts"], layer="belts")
    new = gpd.GeoDataFrame(
        {
            "species": chosen["species"],
            "planted_year": chosen["year"],
            "porosity": DESIGN.porosity,
            "bare_porosity": DESIGN.bare_porosity,
            "width_m": chosen["width_m"],
            "belt_type": "tree belt",
        },
        geometry=chosen.geometry,
        crs=CRS,
    )
    fields = []
    for name, frame in (("old", old), ("both", pd.concat([old, new], ignore_index=True))):
        frame.to_file(tmp_path / f"{name}.gpkg", layer="belts", driver="GPKG")
        how = {k: inputs[k] for k in ("dem", "winds", "purpose")}
        out = shelterscape.shelter(
            **how, belts=f"{tmp_path / name}.gpkg:belts", years=(2047,), out=tmp_path / name
        )
        fields.append(band(out, "relative_wind"))
    np.testing.assert_allclose(band(result, "relative_wind_with"), fields[1], atol=2e-5)
    np.testing.assert_allclose(band(result, "shelter_gain"), fields[0] - fields[1], atol=2e-5)


def test_benefit_is_need_times_what_is_taken_off_the_wind(result, inputs):
    """Sheltered hectares of both fields, by cells whose middle lies in them."""
    places, gain = layer(result, "places_with_belts"), band(result, "shelter_gain")
    row, col = np.indices(gain.shape)
    x, y = WEST + 10 * (col + 0.5), NORTH - 10 * (row + 0.5)
    for place in places.itertuples():
        west, south, east, north = place.geometry.bounds
        inside = (x > west) & (x < east) & (y > south) & (y < north)
        expected = place.need * gain[inside].sum() * 0.01
        assert place.benefit_ha == pytest.approx(expected, rel=1e-3)
        assert place.wind_without - place.relative_wind == pytest.approx(
            gain[inside].mean(), rel=1e-3
        )
    total = table(result, "benefit_by_case")["benefit_ha"].item()
    assert places["benefit_ha"].sum() == pytest.approx(total, rel=1e-4)


def test_belts_grow_and_close_through_the_years(result):
    grown = table(result, "belt_growth")
    assert set(grown["year"]) == {2027, 2032, 2037, 2047}
    for _, rows in grown[grown["action"] == "plant"].groupby("candidate"):
        assert (np.diff(rows["height_m"]) > 0).all()
        # From nothing at planting to the design in ten years.
        expected = [1.0, 1 - (1 - DESIGN.bare_porosity) / 2, *[DESIGN.bare_porosity] * 2]
        assert rows["porosity"].tolist() == pytest.approx(expected)
    assert set(layer(result, "chosen_belts")["candidate"]) <= set(grown["candidate"])


def test_flags_of_belts_chosen_are_told(result):
    chosen = layer(result, "chosen_belts")
    flagged = chosen[chosen["flags"].fillna("") != ""]
    told = [n for n in result.notices if n.code == "belts-flagged"]
    assert [n.count for n in told] == [len(flagged)]
    assert all(name in told[0].text for name in flagged["candidate"])


def test_the_curve_never_falls_and_stays_below_its_bound(result):
    curve = table(result, "benefit_curve")
    assert (np.diff(curve["benefit_ha"]) >= -1e-9).all()
    assert (curve["benefit_ha"] <= curve["bound_ha"] + 1e-9).all()
    assert (curve["length_m"] <= curve["share"] * 450 + 1e-6).all()


def test_bearings_lose_nothing_at_best_and_follow_the_winds(result):
    found = table(result, "belt_bearings").set_index("turned_deg")
    assert found.loc[0, "lost"] == 0 and (found["lost"] >= 0).all()
    # Winds from 210, 240 and 270° alike: square to 240° is 150°, from true north.
    assert found.loc[0, "bearing_deg"] == pytest.approx(150.0)
    sines = np.abs(np.sin(np.radians(np.array([210, 240, 270]) - found.loc[30, "bearing_deg"])))
    best = np.abs(np.sin(np.radians(np.array([210, 240, 270]) - 150)))
    assert found.loc[30, "lost"] == pytest.approx(1 - sines.sum() / best.sum())


def test_the_same_inputs_and_seed_give_the_same_files(inputs, result, tmp_path):
    again = shelterscape.siting(**inputs, out=tmp_path / "again")
    one, other = checksums(result.folder), checksums(again.folder)
    one.pop("timings.json"), other.pop("timings.json")
    assert one == other


def test_money_phases_and_caps(inputs, tmp_path):
    given = inputs | {"budget_m": None, "budget": "9000", "phases": 2, "holding_budget_m": 250}
    given |= {"reruns": 0, "offer": ("edges", "corners", "mending"), "candidate_lines": None}
    chosen = layer(shelterscape.siting(**given, out=tmp_path / "out"), "chosen_belts")
    assert set(chosen["year"]) == {2027, 2028}
    assert (chosen.groupby("year")["cost_minor"].sum() <= 450_000).all()
    assert (chosen.groupby("holding_id")["length_m"].sum() <= 250 + 1e-6).all()


def test_seasons_and_years_each_have_a_band(inputs, tmp_path):
    given = inputs | {"seasons": ("in-leaf", "bare"), "years": (2035, 2047), "reruns": 0}
    found = shelterscape.siting(**given, out=tmp_path / "out")
    with rasterio.open(found.rasters["shelter_gain"]) as data:
        assert data.descriptions == ("in leaf 2035", "bare 2035", "in leaf 2047", "bare 2047")
    by_case = table(found, "benefit_by_case").set_index(["season", "year"])["benefit_ha"]
    assert by_case["bare", 2047] > by_case["bare", 2035] > 0
    assert len(layer(found, "places_with_belts")) == 8


def test_ground_without_places_parcels_or_holdings(inputs, tmp_path):
    names = ("dem", "winds", "belts", "candidate_lines", "planting_year", "budget_m")
    given = {name: inputs[name] for name in names} | {"reruns": 0, "budget_m": 600}
    found = shelterscape.siting(**given, out=tmp_path / "out")
    assert "places_with_belts" not in found.layers
    assert len(layer(found, "chosen_belts")) >= 1
    assert (layer(found, "candidates")["holding_id"] == "").all()


def test_bare_ground_can_be_planted(inputs, tmp_path):
    given = {k: v for k, v in inputs.items() if k != "belts"} | {"reruns": 2}
    found = shelterscape.siting(**given, out=tmp_path / "out")
    assert len(layer(found, "chosen_belts")) >= 1
    assert (layer(found, "places_with_belts")["wind_without"] == 1.0).all()
    # Without belts that stand, what is gained is all that is taken off the wind.
    gain, wind = band(found, "shelter_gain"), band(found, "relative_wind_with")
    np.testing.assert_allclose(gain, 1 - wind, atol=1e-6)


@pytest.mark.parametrize(
    ("changes", "code", "word"),
    [
        ({"budget_m": None}, "input-refused", "budget"),
        ({"budget": "12.345"}, "input-refused", "two decimals"),
        ({"years": (2020,)}, "input-refused", "planted"),
        ({"design": "maze"}, "name-unknown", "design"),
        ({"purpose": "orchard"}, "input-refused", "purpose"),
        ({"offer": ("drawn",), "candidate_lines": None}, "input-refused", "line"),
        ({"must_have": ("X1",)}, "name-unknown", "candidate"),
        ({"budget_m": 50}, "input-refused", ""),
    ],
)
def test_what_cannot_be_is_refused(inputs, changes, code, word, tmp_path):
    with pytest.raises(InputError) as caught:
        shelterscape.siting(**inputs | {"reruns": 0} | changes, out=tmp_path / "out")
    assert caught.value.code == code
    assert word in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_designs_of_ones_own_change_width_and_cost(inputs, tmp_path):
    text = "[design.mine]\nwidth_m = 3\nspecies = 'holly'\nporosity = 0.3\ncost_per_m = 1.25\n"
    (tmp_path / "mine.toml").write_text(text + "suits = ['outwintering stock']\n")
    given = inputs | {"designs": tmp_path / "mine.toml", "reruns": 0}
    every = layer(shelterscape.siting(**given, out=tmp_path / "out"), "candidates")
    new = every[every["action"] == "plant"]
    assert set(new["design"]) == {"mine"} and set(new["width_m"]) == {3.0}
    assert np.abs(new["cost_minor"] - new["length_m"] * 125).max() <= 1.2


def test_defaults_of_the_description_are_those_of_the_science():
    assert spec.SPACING_H == generated_lines.SPACING_H
    assert spec.LONGEST_M == generated_lines.LONGEST_M
    assert spec.STEEPEST_DEG == cutting.STEEPEST_DEG
    assert spec.MINOR_UNITS == designs.MINOR_UNITS
