"""The accuracy set: published wind behind belts, chosen before curves were compared with it.

Used by tests/test_accuracy.py and docs/generate.py. No curve was fitted to it, and misses are
shown. For a published interval the error is the distance outside the interval.

Not every figure is evidence. tests/published/ marks, with the reason, figures that a curve meets by
construction, that were used to construct a curve, or whose porosity or order in their table is
assumed.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from published_checks import FOLDER, index_entry

from shelterscape.kernels.shelter_curves import CURVES

DEFAULT_CURVE = next(iter(CURVES))

HANDBOOKS = {
    "handbook_iowa.csv": "Iowa State University Extension",
    "handbook_brandle.csv": "Brandle and Finch 1991",
}


@dataclass(frozen=True)
class Figure:
    """A published figure and the value of a curve, as relative wind.

    `not_evidence` is empty for evidence, otherwise the kind of reason for the exclusion.
    """

    source: str
    status: str
    what: str
    low: float
    high: float
    ours: float
    not_evidence: str = ""
    reason: str = ""

    @property
    def error(self) -> float:
        """Our value minus the published value, or minus the nearer end of a published interval."""
        return self.ours - float(np.clip(self.ours, self.low, self.high))

    @property
    def seen(self) -> bool:
        """Whether the figure was seen in its source."""
        return self.status == "S"

    @property
    def evidence(self) -> bool:
        """Whether the figure was seen in its source and the curve could have missed it."""
        return self.seen and not self.not_evidence


def figures(name: str) -> list[Figure]:
    """All figures of the set with the values of one curve."""
    return [*_handbooks(name), *_regressions(name), *_measured(name)]


def bias_and_rmse(found: list[Figure]) -> tuple[float, float]:
    """Mean error and root mean square error."""
    errors = np.array([f.error for f in found])
    return float(errors.mean()), float(np.sqrt((errors**2).mean()))


def _wind(name: str, x: float, theta: float) -> float:
    return float(CURVES[name].relative_wind(np.array(x), np.array(theta), np.array(0.0)))


def _smallest(name: str, theta: float, from_h: float = 0.0, to_h: float = 40.0) -> float:
    x = np.arange(from_h, to_h + 0.005, 0.01)
    return float(CURVES[name].relative_wind(x, np.array(theta), np.array(0.0)).min())


def _read(file: str) -> Iterator[dict[str, str]]:
    with (FOLDER / file).open(encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream)


def _handbooks(name: str) -> Iterator[Figure]:
    for file, source in HANDBOOKS.items():
        entry = index_entry(file)
        marks = (entry.get("not_evidence", ""), entry.get("reason", ""))
        for row in _read(file):
            x, theta, r = (float(row[k]) for k in ("distance_h", "porosity", "relative_wind"))
            what = f"porosity {theta:g}, {x:g} H"
            yield Figure(source, entry["status"], what, r, r, _wind(name, x, theta), *marks)


def _regressions(name: str) -> Iterator[Figure]:
    """Distance to a relative wind of 0.8 behind eleven measured belts, from their smallest wind."""
    for theta in (0.16, 0.35, 0.53):
        b = 100 * _smallest(name, theta)
        back = 12.2 + 0.307 * b - 0.0047 * b * b
        what = f"porosity {theta:g}, where 80 % is back ({back:.1f} H)"
        yield Figure("Bird and others 2007", "S", what, 0.8, 0.8, _wind(name, back, theta))


def _measured(name: str) -> Iterator[Figure]:
    for row in _read("measured_winds.csv"):
        theta = float(row["porosity"])
        if row["measure"] == "at":
            ours = _wind(name, float(row["distance_h"]), theta)
        else:
            span = (2.0, 6.0) if row["measure"] == "smallest 2 to 6 H" else (0.0, 40.0)
            ours = _smallest(name, theta, *span)
        ends = (float(row["low"]), float(row["high"]))
        marks = (row["not_evidence"], row["reason"])
        yield Figure(row["source"], row["status"], row["label"], *ends, ours, *marks)
