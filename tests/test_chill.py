"""Chill of lambs and people: ranges and days; published values are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest

from shelterscape.science.chill import (
    LEAST_HOURS_OF_A_DAY,
    daily_sheep_chill,
    human_wind_chill,
    sheep_chill,
)


def test_wind_chill_of_people_is_defined_in_its_range_alone():
    celsius = np.array([10.0, 10.1, -40.0, 0.0, 0.0])
    kmh = np.array([4.8, 30.0, 100.0, 4.7, np.nan])
    assert np.isfinite(human_wind_chill(celsius, kmh)).tolist() == [True, False, True, False, False]


def test_missing_and_impossible_values_have_no_index():
    found = sheep_chill([5, np.nan, 5, 5], [4, 4, -1, 4], [10, 10, 10, -1])
    assert np.isfinite(found).tolist() == [True, False, False, False]


@pytest.mark.parametrize("values_per_hour", [1, 6])
def test_a_steady_day_has_the_index_of_its_means(values_per_hour):
    count = 24 * values_per_hour
    day = np.repeat([100, 101], count)
    steady = np.ones(2 * count)
    days, chill = daily_sheep_chill(
        day, 5 * steady, 4 * steady, 10 / count * steady, values_per_hour=values_per_hour
    )
    assert days.tolist() == [100, 101]
    assert chill == pytest.approx([1245.3, 1245.3], abs=0.1)


def test_a_day_with_few_hours_is_left_out():
    hours = np.arange(24 + LEAST_HOURS_OF_A_DAY - 1)
    ones = np.ones(len(hours))
    days, _ = daily_sheep_chill(hours // 24, ones, ones, ones)
    assert days.tolist() == [0]


def test_wind_counts_by_its_mean_and_not_hour_by_hour():
    """The index is one of daily means: an hour of storm is not the index of that hour."""
    ms = np.r_[np.zeros(12), 8 * np.ones(12)]
    _, chill = daily_sheep_chill(np.zeros(24), 5 * np.ones(24), ms, np.zeros(24))
    assert chill[0] == pytest.approx(float(sheep_chill(5.0, 4.0, 0.0)))


def test_more_wind_rain_and_cold_never_chill_less():
    rng = np.random.default_rng(3)
    celsius, ms, mm = rng.uniform(-10, 15, 200), rng.uniform(0, 15, 200), rng.uniform(0, 40, 200)
    plain = sheep_chill(celsius, ms, mm)
    assert (sheep_chill(celsius - 1, ms, mm) > plain).all()
    assert (sheep_chill(celsius, ms + 1, mm) > plain).all()
    assert (sheep_chill(celsius, ms, mm + 1) > plain).all()
