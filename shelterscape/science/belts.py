"""Belts as drawn on a map, completed with stated defaults, and how open they are in a season."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape import data
from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import numbers, words
from shelterscape.terms import TERMS

SEASONS = {"in-leaf": "in leaf", "bare": "bare"}
"""The two seasons: the word in options and the word on maps."""

DEFAULT_POROSITY = 0.40
DEFAULT_BARE_POROSITY = 0.60
DEFAULT_WIDTH_M = 3.0
UNKNOWN = "unknown"
HARD_TYPES = ("wall", "fence")
"""Belts without leaves to drop, that act as the barriers of the published equation."""

BANK = "bank with hedge"
BELT_TYPES = ("hedge", "tree belt", BANK, "wood", *HARD_TYPES)
BANK_LOW_SHARE = 0.5
"""Porosity of the lower half of a bank with a hedge divided by that of the whole (E)."""

QUANTITIES = {
    "height_m": "belt_height",
    "porosity": "porosity",
    "bare_porosity": "bare_porosity",
    "width_m": "belt_width",
    "porosity_low": "porosity_low",
    "bare_stem_m": "bare_stem",
}
"""Number columns of a belt layer and their terms."""

WORDS = ("name", "belt_type", "species", "holding_id")
"""Text columns of a belt layer."""

READ_COLUMNS = (*QUANTITIES, *WORDS, "planted_year")
"""Every column of a belt layer that is used."""


class Case(NamedTuple):
    """The state of belts a result holds for.

    Parameters
    ----------
    season : {"in-leaf", "bare"}
    year : int or None
        Calendar year; None for the belts as surveyed.
    """

    season: str
    year: int | None = None

    @property
    def season_label(self) -> str:
        """The season in words."""
        return SEASONS[self.season]

    @property
    def label(self) -> str:
        """In words, as bands and legends carry it."""
        word = self.season_label
        return word if self.year is None else f"{word} {self.year}"


def complete(belts: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of belts and fill what was not given with the stated defaults.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or polygons; ``height_m`` is required, or ``species`` and ``planted_year``; those of
        `READ_COLUMNS` that exist are read.
    where : str
        What to call the layer in errors and notices.

    Returns
    -------
    belts : GeoDataFrame
        Those columns, all filled except ``height_m`` where growth must give it, and ``assumed``:
        which of them were not given.
    notices : list of Notice

    Raises
    ------
    InputError
        ``belts-no-height``, ``belts-no-length``, ``belts-points``, ``column-bad``.

    Notes
    -----
    Defaults: porosity 0.40; bare porosity 0.60 for deciduous and unknown species, that in leaf for
    evergreens, walls and fences, which have no leaves to drop; width 3 m for a line, that of its
    outline for an area; the lower half as open as the whole, of a bank with a hedge half as open;
    no bare stem. All are assumed values; those of the first columns are counted in ``assumed``.

    References
    ----------
    Bare porosity: leafless deciduous belts 0.5 to 0.7, extension handbooks (status M).
    """
    _check_outlines(belts, where)
    frame = gpd.GeoDataFrame(geometry=belts.geometry.to_numpy(), crs=belts.crs)
    for column in WORDS:
        frame[column] = words(belts, column)
    frame["planted_year"] = _years(belts, where)
    for column in QUANTITIES:
        frame[column] = _measures(belts, column, where)
    frame.index = belts.index
    _check_heights(frame, where)
    frame, notices = _each_once(frame, where)
    frame, more = _fill_defaults(frame.reset_index(drop=True), where)
    return frame, notices + more


def _check_outlines(belts: gpd.GeoDataFrame, where: str) -> None:
    outlines = belts.geometry.to_numpy()
    dimensions = shapely.get_dimensions(outlines)
    points = dimensions == 0
    if points.any():
        raise InputError(
            "belts-points",
            f"{int(points.sum())} of {len(belts)} belts are points; a belt is a line or an area.",
            where=f"{where}, feature {belts.index[int(np.argmax(points))] + 1}",
            mend="Draw them as lines along the belt, or leave them out of the layer.",
        )
    flat = np.where(dimensions == 2, shapely.area(outlines), shapely.length(outlines)) == 0
    if flat.any():
        raise InputError(
            "belts-no-length",
            f"{int(flat.sum())} of {len(belts)} belts begin where they end, without any length.",
            where=f"{where}, feature {belts.index[int(np.argmax(flat))] + 1}",
            mend="Draw them along the belt, or take them out of the layer.",
        )


def _each_once(frame: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Belts without duplicates, for two belts on one line shelter more than one."""
    # Which way round a line was drawn says nothing.
    drawn = pd.Series(shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), frame.index)
    told_twice = frame.drop(columns="geometry").assign(drawn=drawn).duplicated()
    notices = []
    if told_twice.any():
        text = f"{where}: told twice, with the same outline and figures; counted once"
        notices.append(Notice("features-duplicate", text, int(told_twice.sum())))
    frame, drawn = frame[~told_twice], drawn[~told_twice]
    if drawn.duplicated().any():
        text = f"{where}: drawn on the very line of another, with other figures; both count"
        notices.append(Notice("belts-same-line", text, int(drawn.duplicated().sum())))
    return frame, notices


def _check_heights(frame: gpd.GeoDataFrame, where: str) -> None:
    grows = (frame["species"] != "") & frame["planted_year"].notna()
    bad = frame["height_m"].isna() & ~grows
    if bad.any():
        raise InputError(
            "belts-no-height",
            f"{int(bad.sum())} of {len(frame)} belts have no height, nor a species and a year "
            "planted to tell it from.",
            where=f"{where}, feature {frame.index[int(np.argmax(bad))] + 1}",
            mend="Fill the column height_m (metres), or name another with "
            "--field belts.height_m=COLUMN.",
        )


def _fill_defaults(frame: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    evergreen = frame["species"].str.casefold().isin(evergreen_species())
    missing = {c: frame[c].isna() for c in ("porosity", "bare_porosity", "width_m")}
    missing["belt_type"] = frame["belt_type"] == ""
    known = frame["belt_type"].str.casefold()
    frame["belt_type"] = known.where(known.isin(BELT_TYPES), frame["belt_type"])
    frame["belt_type"] = frame["belt_type"].where(~missing["belt_type"], UNKNOWN)
    is_area = shapely.get_dimensions(frame.geometry.to_numpy()) == 2
    missing["width_m"] &= ~is_area
    frame["porosity"] = frame["porosity"].fillna(DEFAULT_POROSITY)
    keeps = evergreen | frame["belt_type"].isin(HARD_TYPES)
    # A belt never closes by dropping its leaves, in every case.
    bare = np.maximum(frame["porosity"], DEFAULT_BARE_POROSITY).where(~keeps, frame["porosity"])
    frame["bare_porosity"] = frame["bare_porosity"].fillna(bare)
    drawn = pd.Series(np.where(is_area, outline_width(frame), DEFAULT_WIDTH_M), index=frame.index)
    frame["width_m"] = frame["width_m"].fillna(drawn)
    low_share = np.where(frame["belt_type"] == BANK, BANK_LOW_SHARE, 1.0)
    frame["porosity_low"] = frame["porosity_low"].fillna(low_share * frame["porosity"])
    frame["bare_stem_m"] = frame["bare_stem_m"].fillna(0.0)
    assumed = np.full(len(frame), "", dtype=object)
    notices = []
    for column, where_missing in missing.items():
        assumed[where_missing.to_numpy()] += f"{column}, "
        if where_missing.any():
            text = f"{where}: {column} not given, default used"
            notices.append(Notice("value-assumed", text, int(where_missing.sum())))
    frame["assumed"] = [text.removesuffix(", ") for text in assumed]
    return frame, notices


def outline_width(frame: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Width of the strip that has the area and the perimeter of each outline.

    Parameters
    ----------
    frame : GeoDataFrame
        Polygons, in metres.

    Returns
    -------
    (n,) float64
        m; 0 for a line, a quarter of the perimeter where no strip fits.
    """
    area = frame.geometry.area.to_numpy()
    half = frame.geometry.length.to_numpy() / 2
    width: NDArray[np.float64] = (half - np.sqrt(np.maximum(half**2 - 4 * area, 0.0))) / 2
    return width


def evergreen_species() -> set[str]:
    """Plain names of evergreen species, in small letters.

    Returns
    -------
    set of str
    """
    species = data.table("species.csv")
    return set(species.loc[species["winter"] == "evergreen", "species"].str.casefold())


def _measures(belts: gpd.GeoDataFrame, column: str, where: str) -> NDArray[np.float64]:
    """A number column within the range of its term; NaN where not given."""
    term = TERMS[QUANTITIES[column]]
    return numbers(belts, column, term, where, hint=lambda values: _unit_hint(column, values))


def _unit_hint(column: str, values: NDArray[np.float64]) -> str:
    largest = np.nanmax(values)
    if column.endswith("porosity") and 1 < largest <= 100:
        return "These look like percent: divide by 100, .4 being 40 % of sky seen."
    if column == "height_m" and largest > 100:
        return "These look like centimetres: divide by 100."
    return "Correct the values, or leave them empty for the default."


def _years(belts: gpd.GeoDataFrame, where: str) -> pd.Series:
    values = numbers(belts, "planted_year", TERMS["planted_year"], where)
    part = values % 1 > 0
    if part.any():
        raise InputError(
            "column-bad",
            "planted_year must hold whole years.",
            where=f"{where}, feature {belts.index[int(np.argmax(part))] + 1}",
            value=float(values[np.argmax(part)]),
            mend="Give the calendar year, or leave it empty.",
        )
    return pd.Series(values).astype("Int64")


def seasonal_porosity(belts: gpd.GeoDataFrame, season: str) -> NDArray[np.float64]:
    """Optical porosity of completed belts in a season.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete` returns them.
    season : {"in-leaf", "bare"}

    Returns
    -------
    (n,) float64
        0 to 1.

    Raises
    ------
    InputError
        ``name-unknown`` for a word that is no season, which must not pass for the other one.
    """
    if season not in SEASONS:
        known = f"Use one of: {', '.join(SEASONS)}."
        raise InputError("name-unknown", "No such season.", value=season, mend=known)
    column = "bare_porosity" if season == "bare" else "porosity"
    return belts[column].to_numpy(dtype=float)


def seasonal(belts: gpd.GeoDataFrame, season: str) -> gpd.GeoDataFrame:
    """Completed belts in a season, as surveyed; see `standing`.

    Parameters
    ----------
    belts, season
        As for `seasonal_porosity`.

    Returns
    -------
    GeoDataFrame
        As `standing` returns it.

    Raises
    ------
    InputError
        As for `seasonal_porosity`.
    """
    return standing(
        belts, belts["height_m"].to_numpy(dtype=float), seasonal_porosity(belts, season)
    )


def standing(
    belts: gpd.GeoDataFrame, height_m: NDArray[np.float64], porosity: NDArray[np.float64]
) -> gpd.GeoDataFrame:
    """Belts of a given height and porosity, with the porosity of their lower half to match.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete` returns them.
    height_m, porosity : (n,) float64
        Height, m, and optical porosity, 0 to 1, in some season and year.

    Returns
    -------
    GeoDataFrame
        The same with ``height_m``, ``porosity`` and ``porosity_low`` of then.

    Notes
    -----
    The lower half gains or loses density in proportion to the whole, and is open as far up as stems
    are bare (assumed values).
    """
    leaf = belts["porosity"].to_numpy(dtype=float)
    density = 1.0 - belts["porosity_low"].to_numpy(dtype=float)
    density = density * (1.0 - porosity) / np.maximum(1.0 - leaf, 1e-9)
    stem = belts["bare_stem_m"].to_numpy(dtype=float)
    clothed = 1.0 - np.clip(2.0 * stem / np.maximum(height_m, 1e-9), 0.0, 1.0)
    low = 1.0 - np.clip(density, 0.0, 1.0) * clothed
    return belts.assign(height_m=height_m, porosity=porosity, porosity_low=low)
