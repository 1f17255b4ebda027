"""Horizon angles and topex: laws, a march written apart, and shapes with a known answer."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from shelterscape.errors import InputError
from shelterscape.science.terrain import horizon_angle, topex


def rough_ground(rows, cols, seed):
    """Seeded hills with some relief at every scale."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[0:rows, 0:cols] / 10.0
    waves = rng.uniform(0.1, 2.0, (12, 2)), rng.uniform(0, 6.28, 12), rng.uniform(1, 8, 12)
    return sum(
        h * np.sin(a * row + b * col + p) for (a, b), p, h in zip(*waves, strict=True)
    ).astype(np.float32)


def marched_apart(ground, cell_m, direction_deg, limit_m):
    """The same angle by plain geometry: scipy's bilinear sampling at each crossing of the sight
    line with a row or column, east and north counted the usual way."""
    rows, cols = ground.shape
    east, north = np.sin(np.radians(direction_deg)), np.cos(np.radians(direction_deg))
    stride = cell_m / max(abs(east), abs(north))
    row, col = np.mgrid[0:rows, 0:cols].astype(float)
    best = np.full(ground.shape, np.nan)
    for k in range(1, int(limit_m / stride + 1e-9) + 1):
        distance = k * stride
        at = np.array([row - north * distance / cell_m, col + east * distance / cell_m])
        at = np.round(at, 9)
        seen = map_coordinates(ground.astype(float), at, order=1, cval=np.nan)
        best = np.fmax(best, np.degrees(np.arctan2(seen - ground, distance)))
    return best


@pytest.mark.parametrize("direction", [0, 45, 90, 180, 225, 270, 315, 17.3, 101, 236.5, 352])
def test_against_a_march_written_apart(grid_of, direction):
    ground = rough_ground(60, 75, seed=3)
    grid = grid_of(60, 75, cell_m=5)
    ours = horizon_angle(ground, grid, direction, limit_m=120)
    theirs = marched_apart(ground, 5.0, direction, 120)
    assert np.array_equal(np.isnan(ours), np.isnan(theirs))
    assert np.nanmax(np.abs(ours - theirs)) < 2e-3  # float32 against float64


def test_flat_ground_has_no_horizon(grid_of):
    assert np.nanmax(np.abs(topex(np.full((40, 40), 7.0), grid_of(40, 40), limit_m=100))) == 0


@given(st.floats(-500, 2000), st.integers(0, 359))
def test_a_constant_changes_nothing(constant, direction):
    from affine import Affine

    from shelterscape.grid import Grid

    ground = np.round(rough_ground(30, 30, seed=1))
    grid = Grid((30, 30), Affine(10, 0, 0, 0, -10, 0))
    raised = horizon_angle(ground + np.round(constant), grid, direction, limit_m=150)
    plain = horizon_angle(ground, grid, direction, limit_m=150)
    np.testing.assert_allclose(raised, plain, atol=2e-3)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_ground_turns_the_field(grid_of, turns):
    ground = rough_ground(50, 50, seed=5)
    grid = grid_of(50, 50)
    for direction in (0.0, 30.0, 75.0, 200.0):
        turned = horizon_angle(np.rot90(ground, -turns), grid, direction + 90 * turns, limit_m=300)
        plain = np.rot90(horizon_angle(ground, grid, direction, limit_m=300), -turns)
        np.testing.assert_allclose(turned, plain, atol=1e-4)


def test_scaling_all_lengths_changes_nothing(grid_of):
    ground = rough_ground(40, 40, seed=8)
    small = horizon_angle(ground, grid_of(40, 40, cell_m=10), 33, limit_m=200)
    large = horizon_angle(ground * 7, grid_of(40, 40, cell_m=70), 33, limit_m=1400)
    np.testing.assert_allclose(small, large, atol=1e-3)


def test_a_wall_is_seen_within_the_limit_only(grid_of):
    ground = np.zeros((80, 80), np.float32)
    ground[:, 60] = 10.0  # a wall to the east
    grid = grid_of(80, 80)
    near = horizon_angle(ground, grid, 90.0, limit_m=300)
    assert near[40, 50] == pytest.approx(5.711, abs=1e-3)  # CHECKS 3.1, D
    assert near[40, 35] == pytest.approx(2.291, abs=1e-3)  # CHECKS 3.1, D
    assert near[40, 29] == 0  # 310 m away, beyond the limit
    assert near[40, 70] == 0  # the wall lies behind


def test_missing_ground_is_never_an_obstacle_and_stays_missing(grid_of):
    ground = np.zeros((30, 30), np.float32)
    ground[10:20, 10:20] = np.nan
    grid = grid_of(30, 30)
    angle = horizon_angle(ground, grid, 61.0, limit_m=150)
    assert np.isnan(angle[12, 12])
    assert np.nanmax(np.abs(angle)) == 0


def test_a_view_off_the_map_is_missing(grid_of):
    angle = horizon_angle(np.zeros((10, 10)), grid_of(10, 10), 0.0, limit_m=50)
    assert np.isnan(angle[0]).all()
    assert np.isfinite(angle[1:]).all()


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (9, 1)])
def test_tiny_maps(grid_of, shape):
    angle = horizon_angle(np.zeros(shape), grid_of(*shape), 45.0, limit_m=50)
    assert np.isnan(angle).all()


def test_a_limit_within_a_cell_is_refused(grid_of):
    with pytest.raises(InputError) as caught:
        horizon_angle(np.zeros((5, 5)), grid_of(5, 5), 0.0, limit_m=12)
    assert caught.value.code == "input-refused"


def test_signed_topex_is_the_sum_of_its_views(grid_of):
    ground = rough_ground(60, 60, seed=2)
    grid = grid_of(60, 60)
    views = [horizon_angle(ground, grid, d, limit_m=150) for d in range(0, 360, 45)]
    np.testing.assert_allclose(topex(ground, grid, limit_m=150), sum(views), atol=1e-3)
    positive = topex(ground, grid, limit_m=150, signed=False)
    np.testing.assert_allclose(positive, sum(np.maximum(v, 0) for v in views), atol=1e-3)
