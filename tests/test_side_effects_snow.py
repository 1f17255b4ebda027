"""Drift areas by hand (status D), with the published lengths (status M)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from shelterscape.science.side_effects.snow import drift_area, drifts_on_roads

BELT = shapely.LineString([(0, 0), (400, 0)])


def test_area_of_a_drift_behind_a_straight_belt():
    """400 m × 35 × 2 m × sin(angle between belt and wind); it is leeward, not windward."""
    for direction, angle in ((0.0, 90), (60.0, 30), (225.0, 45)):
        area = drift_area(BELT, 2.0, direction)
        assert area.area == pytest.approx(400 * 70 * np.sin(np.radians(angle)))
    assert drift_area(BELT, 2.0, 0.0).bounds == pytest.approx((0, -70, 400, 0))
    assert drift_area(BELT, 2.0, 90.0).area == pytest.approx(0)


def test_area_of_a_drift_in_a_sector():
    """Winds within 30° of perpendicular, 70 m: 400 × 70 m² and two triangles of 70² sin 30° / 2."""
    area = drift_area(BELT, 2.0, 0.0, sector_deg=60.0)
    assert area.area == pytest.approx(400 * 70 + 70**2 / 2)
    assert area.bounds == pytest.approx((-35, -70, 435, 0))


@pytest.mark.parametrize("alpha", [90.0, 50.0, 30.0])
def test_a_parallel_road_is_reached_up_to_the_usual_set_back(alpha):
    """35 H sin α, α between wind and road: nearer roads are reached, others are not."""
    set_back = 35 * 2 * np.sin(np.radians(alpha))
    belts = gpd.GeoDataFrame({"name": ["a"], "height_m": [2.0]}, geometry=[BELT])
    for distance, reached in ((set_back - 0.5, True), (set_back + 0.5, False)):
        line = shapely.LineString([(-500, -distance), (900, -distance)])
        road = gpd.GeoDataFrame({"name": ["lane"]}, geometry=[line])
        found = drifts_on_roads(belts, road, [90 - alpha], [0.0], [1.0])
        assert (len(found) == 1) is reached
    line = shapely.LineString([(-500, -set_back / 2), (900, -set_back / 2)])
    road = gpd.GeoDataFrame({"name": ["lane"]}, geometry=[line])
    assert drifts_on_roads(belts, road, [90 - alpha], [0.0], [1.0])["length_m"].iloc[
        0
    ] == pytest.approx(400)


def test_both_sides_with_their_lengths_and_shares_of_the_wind():
    """Wind from the north 0.7, south 0.2, east 0.1; the road is 20 m south of a belt of 2 m."""
    belts = gpd.GeoDataFrame({"name": ["a"], "height_m": [2.0]}, geometry=[BELT])
    line = shapely.LineString([(100, -20), (300, -20)])
    road = gpd.GeoDataFrame({"name": ["lane"]}, geometry=[line])
    found = drifts_on_roads(belts, road, [0.0, 180.0, 90.0], [0.0] * 3, [0.7, 0.2, 0.1]).set_index(
        "side"
    )
    assert found["drift_wind_share"].to_dict() == pytest.approx({"leeward": 0.7, "windward": 0.2})
    assert found["length_m"].tolist() == pytest.approx([200, 200])
    beyond = road.set_geometry([shapely.LineString([(100, -31), (300, -31)])])  # beyond 15 H
    assert drifts_on_roads(belts, beyond, [0.0, 180.0], [0.0] * 2, [0.7, 0.3])["side"].tolist() == [
        "leeward"
    ]
