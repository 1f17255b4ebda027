"""Position of the sun by the equations of the US National Oceanic and Atmospheric Administration.

The equations are those of the NOAA solar calculator, after Meeus 1998, Astronomical Algorithms
(status M); valid 1900 to 2100, to about 0.01 degrees. Refraction is left out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

J2000 = np.datetime64("2000-01-01T12:00:00", "ms")
DAYS_PER_CENTURY = 36525.0
MINUTES_PER_DAY = 1440.0


class SunPositions(NamedTuple):
    """Positions of the sun.

    Parameters
    ----------
    elevation_deg : (n,) float64
        Above the horizon, without refraction, degrees.
    azimuth_deg : (n,) float64
        Bearing of the sun, degrees clockwise from true north.
    """

    elevation_deg: Array
    azimuth_deg: Array


def sun_positions(
    times: NDArray[np.datetime64], latitude_deg: float, longitude_deg: float
) -> SunPositions:
    """Elevation and azimuth of the sun.

    Parameters
    ----------
    times : (n,) datetime64
        UTC.
    latitude_deg : float
        North positive, -90 to 90.
    longitude_deg : float
        East positive.

    Returns
    -------
    SunPositions
    """
    days = (times.astype("datetime64[ms]") - J2000) / np.timedelta64(1, "D")
    declination, time_minutes = _declination_and_equation_of_time(days / DAYS_PER_CENTURY)
    minutes = (days + 0.5) % 1.0 * MINUTES_PER_DAY
    solar_minutes = (minutes + time_minutes + 4.0 * longitude_deg) % MINUTES_PER_DAY
    hour = np.radians(solar_minutes / 4.0 - 180.0)
    latitude = np.radians(latitude_deg)
    up = np.sin(latitude) * np.sin(declination)
    up = up + np.cos(latitude) * np.cos(declination) * np.cos(hour)
    east = -np.cos(declination) * np.sin(hour)
    north = np.sin(declination) * np.cos(latitude)
    north = north - np.cos(declination) * np.sin(latitude) * np.cos(hour)
    azimuth = np.degrees(np.arctan2(east, north)) % 360.0
    return SunPositions(np.degrees(np.arcsin(np.clip(up, -1.0, 1.0))), azimuth)


def _declination_and_equation_of_time(century: Array) -> tuple[Array, Array]:
    """Declination, radians, and equation of time, minutes, at centuries since the year 2000."""
    t = century
    mean_longitude = np.radians((280.46646 + t * (36000.76983 + t * 0.0003032)) % 360.0)
    anomaly = np.radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    eccentricity = 0.016708634 - t * (0.000042037 + 0.0000001267 * t)
    centre = (
        np.sin(anomaly) * (1.914602 - t * (0.004817 + 0.000014 * t))
        + np.sin(2 * anomaly) * (0.019993 - 0.000101 * t)
        + np.sin(3 * anomaly) * 0.000289
    )
    node = np.radians(125.04 - 1934.136 * t)
    longitude = mean_longitude + np.radians(centre - 0.00569 - 0.00478 * np.sin(node))
    seconds = 21.448 - t * (46.815 + t * (0.00059 - t * 0.001813))
    obliquity = np.radians(23.0 + (26.0 + seconds / 60.0) / 60.0 + 0.00256 * np.cos(node))
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    y = np.tan(obliquity / 2.0) ** 2
    equation = (
        y * np.sin(2 * mean_longitude)
        - 2 * eccentricity * np.sin(anomaly)
        + 4 * eccentricity * y * np.sin(anomaly) * np.cos(2 * mean_longitude)
        - 0.5 * y**2 * np.sin(4 * mean_longitude)
        - 1.25 * eccentricity**2 * np.sin(2 * anomaly)
    )
    return declination, 4.0 * np.degrees(equation)


def winter_day(latitude_deg: float, year: int = 2025, step_minutes: int = 10) -> NDArray:
    """Times of the shortest day: 21 December in the north, 21 June in the south.

    Parameters
    ----------
    latitude_deg : float
    year : int
        Positions differ by less than 0.01 degrees from year to year.
    step_minutes : int

    Returns
    -------
    (n,) datetime64
        UTC, evenly spread over 24 hours.
    """
    day = f"{year}-12-21" if latitude_deg >= 0 else f"{year}-06-21"
    start = np.datetime64(day, "m")
    found: NDArray[np.datetime64] = start + np.arange(0, 24 * 60, step_minutes)
    return found
