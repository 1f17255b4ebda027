"""Species kept or excluded for belts: wet ground, drains, peat, height, exposure, native list."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from file_helpers import write_features
from shapely import LineString, Point, box
from test_planting_process import NORTH, WEST, inputs  # noqa: F401 - a fixture

import shelterscape
from shelterscape import data
from shelterscape.grid import Grid
from shelterscape.process.design_files import packaged_designs
from shelterscape.science.planting.belt_sites import SiteLayers, belt_exposure, belt_sites
from shelterscape.science.planting.suitability import (
    EXCLUDED,
    KEPT,
    NOT_CHECKED,
    SpeciesRules,
    species_facts,
    species_suitability,
)
from shelterscape.science.species import species_table

CRS = "EPSG:25832"
DESIGNS = packaged_designs().designs
NAME = "three-row belt"
HALF_M = DESIGNS[NAME].planted_width_m / 2
SHELTERED = pd.DataFrame({"topex_deg": [70.0], "topex_class": [4.0], "terrain_wind_ms": [4.0]})
EXPOSED = pd.DataFrame({"topex_deg": [12.0], "topex_class": [2.0], "terrain_wind_ms": [7.5]})
NONE_HERE = np.array([Point(9e5, 9e5)], dtype=object)
HERE = np.array([box(-50, -50, 150, 50)], dtype=object)


def table(layers=None, exposure=SHELTERED, rules=None, design=None):
    """Suitability of all species on one belt of 100 m, by species."""
    belts = gpd.GeoDataFrame(
        {"belt": ["a"], "design": [NAME]}, geometry=[LineString([(0, 0), (100, 0)])], crs=CRS
    )
    designs = DESIGNS | ({NAME: design} if design else {})
    layers = layers or SiteLayers(NONE_HERE, NONE_HERE, NONE_HERE, NONE_HERE)
    sites = belt_sites(belts, designs, layers, exposure)
    found = species_suitability(sites, belts, designs, rules or SpeciesRules())
    return found.set_index("species")


def drains(distance_m):
    """A drain at a distance from the outer row, on wet ground."""
    y = distance_m + HALF_M
    line = np.array([LineString([(-500, y), (500, y)])], dtype=object)
    return SiteLayers(wet=HERE, salt=NONE_HERE, deep_peat=NONE_HERE, drains=line)


@pytest.mark.parametrize("species", ["willow", "common alder"])
@pytest.mark.parametrize(("distance_m", "result"), [(29, EXCLUDED), (31, KEPT)])
def test_willow_and_alder_suit_wet_ground_but_not_within_30_m_of_drains(
    species, distance_m, result
):
    """30 m for willow: extension note (seen); for alder as the same ground (assumed)."""
    row = table(drains(distance_m)).loc[species]
    assert row["suitability"] == result
    assert ("m from a drain" in row["reason"]) == (result == EXCLUDED)
    assert ("wet ground and flooding" in row["reason"]) == (result == KEPT)


def test_other_species_keep_15_m_from_drains():
    """Extension note (seen)."""
    assert table(drains(14)).loc["oak", "suitability"] == EXCLUDED
    assert table(drains(16)).loc["oak", "suitability"] == KEPT


def test_without_a_layer_of_drains_nothing_that_blocks_them_is_kept():
    found = table(SiteLayers(wet=HERE))
    for species in ("willow", "common alder", "poplar"):
        assert found.loc[species, "suitability"] == NOT_CHECKED
    assert "no layer of drains" in found.loc["oak", "not_checked"]
    assert (found["not_checked"] != "").all(), "what no layer shows is listed for every species"
    assert not found["suitability"].str.contains("suit").any()


def test_deep_peat_excludes_every_species_unless_it_is_allowed():
    layers = SiteLayers(NONE_HERE, NONE_HERE, HERE, NONE_HERE)
    assert set(table(layers)["suitability"]) == {EXCLUDED}
    allowed = table(layers, rules=SpeciesRules(peat_allowed=True))
    assert set(allowed["suitability"]) == {KEPT, EXCLUDED}


def test_a_height_limit_excludes_exactly_the_species_that_grow_higher():
    """Mature heights of species.csv, by an independent selection with pandas."""
    layers = SiteLayers(NONE_HERE, NONE_HERE, NONE_HERE, NONE_HERE, HERE, np.array([9.0]))
    found = table(layers)
    rows = data.table("species.csv").set_index("species")["mature_height_m"].dropna()
    higher = set(rows[rows > 9.0].index)
    assert set(found[found["reason"].str.contains("limit 9 m")].index) == higher
    unstated = table(dataclasses.replace(layers, height_limit_m=np.array([np.nan])))
    assert unstated["not_checked"].str.contains("ask the operator").all()


def test_exposed_ground_excludes_species_that_suffer_from_wind():
    assert table().loc["hazel", "suitability"] == KEPT
    row = table(exposure=EXPOSED).loc["hazel"]
    assert row["suitability"] == EXCLUDED and "topex 12°, 7.5 m/s" in row["reason"]
    assert table(exposure=EXPOSED).loc["hawthorn", "suitability"] == KEPT
    unknown = table(exposure=EXPOSED.assign(terrain_wind_ms=np.nan)).loc["hazel"]
    assert unknown["suitability"] == KEPT and "terrain wind is not known" in unknown["not_checked"]


def test_only_native_species_are_kept_where_a_list_is_given():
    found = table(rules=SpeciesRules(native=("Hazel", "oak", "alder")))
    kept = set(found[found["suitability"] == KEPT].index)
    assert kept == {"hazel", "oak", "common alder"}


def test_salt_and_deer():
    salty = table(SiteLayers(NONE_HERE, HERE, NONE_HERE, NONE_HERE))
    assert salty.loc["hazel", "suitability"] == EXCLUDED
    assert "not known" in salty.loc["oak", "not_checked"]
    assert "deer: browsed hard; " in table().loc["rowan", "reason"]
    without = dataclasses.replace(DESIGNS[NAME], browsers=())
    assert "names no browsers" in table(design=without).loc["rowan", "not_checked"]


def test_the_order_is_that_of_the_design_and_shares_add_up():
    found = table()
    used = found[found["design_share"] > 0]
    assert used["design_share"].sum() == pytest.approx(1.0)
    assert list(found.index[: len(used)]) == list(used.index)


def test_every_fact_has_a_source_a_status_and_a_date():
    known = {species.name for species in species_table().values()}
    assert set(species_facts()) == known
    for species, facts in species_facts().items():
        assert {"drain_m", "plant_health"} <= set(facts), species
        for fact in facts.values():
            assert fact.source and fact.status in ("seen", "not verified", "no source", "assumed")
            assert pd.Timestamp(fact.fact_date) <= pd.Timestamp("2026-11-27")
            assert fact.status != "no source" or fact.source == "common practice"


def test_the_summit_of_a_hill_is_more_exposed_than_its_foot():
    """By hand: on a summit no ground is higher, so unlimited topex is 0 (status D)."""
    grid = Grid((201, 201), Affine(10, 0, 0, 0, -10, 2010), CRS)
    y, x = np.mgrid[0:201, 0:201]
    distance = 10.0 * np.hypot(x - 100, y - 100)
    hill = (20.0 * np.exp(-((distance / 150.0) ** 2))).astype(np.float32)
    lines = [LineString([(1000, 1005), (1010, 1005)]), LineString([(750, 1005), (760, 1005)])]
    belts = gpd.GeoDataFrame(geometry=lines, crs=CRS)
    found = belt_exposure(belts, hill, grid, 270.0, 5.0)
    assert found["topex_deg"][0] == pytest.approx(0.0, abs=1e-3)
    assert found["topex_deg"][1] > found["topex_deg"][0]
    assert found["topex_class"][0] == 1
    assert found["terrain_wind_ms"][0] > 5.0 > found["terrain_wind_ms"][1]


def test_files_to_files_with_a_height_limit_and_a_native_list(inputs, tmp_path):  # noqa: F811
    dem, maps = inputs
    limit = shapely.box(WEST, NORTH - 600, WEST + 200, NORTH)
    write_features(tmp_path / "limits.gpkg", [limit], layer="limits", height_limit_m=[9.0])
    result = shelterscape.planting(
        dem=dem, belts=f"{maps}:belts", winds="270", parcels=f"{maps}:parcels",
        height_limits=f"{tmp_path / 'limits.gpkg'}:limits", native_species=("hazel", "birch"),
        out=tmp_path / "out", pictures=False, report=False,
    )  # fmt: skip
    found = pd.read_csv(result.tables["species_suitability"]).set_index(["belt", "species"])
    kept = found[found["suitability"] == KEPT]
    assert list(kept.index) == [("A1", "hazel"), ("A2", "hazel"), ("A2", "birch")]
    assert "grows to 15 m, limit 9 m" in found.loc[("A1", "birch"), "reason"]
    assert set(found["parcel_id"]) == {"P1"}
    assert any("Replace species of the designs" in text for text in result.summary.results)
