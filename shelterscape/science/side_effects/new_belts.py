"""Belts whose side effects are examined: height, height when mature, species and porosity."""

from __future__ import annotations

import functools
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape import data
from shelterscape.errors import Notice
from shelterscape.science.belts import (
    DEFAULT_POROSITY,
    DEFAULT_WIDTH_M,
    SPECIES_SHARES,
    outline_width,
    refuse_points,
)
from shelterscape.science.columns import numbers, unique_names, words
from shelterscape.science.grants.belts import lengths, mix, with_shares
from shelterscape.terms import TERMS

WORDS = ("candidate", "name", "holding_id", "parcel_id", "species", SPECIES_SHARES, "belt_type")
NUMBERS = (
    "height_m",
    "height_at_20_years_m",
    "mature_height_m",
    "width_m",
    "porosity",
    "benefit_added_ha",
)
READ_COLUMNS = (*WORDS, *NUMBERS)
"""Columns that are read from a layer of belts."""

LEAST_WIDTH_M = 0.1
DEFAULT_HEIGHT_M = 10.0
"""Height of a belt without any height or known species, m (assumed)."""

ROOTS_SEEK_WATER = frozenset({"Salix", "Populus", "Ulmus"})
"""Genera that are kept away from drains furthest: willow, poplar, elm (as `nearby.DRAIN_M`)."""

ENGLISH_GENERA = {"willow": "Salix", "poplar": "Populus", "aspen": "Populus", "elm": "Ulmus"}
"""Genera by a word of the common name, for species outside the table."""


@functools.cache
def _table() -> pd.DataFrame:
    """Mature height and genus of species, by common name in small letters."""
    rows = data.table("species.csv").set_index("species")
    own = rows["same_as"].fillna(pd.Series(rows.index, rows.index))
    height = rows["mature_height_m"].reindex(own).to_numpy(dtype=float)
    genus = rows["latin"].str.split().str[0].to_numpy()
    return pd.DataFrame({"height_m": height, "genus": genus}, index=rows.index.str.casefold())


def mature_heights(species: str) -> dict[str, float]:
    """Mature height of each species of a belt that the table of species lists.

    Parameters
    ----------
    species : str
        As `science.grants.belts.mix` takes it.

    Returns
    -------
    dict of float
        m, by name in small letters.

    Examples
    --------
    >>> mature_heights("oak 50 %, hazel 40 %, fig 10 %")
    {'oak': 20.0, 'hazel': 9.0}
    """
    known = _table()["height_m"]
    return {name: float(known[name]) for name in mix(species) if name in known.index}


def seeks_water(name: str) -> bool:
    """Whether the roots of a species are kept furthest from drains.

    Parameters
    ----------
    name : str
        Common name.

    Returns
    -------
    bool

    Examples
    --------
    >>> seeks_water("willow"), seeks_water("goat willow"), seeks_water("oak")
    (True, True, False)
    """
    known = _table()["genus"]
    last = name.casefold().split()[-1] if name.split() else ""
    genus = known.get(name.casefold(), ENGLISH_GENERA.get(last, ""))
    return genus in ROOTS_SEEK_WATER


def complete_new_belts(
    belts: gpd.GeoDataFrame, where: str
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of belts and fill missing values.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or areas; `READ_COLUMNS` are read where they exist.
    where : str
        Name of the layer in errors and notices.

    Returns
    -------
    belts : GeoDataFrame
        ``name, holding_id, parcel_id, species, belt_type, length_m, width_m, height_m,
        mature_height_m, porosity, benefit_added_ha, assumed``; names are unique, and the benefit is
        NaN where the layer has none.
    notices : list of Notice

    Raises
    ------
    InputError
        ``belts-points``, ``column-bad``.

    Notes
    -----
    Defaults: height: the height at 20 years, else that of the tallest species when mature, else
    10 m (assumed); mature height: that of the tallest species, and never below the height;
    porosity 0.40; width 3 m for a line.
    """
    refuse_points(belts, where)
    shapes = belts.geometry.to_numpy()
    frame = gpd.GeoDataFrame(geometry=shapes, crs=belts.crs)
    for column in WORDS:
        frame[column] = words(belts, column)
    for column in NUMBERS:
        frame[column] = numbers(belts, column, TERMS[column], where)
    frame["species"] = with_shares(frame)
    given = frame["candidate"].where(frame["candidate"] != "", frame["name"])
    frame["name"] = unique_names(given, "belt")
    notices = _fill(frame, where)
    frame["length_m"] = lengths(shapes, np.maximum(frame["width_m"].to_numpy(), LEAST_WIDTH_M))
    return frame.drop(columns=["candidate", "height_at_20_years_m", SPECIES_SHARES]), notices


def _fill(frame: gpd.GeoDataFrame, where: str) -> list[Notice]:
    """Fill missing numbers in place; notices state how many were missing."""
    is_area = shapely.get_dimensions(frame.geometry.to_numpy()) == 2
    tallest = [max(mature_heights(text).values(), default=np.nan) for text in frame["species"]]
    assumed = pd.Series("", index=frame.index)
    steps: dict[str, list[Any]] = {
        "width_m": [np.where(is_area, outline_width(frame), DEFAULT_WIDTH_M)],
        "porosity": [DEFAULT_POROSITY],
        "height_m": [frame["height_at_20_years_m"], pd.Series(tallest), DEFAULT_HEIGHT_M],
        "mature_height_m": [pd.Series(tallest), frame["height_m"], DEFAULT_HEIGHT_M],
    }
    notices = []
    for column, values in steps.items():
        missing = frame[column].isna()
        for value in values:
            frame[column] = frame[column].fillna(pd.Series(value, index=frame.index))
        assumed = assumed.where(~missing, assumed + f"{column}, ")
        if missing.any():
            text = f"{where}: {column} not given; see assumed values"
            notices.append(Notice("value-assumed", text, int(missing.sum())))
    frame["mature_height_m"] = np.maximum(frame["mature_height_m"], frame["height_m"])
    frame["assumed"] = assumed.str.removesuffix(", ")
    return notices
