"""Horizon angles and topex: invariants, an independent calculation, and known results."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from ground_helpers import holed, marched_apart, rough_ground
from hypothesis import given
from hypothesis import strategies as st

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.kernels.horizon import to_angles
from shelterscape.science.terrain import (
    horizon_angle,
    topex,
    topex_class,
    upwind_slope,
    view_complete,
    weighted_horizon_deg,
)
from shelterscape.science.terrain.topographic_exposure import class_labels


@pytest.mark.parametrize("direction", [0, 45, 90, 180, 225, 270, 315, 17.3, 101, 236.5, 352])
@pytest.mark.parametrize("with_holes", [False, True])
def test_against_an_independent_calculation(grid_of, direction, with_holes):
    ground = rough_ground(60, 75, seed=3)
    if with_holes:
        ground = holed(ground, seed=4, side=5)
    grid = grid_of(60, 75, cell_m=5)
    ours = horizon_angle(ground, grid, direction, limit_m=120)
    theirs = marched_apart(ground, 5.0, direction, 120)
    assert np.array_equal(np.isnan(ours), np.isnan(theirs))
    assert np.nanmax(np.abs(ours - theirs)) < 2e-3  # float32 against float64


def test_flat_ground_has_no_horizon(grid_of):
    assert np.nanmax(np.abs(topex(np.full((40, 40), 7.0), grid_of(40, 40), limit_m=100))) == 0


@given(st.floats(-500, 2000), st.integers(0, 359))
def test_a_constant_added_to_elevation_has_no_effect(constant, direction):
    ground = np.round(rough_ground(30, 30, seed=1))
    grid = Grid((30, 30), Affine(10, 0, 0, 0, -10, 0))
    raised = horizon_angle(ground + np.round(constant), grid, direction, limit_m=150)
    plain = horizon_angle(ground, grid, direction, limit_m=150)
    np.testing.assert_allclose(raised, plain, atol=2e-3)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_rotating_the_ground_rotates_the_result(grid_of, turns):
    ground = rough_ground(50, 50, seed=5)
    grid = grid_of(50, 50)
    for direction in (0.0, 30.0, 75.0, 200.0):
        turned = horizon_angle(np.rot90(ground, -turns), grid, direction + 90 * turns, limit_m=300)
        plain = np.rot90(horizon_angle(ground, grid, direction, limit_m=300), -turns)
        np.testing.assert_allclose(turned, plain, atol=1e-4)


def test_scaling_all_lengths_has_no_effect(grid_of):
    ground = rough_ground(40, 40, seed=8)
    small = horizon_angle(ground, grid_of(40, 40, cell_m=10), 33, limit_m=200)
    large = horizon_angle(ground * 7, grid_of(40, 40, cell_m=70), 33, limit_m=1400)
    np.testing.assert_allclose(small, large, atol=1e-3)


def test_a_wall_has_an_effect_within_the_limit_only(grid_of):
    ground = np.zeros((80, 80), np.float32)
    ground[:, 60] = 10.0  # a wall to the east
    grid = grid_of(80, 80)
    near = horizon_angle(ground, grid, 90.0, limit_m=300)
    assert near[40, 50] == pytest.approx(5.711, abs=1e-3)  # arctan(10/100)
    assert near[40, 35] == pytest.approx(2.291, abs=1e-3)  # arctan(10/250)
    assert near[40, 29] == 0  # 310 m away, beyond the limit
    assert near[40, 70] == 0  # the wall is behind


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


def test_unlimited_topex_is_never_negative(grid_of):
    # A cone: its summit is above all other ground, its foot has the summit on one side.
    row, col = np.mgrid[0:61, 0:61] - 30.0
    cone = -0.2 * np.hypot(row, col) * 10
    grid = grid_of(61, 61)
    total = topex(cone, grid, limit_m=None)
    assert total[30, 30] == 0
    assert (total[np.isfinite(total)] >= 0).all()
    # From the north foot, the summit is at atan(0.2) = 11.31° due south; nothing is higher.
    south = horizon_angle(cone, grid, 180.0, limit_m=None)
    assert south[1, 30] == pytest.approx(11.31, abs=0.01)
    np.testing.assert_array_equal(total, topex(cone, grid, limit_m=None, signed=False))


def test_classes_of_topex():
    # Bounds for unlimited topex: common practice, no source; see TOPEX_BOUNDS.
    total = np.array([[0.0, 10.0, 10.1, 30.0], [45.0, 100.0, 100.1, np.nan]])
    np.testing.assert_array_equal(topex_class(total), [[0, 0, 1, 1], [2, 3, 4, 255]])
    np.testing.assert_array_equal(topex_class(total, [50.0]), [[0, 0, 0, 0], [0, 1, 1, 255]])


@pytest.mark.parametrize("bounds", [(30.0, 10.0), (10.0, 10.0), (10.0, np.nan), (10.0, np.inf)])
def test_bounds_of_classes_must_rise(bounds):
    with pytest.raises(InputError) as caught:
        class_labels(bounds)
    assert caught.value.where == "topex_classes" and "such as" in caught.value.hint


def test_labels_of_classes_are_numbered_and_state_their_bounds():
    assert class_labels([10.0, 30.0, 60.0]) == [
        "1 most exposed: up to 10°",
        "2: 10–30°",
        "3: 30–60°",
        "4 most sheltered: above 60°",
    ]
    assert class_labels([]) == []


@given(st.floats(0, 359.9), st.integers(2, 14), st.integers(1, 25), st.integers(1, 25))
def test_a_complete_view_has_its_last_sample_on_the_map(direction, cells, rows, cols):
    grid = Grid((rows, cols), Affine(10, 0, 0, 0, -10, 0))
    complete = view_complete(grid, direction, limit_m=10.0 * cells)
    # Independent calculation: the last crossing of the line of sight, x east and y north.
    turn = np.radians(90 - direction)
    dx, dy = np.cos(turn), np.sin(turn)
    longest = max(abs(dx), abs(dy))
    count = int(cells * longest + 1e-9)
    row, col = np.indices(grid.shape)
    x = np.round(col + count * dx / longest, 9)
    y = np.round(rows - 1 - row + count * dy / longest, 9)
    inside = (x >= 0) & (x <= cols - 1) & (y >= 0) & (y <= rows - 1)
    np.testing.assert_array_equal(complete, inside)


def test_no_view_without_a_limit_is_complete(grid_of):
    assert not view_complete(grid_of(9, 9), 0.0, limit_m=None).any()


def test_tangents_become_angles():
    rng = np.random.default_rng(1)
    steep = 10.0 ** rng.uniform(-6, 6, (50, 400)) * rng.choice([-1, 1], (50, 400))
    steep[0, :5] = 0, 1, -1, np.nextafter(1, 2), 1e-30
    tangent = steep.astype(np.float32)
    expected = np.degrees(np.arctan(tangent.astype(float)))
    to_angles(np.zeros_like(tangent), tangent)
    assert np.abs(tangent - expected).max() < 1.2e-5  # float32 holds 90° to 8e-6


def plane_rising_north(degrees, grid):
    return (
        np.arange(grid.shape[0])[::-1, None]
        * grid.cell_m
        * np.tan(np.radians(degrees))
        * np.ones(grid.shape[1])
    )


@pytest.mark.parametrize("azimuths", [3, 7])
def test_upwind_slope_of_a_plane(grid_of, azimuths):
    grid = grid_of(60, 60)
    ground = plane_rising_north(12, grid)
    # In a direction t off the steepest ascent, a plane rises at atan(tan 12° cos t).
    at = np.radians(np.linspace(-15, 15, azimuths))
    uphill = np.degrees(np.arctan(np.tan(np.radians(12)) * np.cos(at))).mean()
    up = upwind_slope(ground, grid, 0.0, limit_m=200, azimuths=azimuths)
    down = upwind_slope(ground, grid, [180.0], limit_m=200, azimuths=azimuths)
    assert up[30, 30] == pytest.approx(uphill, abs=1e-3)
    assert down[30, 30] == pytest.approx(-uphill, abs=1e-3)
    both = upwind_slope(
        ground, grid, [0.0, 180.0], [0.6, 0.2], limit_m=200, azimuths=azimuths
    )  # weights are scaled: 3/4 and 1/4
    assert both[30, 30] == pytest.approx(uphill / 2, abs=1e-3)


def test_upwind_slope_is_the_mean_of_its_views(grid_of):
    ground = rough_ground(50, 50, seed=9)
    grid = grid_of(50, 50)
    ours = upwind_slope(ground, grid, [350.0, 20.0], [1, 3], limit_m=150)
    views = {d: marched_apart(ground, 10.0, d, 150) for d in (335, 350, 5, 20, 35)}
    first = (views[335] + views[350] + views[5]) / 3
    second = (views[5] + views[20] + views[35]) / 3
    np.testing.assert_allclose(ours, first / 4 + 3 * second / 4, atol=2e-3)


def test_weighted_horizon(grid_of):
    ground = holed(rough_ground(50, 50, seed=6), seed=1, side=4)
    grid = grid_of(50, 50)
    # 0 and 360 are the same direction; a direction without weight has no effect.
    ours = weighted_horizon_deg(ground, grid, [0.0, 90.0, 360.0, 200.0], [1, 2, 1, 0], limit_m=100)
    north, east = (marched_apart(ground, 10.0, d, 100) for d in (0, 90))
    np.testing.assert_allclose(ours, (north + east) / 2, atol=2e-3)


@pytest.mark.parametrize("weights", [[1.0], [1.0, -1.0], [0.0, 0.0], [1.0, np.nan]])
def test_invalid_weights_are_refused(grid_of, weights):
    for work in (weighted_horizon_deg, upwind_slope):
        with pytest.raises(ValueError, match="weights"):
            work(np.zeros((9, 9)), grid_of(9, 9), [0.0, 90.0], weights, limit_m=50)


def test_a_window_of_two_views_is_refused(grid_of):
    with pytest.raises(ValueError, match="3 or more"):
        upwind_slope(np.zeros((9, 9)), grid_of(9, 9), 0.0, limit_m=50, azimuths=2)
