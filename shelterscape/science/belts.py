"""Belts as drawn on a map, completed with stated defaults and cut into straight pieces."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape import data
from shelterscape.errors import InputError, Notice
from shelterscape.terms import TERMS

SEASONS = {"in-leaf": "in leaf", "bare": "bare"}
"""The two seasons: the word in options and the word on maps."""

DEFAULT_POROSITY = 0.40
DEFAULT_BARE_POROSITY = 0.60
DEFAULT_WIDTH_M = 3.0
UNKNOWN = "unknown"
NEVER_BARE = ("wall", "fence")

QUANTITIES = {
    "height_m": "belt_height",
    "porosity": "porosity",
    "bare_porosity": "bare_porosity",
    "width_m": "belt_width",
}
"""Number columns of a belt layer and their terms."""

WORDS = ("name", "belt_type", "species", "holding_id")
"""Text columns of a belt layer."""

READ_COLUMNS = (*QUANTITIES, *WORDS, "planted_year")
"""Every column of a belt layer that is made use of."""


class Case(NamedTuple):
    """The state of belts a result holds for."""

    season: str

    @property
    def label(self) -> str:
        """In words, as bands and legends carry it."""
        return SEASONS[self.season]


def complete(belts: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of belts and fill what was not given with the stated defaults.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or polygons; ``height_m`` is needed, ``porosity``, ``bare_porosity``, ``width_m``,
        ``belt_type``, ``species``, ``planted_year``, ``name`` and ``holding_id`` are read where
        they stand.
    where : str
        What to call the layer in errors and notices.

    Returns
    -------
    belts : GeoDataFrame
        The columns above, all filled, and ``assumed``: which of them were not given.
    notices : list of Notice

    Raises
    ------
    InputError
        ``belts-no-height``, ``belts-points``, ``column-bad``.

    Notes
    -----
    Defaults: porosity .40; bare porosity .60 for deciduous and unknown species (extension
    handbooks, from memory), that in leaf for evergreens, walls and fences, which hold no leaves to
    drop; width 3 m. All are engineering choices and counted in the column ``assumed``.
    """
    points = int((shapely.get_dimensions(belts.geometry.to_numpy()) == 0).sum())
    if points:
        raise InputError(
            "belts-points",
            f"{points} of {len(belts)} belts are points; a belt is a line or an area.",
            where=where,
            mend="Draw them as lines along the belt, or leave them out of the layer.",
        )
    frame = gpd.GeoDataFrame(geometry=belts.geometry.to_numpy(), crs=belts.crs)
    for column in WORDS:
        given = belts[column] if column in belts else pd.Series("", index=belts.index)
        frame[column] = given.astype("string").fillna("").str.strip().to_numpy(dtype=object)
    frame["planted_year"] = _years(belts, where)
    for column in QUANTITIES:
        frame[column] = _measures(belts, column, where)
    if frame["height_m"].isna().any():
        row = int(np.argmax(frame["height_m"].isna()))
        raise InputError(
            "belts-no-height",
            f"{int(frame['height_m'].isna().sum())} of {len(frame)} belts have no height.",
            where=f"{where}, feature {row + 1}",
            mend="Fill the column height_m (metres), or name another with "
            "--field belts.height_m=COLUMN.",
        )
    filled, notices = _fill_defaults(frame, where)
    areas = int((shapely.get_dimensions(frame.geometry.to_numpy()) == 2).sum())
    if areas:
        text = f"{where}: belts drawn as areas act through their outlines"
        notices.append(Notice("belts-as-boundary", text, areas))
    return filled, notices


def _fill_defaults(frame: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    evergreen = frame["species"].str.casefold().isin(_evergreens())
    missing = {c: frame[c].isna() for c in ("porosity", "bare_porosity", "width_m")}
    missing["belt_type"] = frame["belt_type"] == ""
    frame["belt_type"] = frame["belt_type"].where(~missing["belt_type"], UNKNOWN)
    frame["porosity"] = frame["porosity"].fillna(DEFAULT_POROSITY)
    keeps = evergreen | frame["belt_type"].isin(NEVER_BARE)
    # A belt never closes by dropping its leaves, whatever the default says.
    bare = np.maximum(frame["porosity"], DEFAULT_BARE_POROSITY).where(~keeps, frame["porosity"])
    frame["bare_porosity"] = frame["bare_porosity"].fillna(bare)
    frame["width_m"] = frame["width_m"].fillna(DEFAULT_WIDTH_M)
    assumed = np.full(len(frame), "", dtype=object)
    notices = []
    for column, where_missing in missing.items():
        assumed[where_missing.to_numpy()] += f"{column}, "
        if where_missing.any():
            text = f"{where}: {column} not given, default used"
            notices.append(Notice("value-assumed", text, int(where_missing.sum())))
    frame["assumed"] = [text.removesuffix(", ") for text in assumed]
    return frame, notices


def _evergreens() -> set[str]:
    species = data.table("species.csv")
    return set(species.loc[species["winter"] == "evergreen", "species"].str.casefold())


def _measures(belts: gpd.GeoDataFrame, column: str, where: str) -> NDArray[np.float64]:
    """A number column within the range of its term; NaN where not given."""
    if column not in belts:
        return np.full(len(belts), np.nan)
    try:
        values = pd.to_numeric(belts[column]).to_numpy(dtype=float, na_value=np.nan)
    except (ValueError, TypeError) as error:
        raise InputError(
            "column-bad",
            f"{column} holds something other than numbers.",
            where=where,
            value=error,
            mend="Correct the column, or name another with --field.",
        ) from error
    term = TERMS[QUANTITIES[column]]
    bad = (values < term.low) | (values > term.high) | np.isinf(values)
    if bad.any():
        row = int(np.argmax(bad))
        raise InputError(
            "column-bad",
            f"{column} must lie between {term.low:g} and {term.high:g} {term.symbol}".strip() + ".",
            where=f"{where}, feature {row + 1}",
            value=float(values[row]),
            mend=_unit_hint(column, values),
        )
    return values


def _unit_hint(column: str, values: NDArray[np.float64]) -> str:
    largest = np.nanmax(values)
    if column.endswith("porosity") and 1 < largest <= 100:
        return "These look like percent: divide by 100, .4 being 40 % of sky seen."
    if column == "height_m" and largest > 100:
        return "These look like centimetres: divide by 100."
    return "Correct the values, or leave them empty for the default."


def _years(belts: gpd.GeoDataFrame, where: str) -> pd.Series:
    if "planted_year" not in belts:
        return pd.Series(pd.NA, index=range(len(belts)), dtype="Int64")
    try:
        years = pd.to_numeric(belts["planted_year"]).astype("Int64")
    except (ValueError, TypeError) as error:
        raise InputError(
            "column-bad", "planted_year must hold whole years.", where=where, value=error
        ) from error
    return years.reset_index(drop=True)


def seasonal_porosity(belts: gpd.GeoDataFrame, case: Case) -> NDArray[np.float64]:
    """Optical porosity of completed belts in a case."""
    column = "bare_porosity" if case.season == "bare" else "porosity"
    return belts[column].to_numpy(dtype=float)


def straight_pieces(
    geometry: NDArray[np.object_],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Every straight piece of lines and outlines, with the feature it belongs to.

    Parameters
    ----------
    geometry : (n,) array of shapely geometries
        Lines or polygons, in one part or several; a polygon gives its outline.

    Returns
    -------
    ends : (m, 4) float64
        x and y of both ends.
    owner : (m,) int64
        Index into `geometry`.
    """
    is_area = shapely.get_dimensions(geometry) == 2
    lines = np.where(is_area, shapely.boundary(geometry), geometry)
    parts, owner_of_part = shapely.get_parts(lines, return_index=True)
    xy, part_of_point = shapely.get_coordinates(parts, return_index=True)
    joined = part_of_point[1:] == part_of_point[:-1]
    ends = np.hstack([xy[:-1], xy[1:]])[joined]
    owner = owner_of_part[part_of_point[:-1][joined]]
    moved = np.any(ends[:, :2] != ends[:, 2:], axis=1)
    return ends[moved], owner[moved]
