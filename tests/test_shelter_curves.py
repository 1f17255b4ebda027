"""Shelter curves: ranges, laws and the quick table."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shelterscape.kernels.shelter_curves import (
    CURVES,
    TABLE_STEP_H,
    curve_table,
    effective_porosity,
    relative_wind_barrier,
)


@given(st.floats(-5, 50), st.floats(0, 0.9), st.floats(0, 20))
def test_barrier_stays_between_nought_and_one(x, theta, width):
    assert 0 <= float(relative_wind_barrier(x, theta, width)) <= 1


@pytest.mark.parametrize("x", [-5.01, 50.01, np.nan])
def test_outside_its_range_it_says_nothing(x):
    assert np.isnan(relative_wind_barrier(x, 0.4))


@given(st.floats(0, 1), st.floats(0, 50), st.floats(0, 50))
def test_width_only_opens_a_belt(theta, thin, more):
    narrow, wide = effective_porosity(theta, thin), effective_porosity(theta, thin + more)
    assert theta <= narrow + 1e-12
    assert narrow <= wide + 1e-12
    assert wide <= 1 + 1e-12


@pytest.mark.parametrize("name", CURVES)
def test_every_curve_says_where_it_is_from(name):
    curve = CURVES[name]
    assert curve.name == name
    assert curve.source
    assert curve.status in ("S", "S2", "M")
    assert curve.distance_h[0] < 0 < curve.distance_h[1]


@pytest.mark.parametrize("name", CURVES)
def test_the_table_holds_the_curve(name):
    curve = CURVES[name]
    porosity, width = np.array([0.0, 0.33, 0.8]), np.array([0.0, 0.5, 2.0])
    table = curve_table(curve, porosity, width)
    x = curve.distance_h[0] + TABLE_STEP_H * np.arange(table.shape[1])
    assert x[-1] == pytest.approx(curve.distance_h[1])
    for row, theta, w in zip(table, porosity, width, strict=True):
        np.testing.assert_allclose(row, curve.relative_wind(x, theta, w), atol=1e-6)


@pytest.mark.parametrize("name", CURVES)
def test_no_belt_is_left_at_porosity_one_and_the_way_there_is_steady(name):
    porosity = np.linspace(0.8, 1.0, 21)
    table = curve_table(CURVES[name], porosity, np.zeros(21))
    assert (table[-1] == 1).all()
    assert (np.diff(table, axis=0) >= -1e-6).all()
    assert np.abs(np.diff(table, axis=0)).max() < 0.03
