"""Height and porosity of belts in a given year."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.science.belts import (
    HARD_TYPES,
    ROW_SPECIES,
    Case,
    porosity_in_season,
    with_height_and_porosity,
)
from shelterscape.science.growth import (
    LOCAL_LINE,
    YOUNG_UP_TO_M,
    belt_heights,
    checked_site,
    curve_note,
    species_names,
)
from shelterscape.science.species import find_species, species_table
from shelterscape.science.temporary_screen import behind_screen

CLOSURE_AGE = 10
"""Years from planting until a belt is as dense as its design (assumed)."""

NOT_GIVEN = "growth not projected: no species or no year planted given"
NOT_KNOWN = "growth not projected: species not in the table of species"
NOT_PLANTED = "not planted yet"


def projected_growth(
    belts: gpd.GeoDataFrame,
    season: str,
    year: int | None,
    *,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.object_]]:
    """Height and porosity of completed belts in a season of a year.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them. Candidates have three more columns that give
        their density: ``closing_from`` (year), ``closing_years``, and ``first_density`` (share of
        the density of the design in the first year). Where they have `ROW_SPECIES`, the height is
        that of the tallest row.
    season : str
        "in-leaf" or "bare".
    year : int or None
        Calendar year; None for the belts as surveyed.
    local_heights : mapping, optional
        Site index by species, as `parse_local_height` returns it. These heights are measured on
        belts, so they are not reduced by the site factor.

    Returns
    -------
    height_m : (n,) float64
        m; exactly 0 for a belt that is not planted yet.
    porosity : (n,) float64
        0 to 1; 1 for a belt that is not planted yet.
    notes : (n,) object
        Note on the growth of each belt; empty where there is none.

    Raises
    ------
    InputError
        ``name-unknown`` for a season or a species in `local_heights`.

    Notes
    -----
    All of these are assumed values:

    - A belt of known species and year planted grows from 0.5 m at the nursery rate up to 3 m, then
      along 0.8 times the species curve, continued from the age at which that reaches 3 m: a plant
      from a nursery is ahead of a forest tree of its age. The year of the survey is unknown, so
      surveyed heights are never reduced.
    - A belt lower than 3 m when surveyed becomes denser in a straight line, from porosity 1 at
      planting to the porosity of its design after ten years. Taller belts, walls and fences keep
      their porosity.

    References
    ----------
    Curves: see `height_at` (status S2; nursery rates: common practice).
    """
    local = {
        find_species(name).name: checked_site(site) for name, site in (local_heights or {}).items()
    }
    surveyed = belts["height_m"].to_numpy(dtype=float, copy=True)
    porosity = porosity_in_season(belts, season).copy()
    notes = np.full(len(belts), "", dtype=object)
    if year is None:
        return surveyed, porosity, notes
    age = year - belts["planted_year"].to_numpy(dtype=float, na_value=np.nan)
    built = belts["belt_type"].isin(HARD_TYPES).to_numpy(dtype=bool)
    height = _grown_heights(belts["species"], age, built, local, notes)
    if ROW_SPECIES in belts:
        height = np.fmax(height, _row_heights(belts[ROW_SPECIES], np.maximum(age, 0.0), local))
    height = np.fmax(surveyed, height)
    young = ~built & ~(surveyed >= YOUNG_UP_TO_M)
    porosity = 1.0 - (1.0 - porosity) * _closed_share(belts, year, age, young)
    absent = age < 0
    notes[absent] = NOT_PLANTED
    return np.where(absent, 0.0, height), np.where(absent, 1.0, porosity), notes


def _closed_share(
    belts: gpd.GeoDataFrame, year: int, age: NDArray[np.float64], young: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Density of each belt divided by that of its design; 1 where it does not change."""
    if "closing_from" not in belts:
        return np.where(young & (age < CLOSURE_AGE), np.clip(age / CLOSURE_AGE, 0.0, 1.0), 1.0)
    since = year - belts["closing_from"].to_numpy(dtype=float, na_value=np.nan)
    first = belts["first_density"].to_numpy(dtype=float)
    spans = np.maximum(belts["closing_years"].to_numpy(dtype=float), 1e-9)
    share = first + (1.0 - first) * np.clip(since / spans, 0.0, 1.0)
    return np.where(np.isnan(since), 1.0, share)


def belts_at(
    belts: gpd.GeoDataFrame,
    case: Case,
    *,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> gpd.GeoDataFrame:
    """Completed belts with their height and porosity in a season and year.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them, those behind a temporary screen with its
        properties (see `temporary_screen`).
    case : Case
        Season and year.
    local_heights : mapping, optional
        See `projected_growth`.

    Returns
    -------
    GeoDataFrame
        As `science.belts.with_height_and_porosity` returns it, with ``growth_note``. Belts that are
        not planted yet have height 0.

    Raises
    ------
    InputError
        ``belts-no-height`` for a belt whose height is neither given nor calculated.
    """
    height, porosity, notes = projected_growth(
        belts, case.season, case.year, local_heights=local_heights
    )
    if np.isnan(height).any():
        row = int(np.argmax(np.isnan(height)))
        species = belts["species"].iloc[row]
        raise InputError(
            "belts-no-height",
            f"{int(np.isnan(height).sum())} of {len(height)} belts have no height: {case.heading}.",
            where=f"feature {row + 1}",
            value=f"{species} of {belts['planted_year'].iloc[row]}",
            hint="Give a year, so that height is calculated from species and year planted."
            if case.year is None
            else "Fill in height_m, or use a species of the table of species: "
            f"{', '.join(species_names())}.",
        )
    grown = with_height_and_porosity(belts, height, porosity, case.season)
    return behind_screen(grown, case.year).assign(growth_note=notes)


def _row_heights(
    species: pd.Series, age: NDArray[np.float64], local: Mapping[str, SiteIndex]
) -> NDArray[np.float64]:
    """Height of the tallest row; NaN where the rows are not known."""
    texts = species.fillna("").to_numpy(dtype=object)
    height = np.full(len(age), np.nan)
    for text in sorted(set(texts) - {""}):
        here = texts == text
        for name in text.split(", "):
            found = belt_heights(name, age[here], local.get(find_species(name).name))
            height[here] = np.fmax(height[here], found)
    return height


def _grown_heights(
    species: pd.Series,
    age: NDArray[np.float64],
    built: NDArray[np.bool_],
    local: Mapping[str, SiteIndex],
    notes: NDArray[np.object_],
) -> NDArray[np.float64]:
    """Height by growth alone; NaN where it cannot be calculated, with the reason in `notes`."""
    height = np.full(len(age), np.nan)
    keys = species.str.strip().str.casefold().to_numpy(dtype=object)
    for key in set(keys[~built]):
        here = (keys == key) & ~built
        if key not in species_table():
            notes[here] = NOT_KNOWN if key else NOT_GIVEN
            continue
        known = species_table()[key]
        by = LOCAL_LINE if known.name in local and not known.curve else curve_note(key)
        notes[here] = np.where(np.isnan(age[here]), NOT_GIVEN, by)
        height[here] = belt_heights(known.name, age[here], local.get(known.name))
    return height
