"""The one table of quantities: name, unit, range and meaning.

Docstrings, input checks, process descriptions, GeoPackage column comments, raster units, legends
and the glossary page all read it, so a quantity is described once.
"""

from __future__ import annotations

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
