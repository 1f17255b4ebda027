"""Runoff that belts intercept, against the arithmetic of planes (status D)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine

from shelterscape.grid import Grid
from shelterscape.science.landform import flow_over, slope_deg, upslope_cells
from shelterscape.science.side_effects.runoff import CHANNEL_HA, field_shares, intercepted

CELL, ROWS, COLS = 5.0, 80, 60
GRID = Grid((ROWS, COLS), Affine(CELL, 0, 0, 0, -CELL, 0))


def _plane(downslope_deg: float, slope: float = 0.1) -> np.ndarray:
    """A plane that falls towards a bearing."""
    row, col = np.mgrid[:ROWS, :COLS]
    east, north = (col + 0.5) * CELL, -(row + 0.5) * CELL
    angle = np.radians(downslope_deg)
    return (100 - slope * (east * np.sin(angle) + north * np.cos(angle))).astype(np.float32)


def _belts(*lines: list[tuple[float, float]]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=[shapely.LineString(line) for line in lines])


def _contour(y: float, west: float = 100.0, east: float = 200.0) -> list[tuple[float, float]]:
    return [(west, y), (east, y)]


def test_slope_of_a_plane_is_its_slope_up_to_the_edge():
    found = slope_deg(_plane(30), GRID)
    np.testing.assert_allclose(found, np.degrees(np.arctan(0.1)), atol=1e-3)


def test_missing_ground_has_no_slope_and_no_runoff(capfd):
    elevation = _plane(180)
    elevation[10:12, 10:12] = np.nan
    assert np.isnan(slope_deg(elevation, GRID)[10:12, 10:12]).all()
    flow = flow_over(elevation, GRID)
    nothing = np.zeros(GRID.shape, bool)
    assert (upslope_cells(flow, nothing)[10:12, 10:12] == 0).all()
    assert capfd.readouterr() == ("", "")


def test_a_contour_belt_intercepts_its_length_times_the_upslope_length():
    """100 m long with 250 m of ground above it: 2.5 ha, within a row and a column of cells."""
    found = intercepted(_belts(_contour(-251.0, 101.0, 199.0)), flow_over(_plane(180), GRID), GRID)
    assert found.upslope_ha[0] == pytest.approx(2.5, abs=100 * CELL / 1e4 + 1e-9)


@pytest.mark.parametrize("bearing", [180.0, 160.0, 225.0])
def test_a_belt_across_the_slope_intercepts_whatever_the_bearing_of_the_slope(bearing):
    """A belt along the contour in the middle, on planes that fall to several sides."""
    angle = np.radians(bearing)
    down = np.array([np.sin(angle), np.cos(angle)])
    along = np.array([down[1], -down[0]])
    middle = np.array([150.0, -200.0])
    line = [tuple(middle - 40 * along), tuple(middle + 40 * along)]
    found = intercepted(_belts(line), flow_over(_plane(bearing), GRID), GRID)
    strip = shapely.Polygon(
        [line[0], line[1], *(tuple(p - 1e3 * down) for p in map(np.array, line[::-1]))]
    )
    ground = shapely.box(CELL, -ROWS * CELL + CELL, COLS * CELL - CELL, -CELL)
    # Within one row of cells all round: at its ends the belt is as wide as the cells it touches.
    row = (strip.buffer(CELL).area - strip.area) * strip.intersection(ground).area / strip.area
    expected = strip.intersection(ground).area
    assert found.upslope_ha[0] * 1e4 == pytest.approx(expected, abs=row)


def test_nested_belts_sum_to_their_union_and_the_upper_one_counts_first():
    flow = flow_over(_plane(180), GRID)
    lower = intercepted(_belts(_contour(-301.0)), flow, GRID).upslope_ha[0]
    both = intercepted(_belts(_contour(-301.0), _contour(-151.0)), flow, GRID).upslope_ha
    assert both.sum() == pytest.approx(lower)
    assert both[0] == pytest.approx(both[1], rel=0.05)  # 150 m of ground above each


def test_a_belt_along_the_contour_intercepts_more_than_one_turned_downslope():
    flow = flow_over(_plane(180), GRID)
    along = intercepted(_belts(_contour(-201.0)), flow, GRID).upslope_ha[0]
    down = intercepted(_belts([(150.0, -151.0), (150.0, -251.0)]), flow, GRID).upslope_ha[0]
    assert along > 5 * down


def test_share_of_a_field_that_meets_a_belt_half_as_long_is_a_half():
    """Runoff meets the belt along the western half of the lower edge of the field."""
    found = intercepted(
        _belts([(51.0, -251.0), (149.0, -251.0)]), flow_over(_plane(180), GRID), GRID
    )
    fields = gpd.GeoDataFrame(
        geometry=[shapely.box(50, -250, 250, -100), shapely.box(50, -390, 150, -260)]
    )
    np.testing.assert_allclose(field_shares(fields, found.share, GRID), [0.5, 0.0], atol=0.02)


def test_water_in_a_channel_passes_through_a_belt():
    """A valley that gathers 12 ha: without its channel, a belt across it meets much less."""
    grid = Grid((ROWS, COLS), Affine(10, 0, 0, 0, -10, 0))
    row, col = np.mgrid[:ROWS, :COLS]
    valley = (100 - 0.2 * row + 2.0 * np.abs(col - COLS // 2)).astype(np.float32)
    flow = flow_over(valley, grid)
    above = upslope_cells(flow, np.zeros(grid.shape, bool))[60, COLS // 2] * grid.cell_area_ha
    assert above > 3 * CHANNEL_HA
    belt = _belts([(205.0, -605.0), (405.0, -605.0)])
    found = intercepted(belt, flow, grid)
    assert found.upslope_ha[0] < CHANNEL_HA
    assert found.share[10, COLS // 2] == 0  # water of the channel reaches no belt
