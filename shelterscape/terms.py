"""The one table of quantities: name, unit, range and meaning.

Docstrings, input checks, process descriptions, GeoPackage column comments, raster units, legends
and the glossary page all read it, so a quantity is described once.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from shelterscape import data

SYMBOLS = {
    "1": "",
    "1/ha": "per ha",
    "deg": "°",
    "ha": "ha",
    "m": "m",
    "m/s": "m/s",
    "m2": "m²",
    "minor": "minor units",
    "text": "",
    "year": "",
}
"""How a unit is shown to people; the keys are what files carry."""


@dataclass(frozen=True)
class Term:
    """A quantity of the field.

    Parameters
    ----------
    name : str
        Its name in code, files and options.
    title : str
        Its name in words, for legends and headings.
    unit : str
        One of `SYMBOLS`; ``"1"`` is a plain ratio, ``"text"`` a word.
    low, high : float
        The range outside which a value is refused; infinite where there is none.
    meaning : str
        One or two sentences for somebody new to it.
    """

    name: str
    title: str
    unit: str
    meaning: str
    low: float = -math.inf
    high: float = math.inf

    @property
    def symbol(self) -> str:
        """The unit as people write it; empty for ratios and words."""
        return SYMBOLS[self.unit]

    @property
    def label(self) -> str:
        """Title with unit, as legends and table headings show it."""
        return f"{self.title} ({self.symbol})" if self.symbol else self.title


def _terms() -> dict[str, Term]:
    """The packaged table; an empty bound is none."""
    return {
        row["name"]: Term(
            row["name"],
            row["title"],
            row["unit"],
            row["meaning"],
            float(row["low"] or -math.inf),
            float(row["high"] or math.inf),
        )
        for row in data.rows("terms.csv")
    }


TERMS: dict[str, Term] = _terms()
"""All terms by name."""


@dataclass(frozen=True)
class Zone:
    """One class of relative wind: `low` <= r < `high`, with the cut in wind said in words."""

    code: int
    label: str
    low: float
    high: float
    is_open: bool = False


def zones_between(bounds: tuple[float, ...]) -> tuple[Zone, ...]:
    """Zones between rising bounds of relative wind, most sheltered first, and one for windier.

    Parameters
    ----------
    bounds : tuple of float
        Rising bounds below 1; ground above the last is open, above 1.05 windier.

    Examples
    --------
    >>> [zone.label for zone in zones_between((0.6, 0.95))]
    ['wind cut 40 % or more', 'wind cut 5–40 %', 'open, wind cut less than 5 %', 'windier']
    """
    cuts = [round(100 * (1 - b)) for b in bounds]
    zones = [Zone(1, f"wind cut {cuts[0]} % or more", 0.0, bounds[0])]
    for i, (low, high) in enumerate(itertools.pairwise(bounds)):
        zones.append(Zone(i + 2, f"wind cut {cuts[i + 1]}–{cuts[i]} %", low, high))
    open_label = f"open, wind cut less than {cuts[-1]} %"
    zones.append(Zone(len(zones) + 1, open_label, bounds[-1], 1.05, is_open=True))
    zones.append(Zone(len(zones) + 1, "windier", 1.05, math.inf))
    return tuple(zones)


ALL_WINDS = zones_between((0.6, 0.75, 0.85, 0.95))
"""Zones of a whole wind set (engineering choice: winds from all round share the shelter out)."""

ONE_WIND = zones_between((0.4, 0.6, 0.8, 0.95))
"""Zones of a single wind direction (engineering choice)."""
