"""Sectors of a wind record: frequency, speeds and their uncertainty by direction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.science.weibull import weibull_fit
from shelterscape.science.wind import ASSUMED_WEIBULL_K

Array = NDArray[np.float64]

LEAST_VALUES_OF_A_SHAPE = 30
"""Values a sector needs for a Weibull shape of its own (assumed value)."""

LEAST_MONTHS = 3
"""Months of a record that an uncertainty needs (assumed value)."""

LOW_PERCENT, HIGH_PERCENT = 5.0, 95.0
"""Bounds of the uncertainty of a frequency: nine of ten resampled records are between them."""

WIDEST_REPORT_DEG = 45.0


@dataclass(frozen=True)
class Hours:
    """The usable values of a wind record, calm ones included, in order of station and time.

    Parameters
    ----------
    time : (n,) datetime64[m]
        By the clock of the record.
    station : (n,) int
        Number of the station.
    direction_deg : (n,) float64
        Where the wind comes from, degrees clockwise from true north, 0 <= d < 360; NaN when calm.
    speed_ms : (n,) float64
        m/s; 0 when calm.
    gust_ms, temperature_c, rain_mm : (n,) float64
        m/s, °C, and mm in each interval; NaN where unknown.
    report_deg : float
        Width of the sector that a reported direction represents, degrees; 0 for exact directions.
    step_minutes : float
        Interval between values.
    stations : tuple of str
        Names by number.
    """

    time: NDArray[np.datetime64]
    station: NDArray[np.integer]
    direction_deg: Array
    speed_ms: Array
    gust_ms: Array
    temperature_c: Array
    rain_mm: Array
    report_deg: float
    step_minutes: float
    stations: tuple[str, ...] = ("",)

    @property
    def year_month(self) -> NDArray[np.int64]:
        """Month of each value, counted from January 1970."""
        return self.time.astype("datetime64[M]").astype(np.int64)

    @property
    def month(self) -> NDArray[np.int64]:
        """Month of the year of each value, 1 to 12."""
        return self.year_month % 12 + 1


@dataclass(frozen=True)
class SectorStatistics:
    """Wind by sector over some hours; arrays hold one value for each sector.

    Parameters
    ----------
    direction_deg : (n,) float64
        Middle of each sector, degrees clockwise from true north, the first at 0.
    frequency : (n,) float64
        Share of the time, 0 to 1; with `calm` they sum to 1.
    calm : float
        Share of the time that is calm, 0 to 1.
    mean_speed_ms, weibull_scale_ms, p90_ms, p98_ms : (n,) float64
        Mean, Weibull scale and percentiles of speed, m/s; NaN where no wind came from the sector.
    weibull_shape : (n,) float64
        That of all sectors together where `pooled`.
    pooled : (n,) bool
        Sectors with fewer than `LEAST_VALUES_OF_A_SHAPE` values.
    values : (n,) float64
        How many values fell in each sector, parts of values included.
    count : int
        Values in all, calm ones included.
    frequency_low, frequency_high : (n,) float64
        Bounds of the frequencies, 0 to 1; NaN with fewer than `LEAST_MONTHS` months.
    calm_low, calm_high : float
        The same of calm.
    uncertainty : float
        Mean relative standard deviation of the frequencies, weighted by frequency; NaN likewise.
    """

    direction_deg: Array
    frequency: Array
    calm: float
    mean_speed_ms: Array
    weibull_scale_ms: Array
    weibull_shape: Array
    p90_ms: Array
    p98_ms: Array
    pooled: NDArray[np.bool_]
    values: Array
    count: int
    frequency_low: Array
    frequency_high: Array
    calm_low: float
    calm_high: float
    uncertainty: float


def sector_overlap(direction_deg: ArrayLike, report_deg: float, sectors: int) -> Array:
    """How much of each reported direction belongs to each sector.

    A report of 50° in steps of 10° means any direction from 45 to 55°. Counted as a whole, some
    sectors would hold three such reports and others two, and a uniform record would seem to have
    main directions.

    Parameters
    ----------
    direction_deg : (n,) array
        Degrees.
    report_deg : float
        Width of a report, degrees, 0 to `WIDEST_REPORT_DEG`; at 0 a direction between two sectors
        belongs half to each.
    sectors : int
        Number of equal sectors, the first centred on north; 4 or more.

    Returns
    -------
    (n, sectors) float64
        0 to 1; each row sums to 1.

    References
    ----------
    Applequist 2012, Journal of Applied Meteorology and Climatology (status S; shares status D).
    """
    width = 360.0 / sectors
    half = max(report_deg, 1e-6) / 2
    middle = np.arange(sectors) * width
    away = (np.asarray(direction_deg, float)[:, None] - middle + 180.0) % 360.0 - 180.0
    inside = np.minimum(away + half, width / 2) - np.maximum(away - half, -width / 2)
    share: Array = np.clip(inside, 0.0, None)
    return share / share.sum(axis=1, keepdims=True)


def sector_statistics(
    hours: Hours, chosen: NDArray[np.bool_], sectors: int, *, runs: int = 400, seed: int = 1
) -> SectorStatistics:
    """Frequencies, speeds and uncertainty of each sector over chosen hours.

    Parameters
    ----------
    hours : Hours
    chosen : (n,) bool
        At least one value.
    sectors : int
        Number of sectors.
    runs, seed : int
        Resampled records, and the seed of their random numbers.

    Returns
    -------
    SectorStatistics

    Notes
    -----
    Percentiles are the least speed at or below which that share of the values is. For the
    uncertainty, months of the record are drawn again with replacement (block bootstrap), since
    the hours of one month depend on each other.
    """
    direction, speed = hours.direction_deg[chosen], hours.speed_ms[chosen]
    windy = ~np.isnan(direction)
    angles, at = np.unique(direction[windy], return_inverse=True)
    share = sector_overlap(angles, hours.report_deg, sectors)
    count = len(direction)
    values = np.bincount(at, minlength=len(angles)) @ share
    block = hours.year_month[chosen]
    spread = _resampled(block, windy, at, share, runs, seed)
    low, high = np.percentile(spread, [LOW_PERCENT, HIGH_PERCENT], axis=0)
    frequency = values / count
    return SectorStatistics(
        np.arange(sectors) * 360.0 / sectors,
        frequency,
        float((~windy).sum() / count),
        **_speeds(at, speed[windy], share, values),
        values=values,
        count=count,
        frequency_low=low[:-1],
        frequency_high=high[:-1],
        calm_low=float(low[-1]),
        calm_high=float(high[-1]),
        uncertainty=float(spread[:, :-1].std(axis=0).sum() / max(frequency.sum(), 1e-12)),
    )


def _resampled(
    block: NDArray[np.int64],
    windy: NDArray[np.bool_],
    at: NDArray[np.int64],
    share: Array,
    runs: int,
    seed: int,
) -> Array:
    """Frequencies of each sector, and calm last, over months drawn with replacement."""
    blocks, of = np.unique(block, return_inverse=True)
    if len(blocks) < LEAST_MONTHS:
        return np.full((1, share.shape[1] + 1), np.nan)
    angles = share.shape[0]
    counts = np.bincount(of[windy] * angles + at, minlength=len(blocks) * angles)
    calm = np.bincount(of[~windy], minlength=len(blocks))
    by_block = np.column_stack([counts.reshape(-1, angles) @ share, calm])
    draws = np.random.default_rng(seed).integers(0, len(blocks), (runs, len(blocks)))
    totals = by_block[draws].sum(axis=1)
    found: Array = totals / totals.sum(axis=1, keepdims=True)
    return found


def _speeds(at: NDArray[np.int64], speed: Array, share: Array, values: Array) -> dict[str, Any]:
    """Mean, percentiles and Weibull fit of each sector."""
    # Reports repeat themselves: the fits work on each pair of direction and speed once.
    speeds, which = np.unique(speed, return_inverse=True)
    pairs, count = np.unique(at * len(speeds) + which, return_counts=True)
    of_angle, of_speed = np.divmod(pairs, max(len(speeds), 1))
    weight = share[of_angle] * count[:, None]
    ms = speeds[of_speed] if len(speeds) else speeds
    sums = weight.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(sums > 0, ms @ weight / sums, np.nan)
    shape_of_all = weibull_fit(ms, count)[1] if len(ms) else np.nan
    shape_of_all = ASSUMED_WEIBULL_K if np.isnan(shape_of_all) else shape_of_all
    fits = np.array([weibull_fit(ms, column) for column in weight.T])
    pooled = (values < LEAST_VALUES_OF_A_SHAPE) | np.isnan(fits[:, 1])
    shape = np.where(pooled, shape_of_all, fits[:, 1])
    return {
        "mean_speed_ms": mean,
        "weibull_scale_ms": np.where(pooled, _scale_at(ms, weight, shape_of_all), fits[:, 0]),
        "weibull_shape": shape,
        "pooled": pooled,
        "p90_ms": _percentile(ms, weight, 0.90),
        "p98_ms": _percentile(ms, weight, 0.98),
    }


def _scale_at(ms: Array, weight: Array, shape: float) -> Array:
    """Most probable scale of each sector for one shape; NaN without wind."""
    sums = weight.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(sums > 0, (ms**shape @ weight / sums) ** (1.0 / shape), np.nan)


def _percentile(ms: Array, weight: Array, share: float) -> Array:
    """Least speed of each sector at or below which a share of its values is."""
    order = np.argsort(ms, kind="stable")
    reached = np.cumsum(weight[order], axis=0)
    sums = reached[-1] if len(ms) else np.zeros(weight.shape[1])
    # A ten-thousandth of a value less, for rounding in the sums.
    at = (reached < share * sums - 1e-4 * np.minimum(sums, 1.0)).sum(axis=0)
    found = np.full(weight.shape[1], np.nan)
    found[sums > 0] = ms[order][at[sums > 0]]
    return found


def class_shares(
    hours: Hours, chosen: NDArray[np.bool_], sectors: int, bounds_ms: ArrayLike
) -> Array:
    """Share of some hours by sector and speed class.

    Parameters
    ----------
    hours : Hours
    chosen : (n,) bool
        At least one value.
    sectors : int
        Number of sectors.
    bounds_ms : (m,) array
        Lower bounds of the classes, m/s, the first 0.

    Returns
    -------
    (sectors, m) float64
        0 to 1; the sum is 1 without calm.
    """
    direction = hours.direction_deg[chosen]
    windy = ~np.isnan(direction)
    angles, at = np.unique(direction[windy], return_inverse=True)
    bounds = np.asarray(bounds_ms, float)
    of = np.searchsorted(bounds, hours.speed_ms[chosen][windy], side="right") - 1
    counts = np.bincount(at * len(bounds) + of, minlength=len(angles) * len(bounds))
    share = sector_overlap(angles, hours.report_deg, sectors)
    found: Array = share.T @ counts.reshape(len(angles), len(bounds)) / len(direction)
    return found


def month_statistics(hours: Hours, sectors: int) -> dict[int, tuple[Array, Array, Array]]:
    """Frequency and mean speed of each sector in each month of the year.

    Parameters
    ----------
    hours : Hours
    sectors : int
        Number of sectors.

    Returns
    -------
    dict
        By month that occurs: frequencies, 0 to 1, with calm last; mean speeds, m/s, NaN where
        there is no wind; and values in each sector, with calm last.
    """
    found = {}
    for month in np.unique(hours.month):
        chosen = hours.month == month
        direction, speed = hours.direction_deg[chosen], hours.speed_ms[chosen]
        windy = ~np.isnan(direction)
        angles, at = np.unique(direction[windy], return_inverse=True)
        share = sector_overlap(angles, hours.report_deg, sectors)
        values = np.bincount(at, minlength=len(angles)) @ share
        sums = np.bincount(at, speed[windy], minlength=len(angles)) @ share
        with np.errstate(invalid="ignore"):
            mean = np.where(values > 0, sums / values, np.nan)
        values = np.append(values, (~windy).sum())
        found[int(month)] = (values / chosen.sum(), mean, values)
    return found


def exact_shares(shares: ArrayLike, decimals: int) -> Array:
    """Shares rounded so that they still sum to exactly 1.

    Parameters
    ----------
    shares : (n,) array
        They sum to 1.
    decimals : int

    Returns
    -------
    (n,) float64
        0 to 1; each within one unit of the last decimal, the largest remainders rounded up.

    Examples
    --------
    >>> exact_shares([1 / 3, 1 / 3, 1 / 3], 2)
    array([0.34, 0.33, 0.33])
    """
    scale = 10**decimals
    parts = np.asarray(shares, float) * scale
    whole = np.floor(parts + 1e-9)
    short = round(scale - whole.sum())
    order = np.argsort(whole - parts, kind="stable")
    whole[order[:short]] += 1
    found: Array = np.round(whole / scale, decimals)
    return found
