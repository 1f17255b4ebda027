"""Invented weather records for tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from shelterscape.science.wind_sectors import Hours

YEAR = pd.date_range("2019-01-01", "2019-12-31 23:00", freq="h")


def hours_of(direction_deg, speed_ms, *, report_deg=10.0, time=None, **columns) -> Hours:
    """Usable hours of one station; calm where the speed is 0."""
    speed = np.asarray(speed_ms, float)
    direction = np.where(speed == 0, np.nan, np.asarray(direction_deg, float) % 360.0)
    if time is None:
        time = np.datetime64("2019-01-01T00:00") + np.arange(len(speed)) * np.timedelta64(60, "m")
    nothing = np.full(len(speed), np.nan)
    extra = {name: columns.get(name, nothing) for name in ("gust_ms", "temperature_c", "rain_mm")}
    return Hours(
        np.asarray(time, "datetime64[m]"),
        np.zeros(len(speed), int),
        direction,
        speed,
        **extra,
        report_deg=report_deg,
        step_minutes=60.0,
    )


def invented(count: int = 8760, seed: int = 5) -> Hours:
    """A year of hours, mostly from the south-west, in steps of 10°, some calm."""
    rng = np.random.default_rng(seed)
    direction = (np.round(rng.vonmises(np.radians(230), 1.2, count) * 18 / np.pi) * 10) % 360
    speed = np.round(5.5 * rng.weibull(1.9, count), 1)
    return hours_of(direction, np.where(rng.random(count) < 0.03, 0.0, speed))


def frame_of(hours: Hours, unit_ms: float = 1.0) -> pd.DataFrame:
    """Hours as the table of a weather service: 360 is north, 0 is calm."""
    degrees = np.where(hours.direction_deg == 0, 360.0, np.nan_to_num(hours.direction_deg))
    return pd.DataFrame(
        {
            "time": np.datetime_as_string(hours.time, unit="m"),
            "direction": degrees.astype(int),
            "speed": hours.speed_ms / unit_ms,
        }
    )


def record_file(path: Path, frame: pd.DataFrame | None = None, **changes: object) -> Path:
    """A record as a file; columns can be replaced, or left out by None."""
    frame = frame_of(invented()) if frame is None else frame
    for name, values in changes.items():
        frame = frame.drop(columns=name) if values is None else frame.assign(**{name: values})
    frame.to_csv(path, index=False)
    return path
