"""Sectors of wind records: published shares, laws, and fits by other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import gamma
from scipy.stats import weibull_min
from wind_record_helpers import hours_of, invented

from shelterscape.science.weibull import weibull_fit, weibull_fit_classes, weibull_mean
from shelterscape.science.wind import WindSet
from shelterscape.science.wind_sectors import (
    class_shares,
    exact_shares,
    month_statistics,
    sector_overlap,
    sector_statistics,
)

EVERY = slice(None)


def statistics(hours, sectors=16, **options):
    return sector_statistics(hours, np.ones(len(hours.time), bool), sectors, **options)


# ---- sectors


@pytest.mark.parametrize("sectors", [8, 12, 16, 36, 72])
def test_a_uniform_record_has_equal_shares(sectors):
    """36 reports over 16 sectors: 8.33 % and 5.56 % by plain counting, where each must be 6.25 %
    (Applequist 2012, S; D)."""
    hours = hours_of(np.tile(np.arange(0, 360, 10), 100), np.full(3600, 5.0))
    found = statistics(hours, sectors, runs=2)
    np.testing.assert_allclose(found.frequency, 1 / sectors, rtol=1e-12)


def test_plain_counting_would_not_have_equal_shares():
    """The check above can fail: a report counted whole favours the four main points."""
    plain = sector_overlap(np.arange(0, 360, 10), 0.0, 16).sum(axis=0) / 36
    assert plain.max() == pytest.approx(3 / 36)
    assert plain.min() == pytest.approx(2 / 36)


def test_overlap_by_the_integral_over_single_directions():
    """An independent road: every report as 2000 directions, each counted in its sector."""
    reports, sectors = np.arange(0, 360, 10.0), 16
    inside = (np.arange(2000) + 0.5) / 200 - 5
    at = np.round((reports[:, None] + inside) / 22.5).astype(int) % sectors
    counted = np.array([np.bincount(row, minlength=sectors) for row in at]) / 2000
    np.testing.assert_allclose(sector_overlap(reports, 10.0, sectors), counted, atol=1e-3)


def test_frequencies_are_those_of_single_hours():
    hours = invented()
    chosen = hours.month <= 6
    found = sector_statistics(hours, chosen, 16)
    share = sector_overlap(np.nan_to_num(hours.direction_deg[chosen]), 10.0, 16)
    share[np.isnan(hours.direction_deg[chosen])] = 0.0
    np.testing.assert_allclose(found.frequency, share.mean(axis=0), rtol=1e-12)
    speed = hours.speed_ms[chosen]
    np.testing.assert_allclose(found.mean_speed_ms, speed @ share / share.sum(axis=0), rtol=1e-12)
    assert found.frequency.sum() + found.calm == pytest.approx(1.0, abs=1e-12)
    assert found.count == chosen.sum()


@given(st.integers(0, 15))
def test_turning_the_record_turns_the_set(steps):
    hours = invented(600)
    turned = hours_of(
        np.nan_to_num(hours.direction_deg) + 22.5 * steps, hours.speed_ms, report_deg=10.0
    )
    before, after = statistics(hours, runs=3), statistics(turned, runs=3)
    for name in ("frequency", "mean_speed_ms", "weibull_scale_ms", "weibull_shape", "p90_ms"):
        was, now = getattr(before, name), getattr(after, name)
        np.testing.assert_allclose(np.roll(was, steps), now, rtol=1e-6, err_msg=name)


def test_faster_wind_changes_speeds_alone():
    hours = invented()
    slow = statistics(hours)
    fast = statistics(hours_of(np.nan_to_num(hours.direction_deg), 1.5 * hours.speed_ms))
    np.testing.assert_array_equal(slow.frequency, fast.frequency)
    for name in ("mean_speed_ms", "weibull_scale_ms", "p90_ms", "p98_ms"):
        np.testing.assert_allclose(getattr(fast, name), 1.5 * getattr(slow, name), rtol=1e-6)
    np.testing.assert_allclose(fast.weibull_shape, slow.weibull_shape, rtol=1e-6)


def test_added_calm_changes_no_weight():
    hours = invented()
    speeds = np.r_[hours.speed_ms, np.zeros(4000)]
    calmer = statistics(hours_of(np.r_[np.nan_to_num(hours.direction_deg), np.zeros(4000)], speeds))
    before = statistics(hours)
    assert calmer.calm > before.calm + 0.2

    def weights(s):
        return WindSet("", s.direction_deg, s.frequency, s.mean_speed_ms, s.weibull_shape, s.calm)

    for exponent in (1.0, 2.0, 3.0):
        np.testing.assert_allclose(
            weights(calmer).weights(exponent), weights(before).weights(exponent), rtol=1e-12
        )


def test_percentiles_are_those_of_numpy():
    rng = np.random.default_rng(2)
    hours = hours_of(np.full(5000, 90.0), np.round(6 * rng.weibull(2, 5000), 1) + 0.1)
    found = statistics(hours, runs=2)
    speeds = hours.speed_ms
    for name, share in (("p90_ms", 0.9), ("p98_ms", 0.98)):
        expected = np.quantile(speeds, share, method="inverted_cdf")
        assert getattr(found, name)[4] == pytest.approx(expected)


def test_a_sector_without_wind_is_empty():
    found = statistics(hours_of(np.full(100, 90.0), np.full(100, 5.0) + np.arange(100) / 100))
    assert found.frequency[0] == 0 and np.isnan(found.mean_speed_ms[0])
    assert found.pooled[0] and np.isfinite(found.weibull_shape).all()


def test_class_shares_sum_to_the_frequencies():
    hours = invented()
    every = np.ones(len(hours.time), bool)
    share = class_shares(hours, every, 16, (0.0, 3.0, 6.0, 9.0))
    np.testing.assert_allclose(share.sum(axis=1), statistics(hours).frequency, rtol=1e-12)
    fast = (hours.speed_ms >= 9).mean()
    assert share[:, 3].sum() == pytest.approx(fast)


def test_months_sum_to_the_record():
    hours = invented()
    months = month_statistics(hours, 16)
    assert set(months) == set(range(1, 13))
    values = sum(values for _, _, values in months.values())
    whole = statistics(hours)
    np.testing.assert_allclose(values, np.append(whole.values, whole.calm * whole.count))


def test_circular_mean_of_two_neighbours():
    """Eight hours from N and eight from NNW: the set keeps both, and its mean is 348.75° (S)."""
    hours = hours_of(np.repeat([0.0, 337.5], 8), np.full(16, 5.0), report_deg=22.5)
    found = statistics(hours, runs=2)
    turn = np.radians(found.direction_deg)
    mean = np.degrees(np.arctan2(found.frequency @ np.sin(turn), found.frequency @ np.cos(turn)))
    assert mean % 360 == pytest.approx(348.75)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=40).filter(lambda v: sum(v) > 0.01))
def test_rounded_shares_sum_to_exactly_one(values):
    shares = np.array(values) / sum(values)
    found = exact_shares(shares, 6)
    assert round(found.sum() * 1e6) == 1_000_000
    assert np.abs(found.sum() - 1) < 1e-9
    assert np.abs(found - shares).max() <= 1e-6


# ---- uncertainty


def test_uncertainty_shrinks_with_the_root_of_the_months():
    """With independent months, four times the months halve it (Efron's bootstrap; D)."""

    def record(months):
        rng = np.random.default_rng(11)
        # Each month has its own main direction, so that months differ.
        main = np.repeat(rng.uniform(0, 360, months), 200)
        direction = np.round((main + rng.normal(0, 40, len(main))) / 10) * 10
        start = np.datetime64("1990-01")
        time = np.repeat(start + np.arange(months), 200).astype("datetime64[m]")
        return hours_of(direction, np.full(len(main), 5.0), time=time)

    few, many = (statistics(record(n), runs=600).uncertainty for n in (40, 160))
    assert many == pytest.approx(few / 2, rel=0.2)


def test_bounds_enclose_the_frequency_and_need_some_months():
    found = statistics(invented())
    assert (found.frequency_low <= found.frequency).all()
    assert (found.frequency <= found.frequency_high).all()
    short = statistics(invented(24 * 40))
    assert np.isnan(short.frequency_low).all() and np.isnan(short.uncertainty)


def test_the_seed_decides():
    hours = invented()
    one, same, other = (statistics(hours, seed=s).frequency_low for s in (1, 1, 2))
    assert (one == same).all() and (one != other).any()


# ---- Weibull


def test_moments_of_the_distribution():
    """A = 7 m/s, k = 2: mean 6.2036 m/s (D)."""
    assert weibull_mean(7.0, 2.0) == pytest.approx(6.2036, abs=5e-5)


@pytest.mark.parametrize(("scale", "shape"), [(7.0, 2.0), (4.0, 1.4), (9.0, 3.2)])
def test_fit_returns_what_was_drawn_and_what_scipy_fits(scale, shape):
    """Maximum likelihood on 20 000 draws within 2 % (D), and scipy's fit."""
    draws = scale * np.random.default_rng(4).weibull(shape, 20_000)
    fitted = weibull_fit(draws)
    assert fitted == pytest.approx((scale, shape), rel=0.02)
    other_shape, _, other_scale = weibull_min.fit(draws, floc=0)
    assert fitted == pytest.approx((other_scale, other_shape), rel=1e-4)


def test_weights_count_as_repeats():
    speeds = np.array([1.0, 2.0, 5.0, 7.0, 9.0])
    counts = np.array([3, 8, 6, 2, 1])
    assert weibull_fit(speeds, counts) == pytest.approx(weibull_fit(np.repeat(speeds, counts)))


def test_fit_of_classes_returns_what_was_drawn():
    bounds = np.array([0, 2, 4, 6, 9, 12, np.inf])
    counts = np.histogram(7 * np.random.default_rng(4).weibull(2, 20_000), bounds)[0]
    fitted = weibull_fit_classes(bounds[:-1], bounds[1:], counts)
    assert fitted == pytest.approx((7.0, 2.0), rel=0.02)


def test_fits_without_enough_are_unknown():
    assert np.isnan(weibull_fit([3.0, 3.0])).all()
    assert np.isnan(weibull_fit([])).all()
    assert np.isnan(weibull_fit_classes([0, 3], [3, 6], [5, 0])).all()
    assert np.isnan(weibull_fit_classes([6], [np.inf], [5], 2.0)).all()


def test_the_weights_of_a_set_use_the_fit():
    """⟨U³⟩ of a sector by the wind set against the mean of cubes of its hours."""
    rng = np.random.default_rng(8)
    hours = hours_of(np.full(20_000, 180.0), 6 * rng.weibull(2.2, 20_000))
    found = statistics(hours, runs=2)
    cube = found.weibull_scale_ms[8] ** 3 * gamma(1 + 3 / found.weibull_shape[8])
    assert cube == pytest.approx((hours.speed_ms**3).mean(), rel=0.02)
