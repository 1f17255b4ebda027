"""Belt layers: check them, fill in defaults, and give porosity by season."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape import data
from shelterscape.errors import InputError, Notice
from shelterscape.kernels.shelter_curves import RECOVERY_H
from shelterscape.science.columns import numbers, words
from shelterscape.science.value_sources import given_sources, source_texts
from shelterscape.terms import TERMS

SEASONS = {"in-leaf": "in leaf", "bare": "bare"}
"""Leaf states of belts: the name in options, and the name on maps and in files."""

DEFAULT_POROSITY = 0.40
DEFAULT_BARE_POROSITY = 0.60
DEFAULT_WIDTH_M = 3.0
UNKNOWN = "unknown"
HARD_TYPES = ("wall", "fence")
"""Belt types without leaves; they follow the published barrier equation."""

BANK = "bank with hedge"
BELT_TYPES = ("hedge", "tree belt", BANK, "wood", *HARD_TYPES)
BANK_LOW_SHARE = 0.5
"""Porosity of the lower half of a bank with a hedge divided by that of the whole (assumed)."""

BARE_LOW, ROW_SPECIES = "bare_porosity_low", "row_species"
SPECIES_SHARES = "species_shares"
"""Every species of a belt, of which ``species`` is the main one."""
"""Columns of belts of a design: porosity of the lower half without leaves, NaN where unknown; main
species of each row, separated by commas, empty where unknown."""

QUANTITIES = (
    "height_m",
    "porosity",
    "bare_porosity",
    "width_m",
    "porosity_low",
    "bare_stem_m",
    "recovery_h",
    "porosity_spread",
    BARE_LOW,
)
"""Number columns of a belt layer."""

WORDS = ("name", "belt_type", "species", "holding_id", ROW_SPECIES)
"""Text columns of a belt layer."""

READ_COLUMNS = (*QUANTITIES, *WORDS, "planted_year", "assumed", "value_source")
"""All columns of a belt layer that are read."""


class Case(NamedTuple):
    """Season and year of a result.

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
        """Short label, for the bands of rasters.

        Examples
        --------
        >>> Case("in-leaf").label, Case("in-leaf", 2045).label
        ('in leaf', 'in leaf 2045')
        """
        word = self.season_label
        return word if self.year is None else f"{word} {self.year}"

    @property
    def heading(self) -> str:
        """Full label, for headings of maps and for findings.

        Examples
        --------
        >>> Case("in-leaf").heading
        'in leaf, as surveyed'
        >>> Case("in-leaf", 2045).heading
        'in leaf, projected growth to 2045'
        """
        when = "as surveyed" if self.year is None else f"projected growth to {self.year}"
        return f"{self.season_label}, {when}"


def complete(belts: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of belts and fill missing values with defaults.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines or polygons with ``height_m``, or with ``species`` and ``planted_year``. All columns
        of `READ_COLUMNS` that exist are read.
    where : str
        Name of the layer in errors and notices.

    Returns
    -------
    belts : GeoDataFrame
        Columns of `READ_COLUMNS` without missing values, except ``height_m`` where it has to be
        calculated from growth, ``porosity_spread`` and `BARE_LOW`; and ``assumed``, the source of
        each value.
    notices : list of Notice

    Raises
    ------
    InputError
        ``belts-no-height``, ``belts-no-length``, ``belts-points``, ``column-bad``.

    Notes
    -----
    Defaults, all assumed values:

    - porosity: 0.40;
    - bare porosity: 0.60 for deciduous and unknown species; porosity in leaf for evergreens, walls
      and fences;
    - width: 3 m for a line, the width of the outline for an area;
    - porosity of the lower half: that of the whole; half of it for a bank with a hedge;
    - bare stem height: 0 m;
    - recovery distance: 8 H.

    ``assumed`` states the source of each value as `value_sources.text_of` writes it.

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
    given = pd.Series(given_sources(belts), index=belts.index)
    frame.index = belts.index
    _check_heights(frame, where)
    frame, notices = _each_once(frame, where)
    given = given[frame.index]
    frame, more = _fill_defaults(frame.reset_index(drop=True), list(given), where)
    return frame, notices + more


def refuse_points(belts: gpd.GeoDataFrame, where: str) -> None:
    """Refuse a layer of belts with points in it.

    Parameters
    ----------
    belts : GeoDataFrame
        Its index holds row numbers of the file, from 0.
    where : str
        Name of the layer in errors.

    Raises
    ------
    InputError
        ``belts-points``.
    """
    points = shapely.get_dimensions(belts.geometry.to_numpy()) == 0
    if points.any():
        raise InputError(
            "belts-points",
            f"{int(points.sum())} of {len(belts)} belts are points; a belt is a line or an area.",
            where=f"{where}, feature {belts.index[int(np.argmax(points))] + 1}",
            hint="Draw each belt as a line, or remove the points from the layer.",
        )


def _check_outlines(belts: gpd.GeoDataFrame, where: str) -> None:
    refuse_points(belts, where)
    outlines = belts.geometry.to_numpy()
    dimensions = shapely.get_dimensions(outlines)
    flat = np.where(dimensions == 2, shapely.area(outlines), shapely.length(outlines)) == 0
    if flat.any():
        raise InputError(
            "belts-no-length",
            f"{int(flat.sum())} of {len(belts)} belts have no length or no area.",
            where=f"{where}, feature {belts.index[int(np.argmax(flat))] + 1}",
            hint="Draw each belt as a line along its length, or remove it from the layer.",
        )


def _each_once(frame: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Belts without duplicates: two belts on one line would shelter more than one."""
    # The direction in which a line was drawn does not matter.
    drawn = pd.Series(shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), frame.index)
    duplicate = frame.drop(columns="geometry").assign(drawn=drawn).duplicated()
    notices = []
    if duplicate.any():
        text = f"{where}: duplicates with the same outline and values counted once"
        notices.append(Notice("features-duplicate", text, int(duplicate.sum())))
    frame, drawn = frame[~duplicate], drawn[~duplicate]
    if drawn.duplicated().any():
        text = f"{where}: same line as another belt but other values; both counted"
        notices.append(Notice("belts-same-line", text, int(drawn.duplicated().sum())))
    return frame, notices


def _check_heights(frame: gpd.GeoDataFrame, where: str) -> None:
    grows = (frame["species"] != "") & frame["planted_year"].notna()
    bad = frame["height_m"].isna() & ~grows
    if bad.any():
        raise InputError(
            "belts-no-height",
            f"{int(bad.sum())} of {len(frame)} belts have no height, and no species with year "
            "planted to calculate it from.",
            where=f"{where}, feature {frame.index[int(np.argmax(bad))] + 1}",
            hint="Fill in the column height_m (metres), or name the column that holds heights: "
            "--field belts.height_m=COLUMN.",
        )


def _fill_defaults(
    frame: gpd.GeoDataFrame, given: list[dict[str, str]], where: str
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    evergreen = frame["species"].str.casefold().isin(evergreen_species())
    missing = {c: frame[c].isna() for c in ("porosity", "bare_porosity", "width_m")}
    missing["belt_type"] = frame["belt_type"] == ""
    known = frame["belt_type"].str.casefold()
    frame["belt_type"] = known.where(known.isin(BELT_TYPES), frame["belt_type"])
    frame["belt_type"] = frame["belt_type"].where(~missing["belt_type"], UNKNOWN)
    is_area = shapely.get_dimensions(frame.geometry.to_numpy()) == 2
    missing["width_m"] &= ~is_area
    others = {c: frame[c].isna() for c in ("porosity_low", "bare_stem_m", "recovery_h")}
    # A height that is missing is calculated from growth: it has no source among these.
    given = [
        sources if known else {**sources, "height_m": ""}
        for sources, known in zip(given, frame["height_m"].notna(), strict=True)
    ]
    height = {"height_m": frame["height_m"] < 0}
    frame["porosity"] = frame["porosity"].fillna(DEFAULT_POROSITY)
    same_all_year = evergreen | frame["belt_type"].isin(HARD_TYPES)
    # A belt is never denser without leaves than with them.
    bare = np.maximum(frame["porosity"], DEFAULT_BARE_POROSITY).where(
        ~same_all_year, frame["porosity"]
    )
    frame["bare_porosity"] = frame["bare_porosity"].fillna(bare)
    drawn = pd.Series(np.where(is_area, outline_width(frame), DEFAULT_WIDTH_M), index=frame.index)
    frame["width_m"] = frame["width_m"].fillna(drawn)
    low_share = np.where(frame["belt_type"] == BANK, BANK_LOW_SHARE, 1.0)
    frame["porosity_low"] = frame["porosity_low"].fillna(low_share * frame["porosity"])
    frame["bare_stem_m"] = frame["bare_stem_m"].fillna(0.0)
    frame["recovery_h"] = frame["recovery_h"].fillna(RECOVERY_H)
    notices = [
        Notice("value-assumed", f"{where}: no {column} given, default used", int(rows.sum()))
        for column, rows in missing.items()
        if rows.any()
    ]
    frame["assumed"] = source_texts(given, height | missing | others)
    return frame, notices


def recovery_distances(belts: pd.DataFrame) -> NDArray[np.float64]:
    """Recovery distance of each belt, H; the default where there is no such column.

    Parameters
    ----------
    belts : DataFrame
        With ``recovery_h`` where it is known.

    Returns
    -------
    (n,) float64
        Belt heights, H, 2 to 30.
    """
    if "recovery_h" not in belts:
        return np.full(len(belts), RECOVERY_H)
    return belts["recovery_h"].fillna(RECOVERY_H).to_numpy(dtype=float)


def outline_width(frame: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Width of the strip that has the area and the perimeter of each outline.

    Parameters
    ----------
    frame : GeoDataFrame
        Polygons, in metres.

    Returns
    -------
    (n,) float64
        m; 0 for a line; a quarter of the perimeter where no strip has that area and perimeter.
    """
    area = frame.geometry.area.to_numpy()
    half = frame.geometry.length.to_numpy() / 2
    width: NDArray[np.float64] = (half - np.sqrt(np.maximum(half**2 - 4 * area, 0.0))) / 2
    return width


def evergreen_species() -> set[str]:
    """Names of evergreen species, in small letters.

    Returns
    -------
    set of str
    """
    species = data.table("species.csv")
    return set(species.loc[species["winter"] == "evergreen", "species"].str.casefold())


def _measures(belts: gpd.GeoDataFrame, column: str, where: str) -> NDArray[np.float64]:
    """A number column, checked against the range of its term; NaN where not given."""
    term = TERMS[column]
    return numbers(belts, column, term, where, hint=lambda values: _unit_hint(column, values))


def _unit_hint(column: str, values: NDArray[np.float64]) -> str:
    largest = np.nanmax(values)
    if column.endswith("porosity") and 1 < largest <= 100:
        return "Divide by 100: these seem to be percentages; 0.4 means that 40 % of sky is visible."
    if column == "height_m" and largest > 100:
        return "Divide by 100: these seem to be centimetres."
    return "Correct the values, or leave the cells empty to use the default."


def _years(belts: gpd.GeoDataFrame, where: str) -> pd.Series:
    values = numbers(belts, "planted_year", TERMS["planted_year"], where)
    part = values % 1 > 0
    if part.any():
        raise InputError(
            "column-bad",
            "planted_year must be a whole number.",
            where=f"{where}, feature {belts.index[int(np.argmax(part))] + 1}",
            value=float(values[np.argmax(part)]),
            hint="Give the calendar year, such as 1987, or leave the cell empty.",
        )
    return pd.Series(values).astype("Int64")


def porosity_in_season(belts: gpd.GeoDataFrame, season: str) -> NDArray[np.float64]:
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
        ``name-unknown`` for any other season.
    """
    if season not in SEASONS:
        known = f"Use one of: {', '.join(SEASONS)}."
        raise InputError("name-unknown", "Unknown season.", value=season, hint=known)
    column = "bare_porosity" if season == "bare" else "porosity"
    return belts[column].to_numpy(dtype=float)


def belts_in_season(belts: gpd.GeoDataFrame, season: str) -> gpd.GeoDataFrame:
    """Completed belts in a season, as surveyed.

    Parameters
    ----------
    belts, season
        See `porosity_in_season`.

    Returns
    -------
    GeoDataFrame
        See `with_height_and_porosity`.

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown season.
    """
    return with_height_and_porosity(
        belts, belts["height_m"].to_numpy(dtype=float), porosity_in_season(belts, season), season
    )


def with_height_and_porosity(
    belts: gpd.GeoDataFrame,
    height_m: NDArray[np.float64],
    porosity: NDArray[np.float64],
    season: str,
) -> gpd.GeoDataFrame:
    """Belts with another height and porosity, and the porosity of the lower half adjusted.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete` returns them.
    height_m, porosity : (n,) float64
        Height, m, and optical porosity, 0 to 1, in the season and year wanted.
    season : str
        "in-leaf" or "bare".

    Returns
    -------
    GeoDataFrame
        Copy of `belts` with new ``height_m``, ``porosity`` and ``porosity_low``.

    Notes
    -----
    Density is 1 − porosity. The density of the lower half changes in proportion to that of the
    whole, and is 0 up to the height of bare stems (assumed). Without leaves the proportion is that
    of `BARE_LOW` to the bare porosity, where it is known.
    """
    whole, low = (belts[c].to_numpy(dtype=float) for c in ("porosity", "porosity_low"))
    if season == "bare" and BARE_LOW in belts:
        own = belts[BARE_LOW].to_numpy(dtype=float)
        whole = np.where(np.isnan(own), whole, belts["bare_porosity"].to_numpy(dtype=float))
        low = np.where(np.isnan(own), low, own)
    density = (1.0 - low) * (1.0 - porosity) / np.maximum(1.0 - whole, 1e-9)
    stem = belts["bare_stem_m"].to_numpy(dtype=float)
    clothed = 1.0 - np.clip(2.0 * stem / np.maximum(height_m, 1e-9), 0.0, 1.0)
    low = 1.0 - np.clip(density, 0.0, 1.0) * clothed
    return belts.assign(height_m=height_m, porosity=porosity, porosity_low=low)
