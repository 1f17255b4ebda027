"""Sheltered ground behind steep slopes."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from shelterscape.grid import Grid
from shelterscape.science.not_modelled import behind_steep, gradient

GRID = Grid((30, 30), Affine(10, 0, 0, 0, -10, 300))
SHELTERED = np.full(GRID.shape, 0.5, np.float32)


def bank(row, drop):
    """Level ground with a step down to the south, over one cell."""
    ground = np.zeros(GRID.shape, np.float32)
    ground[row:] = -drop
    return ground


@pytest.mark.parametrize(("drop", "steep"), [(5.0, False), (7.0, True)])
def test_only_steeper_than_17_degrees_counts(drop, steep):
    # The slope of a step extends over two cells: 5 m over 20 m is 14°, 7 m is 19°.
    found = behind_steep(gradient(bank(10, drop), GRID), SHELTERED, GRID, 0.0)
    assert found[10:].all() == found.any() == steep
    assert not found[:9].any()


def test_ground_not_modelled_ends_with_the_shelter():
    sheltered = SHELTERED.copy()
    sheltered[20] = 1.0
    found = behind_steep(gradient(bank(10, 9.0), GRID), sheltered, GRID, 0.0)
    assert found[10:20].all()
    assert not found[20:].any()


def test_wind_along_a_bank_is_not_affected():
    slopes = gradient(bank(10, 9.0), GRID)
    assert not behind_steep(slopes, SHELTERED, GRID, 90.0).any()


ROUGH = gaussian_filter(np.random.default_rng(5).normal(0, 60, GRID.shape), 3).astype(np.float32)
BROKEN = np.where(np.random.default_rng(6).random(GRID.shape) < 0.9, 0.5, 1.0).astype(np.float32)
"""Shelter in which a tenth of the cells are open, so that stretches are short."""


def searched_upwind(ground, wind, direction_deg):
    """The same by a search upwind from each sheltered cell, until ground is steep or shelter ends;
    it follows the cells nearest to the lines of the wind through the corner of the map."""
    up, left = np.gradient(ground.astype(float), 10.0)
    bearing = np.radians(direction_deg)
    col, row = -np.sin(bearing), np.cos(bearing)  # one step downwind
    steep = np.abs(up * row + left * col) > np.tan(np.radians(17))
    if abs(col) > abs(row):
        return np.transpose(_search_one_cell(steep.T, wind.T, row / col, np.sign(col)))
    return _search_one_cell(steep, wind, col / row, np.sign(row))


def _search_one_cell(steep, wind, drift, forward):
    found = np.zeros(steep.shape, bool)
    for line, place in np.ndindex(steep.shape):
        here, at = line, place
        while 0 <= here < len(steep) and 0 <= at < steep.shape[1] and wind[here, at] < 0.95:
            if steep[here, at]:
                found[line, place] = True
                break
            before = int(here - forward)
            at += int(np.floor(before * drift + 0.5) - np.floor(here * drift + 0.5))
            here = before
    return found


@given(st.floats(0, 360))
def test_against_a_search_upwind_from_each_cell(direction):
    found = behind_steep(gradient(ROUGH, GRID), BROKEN, GRID, direction)
    assert 10 < searched_upwind(ROUGH, BROKEN, direction).sum() < 300
    # Rounding in float32 may decide for a cell within a millionth of the limit.
    assert (found != searched_upwind(ROUGH, BROKEN, direction)).sum() <= 1


@pytest.mark.parametrize("direction", [0.0, 45.0, 90.0, 225.0, 270.0])
@pytest.mark.parametrize("turns", [1, 2, 3])
def test_rotated_ground_and_wind_give_rotated_results(direction, turns):
    """Exactly, for directions in which the lines of the wind run through cell centres."""
    ground, wind = (np.rot90(field, -turns).copy() for field in (ROUGH, BROKEN))
    found = behind_steep(gradient(ROUGH, GRID), BROKEN, GRID, direction)
    turned = behind_steep(gradient(ground, GRID), wind, GRID, direction + 90 * turns)
    np.testing.assert_array_equal(np.rot90(found, -turns), turned)
