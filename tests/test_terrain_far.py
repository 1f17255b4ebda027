"""Horizons with a far limit or none, and in tiles: shared lines of sight against every sample."""

from __future__ import annotations

import numba
import numpy as np
import pytest
from affine import Affine
from ground_helpers import holed, marched_apart, rough_ground
from hypothesis import given, settings
from hypothesis import strategies as st

from shelterscape.grid import Grid
from shelterscape.science.terrain import horizon_angle
from shelterscape.science.terrain.horizon import EXACT_STEPS

CELL_M = 5.0
SIDE = 900
GRID = Grid((SIDE, SIDE), Affine(CELL_M, 0, 0, 0, -CELL_M, SIDE * CELL_M))
# Slopes as in hill farmland: median 5°, 99th percentile 17°. The error of shared lines grows with
# the slope across them; real ground has its own test.
GROUND = holed(rough_ground(SIDE, SIDE, seed=12) * 0.3, seed=3, share=0.01)
FAR_M = 1.5 * EXACT_STEPS * CELL_M  # beyond the exact steps on diagonals too


@pytest.mark.parametrize("limit_m", [FAR_M, None])
@pytest.mark.parametrize("direction", [0, 45, 90, 180, 225, 17.3, 101, 236.5, 330])
def test_far_horizons_against_an_independent_calculation(direction, limit_m):
    rows, cols = np.random.default_rng(7).integers(0, SIDE, (2, 1500))
    ours = horizon_angle(GROUND, GRID, direction, limit_m=limit_m)[rows, cols]
    theirs = marched_apart(GROUND, CELL_M, direction, limit_m, rows, cols)
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    off = ours - theirs
    assert np.nanpercentile(np.abs(off), 99) <= 0.5
    if direction % 45 == 0:
        # Lines pass through cell centres: angles found exist, but higher ones may be missed.
        assert np.nanmax(off) < 2e-3


@given(st.integers(0, 300), st.integers(0, 300), st.floats(0, 359.9), st.booleans())
@settings(max_examples=12)
def test_tiles_equal_the_whole_exactly(row, col, direction, is_far):
    limit_m = FAR_M if is_far else 120 * CELL_M
    margin = int(limit_m / CELL_M) + 2
    whole = horizon_angle(GROUND, GRID, direction, limit_m=limit_m)
    inner = slice(row, row + 150), slice(col, col + 210)
    top, left = max(row - margin, 0), max(col - margin, 0)
    shape = min(row + 150 + margin, SIDE) - top, min(col + 210 + margin, SIDE) - left
    cut = GROUND[top : top + shape[0], left : left + shape[1]]
    tile = horizon_angle(cut, GRID.window(top, left, shape), direction, limit_m=limit_m)
    mine = tile[row - top : row - top + 150, col - left : col - left + 210]
    assert mine.tobytes() == whole[inner].tobytes()


@pytest.mark.parametrize("direction", [90.0, 233.0])
@pytest.mark.parametrize("limit_m", [500.0, FAR_M, None])
def test_results_do_not_depend_on_the_number_of_threads(direction, limit_m, all_threads):
    many = horizon_angle(GROUND, GRID, direction, limit_m=limit_m)
    numba.set_num_threads(1)
    one = horizon_angle(GROUND, GRID, direction, limit_m=limit_m)
    assert many.tobytes() == one.tobytes()


@pytest.mark.parametrize("direction", [0.0, 45.0, 90.0, 180.0, 270.0])
def test_a_distant_wall_has_an_effect_within_the_limit_only(direction):
    ground = np.zeros((SIDE, SIDE), np.float32)
    middle = SIDE // 2
    ground[[1, -2]] = ground[:, [1, -2]] = 30.0  # a wall on all sides
    stride_m = CELL_M * (np.sqrt(2) if direction % 90 else 1.0)
    distance = (middle - 1 if direction in (0.0, 270.0) else SIDE - 2 - middle) * stride_m
    if direction == 45.0:
        distance = (SIDE - 2 - middle) * stride_m  # the eastern wall is met first
    beyond = horizon_angle(ground, GRID, direction, limit_m=distance - 0.1)
    assert beyond[middle, middle] == 0
    # The last group ends up to four steps short of the limit.
    within = horizon_angle(ground, GRID, direction, limit_m=distance + 4.1 * stride_m)
    expected = np.degrees(np.arctan(30.0 / distance))
    assert within[middle, middle] == pytest.approx(expected, abs=2e-3)
    unlimited = horizon_angle(ground, GRID, direction, limit_m=None)
    assert unlimited[middle, middle] == pytest.approx(expected, abs=2e-3)


def test_a_limit_beyond_the_map_is_no_limit():
    for direction in (33.0, 180.0, 290.0):
        far = horizon_angle(GROUND, GRID, direction, limit_m=4 * SIDE * CELL_M)
        none = horizon_angle(GROUND, GRID, direction, limit_m=None)
        assert far.tobytes() == none.tobytes()


@pytest.mark.parametrize("direction", [0.0, 61.0, 200.0])
def test_level_ground_is_level_at_any_height_and_distance(direction):
    for height in (0.0, 317.37, 8848.0):
        angle = horizon_angle(np.full(GRID.shape, height), GRID, direction, limit_m=None)
        assert np.nanmax(np.abs(angle)) < 2e-3


def test_invariants_hold_at_a_far_limit():
    ground = rough_ground(400, 420, seed=2)
    grid = Grid((400, 420), Affine(10, 0, 0, 0, -10, 0))
    large = Grid((400, 420), Affine(70, 0, 0, 0, -70, 0))
    for direction in (12.0, 135.0, 250.0):
        plain = horizon_angle(ground, grid, direction, limit_m=None)
        raised = horizon_angle(ground + 512, grid, direction, limit_m=None)
        scaled = horizon_angle(ground * 7, large, direction, limit_m=None)
        for other in (raised, scaled):
            off = np.abs(other - plain)
            # In one cell of a thousand, rounding selects another of two samples of equal height.
            assert np.nanpercentile(off, 99.5) < 5e-3
            assert np.nanmax(off) < 1


@pytest.mark.parametrize("shape", [(1, 1), (1, 700), (700, 1), (2, 3)])
@pytest.mark.parametrize("direction", [0.0, 90.0, 225.0, 281.0])
def test_tiny_and_narrow_maps_without_a_limit(shape, direction):
    grid = Grid(shape, Affine(10, 0, 0, 0, -10, 0))
    ground = rough_ground(*shape, seed=1)
    ours = horizon_angle(ground, grid, direction, limit_m=None)
    theirs = marched_apart(ground, 10.0, direction, None)
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    np.testing.assert_allclose(ours, theirs, atol=1.0)
