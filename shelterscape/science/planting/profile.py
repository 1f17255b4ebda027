"""What a design becomes: height and porosity by year, and by tenth of height."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq

from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.science.belts import SEASONS
from shelterscape.science.growth import belt_heights
from shelterscape.science.planting.design import BeltDesign, PlantedRow
from shelterscape.science.planting.porosity import LEAST_POROSITY
from shelterscape.science.species import find_species

Array = NDArray[np.float64]

RANGE_COLUMNS = ("porosity_range_low", "porosity_range_high")

TENTHS = 10
AGES = (1, 3, 5, 10, 15, 20, 30, 40)
"""Years from planting of the tables."""

PROFILE_AGES = (5, 10, 20, 40)
"""Years from planting of the table by tenth of height."""

RANGE = 0.10
"""Half the range of the porosity of a closed belt: that of the handbook ranges of bare deciduous
belts, 0.5 to 0.7, and of evergreens, 0.1 to 0.3 (status M; assumed for mixed belts)."""

RANGE_SOURCE = (
    "assumed rules; range ± 0.10 once closed (assumed), as wide as handbook ranges of bare "
    "deciduous belts and of evergreens (not verified against the source)"
)

DENSEST = 1e3
"""Largest factor on the logarithm of porosity of rows (assumed)."""


@dataclass(frozen=True)
class HeightProfile:
    """A belt of a design in a year.

    Parameters
    ----------
    height_m : float
        Height of the tallest row, m.
    row_heights_m : tuple of float
        Height of each row: that of its most frequent species, m.
    tallest : str
        Most frequent species of the tallest row; the main species of a design without rows.
    in_leaf, bare : (10,) float64
        Optical porosity of each tenth of the height from the ground, 0 to 1.

    Notes
    -----
    The `season` of methods is "in-leaf" or "bare".
    """

    height_m: float
    row_heights_m: tuple[float, ...]
    tallest: str
    in_leaf: Array
    bare: Array

    def porosity(self, season: str) -> Array:
        """Porosity by tenth in a season."""
        return self.bare if season == "bare" else self.in_leaf

    def whole(self, season: str) -> float:
        """Porosity of the whole height in a season."""
        return float(self.porosity(season).mean())

    def lower_half(self, season: str) -> float:
        """Porosity of the lower half in a season."""
        return float(self.porosity(season)[: TENTHS // 2].mean())


def height_profile(
    design: BeltDesign,
    age_years: float,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> HeightProfile:
    """Height of a design, and its porosity by tenth of height, in a year.

    Parameters
    ----------
    design : BeltDesign
    age_years : float
        Years from planting, 0 or more.
    local_heights : dict, optional
        Site index by species, as for `science.belt_growth.projected_growth`.

    Returns
    -------
    HeightProfile

    Notes
    -----
    All of these are assumed; no measurements of mixed belts were found, so the error is not known:

    - The height of a row is that of its most frequent species, the first of equal ones.
    - In each tenth of the height, ln θ of a row is the mean of ln θ of its species by share; a
      species lower than the middle of the tenth lets all light through. Porosities of rows are
      multiplied.
    - The plants are as dense as needed for the mean over all tenths to be the porosity of the
      design in leaf and its bare porosity without leaves. No tenth is denser without leaves.
    - Density rises in a straight line from 0 at planting until the belt has closed.
    - Stems that become bare with age are not included.
    """
    rows = design.rows or (PlantedRow(0.0, 1.0, {design.species: 1.0}),)
    names = dict.fromkeys(name for row in rows for name in row.species)
    height = {n: float(belt_heights(n, age_years, (local_heights or {}).get(n))) for n in names}
    mains = [row.main_species for row in rows]
    tallest = max(mains, key=lambda name: height[name])
    middle = (np.arange(TENTHS) + 0.5) / TENTHS * height[tallest]
    leaf = _logs(rows, height, middle, dict.fromkeys(names, _log(design.porosity)))
    bare = _logs(rows, height, middle, {name: _bare_log(name, design) for name in names})
    in_leaf = _closed(leaf, design.porosity, np.zeros(TENTHS))
    without = _closed(bare, max(design.bare_porosity, design.porosity), in_leaf)
    share = _closed_share(design, age_years)
    return HeightProfile(
        height[tallest],
        tuple(height[name] for name in mains),
        tallest,
        1.0 - (1.0 - in_leaf) * share,
        1.0 - (1.0 - without) * share,
    )


def _closed_share(design: BeltDesign, age_years: float) -> float:
    return min(age_years / design.closing_years, 1.0) if design.closing_years else 1.0


def porosity_range(
    porosity: Array, design: BeltDesign, age_years: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest porosity expected of a belt.

    Parameters
    ----------
    porosity : (n,) float64
        0 to 1; 1 where there are no plants, which has no range.
    design : BeltDesign
    age_years : float
        Years from planting; the range widens as the belt closes.

    Returns
    -------
    low, high : (n,) float64
        `RANGE` to either side of a closed belt, within 0 to 1 (assumed).
    """
    half = np.where(porosity < 1.0, RANGE * _closed_share(design, age_years), 0.0)
    return np.clip(porosity - half, 0.0, 1.0), np.clip(porosity + half, 0.0, 1.0)


def _log(porosity: float) -> float:
    return math.log(max(porosity, LEAST_POROSITY))


def _bare_log(name: str, design: BeltDesign) -> float:
    species = find_species(name)
    evergreen = species.winter == "evergreen"
    return _log(design.porosity if evergreen else species.bare_porosity)


def _logs(
    rows: tuple[PlantedRow, ...],
    height_m: Mapping[str, float],
    middle_m: Array,
    log_of: Mapping[str, float],
) -> Array:
    """Logarithm of porosity by tenth, before it is matched to the design."""
    found = np.zeros(TENTHS)
    for row in rows:
        whole = sum(row.species.values()) * len(rows)
        for name, share in row.species.items():
            found += np.where(height_m[name] > middle_m, share / whole * log_of[name], 0.0)
    return found


def _closed(logs: Array, mean: float, least: Array) -> Array:
    """Porosity by tenth with a given mean, nowhere below `least`."""

    def _difference(factor: float) -> float:
        return float(np.maximum(np.exp(factor * logs), least).mean()) - mean

    if _difference(0.0) <= 0:
        return np.ones(TENTHS)
    if _difference(DENSEST) >= 0:
        return np.maximum(np.exp(DENSEST * logs), least)
    return np.maximum(np.exp(brentq(_difference, 0.0, DENSEST) * logs), least)


def growth_table(
    designs: Mapping[str, BeltDesign],
    years: Mapping[str, list[int]],
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> pd.DataFrame:
    """Height and porosity of designs by year and season.

    Parameters
    ----------
    designs : dict of BeltDesign
    years : dict of list of int
        Years of planting of each design.
    local_heights : dict, optional

    Returns
    -------
    DataFrame
        ``design, planted_year, year, age_years, season, height_m, porosity, porosity_range_low,
        porosity_range_high, porosity_low, source``.
    """
    rows = []
    for name, planted in years.items():
        for age in AGES:
            found = height_profile(designs[name], age, local_heights)
            for year in planted:
                for season, label in SEASONS.items():
                    whole = found.whole(season)
                    ends = porosity_range(np.array([whole]), designs[name], age)
                    shares = whole, *(float(end[0]) for end in ends), found.lower_half(season)
                    rows.append((name, year, year + age, age, label, found.height_m, *shares))
    columns = ["design", "planted_year", "year", "age_years", "season", "height_m"]
    columns += ["porosity", *RANGE_COLUMNS, "porosity_low"]
    return pd.DataFrame(rows, columns=columns).assign(source=RANGE_SOURCE)


def profile_table(
    designs: Mapping[str, BeltDesign], local_heights: Mapping[str, SiteIndex] | None = None
) -> pd.DataFrame:
    """Porosity of designs by tenth of height.

    Parameters
    ----------
    designs : dict of BeltDesign
    local_heights : dict, optional

    Returns
    -------
    DataFrame
        ``design, age_years, season, height_tenth, height_m, porosity, porosity_range_low,
        porosity_range_high, source``: the height of the upper edge of each tenth.
    """
    rows = []
    for name, design in designs.items():
        for age in PROFILE_AGES:
            found = height_profile(design, age, local_heights)
            for season, label in SEASONS.items():
                porosity = found.porosity(season)
                ends = porosity_range(porosity, design, age)
                for tenth, values in enumerate(zip(porosity, *ends, strict=True), start=1):
                    top = found.height_m * tenth / TENTHS
                    rows.append((name, age, label, tenth, top, *map(float, values)))
    columns = ["design", "age_years", "season", "height_tenth", "height_m", "porosity"]
    return pd.DataFrame(rows, columns=[*columns, *RANGE_COLUMNS]).assign(source=RANGE_SOURCE)
