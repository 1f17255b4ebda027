"""Invented weather record of the Ostrel valley: hourly wind, temperature and rain.

Nobody measured it. Directions and speeds follow the tables in ``make_sample``, season by season;
weather lasts for days, and the record has the faults of a real one.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import lfilter
from scipy.special import gamma, ndtr

FIRST_YEAR, YEARS = 2021, 5
KNOT_MS = 0.514444
STEP_DEG = 10
# Hours over which direction, speed and temperature stay alike, and rain.
DIRECTION_H, SPEED_H, TEMPERATURE_H, RAIN_H = 30.0, 14.0, 60.0, 5.0
CUT_DEG = 110.0
"""Direction from which few winds come: there the scale of directions begins and ends."""

# Subset whose winds each month has: winter, spring, or what the rest of the year needs.
MONTHS = {"winter": (1, 2, 11, 12), "spring": (4, 5), "rest": (6, 7, 8, 9, 10)}
TURNING_MONTH = 3
"""Half winter, half spring."""


def lobe_density(lobes: list[tuple[float, float, float]], degrees: np.ndarray) -> np.ndarray:
    """Share of the wind in each direction, the sum being 1."""
    turn = np.radians(degrees[:, None] - np.array([lobe[0] for lobe in lobes]))
    weight, spread = (np.array([lobe[i] for lobe in lobes]) for i in (1, 2))
    total = (weight * np.exp(spread * (np.cos(turn) - 1)) * np.sqrt(spread)).sum(axis=1)
    return total / total.sum()


def slow_noise(rng: np.random.Generator, count: int, hours: float) -> np.ndarray:
    """Normal numbers that stay alike for some hours."""
    keep = np.exp(-1.0 / hours)
    steps = rng.normal(0.0, np.sqrt(1 - keep**2), count)
    steps[0] = rng.normal()
    return lfilter([1.0], [1.0, -keep], steps)


def densities(lobes: dict[str, tuple[float, list]], degrees: np.ndarray) -> np.ndarray:
    """Share of the wind by month and direction."""
    known = {name: lobe_density(parts, degrees) for name, (_, parts) in lobes.items()}
    spring_months = len(MONTHS["spring"]) + 0.5
    winter_months = len(MONTHS["winter"]) + 0.5
    rest = 12 * known[""] - winter_months * known["winter"] - spring_months * known["spring"]
    rest = np.maximum(rest, 0.02 * rest.max())
    known["rest"] = rest / rest.sum()
    found = np.zeros((12, len(degrees)))
    for name, months in MONTHS.items():
        found[np.array(months) - 1] = known[name]
    found[TURNING_MONTH - 1] = (known["winter"] + known["spring"]) / 2
    return found


def build_record(
    lobes: dict[str, tuple[float, list]], speeds: dict[str, tuple[float, float]], seed: int
) -> pd.DataFrame:
    """Five years of hours as a weather service would give them."""
    rng = np.random.default_rng(seed)
    time = pd.date_range(f"{FIRST_YEAR}-01-01", periods=24 * 365 * YEARS + 24, freq="h")
    count, month = len(time), time.month.to_numpy()
    degrees = (CUT_DEG + np.arange(0, 360, STEP_DEG)) % 360
    density = densities(lobes, degrees)
    place = ndtr(slow_noise(rng, count, DIRECTION_H))
    at = np.array([np.searchsorted(np.cumsum(row), place) for row in density])
    sector = np.minimum(at[month - 1, np.arange(count)], len(degrees) - 1)
    direction = degrees[sector]
    winter = np.isin(month, (11, 12, 1, 2))
    slow, fast = (np.where(winter, speeds["winter"][i], speeds[""][i]) for i in (0, 1))
    common = density[month - 1, sector] / density.max(axis=1)[month - 1]
    mean = slow + (fast - slow) * common**0.7
    shape = 1.75 + 0.4 * common
    still = lobes[""][0]
    level = ndtr(slow_noise(rng, count, SPEED_H))
    share = np.clip((level - still) / (1 - still), 1e-6, 1 - 1e-6)
    ms = mean / gamma(1 + 1 / shape) * (-np.log1p(-share)) ** (1 / shape)
    knots = np.where(level < still, 0, np.maximum(np.round(ms / KNOT_MS), 1)).astype(int)
    frame = pd.DataFrame(
        {
            "time": time.strftime("%Y-%m-%dT%H:%M"),
            "direction": np.where(knots == 0, 0, np.where(direction == 0, 360, direction)),
            "speed": knots,
            "temperature": temperatures(rng, time, direction),
            "rain": rains(rng, count, direction),
        }
    )
    return with_faults(frame.astype({"direction": int}), rng)


def temperatures(
    rng: np.random.Generator, time: pd.DatetimeIndex, direction: np.ndarray
) -> np.ndarray:
    """Air temperature, °C: season, time of day, weather, and cold from the north-east."""
    season = -np.cos(2 * np.pi * (time.dayofyear.to_numpy() - 20) / 365.25)
    day = -np.cos(2 * np.pi * (time.hour.to_numpy() - 3) / 24)
    cold = np.cos(np.radians(direction - 45))
    weather = slow_noise(rng, len(time), TEMPERATURE_H)
    return np.round(8.0 + 6.5 * season + 2.2 * day - 1.5 * cold + 2.2 * weather)


def rains(rng: np.random.Generator, count: int, direction: np.ndarray) -> np.ndarray:
    """Rain in an hour, mm, more often with wind from the west."""
    wet = slow_noise(rng, count, RAIN_H) + 0.35 * np.cos(np.radians(direction - 250))
    amount = np.where(wet > 1.25, 0.2 + 1.6 * rng.gamma(0.8, 0.6, count), 0.0)
    return np.round(amount * 5) / 5


def with_faults(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """The record with faults that real ones have: gaps, missing values, a stuck vane, repeats."""
    frame = frame.astype({"direction": object, "speed": object})
    lost = rng.choice(len(frame), 180, replace=False)
    frame.loc[lost[:120], "direction"] = ""
    frame.loc[lost[100:], "speed"] = ""
    frame.loc[lost[0], "speed"] = 988
    stuck = slice(31_000, 31_060)
    frame.loc[stuck, ["direction", "speed"]] = (190, 6)
    repeated = frame.iloc[[12_000, 12_001]]
    frame = frame.drop(index=range(20_000, 20_052))
    return pd.concat([frame, repeated]).sort_values("time", kind="stable")


def write_record(frame: pd.DataFrame, path: Path) -> None:
    """Write the record as packed CSV, the same bytes on every run."""
    head = "# Ostrel valley, invented weather record for the sample data; nobody measured it\n"
    text = head + frame.to_csv(index=False, lineterminator="\n", float_format="%g")
    path.write_bytes(gzip.compress(text.encode("utf-8"), 9, mtime=0))
