"""Warnings for planned belts, each shown where it applies and not where it does not."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from test_planting_profile import design

from shelterscape.grid import Grid
from shelterscape.process.design_files import packaged_designs
from shelterscape.science.planting.belt_warnings import Ground, belt_warnings, design_warnings
from shelterscape.science.planting.profile import height_profile
from shelterscape.science.purposes import purposes

GRID = Grid((100, 100), Affine(10, 0, 0, 0, -10, 1000), "EPSG:25832")
FLAT = np.full(GRID.shape, 50, np.float32)
NONE = np.empty(0, dtype=object)
SHRUBS = {"hawthorn": 0.6, "hazel": 0.4}


def shown(one, purpose="crop", **changes):
    values = {"machine_width_m": 1.5, "share_cap": 0.6} | changes
    found = design_warnings(one, purposes()[purpose], height_profile(one, 20), **values)
    return " | ".join(w.warning for w in found)


def located(one, line, elevation=FLAT, existing=NONE, **layers):
    belts = gpd.GeoDataFrame({"belt": ["A"], "design": ["one"]}, geometry=[line], crs=GRID.crs)
    ground = Ground(elevation, GRID, existing, **layers)
    found = belt_warnings(belts, {"one": one}, {"one": height_profile(one, 20)}, ground)
    return " | ".join(w.warning for w in found["A"])


LONG = shapely.LineString([(300, 500), (700, 500)])


def test_porosity_is_compared_in_the_season_of_the_purpose():
    """Crop 0.40 to 0.60 in leaf; lambing 0.15 to 0.40 without leaves (table of purposes)."""
    rows = [SHRUBS, {"oak": 0.5, "birch": 0.5}]
    fits = design(rows, porosity=0.5, bare_porosity=0.65)
    assert "too" not in shown(fits)
    assert "too open: porosity 0.65 without leaves" in shown(fits, "lambing")
    assert "too dense: porosity 0.20 in leaf" in shown(design(rows, porosity=0.2))


def test_species_of_a_design():
    spruce = shown(design([{"Sitka spruce": 1.0}, {"Sitka spruce": 1.0}]))
    assert "a single species: Sitka spruce" in spruce and "open at the base" in spruce
    mixed = design([SHRUBS, {"Sitka spruce": 1.0}, {"Sitka spruce": 1.0}])
    assert "67 % of the plants are Sitka spruce; the cap is 60 %" in shown(mixed)
    assert "open at the base" not in shown(mixed)
    yew = design([SHRUBS, {"yew": 0.5, "oak": 0.5}])
    assert "yew near stock" in shown(yew, "lambing") and "yew near stock" not in shown(yew, "crop")


def test_rows_closer_than_the_machine():
    assert "rows" not in shown(design([SHRUBS, SHRUBS]), machine_width_m=2.0)
    assert "rows 1 and 2 are closer" in shown(design([SHRUBS, SHRUBS]), machine_width_m=2.1)


def test_length_counts_adjoining_belts():
    one = design([SHRUBS, {"oak": 0.6, "birch": 0.4}])
    least = 10 * height_profile(one, 20).height_m
    line = shapely.LineString([(300, 500), (300 + least - 5, 500)])
    assert "too short" in located(one, line)
    beside = np.array([shapely.LineString([(290, 500), (280, 500)])], dtype=object)
    assert "too short" not in located(one, line, existing=beside)
    assert "too short" not in located(one, LONG)


def test_shrub_edges_across_a_slope_hold_cold_air():
    slope = (50 + np.indices(GRID.shape)[0] * 1.0).astype(np.float32)
    rows = [SHRUBS, {"oak": 0.5, "birch": 0.5}]
    assert "where cold air may pool" in located(design(rows), LONG, slope)
    assert "cold air" not in located(design(rows), LONG)
    assert "cold air" not in located(design(rows[1:]), LONG, slope)
    down = shapely.LineString([(500, 300), (500, 700)])
    assert "cold air" not in located(design(rows), down, slope)


def test_shallow_roots_on_wet_and_exposed_ground():
    """Flat ground has topex 0, very exposed; in a pit with walls of 20° it is 160."""
    one = design([SHRUBS, {"Sitka spruce": 0.5, "birch": 0.5}])
    wet = np.array([shapely.box(0, 0, 1000, 1000)], dtype=object)
    assert "Sitka spruce with shallow roots on very exposed ground" in located(one, LONG)
    rows, cols = np.indices(GRID.shape) - 49.5
    pit = (np.hypot(rows, cols) * 10 * np.tan(np.radians(20))).astype(np.float32)
    middle = shapely.LineString([(480, 500), (520, 500)])
    assert "shallow" not in located(one, middle, pit)
    assert "roots on wet ground" in located(one, middle, pit, wet=wet)
    assert "shallow" not in located(design([SHRUBS, {"oak": 1.0}]), LONG, wet=wet)


@pytest.mark.parametrize(("metres", "species"), [(14, "birch, willow"), (29, "willow"), (31, "")])
def test_roots_near_drains(metres, species):
    """Willow 30 m, others 15 m, from the outer row (extension note, seen)."""
    one = design([{"birch": 0.5, "willow": 0.5}, {"willow": 0.5, "birch": 0.5}])
    drain = np.array([shapely.LineString([(0, 499 - metres), (1000, 499 - metres)])], dtype=object)
    text = located(one, LONG, drains=drain)
    assert (f"{species} {metres} m from a drain" in text) == bool(species)
    assert ("drain" in text) == bool(species)


def test_no_packaged_design_is_of_one_species_or_toxic():
    for one in packaged_designs().designs.values():
        if one.rows:
            text = shown(one)
            assert "single species" not in text and "open at the base" not in text
