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
    "count": "",
    "deg": "°",
    "degC": "°C",
    "ha": "ha",
    "ha eq.": "ha eq.",
    "kJ/(m2 h)": "kJ/(m² h)",
    "h": "h",
    "km": "km",
    "m": "m",
    "mm": "mm",
    "m/s": "m/s",
    "m2": "m²",
    "money": "currency units",
    "t/ha": "t/ha",
    "text": "",
    "year": "",
}
"""How a unit is shown to people; the keys are what files carry."""

DECIMALS = {"ha": 1, "ha eq.": 1, "m": 0, "m/s": 1, "deg": 1, "money": 2, "1": 3, "count": 0}
"""Decimals of numbers in files, by unit, where a term does not state its own."""

SIGNIFICANT = 3
"""Significant digits that a length or an area keeps however small it is."""

THEMES = {
    "general": "General",
    "case": "Season, year and height",
    "wind": "Wind",
    "terrain": "Terrain",
    "belts": "Belts",
    "shelter": "Shelter",
    "field": "Readings in the field",
    "places": "Places",
    "siting": "Siting",
    "grants": "Grants",
    "planting": "Planting",
    "effects": "Side effects",
    "money": "Money",
    "batch": "Many holdings",
}
"""Themes of the glossary, in its order."""


@dataclass(frozen=True)
class Term:
    """A quantity of the field.

    Parameters
    ----------
    name : str
        Name of the column, raster or option.
    title : str
        Name in words, for legends and headings.
    unit : str
        One of `SYMBOLS`; ``"1"`` is a ratio, ``"count"`` a number of things or a
        position, ``"text"`` a word.
    meaning : str
        One or two sentences for a reader new to the field.
    low, high : float
        Range outside which a value is refused; infinite where there is none.
    theme : str
        One of `THEMES`.
    decimals : int or None
        Decimals in files; None for those of the unit.
    """

    name: str
    title: str
    unit: str
    meaning: str
    low: float = -math.inf
    high: float = math.inf
    theme: str = "general"
    decimals: int | None = None

    @property
    def symbol(self) -> str:
        """The unit as people write it; empty for ratios, counts and words."""
        return SYMBOLS[self.unit]

    @property
    def label(self) -> str:
        """Title with unit, as legends and table headings show it."""
        return f"{self.title} ({self.symbol})" if self.symbol else self.title

    def rounded(self, value: float) -> float:
        """A number with the digits that files carry.

        A length or an area below the last decimal of its unit keeps three significant digits.

        Examples
        --------
        >>> TERMS["equivalent_sheltered_ha"].rounded(173.2345)
        173.2
        >>> TERMS["equivalent_sheltered_ha"].rounded(0.012345)
        0.0123
        """
        if self.decimals is None and self.unit not in DECIMALS:
            return value
        if not math.isfinite(value) or value == 0:
            return value
        digits = DECIMALS[self.unit] if self.decimals is None else self.decimals
        if self.decimals is None and self.unit in ("ha", "ha eq.", "m"):
            digits = max(digits, SIGNIFICANT - 1 - math.floor(math.log10(abs(value))))
        # Adding zero turns -0.0 into 0.0.
        return round(value, digits) + 0.0


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
            row["theme"],
            int(row["decimals"]) if row["decimals"] else None,
        )
        for row in data.rows("terms.csv")
    }


TERMS: dict[str, Term] = _terms()
"""All terms by name."""


@dataclass(frozen=True)
class Zone:
    """One class of relative wind: `low` <= r < `high`, labelled by the wind reduction."""

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
    >>> [zone.label for zone in zones_between((0.6, 0.95))][:2]
    ['wind reduced by 40 % or more', 'wind reduced by 5–40 %']
    """
    reductions = [round(100 * (1 - b)) for b in bounds]
    zones = [Zone(1, f"wind reduced by {reductions[0]} % or more", 0.0, bounds[0])]
    for i, (low, high) in enumerate(itertools.pairwise(bounds)):
        zones.append(
            Zone(i + 2, f"wind reduced by {reductions[i + 1]}–{reductions[i]} %", low, high)
        )
    open_label = f"open, wind reduced by less than {reductions[-1]} %"
    zones.append(Zone(len(zones) + 1, open_label, bounds[-1], 1.05, is_open=True))
    zones.append(Zone(len(zones) + 1, "windier", 1.05, math.inf))
    return tuple(zones)


ALL_WINDS = zones_between((0.6, 0.75, 0.85, 0.95))
"""Zones of a whole wind set (assumed: no ground is sheltered from all wind directions)."""

ONE_WIND = zones_between((0.4, 0.6, 0.8, 0.95))
"""Zones of a single wind direction (assumed)."""

DAVENPORT_WIERINGA = {
    "sea": 0.0002,
    "smooth": 0.005,
    "open": 0.03,
    "roughly open": 0.10,
    "rough": 0.25,
    "very rough": 0.5,
    "closed": 1.0,
    "chaotic": 2.0,
}
"""Roughness length of each class of terrain by Davenport and Wieringa, m (status S)."""
