"""Lines against the damaging wind: known cases, and every bearing tried."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shelterscape.science.damaging_wind import (
    damaging_wind,
    share_from_corner,
    share_from_side,
)

SIXTEEN = np.arange(16) * 22.5


def test_south_west_and_north_east_want_a_belt_from_north_west_to_south_east():
    found = damaging_wind([225.0, 45.0], [0.5, 0.5])
    assert found.both_sides.bearing_deg == pytest.approx(135.0)
    assert found.both_sides.wind_share == pytest.approx(1.0)
    # Only half of it comes to a place on one side of that belt.
    assert found.side_share == pytest.approx(0.5)


def test_one_side_counts_winds_from_beyond_the_belt_alone():
    found = damaging_wind([225.0, 45.0], [0.7, 0.3])
    assert found.side_deg == pytest.approx(225.0)
    assert found.side_bearing_deg == pytest.approx(135.0)
    assert found.side_share == pytest.approx(0.7)


def test_two_legs_for_two_winds_at_right_angles():
    found = damaging_wind([270.0, 180.0], [0.5, 0.5])
    assert found.corner_deg == pytest.approx(225.0)
    assert sorted(found.leg_bearings_deg) == pytest.approx([0.0, 90.0])
    assert found.corner_share == pytest.approx(1.0)
    # One straight belt catches only cos 45° of both.
    assert found.side_share == pytest.approx(np.cos(np.radians(45)))


def test_wind_from_everywhere():
    """Mean of |sin| is 2/π, of its positive part 1/π, and of the larger of two legs √2/π (D)."""
    directions = np.arange(0, 360, 0.5)
    found = damaging_wind(directions, np.full(len(directions), 1 / len(directions)))
    assert found.both_sides.wind_share == pytest.approx(2 / np.pi, abs=1e-4)
    assert found.side_share == pytest.approx(1 / np.pi, abs=1e-4)
    # Over the 270° from beyond either leg: (1/2π) (2 + √2) .
    assert found.corner_share == pytest.approx((2 + np.sqrt(2)) / (2 * np.pi), abs=1e-4)


@given(st.lists(st.floats(0.01, 1), min_size=16, max_size=16))
def test_no_bearing_is_better_than_the_best(parts):
    weights = np.array(parts) / sum(parts)
    found = damaging_wind(SIXTEEN, weights)
    tried = np.random.default_rng(1).uniform(0, 360, 300)
    lines = np.abs(np.sin(np.radians(SIXTEEN - tried[:, None]))) @ weights
    assert lines.max() <= found.both_sides.wind_share + 1e-9
    # Sides and corners are tried every quarter degree.
    assert share_from_side(tried, SIXTEEN, weights).max() <= found.side_share + 1e-5
    assert share_from_corner(tried, SIXTEEN, weights).max() <= found.corner_share + 1e-3


def test_loss_beside_the_best_bearing_of_one_wind():
    """A belt turned by t from across one wind keeps cos t of it (D)."""
    found = damaging_wind([240.0], [1.0])
    assert found.both_sides.bearing_deg == pytest.approx(150.0)
    for turned in (15, 30, 45):
        assert found.both_sides.loss[turned] == pytest.approx(1 - np.cos(np.radians(turned)))


@given(st.integers(0, 15))
def test_turning_the_wind_turns_the_lines(steps):
    weights = np.exp(np.cos(np.radians(SIXTEEN - 230)) * 1.5)
    weights /= weights.sum()
    one, other = damaging_wind(SIXTEEN, weights), damaging_wind(SIXTEEN, np.roll(weights, steps))
    turn = 22.5 * steps
    for was, now, whole in (
        (one.both_sides.bearing_deg, other.both_sides.bearing_deg, 180),
        (one.side_deg, other.side_deg, 360),
        (one.corner_deg, other.corner_deg, 360),
    ):
        away = (now - was - turn) % whole
        assert min(away, whole - away) <= 0.5
