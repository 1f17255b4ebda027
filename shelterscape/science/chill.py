"""What wind, cold and rain do to stock and people: two published indices."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

LAMB_DEATHS_FROM = 1000.0
"""Sheep chill index, kJ m⁻² h⁻¹, above which deaths of newborn lambs rise fast (status S)."""

LAMB_HEIGHT_M = 0.4
"""Height above ground at which the wind of the sheep chill index counts (status S)."""

WIND_CHILL_WARMEST_C = 10.0
WIND_CHILL_SLOWEST_KMH = 4.8
"""Human wind chill is defined at or below this temperature and from this speed up."""

LEAST_HOURS_OF_A_DAY = 20
"""Hours of temperature and wind that a day needs for its daily index (assumed value)."""


def sheep_chill(
    temperature_c: ArrayLike, speed_ms: ArrayLike, rain_mm: ArrayLike
) -> NDArray[np.float64]:
    """Daily chill index of sheep: heat that a newborn lamb loses, kJ m⁻² h⁻¹.

    Parameters
    ----------
    temperature_c : array
        Mean air temperature of 24 hours, °C.
    speed_ms : array
        Mean wind speed of the same hours at `LAMB_HEIGHT_M`, m/s, 0 or more.
    rain_mm : array
        Rain of the same hours, mm, 0 or more.

    Returns
    -------
    array of float64
        kJ m⁻² h⁻¹; NaN where a value is missing, or speed or rain is below 0.

    Notes
    -----
    ``C = (11.7 + 3.1 √v)(40 − T) + 481 + 418 (1 − e^(−0.04 R))``. It holds for lambs up to three
    days old, whose deaths follow the last 24 hours (Starr 1981, status S): an index, not a
    forecast of losses.

    References
    ----------
    Nixon-Smith 1972; Donnelly 1984, Australian Journal of Agricultural Research 35:709-721
    (status S2).

    Examples
    --------
    >>> round(float(sheep_chill(5.0, 4.0, 10.0)), 1)
    1245.3
    """
    temperature, speed, rain = (np.asarray(a, float) for a in (temperature_c, speed_ms, rain_mm))
    # A value out of range has no index, as a missing one.
    speed, rain = (np.where(a >= 0, a, np.nan) for a in (speed, rain))
    dry = (11.7 + 3.1 * np.sqrt(speed)) * (40.0 - temperature) + 481.0
    return np.asarray(dry + 418.0 * (1.0 - np.exp(-0.04 * rain)), float)


def daily_sheep_chill(
    day: ArrayLike,
    temperature_c: ArrayLike,
    speed_ms: ArrayLike,
    rain_mm: ArrayLike,
    *,
    values_per_hour: float = 1.0,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Daily chill index of sheep from hourly values.

    Parameters
    ----------
    day : (n,) array of int
        Number of the day of each value, rising.
    temperature_c, speed_ms, rain_mm : (n,) array
        °C; m/s at `LAMB_HEIGHT_M`; mm in each interval. Missing rain counts as none.
    values_per_hour : float
        1 for hourly values, 6 for ten-minute ones.

    Returns
    -------
    days : (m,) int64
        Every day with at least `LEAST_HOURS_OF_A_DAY` hours of temperature and wind.
    chill : (m,) float64
        kJ m⁻² h⁻¹, as `sheep_chill`.

    References
    ----------
    As for `sheep_chill`.
    """
    temperature, speed, rain = (np.asarray(a, float) for a in (temperature_c, speed_ms, rain_mm))
    days, at = np.unique(np.asarray(day, np.int64), return_inverse=True)
    known = np.isfinite(temperature) & np.isfinite(speed)
    count = np.bincount(at[known], minlength=len(days))
    sums = [
        np.bincount(at[known], weights=values[known], minlength=len(days))
        for values in (temperature, speed)
    ]
    wet = np.bincount(at, weights=np.nan_to_num(rain), minlength=len(days))
    whole = count >= LEAST_HOURS_OF_A_DAY * values_per_hour
    mean_c, mean_ms = (total[whole] / count[whole] for total in sums)
    return days[whole], sheep_chill(mean_c, mean_ms, wet[whole])


def human_wind_chill(temperature_c: ArrayLike, speed_kmh: ArrayLike) -> NDArray[np.float64]:
    """Wind chill temperature of people, °C.

    Parameters
    ----------
    temperature_c : array
        Air temperature, °C.
    speed_kmh : array
        Wind speed 10 m above open ground, km/h.

    Returns
    -------
    array of float64
        °C; NaN above `WIND_CHILL_WARMEST_C` and below `WIND_CHILL_SLOWEST_KMH`, where the index
        is not defined.

    Notes
    -----
    ``13.12 + 0.6215 T − 11.37 V^0.16 + 0.3965 T V^0.16``.

    References
    ----------
    Joint index of North American weather services of 2001 (status S).

    Examples
    --------
    >>> round(float(human_wind_chill(-5.0, 30.0)), 2)
    -13.0
    """
    temperature, speed = np.asarray(temperature_c, float), np.asarray(speed_kmh, float)
    defined = (temperature <= WIND_CHILL_WARMEST_C) & (speed >= WIND_CHILL_SLOWEST_KMH)
    power = np.where(defined, speed, np.nan) ** 0.16
    chill = 13.12 + 0.6215 * temperature - 11.37 * power + 0.3965 * temperature * power
    return np.asarray(chill, float)
