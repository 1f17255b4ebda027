"""Fall strips, drains and clearances by hand (status D), with the published distances."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely

from shelterscape.errors import InputError
from shelterscape.processes.side_effects.loading import SideEffectsData
from shelterscape.science.side_effects.nearby import (
    ASK_OPERATOR,
    fall_strips,
    in_fall,
    near_drains,
    within_clearances,
)
from shelterscape.science.side_effects.new_belts import complete_new_belts


def _belts(**columns: object) -> gpd.GeoDataFrame:
    line = shapely.LineString([(0, 0), (100, 0)])
    return complete_new_belts(gpd.GeoDataFrame(columns, geometry=[line]), "belts")[0]


def _at(*distances: float, **columns: object) -> gpd.GeoDataFrame:
    lines = [shapely.LineString([(-500, y), (500, y)]) for y in distances]
    names = {"name": [f"at {y:g}" for y in distances]}
    return gpd.GeoDataFrame(names | columns, geometry=lines)


def test_heights_and_names_that_are_missing():
    belts = _belts(species=["oak 50 %, hazel 50 %"], height_at_20_years_m=[6.0])
    assert belts[["height_m", "mature_height_m", "width_m", "porosity"]].iloc[0].tolist() == [
        6,
        20,
        3,
        0.4,
    ]
    assert belts["assumed"].iloc[0] == "width_m, porosity, height_m, mature_height_m"
    plain = _belts(name=["a"])
    assert plain[["height_m", "mature_height_m"]].iloc[0].tolist() == [10, 10]
    twice = gpd.GeoDataFrame({"name": ["a", "a"]}, geometry=[belts.geometry.iloc[0]] * 2)
    assert complete_new_belts(twice, "belts")[0]["name"].tolist() == ["a", "a 2"]
    with pytest.raises(InputError, match="points"):
        complete_new_belts(gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)]), "belts")


def test_the_tallest_species_of_a_design_falls_furthest_and_its_willow_is_kept_from_drains():
    """The main species, alder, grows to 18 m; oak to 20 m. Willow is kept 30 m from drains."""
    shares = {"species": ["common alder"], "species_shares": ["common alder 80 %, oak 20 %"]}
    assert _belts(species=["common alder"])["mature_height_m"].tolist() == [18]
    assert _belts(**shares)["mature_height_m"].tolist() == [20]
    willow = _belts(species=["oak"], species_shares=["oak 90 %, goat willow 10 %"])
    assert near_drains(_belts(species=["oak"]), _at(25)).empty
    assert near_drains(willow, _at(25))["species_at_fault"].tolist() == ["goat willow"]


def test_the_strip_of_falling_trees():
    """100 m long, 4 m wide, oak of 20 m × 1.5: 30 m from the outer stems, round at the ends."""
    belts = _belts(species=["oak"], width_m=[4.0])
    strip = fall_strips(belts, 1.5)
    assert strip["fall_distance_m"].tolist() == [30]
    assert strip.geometry.iloc[0].area == pytest.approx(100 * 64 + np.pi * 32**2, rel=0.01)


def test_objects_in_reach_and_the_species_at_fault():
    """Outer stems at 2 m: oak (20 m) reaches 22 m, hazel (9 m) reaches 11 m."""
    belts = _belts(species=["oak 50 %, hazel 50 %"], width_m=[4.0])
    found = in_fall(belts, _at(8, 21, 23), "road", 1.0)
    assert found["object_name"].tolist() == ["at 8", "at 21"]
    assert found["distance_found_m"].tolist() == [6, 19]
    assert found["species_at_fault"].tolist() == ["oak, hazel", "oak"]
    # The road at 8 m is within 20 m of stems along the whole belt.
    assert found["length_within_m"].tolist() == [100, 100]
    unknown = in_fall(_belts(species=["fig"]), _at(5), "building", 1.0)
    assert unknown["species_at_fault"].tolist() == ["fig (height unknown)"]


def test_power_lines_have_no_distance_that_is_called_safe():
    found = in_fall(_belts(species=["hazel"]), _at(8, 60, 130), "power line", 1.0)
    assert found["object_name"].tolist() == ["at 8", "at 60"]
    assert found["required_distance_m"].isna().all()
    assert set(found["advice"]) == {ASK_OPERATOR}
    assert found["species_at_fault"].tolist() == ["hazel", ""]


def test_drains_by_species():
    """Willow 30 m, others 15 m; stems at 1.5 m."""
    drains = _at(10, 25, 33)
    found = near_drains(_belts(species=["willow 20 %, oak 80 %"]), drains)
    assert found["species_at_fault"].tolist() == ["willow, oak", "willow"]
    assert near_drains(_belts(species=["oak"]), drains)["object_name"].tolist() == ["at 10"]
    assert len(near_drains(_belts(), drains)) == 2  # without species it may be willow


def test_clearances_set_by_the_planner():
    areas = _at(10, 30, reason=["house", "sight line"], clear_m=[12.0, 5.0])
    found = within_clearances(_belts(), areas)
    assert found["object_name"].tolist() == ["house"]
    assert found[["distance_found_m", "required_distance_m"]].iloc[0].tolist() == [8.5, 12]
    assert within_clearances(_belts(), areas.iloc[:0]).empty


def test_a_holding_without_belts_keeps_their_columns():
    """As in a batch: an empty list of rows would be taken for a list of columns."""
    none = gpd.GeoDataFrame(geometry=gpd.GeoSeries([], crs="EPSG:25832"))
    belts, _ = complete_new_belts(none, "belts")
    planted = SideEffectsData.planted.fget(SimpleNamespace(belts=belts))
    assert list(planted.columns) == list(belts.columns) and len(fall_strips(planted, 1.0)) == 0
