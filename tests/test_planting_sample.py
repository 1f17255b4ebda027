"""The chain of the sample: siting, planting, side effects and grants have the same belts."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

SAMPLE_TREES = "trees.gpkg"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def layers(demo):
    """A function that reads a layer of the demo."""
    return lambda name: gpd.read_file(demo.folder / "layers.gpkg", layer=name)


def table(demo, name):
    return pd.read_csv(demo.folder / "tables" / f"{name}.csv", keep_default_na=False)


def test_each_step_has_the_belts_that_siting_chose(demo, layers):
    chosen, planned = layers("chosen_belts"), layers("planned_belts")
    new = chosen[chosen["action"] == "plant"].set_index("candidate")
    assert sorted(planned["belt"]) == sorted(new.index)
    assert sorted(layers("belts_examined")["name"]) == sorted(chosen["candidate"])
    parts = layers("grant_parts")
    assert set(parts["name"]) <= set(new.index)
    assert set(parts["scheme"]) and parts["part_area_ha"].sum() > 0
    for belt in planned.itertuples():
        one = new.loc[belt.belt]
        assert (belt.design, belt.holding_id) == (one["design"], one["holding_id"])
        assert belt.parcel_id == one["parcel_id"] != ""
        assert belt.geometry.equals_exact(one.geometry, 0.01)


def test_every_layer_of_the_chain_names_the_same_parcel(demo, layers):
    chosen = layers("chosen_belts").set_index("candidate")["parcel_id"]
    pairs = {"planned_belts": "belt", "planting_rows": "belt", "fences": "belt",
             "set_out_points": "belt", "fall_strips": "belt", "cold_air_pools": "belt",
             "snow_drift": "belt", "belts_examined": "name", "grant_parts": "name"}  # fmt: skip
    for name, column in pairs.items():
        frame = layers(name)
        assert (frame["parcel_id"] == frame[column].map(chosen)).all(), name
    actions = table(demo, "grant_actions")
    assert set(actions["holding_id"]) <= set(layers("chosen_belts")["holding_id"])
    assert actions["evidence"].str.contains("dated photographs").any()


def test_the_old_tree_beside_a_belt_is_kept_clear(demo, layers):
    """Stems of 1.1 m × 15 = 16.5 m, more than the canopy of 8 m and 5 m beyond it."""
    from test_siting_sample import SAMPLE

    tree = gpd.read_file(SAMPLE.with_name(SAMPLE_TREES)).geometry.iloc[0].geoms[0]
    belt = layers("planned_belts").set_index("belt").loc["D0001"]
    assert belt.geometry.distance(tree) < 16.5, "the tree is beside the line that was drawn"
    for name in ("planting_rows", "fences"):
        assert layers(name).geometry.distance(tree).min() >= 16.5 - 0.01, name
    rows = layers("planting_rows").query("belt == 'D0001'")
    assert (rows.groupby("planting_row")["row_part"].max() == 2).any()


def test_plants_fit_the_rows_and_the_fences_enclose_them(demo, layers):
    """Counted from the geometry alone: a plant for each spacing, and no row outside a fence."""
    rows, fences = layers("planting_rows"), layers("fences")
    parts = rows.groupby(["belt", "planting_row", "row_part"])
    expected = parts.apply(lambda p: p.geometry.length.sum() / p["plant_spacing_m"].iloc[0])
    # A staggered row has one plant less, or as many; spacings are written to the centimetre.
    error = 1.01 + expected * 0.005 / rows["plant_spacing_m"].min()
    assert (np.abs(parts["plant_count"].sum() - expected) <= error).all()
    order = table(demo, "plant_order")
    assert order["plant_count"].sum() == rows["plant_count"].sum()
    inside = shapely.union_all([shapely.Polygon(f.coords) for f in fences.geometry.explode()])
    assert shapely.covers(inside.buffer(0.02), rows.geometry.to_numpy()).all()


def test_places_reach_their_targets_by_the_year_that_siting_examined(demo, layers):
    """siting: all four lambing fields reach theirs in 2047, with two restorations in addition."""
    sited = layers("places_with_belts").query("year == 2047").set_index("name")
    found = table(demo, "places_by_year").drop_duplicates("name").set_index("name")
    for name, place in sited.iterrows():
        year = found.loc[name, "target_reached"]
        assert (place["reaches_target"] == "yes") == (year.isdigit() and int(year) <= 2047), name
