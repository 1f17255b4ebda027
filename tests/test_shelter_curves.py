"""Shelter curves: ranges, laws and the table."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shelterscape.kernels.downwind import _at, _in_table
from shelterscape.kernels.shelter_curves import (
    CURVES,
    DEFAULT_CURVE,
    RECOVERED_H,
    calmest_point,
    effective_porosity,
    relative_wind_barrier,
)


@given(st.floats(-5, 50), st.floats(0, 0.9), st.floats(0, 20))
def test_barrier_is_between_0_and_1(x, theta, width):
    assert 0 <= float(relative_wind_barrier(x, theta, width)) <= 1


@pytest.mark.parametrize("x", [-5.01, 50.01, np.nan])
def test_barrier_is_missing_outside_its_range(x):
    assert np.isnan(relative_wind_barrier(x, 0.4))


@given(st.floats(0, 1), st.floats(0, 50), st.floats(0, 50))
def test_width_never_makes_a_belt_denser(theta, thin, more):
    narrow, wide = effective_porosity(theta, thin), effective_porosity(theta, thin + more)
    assert theta <= narrow + 1e-12
    assert narrow <= wide + 1e-12
    assert wide <= 1 + 1e-12


X = np.arange(-6.0, 50.0, 0.01)
THETA = np.arange(0.0, 1.0001, 0.05)


def wind(name, theta, x=X):
    return CURVES[name].relative_wind(x, np.array(theta), np.array(0.0))


def lee_sum(name, theta):
    """Sum of wind reduction leeward of a belt, H."""
    return float((1 - wind(name, theta, X[X >= 0])).sum() * 0.01)


@pytest.mark.parametrize("name", CURVES)
def test_every_curve_has_a_source(name):
    curve = CURVES[name]
    assert curve.name == name
    assert curve.source
    assert curve.status in ("S", "S2", "M", "E")
    assert set(curve.rmse) == {"tree belts", "hedges", "handbook texts"}
    assert curve.shelter_factor > 1
    assert curve.distance_factor > 1


# The middle curve is the mean of two that start to rise towards 1 at different porosities, and
# the exponential one starts from it.
@pytest.mark.parametrize("name", [name for name in CURVES if name not in ("mid", "exponential")])
def test_the_effect_falls_in_a_straight_line_to_none_at_porosity_one(name):
    top = CURVES[name].porosity[1]
    at_top = wind(name, top)
    for theta in np.linspace(top, 1.0, 7):
        share = (theta - top) / (1 - top)
        np.testing.assert_allclose(wind(name, theta), at_top + share * (1 - at_top), atol=1e-9)


@pytest.mark.parametrize("name", CURVES)
def test_a_belt_of_porosity_one_has_no_effect(name):
    assert (wind(name, 1.0) == 1).all()


@pytest.mark.parametrize("name", CURVES)
def test_curves_are_within_range_and_without_steps(name):
    for theta in THETA:
        r = wind(name, theta)
        assert r.min() >= 0
        assert r.max() <= 1
        assert np.abs(np.diff(r)).max() < 0.01
        assert r[0] == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("name", CURVES)
def test_the_windward_effect_agrees_with_handbooks(name):
    """Handbooks: an effect up to 2 to 5 H windward; its sum of 0.3 to 0.8 H is an assumed value."""
    for theta in (0.0, 0.2, 0.4):
        total = (1 - wind(name, theta, X[X < 0])).sum() * 0.01
        assert 0.3 < total < 0.8


def test_a_porous_belt_shelters_most_in_total():
    """Published best porosities range from 0.2 to 0.6 by purpose (Raine and Stevenson 1977, Gregory
    1995, Zhu and others 2002, all seen); air is turbulent behind a solid belt."""
    sums = np.array([lee_sum("barrier", theta) for theta in THETA])
    assert 0.2 <= THETA[sums.argmax()] <= 0.5
    assert sums[0] <= 0.75 * sums.max()


def test_the_middle_curve_never_gains_shelter_towards_a_solid_belt():
    sums = np.array([lee_sum("mid", theta) for theta in THETA])
    best = int(sums.argmax())
    assert (np.diff(sums[: best + 1]) >= 0).all()


def test_the_middle_curve_is_between_the_other_two():
    for theta in THETA:
        both = np.array([wind("barrier", theta), wind("field", theta)])
        assert (wind("mid", theta) >= both.min(axis=0) - 1e-12).all()
        assert (wind("mid", theta) <= both.max(axis=0) + 1e-12).all()


def test_tables_are_interpolated_from_their_first_entry_to_the_last():
    """Against numpy; the last two entries of a table are equal."""
    table = np.random.default_rng(3).uniform(0, 1, 12).astype(np.float32)
    table[-1] = table[-2]
    places = np.array([-2.0, 0.0, 0.2, 0.9, 1.0, 1.5, 8.25, 9.99, 10.5, 11.0, 40.0], np.float32)
    found = [_at(table, _in_table(place, table)) for place in places]
    np.testing.assert_allclose(found, np.interp(places, np.arange(12), table), rtol=1e-6)


@pytest.mark.parametrize("name", CURVES)
def test_single_numbers_are_accepted(name):
    curve = CURVES[name].relative_wind
    many = curve(np.array([5.0]), np.array([0.4]), np.array([0.2]))
    assert float(curve(np.array(5.0), np.array(0.4), np.array(0.2))) == pytest.approx(many[0])


def exponential(theta, width=0.0, x=X):
    return CURVES["exponential"].relative_wind(x, np.array(theta), np.array(width))


FINE = np.arange(0.0, 1.0001, 0.001)
WIDTHS = [0.0, 0.5, 3.0]
"""Belt widths, in heights."""


def test_the_default_is_the_curve_chosen_on_evidence():
    assert next(iter(CURVES)) == DEFAULT_CURVE == "exponential"


def test_up_to_its_calmest_point_the_exponential_curve_is_the_middle_one():
    """From porosity .25 on, where neither turns into the row of a solid belt."""
    for theta in (0.25, 0.4, 0.53, 0.7, 0.95):
        calmest_h, least = calmest_point(theta)
        near = X[calmest_h >= X]
        np.testing.assert_allclose(exponential(theta, x=near), wind("mid", theta, near), atol=1e-9)
        assert least == pytest.approx(wind("mid", theta).min(), abs=1e-5)
        assert calmest_h == pytest.approx(X[wind("mid", theta).argmin()], abs=0.02)


def test_beyond_it_shelter_falls_to_37_percent_over_8_heights():
    """Away from the join the recovery is exponential: over 8 H the rest falls by 1/e, except the
    .5 H over which it starts and what is taken from it to reach 1 at 40 H."""
    for theta in (0.3, 0.4, 0.5):
        calmest_h, _ = calmest_point(theta)
        end = np.exp(-(RECOVERED_H - calmest_h - 0.5) / 8)
        rest = 1 - exponential(theta, x=calmest_h + np.array([4.0, 12.0]))
        rest += end * (1 - exponential(theta, x=calmest_h)) / (1 - end)
        assert rest[1] / rest[0] == pytest.approx(np.exp(-1), rel=1e-3)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_join_is_smooth(width):
    """The slope is 0 on both sides of the calmest point, and changes without steps behind it."""
    for theta in (0.3, 0.4, 0.53, 0.8):
        calmest_h = float(calmest_point(theta, width)[0])
        r = exponential(theta, width, calmest_h + np.arange(-0.2, 0.2, 1e-3))
        slope = np.diff(r) / 1e-3
        assert np.abs(np.diff(slope)).max() < 1e-3
        assert abs(slope[len(slope) // 2]) < 1e-3


@pytest.mark.parametrize("width", WIDTHS)
def test_it_moves_without_steps_from_porosity_to_porosity(width):
    x = np.arange(-6.0, 50.0, 0.1)
    r = CURVES["exponential"].relative_wind(x[None], FINE[:, None], np.array(width))
    assert np.abs(np.diff(r, axis=0)).max() < 0.01
    # Nowhere more than the curve that it starts from, except by the move of the calmest point.
    start = CURVES["mid"].relative_wind(x[None], FINE[:, None], np.array(width))
    assert np.abs(np.diff(r, axis=0)).max() < 2 * np.abs(np.diff(start, axis=0)).max()


@pytest.mark.parametrize("width", WIDTHS)
def test_it_is_exactly_open_without_a_belt_and_from_40_heights_on(width):
    assert (exponential(1.0, width) == 1).all()
    for theta in THETA:
        assert (exponential(theta, width, np.array([40.0, 45.0, 50.0])) == 1).all()


def test_its_calmest_point_is_where_it_is_measured():
    """2 to 6 H: Loeffler, Gordon and Gillespie 1992, seen; for porosities measured."""
    for theta in np.arange(0.0, 0.54, 0.01):
        assert 2 <= X[exponential(theta).argmin()] <= 6


@pytest.mark.parametrize("width", WIDTHS)
def test_it_never_gains_towards_a_solid_belt(width):
    lee = X[X >= 0]
    thetas = FINE[FINE <= 0.6]
    r = CURVES["exponential"].relative_wind(lee[None], thetas[:, None], np.array(width))
    sums = (1 - r).sum(axis=1)
    best = int(sums.argmax())
    assert (np.diff(sums[: best + 1]) >= 0).all()
    if width == 0:
        assert 0.2 <= thetas[best] <= 0.5


def test_it_is_the_middle_curve_to_windward():
    x = X[X <= 0]
    for theta in THETA:
        np.testing.assert_array_equal(exponential(theta, x=x), wind("mid", theta, x))


def test_width_opens_it():
    """As in every curve: a wider belt of the same face is less calm at its calmest point."""
    for theta in (0.0, 0.2, 0.4):
        least = [exponential(theta, width)[X > 0].min() for width in (0.0, 0.5, 1.0, 3.0)]
        assert (np.diff(least) > 0).all()
