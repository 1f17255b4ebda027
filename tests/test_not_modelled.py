"""Ground behind steep slopes."""

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
    """Level ground with one step of some metres down to the south over one cell."""
    ground = np.zeros(GRID.shape, np.float32)
    ground[row:] = -drop
    return ground


@pytest.mark.parametrize(("drop", "steep"), [(5.0, False), (7.0, True)])
def test_only_steeper_than_17_degrees_counts(drop, steep):
    # The slope of a step is seen over two cells: 5 m on 20 m is 14°, 7 m is 19°.
    found = behind_steep(gradient(bank(10, drop), GRID), SHELTERED, GRID, 0.0)
    assert found[10:].all() == found.any() == steep
    assert not found[:9].any()


def test_it_ends_where_shelter_does():
    sheltered = SHELTERED.copy()
    sheltered[20] = 1.0
    found = behind_steep(gradient(bank(10, 9.0), GRID), sheltered, GRID, 0.0)
    assert found[10:20].all()
    assert not found[20:].any()


def test_a_wind_along_the_bank_does_not_meet_it():
    slopes = gradient(bank(10, 9.0), GRID)
    assert not behind_steep(slopes, SHELTERED, GRID, 90.0).any()


@given(st.integers(0, 71), st.integers(1, 3))
def test_turning_ground_and_wind_turns_it(step, turns):
    rng = np.random.default_rng(5)
    ground = gaussian_filter(rng.normal(0, 60, GRID.shape), 3).astype(np.float32)
    wind = np.where(rng.random(GRID.shape) < 0.9, 0.5, 1.0).astype(np.float32)
    direction = step * 5 + 1.3
    found = behind_steep(gradient(ground, GRID), wind, GRID, direction)
    turned = behind_steep(
        gradient(np.rot90(ground, -turns).copy(), GRID),
        np.rot90(wind, -turns).copy(),
        GRID,
        direction + 90 * turns,
    )
    # Cells are joined to the nearest of the line before, which may round the other way.
    assert (np.rot90(found, -turns) != turned).mean() < 0.15
