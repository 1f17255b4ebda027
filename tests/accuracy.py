"""The accuracy set: published wind beside belts, chosen before any curve was compared with it.

Used by tests/test_accuracy.py and docs/generate.py. Nothing here was fitted: a curve that misses
is shown to miss. Published intervals count as an error only outside their ends.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shelterscape.kernels.shelter_curves import CURVES

FOLDER = Path(__file__).parent / "published"

ASSUMED_POROSITY = 0.40
"""Where a source gives none: the default for belts of unknown porosity."""

CYPRESS_POROSITY = 0.05
"""A tall dense hedge lets next to nothing through; its source gives no number we saw."""


@dataclass(frozen=True)
class Figure:
    """A published figure and what a curve makes of it, as relative wind."""

    source: str
    status: str
    what: str
    low: float
    high: float
    ours: float

    @property
    def error(self) -> float:
        """Ours less the published value, or less the nearer end of the published interval."""
        return self.ours - float(np.clip(self.ours, self.low, self.high))


def figures(name: str) -> list[Figure]:
    """All figures of the set for one curve."""
    return [*_handbooks(name), *_regressions(name), *_intervals(name), *_recoveries(name)]


def bias_and_rmse(found: list[Figure]) -> tuple[float, float]:
    """Mean error and root of the mean squared error."""
    errors = np.array([f.error for f in found])
    return float(errors.mean()), float(np.sqrt((errors**2).mean()))


def _wind(name: str, x: float, theta: float) -> float:
    return float(CURVES[name].relative_wind(np.array(x), np.array(theta), np.array(0.0)))


def _lee(name: str, theta: float) -> tuple[np.ndarray, np.ndarray]:
    x = np.arange(0.0, 40.0, 0.01)
    return x, CURVES[name].relative_wind(x, np.array(theta), np.array(0.0))


def _handbooks(name: str) -> Iterator[Figure]:
    books = {
        "handbook_iowa.csv": ("Iowa State University Extension", "S"),
        "handbook_brandle.csv": ("Brandle and Finch 1991", "M"),
    }
    for file, (source, status) in books.items():
        with (FOLDER / file).open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                x, theta, r = (float(row[k]) for k in ("distance_h", "porosity", "relative_wind"))
                what = f"porosity {theta:g}, {x:g} H"
                yield Figure(source, status, what, r, r, _wind(name, x, theta))


def _regressions(name: str) -> Iterator[Figure]:
    """Where eleven measured belts gave back 80 % of the wind, by their own smallest wind."""
    for theta in (0.16, 0.35, 0.53):
        _, r = _lee(name, theta)
        b = 100 * float(r.min())
        back = 12.2 + 0.307 * b - 0.0047 * b * b
        what = f"porosity {theta:g}, where 80 % is back ({back:.1f} H)"
        yield Figure("Bird and others 2007", "S", what, 0.8, 0.8, _wind(name, back, theta))


def _intervals(name: str) -> Iterator[Figure]:
    for theta in (0.16, 0.35, 0.53):
        _, r = _lee(name, theta)
        what = f"porosity {theta:g}, smallest wind"
        yield Figure("Bird and others 2007", "S", what, 0.24, 0.61, float(r.min()))
        what = f"porosity {theta:g}, -1 H at most .8"
        yield Figure("Bird and others 2007", "S", what, 0.0, 0.8, _wind(name, -1.0, theta))
    for theta in (0.0, 0.155, 0.31):
        x, r = _lee(name, theta)
        what = f"porosity {theta:g}, smallest wind from 2 to 6 H"
        least = float(r[(x >= 2) & (x <= 6)].min())
        yield Figure("Loeffler, Gordon and Gillespie 1992", "S", what, 0.29, 0.71, least)
    what = f"cypress hedge, porosity {CYPRESS_POROSITY:g} assumed, .25 H"
    near = _wind(name, 0.25, CYPRESS_POROSITY)
    yield Figure("Agricultural and Forest Meteorology 2007", "S", what, 0.20, 0.25, near)


def _recoveries(name: str) -> Iterator[Figure]:
    for kind, x in (("Acacia", 16.5), ("Casuarina", 8.0)):
        what = f"{kind} belt, porosity {ASSUMED_POROSITY:g} assumed, {x:g} H"
        ours = _wind(name, x, ASSUMED_POROSITY)
        yield Figure("Thuyet and others 2014", "S", what, 0.70, 0.70, ours)
