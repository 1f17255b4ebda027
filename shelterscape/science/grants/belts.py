"""Belts to be planted, as grants examine them: names, widths, plants, costs."""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape import data
from shelterscape.errors import InputError, Notice
from shelterscape.science.belts import (
    DEFAULT_WIDTH_M,
    HARD_TYPES,
    evergreen_species,
    outline_width,
)
from shelterscape.science.columns import numbers, words
from shelterscape.terms import TERMS

WORDS = ("candidate", "name", "holding_id", "parcel_id", "species", "belt_type")
NUMBERS = {
    "width_m": "belt_width",
    "cost_minor": "cost_minor",
    "plants_per_ha": "plants_per_ha",
    "open_share": "open_share",
    "native_share": "native_share",
    "evergreen_share": "evergreen_share",
}
READ_COLUMNS = (*WORDS, *NUMBERS, "planted_year")
"""Every column of a layer of belts that is used here."""

_PART = re.compile(r"^(?P<name>.*?)\s*(?P<percent>\d+(?:\.\d+)?)?\s*%?$")


def complete(
    belts: gpd.GeoDataFrame, where: str, plants_per_ha: float
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of belts or candidates and fill what was not given.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or areas, in metres; those of `READ_COLUMNS` that exist are read.
    where : str
        What to call the layer in errors and notices.
    plants_per_ha : float
        Used where the layer does not say.

    Returns
    -------
    belts : GeoDataFrame
        ``name, holding_id, parcel_id, species, belt_type, width_m, length_m, cost_minor`` (NaN
        where unknown), ``plants_per_ha, open_share, native_share, evergreen_share`` (NaN where
        the mix gives them), ``planted_year``, and ``outline``: the ground planted, line times
        width with square ends.
    notices : list of Notice

    Raises
    ------
    InputError
        ``belts-points``, ``column-bad``.
    """
    shapes = belts.geometry.to_numpy()
    if (shapely.get_dimensions(shapes) == 0).any():
        raise InputError(
            "belts-points",
            "Belts are lines or areas; this layer holds points.",
            where=where,
            mend="Draw them as lines along the belt, or leave them out of the layer.",
        )
    frame = gpd.GeoDataFrame(geometry=shapes, crs=belts.crs)
    for column in WORDS:
        frame[column] = words(belts, column)
    numbered = np.array([f"belt {i + 1}" for i in range(len(frame))], dtype=object)
    named = frame["candidate"].where(frame["candidate"] != "", frame["name"])
    frame["name"] = named.where(named != "", pd.Series(numbered))
    for column, term in NUMBERS.items():
        frame[column] = numbers(belts, column, TERMS[term], where)
    frame["planted_year"] = numbers(belts, "planted_year", TERMS["start_year"], where)
    notices = _fill(frame, where, plants_per_ha)
    if (thin := frame["width_m"] <= 0).any():
        raise InputError(
            "column-bad",
            "A belt without width covers no ground.",
            where=f"{where}, feature {int(np.argmax(thin)) + 1}",
            value=0,
            mend=f"Give its width_m, or leave it empty for {DEFAULT_WIDTH_M:g} m.",
        )
    frame["outline"] = outlines(shapes, frame["width_m"].to_numpy())
    frame["length_m"] = np.where(
        shapely.get_dimensions(shapes) == 2,
        shapely.area(shapes) / frame["width_m"],
        shapely.length(shapes),
    )
    return frame.drop(columns="candidate"), notices + _unknown_species(frame, where)


def _unknown_species(frame: gpd.GeoDataFrame, where: str) -> list[Notice]:
    """Species that the table does not hold: it cannot say whether they are evergreen."""
    known = set(data.table("species.csv")["species"].str.casefold())
    found = [sorted(set(mix(text)) - known) for text in frame["species"]]
    if not any(found):
        return []
    names = ", ".join(sorted({name for names in found for name in names}))
    text = f"{where}: species not in the table, taken as bare in winter: {names}"
    return [Notice("species-unknown", text, sum(map(bool, found)))]


def _fill(frame: gpd.GeoDataFrame, where: str, plants_per_ha: float) -> list[Notice]:
    """Fill widths and densities in place; report how many were not given."""
    is_area = shapely.get_dimensions(frame.geometry.to_numpy()) == 2
    drawn = pd.Series(np.where(is_area, outline_width(frame), DEFAULT_WIDTH_M))
    filled = {
        "width_m": (drawn, f"{DEFAULT_WIDTH_M:g} m used", ~is_area),
        "plants_per_ha": (plants_per_ha, f"{plants_per_ha:g} used", True),
        "open_share": (0.0, "", False),
    }
    notices = []
    for column, (value, told, counts) in filled.items():
        missing = frame[column].isna() & counts
        frame[column] = frame[column].fillna(value)
        if missing.any():
            text = f"{where}: {column} not given, {told}"
            notices.append(Notice("value-assumed", text, int(missing.sum())))
    return notices


def outlines(shapes: NDArray[np.object_], width_m: NDArray[np.float64]) -> NDArray[np.object_]:
    """Ground planted: a line as wide as the belt, its ends square; an area as it is drawn.

    Parameters
    ----------
    shapes : (n,) array of lines and polygons
        In metres.
    width_m : (n,) float64
        Belt width, m.

    Returns
    -------
    (n,) array of polygons
        Ground to the outer stems.
    """
    strips = shapely.buffer(shapes, width_m / 2, cap_style="flat", join_style="mitre")
    planted: NDArray[np.object_] = np.where(shapely.get_dimensions(shapes) == 2, shapes, strips)
    return planted


def mix(species: str) -> dict[str, float]:
    """Share of each species in a belt, from how its species are written down.

    Parameters
    ----------
    species : str
        Names, each with its percentage where known.

    Returns
    -------
    dict of float
        Share of the plants, 0 to 1, by name in small letters; empty where no species is named.

    Examples
    --------
    >>> mix("oak 50 %, hazel 30 %, Holly 20 %")
    {'oak': 0.5, 'hazel': 0.3, 'holly': 0.2}
    >>> mix("oak, hazel")
    {'oak': 0.5, 'hazel': 0.5}
    """
    found: dict[str, float] = {}
    for part in filter(None, (p.strip() for p in re.split(r"[,;+]", species))):
        match = _PART.match(part)
        name, percent = (match["name"], match["percent"]) if match else (part, None)
        key = name.strip().casefold()
        found[key] = found.get(key, 0.0) + (float(percent) if percent else 1.0)
    total = sum(found.values())
    return {name: share / total for name, share in found.items()} if total else {}


def shares(belts: gpd.GeoDataFrame, native: frozenset[str]) -> tuple[list[float], list[float]]:
    """Native and evergreen share of the plants of each belt.

    A column ``native_share`` or ``evergreen_share`` takes precedence over the mix of species.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete` returns them.
    native : frozenset of str
        Native species, in small letters.

    Returns
    -------
    native_shares, evergreen_shares : list of float
        0 to 1; NaN where the species of a belt are unknown.
    """
    evergreen = evergreen_species()
    native_shares, evergreen_shares = [], []
    for row in belts.itertuples(index=False):
        plants = mix(row.species)
        unknown = float("nan") if not plants else 0.0
        told = [
            sum((share for name, share in plants.items() if name in kinds), unknown)
            for kinds in (native, evergreen)
        ]
        native_shares.append(told[0] if np.isnan(row.native_share) else row.native_share)
        evergreen_shares.append(told[1] if np.isnan(row.evergreen_share) else row.evergreen_share)
    return native_shares, evergreen_shares


def is_planted(belt_type: str) -> bool:
    """Whether a belt is made of plants at all.

    Parameters
    ----------
    belt_type : str
        One of `science.belts.BELT_TYPES`, or any other word.

    Returns
    -------
    bool
        False for walls and fences.
    """
    return belt_type.casefold() not in HARD_TYPES
