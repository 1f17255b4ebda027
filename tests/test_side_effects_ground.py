"""Sight lines at junctions and cold air on slopes, by hand (status D)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine

from shelterscape.grid import Grid
from shelterscape.science.side_effects.cold_air import cold_air_pools
from shelterscape.science.side_effects.junctions import sight_areas

GRID = Grid((100, 100), Affine(10, 0, 0, 0, -10, 1000))


def _roads(*lines: list[tuple[float, float]]) -> gpd.GeoDataFrame:
    names = [f"road {i + 1}" for i in range(len(lines))]
    return gpd.GeoDataFrame({"name": names}, geometry=[shapely.LineString(line) for line in lines])


def test_a_t_junction_has_a_triangle_on_both_sides_of_the_side_road():
    """Arms of 50 m: two right triangles of 50 × 50 / 2 m²; nothing opposite the side road."""
    through, side = [(0, 0), (400, 0)], [(200, 0.4), (200, 300)]  # the side road ends 0.4 m short
    found = sight_areas(_roads(through, side), 50.0)
    assert found["name"].tolist() == ["junction of road 1 and road 2"]
    assert found.geometry.iloc[0].area == pytest.approx(2 * 50 * 50 / 2, rel=0.02)
    assert found.geometry.iloc[0].bounds == pytest.approx((150, 0, 250, 50), abs=0.5)


def test_roads_that_cross_and_roads_that_only_continue():
    """A crossing has four triangles, a road in two parts none."""
    crossing = sight_areas(_roads([(0, 0), (400, 0)], [(200, -200), (200, 200)]), 50.0)
    assert crossing.geometry.area.tolist() == [pytest.approx(4 * 50 * 50 / 2)]
    assert sight_areas(_roads([(0, 0), (200, 0)], [(200, 0), (400, 50)]), 50.0).empty


def _belt(line: list[tuple[float, float]], **columns: float) -> gpd.GeoDataFrame:
    values = {"name": "a", "height_m": 8.0, "porosity": 0.4} | columns
    return gpd.GeoDataFrame(
        {k: [v] for k, v in values.items()}, geometry=[shapely.LineString(line)]
    )


def _slope(down_east: float, down_north: float) -> np.ndarray:
    row, col = np.mgrid[:100, :100]
    return (500 - down_east * 10 * col + down_north * 10 * row).astype(np.float32)


def test_the_pool_of_a_belt_across_a_slope():
    """2 m of cold air on a slope of 10 % towards the north: 20 m uphill, to the south."""
    belt = _belt([(200, 500), (600, 500)])
    found = cold_air_pools(belt, _slope(0.0, 0.1), GRID, 2.0).iloc[0]
    assert found.geometry.bounds == pytest.approx((200, 480, 600, 500), abs=0.1)
    assert found["area_ha"] == pytest.approx(400 * 20 / 1e4, rel=0.01)
    assert found["length_across_m"] == pytest.approx(400)
    low = cold_air_pools(belt.assign(height_m=1.0), _slope(0.0, 0.1), GRID, 2.0).iloc[0]
    assert low["area_ha"] == pytest.approx(400 * 10 / 1e4, rel=0.01)


def test_the_opening_is_at_the_lowest_point():
    """The ground also falls a little to the east, so the eastern end is lowest."""
    found = cold_air_pools(_belt([(200, 500), (600, 500)]), _slope(0.02, 0.1), GRID, 2.0).iloc[0]
    assert (found["opening_x"], found["opening_y"]) == (pytest.approx(595, abs=5.1), 500)


@pytest.mark.parametrize(
    "line, porosity, slope",
    [
        ([(500, 200), (500, 600)], 0.4, 0.1),  # down the slope
        ([(200, 500), (600, 500)], 0.5, 0.1),  # open
        ([(200, 500), (600, 500)], 0.4, 0.01),  # nearly level ground
    ],
)
def test_belts_that_hold_back_no_cold_air(line, porosity, slope):
    assert cold_air_pools(_belt(line, porosity=porosity), _slope(0.0, slope), GRID, 2.0).empty
