"""Belts to be planted, with the columns that grant rules need: name, width, plants, cost."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal

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
    SPECIES_SHARES,
    evergreen_species,
    outline_width,
    refuse_points,
)
from shelterscape.science.columns import numbers, words
from shelterscape.terms import TERMS

WORDS = ("action", "candidate", "name", "holding_id", "parcel_id", "species", SPECIES_SHARES,
         "belt_type")  # fmt: skip
PLANT = "plant"
"""Value of ``action`` for new planting."""

NUMBERS = ("width_m", "cost", "plants_per_ha", "open_share", "native_share", "evergreen_share")
READ_COLUMNS = (*WORDS, *NUMBERS, "planted_year")
"""Columns that are read from a layer of belts."""

_PART = re.compile(r"^(?P<name>.*?)\s*(?P<percent>\d+(?:\.\d+)?)?\s*%?$")


def complete_belts(
    belts: gpd.GeoDataFrame, where: str, plants_per_ha: float, minor_per_major: int = 100
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of belts or candidates and fill missing values.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or areas, coordinates in metres. Columns of `READ_COLUMNS` are read where they
        exist; ``cost`` is in currency units.
    where : str
        Name of the layer in errors and notices.
    plants_per_ha : float
        Plants per hectare where the layer gives none.
    minor_per_major : int
        Minor units in one unit of the currency.

    Returns
    -------
    belts : GeoDataFrame
        ``name, holding_id, parcel_id, species, belt_type, width_m, length_m``; ``cost_minor``:
        the cost rounded half up to whole minor units, NaN where unknown; ``plants_per_ha,
        open_share``; ``native_share, evergreen_share``: NaN where they follow from the species;
        ``planted_year``; ``living_stems_per_ha``, NaN: not counted; ``outline``:
        the ground planted, a line as wide as the belt with square ends.
    notices : list of Notice

    Raises
    ------
    InputError
        ``belts-points``, ``column-bad``.
    """
    belts, restored = _to_be_planted(belts, where)
    refuse_points(belts, where)
    shapes = belts.geometry.to_numpy()
    frame = gpd.GeoDataFrame(geometry=shapes, crs=belts.crs)
    for column in WORDS:
        frame[column] = words(belts, column)
    numbered = np.array([f"belt {i + 1}" for i in range(len(frame))], dtype=object)
    given = frame["candidate"].where(frame["candidate"] != "", frame["name"])
    frame["name"] = given.where(given != "", pd.Series(numbered))
    for column in NUMBERS:
        frame[column] = numbers(belts, column, TERMS[column], where)
    frame["cost_minor"] = [_minor_units(cost, minor_per_major) for cost in frame.pop("cost")]
    frame["cost_minor"] = frame["cost_minor"].astype(float)
    frame["planted_year"] = numbers(belts, "planted_year", TERMS["start_year"], where)
    notices = restored + _fill(frame, where, plants_per_ha)
    if (without_width := frame["width_m"] <= 0).any():
        raise InputError(
            "column-bad",
            "The width of a belt is zero.",
            where=f"{where}, feature {int(np.argmax(without_width)) + 1}",
            value=0,
            hint=f"Fill width_m, or leave it empty to use {DEFAULT_WIDTH_M:g} m.",
        )
    frame["living_stems_per_ha"] = np.nan
    frame["outline"] = outlines(shapes, frame["width_m"].to_numpy())
    frame["length_m"] = lengths(shapes, frame["width_m"].to_numpy())
    frame["species"] = with_shares(frame)
    frame = frame.drop(columns=["action", "candidate", SPECIES_SHARES])
    return frame, notices + _unknown_species(frame, where)


def _to_be_planted(belts: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """New planting only, and a notice of how many restorations were left out."""
    action = words(belts, "action")
    is_new = np.isin(np.asarray(action, dtype=object), ("", PLANT))
    if is_new.all():
        return belts, []
    text = f"{where}: restorations left out, since grants are compared for new planting only"
    return belts[is_new].reset_index(drop=True), [
        Notice("restorations-left-out", text, int((~is_new).sum()))
    ]


def _minor_units(cost: float, minor_per_major: int) -> float:
    """A cost in whole minor units, halves up; NaN where it is unknown.

    The shortest decimal of the number is converted, as 1.005 in binary is a little below 1.005.
    """
    if np.isnan(cost):
        return float("nan")
    exact = Decimal(repr(float(cost))) * minor_per_major
    return float(exact.to_integral_value(ROUND_HALF_UP))


def _unknown_species(frame: gpd.GeoDataFrame, where: str) -> list[Notice]:
    """Notice of species that the table of species does not list as evergreen or deciduous."""
    known = set(data.table("species.csv")["species"].str.casefold())
    found = [sorted(set(mix(text)) - known) for text in frame["species"]]
    if not any(found):
        return []
    names = ", ".join(sorted({name for names in found for name in names}))
    text = f"{where}: species not in the table, assumed bare in winter: {names}"
    return [Notice("species-unknown", text, sum(map(bool, found)))]


def _fill(frame: gpd.GeoDataFrame, where: str, plants_per_ha: float) -> list[Notice]:
    """Fill missing widths and densities in place; notices state how many were missing."""
    is_area = shapely.get_dimensions(frame.geometry.to_numpy()) == 2
    width = pd.Series(np.where(is_area, outline_width(frame), DEFAULT_WIDTH_M))
    filled = {
        "width_m": (width, f"{DEFAULT_WIDTH_M:g} m used", ~is_area),
        "plants_per_ha": (plants_per_ha, f"{plants_per_ha:g} used", True),
        "open_share": (0.0, "", False),
    }
    notices = []
    for column, (value, used, noticed) in filled.items():
        missing = frame[column].isna() & noticed
        frame[column] = frame[column].fillna(value)
        if missing.any():
            text = f"{where}: {column} not given, {used}"
            notices.append(Notice("value-assumed", text, int(missing.sum())))
    return notices


def outlines(shapes: NDArray[np.object_], width_m: NDArray[np.float64]) -> NDArray[np.object_]:
    """Ground planted: a line as wide as the belt with square ends; an area as it is drawn.

    Parameters
    ----------
    shapes : (n,) array of lines and polygons
        Coordinates in metres.
    width_m : (n,) float64
        Belt width, m.

    Returns
    -------
    (n,) array of polygons
        Ground up to the outer stems.
    """
    planted = shapes.copy()
    lines = shapely.get_dimensions(shapes) != 2
    planted[lines] = shapely.buffer(
        shapes[lines], width_m[lines] / 2, cap_style="flat", join_style="mitre"
    )
    return planted


def lengths(shapes: NDArray[np.object_], width_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Length of belts: that of a line; the area of an area divided by the width.

    Parameters
    ----------
    shapes : (n,) array of lines and polygons
        Coordinates in metres.
    width_m : (n,) float64
        Belt width, m, above 0.

    Returns
    -------
    (n,) float64
        m.
    """
    is_area = shapely.get_dimensions(shapes) == 2
    found: NDArray[np.float64] = np.where(
        is_area, shapely.area(shapes) / width_m, shapely.length(shapes)
    )
    return found


def with_shares(frame: pd.DataFrame) -> pd.Series:
    """Species of belts: all of them with their shares where stated, otherwise as given.

    Parameters
    ----------
    frame : DataFrame
        With ``species`` and ``species_shares``, both text.

    Returns
    -------
    Series of str
        As `mix` takes them.
    """
    return frame["species"].where(frame[SPECIES_SHARES] == "", frame[SPECIES_SHARES])


def mix(species: str) -> dict[str, float]:
    """Share of each species in a belt, from its list of species.

    Parameters
    ----------
    species : str
        Names separated by commas, semicolons or plus signs, each with its percentage where known.

    Returns
    -------
    dict of float
        Share of the plants, 0 to 1, by name in lower case; empty where no species is named.

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

    The columns ``native_share`` and ``evergreen_share`` take precedence over the list of species.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_belts` returns them.
    native : frozenset of str
        Native species, in lower case.

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
        from_mix = [
            sum((share for name, share in plants.items() if name in kinds), unknown)
            for kinds in (native, evergreen)
        ]
        native_shares.append(from_mix[0] if np.isnan(row.native_share) else row.native_share)
        evergreen_shares.append(
            from_mix[1] if np.isnan(row.evergreen_share) else row.evergreen_share
        )
    return native_shares, evergreen_shares


def is_planted(belt_type: str) -> bool:
    """Whether a belt consists of plants.

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
