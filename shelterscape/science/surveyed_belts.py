"""Values of belts from a survey on foot: stations placed on lines, and gaps cut out."""

from __future__ import annotations

import difflib
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import words
from shelterscape.science.survey_table import END, START, refuse_cell
from shelterscape.science.value_sources import LAYER, SURVEY, given_sources, with_values
from shelterscape.science.wind_texts import compass_point
from shelterscape.terms import TERMS

BEYOND_SHARE, BEYOND_M = 0.02, 1.0
"""How far beyond the length on the map a measured distance may be, in lengths and m (assumed):
tapes follow the ground, lines the map."""

LEAST_ALIGNED = 0.26
"""Smallest cosine between a belt and the compass point of its end, about 75° (assumed). It exceeds
the angle between true and grid north."""

CHANGE_COLUMNS = (
    "name",
    "changed_column",
    "source_before",
    "value_before",
    "value_source",
    "value_after",
)
"""Columns of the table of changes."""


def with_survey(
    belts: gpd.GeoDataFrame, stations: pd.DataFrame, where: str, *, whole: bool = True
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, list[Notice]]:
    """Belts with the values of a survey in place of those of all other sources.

    Parameters
    ----------
    belts : GeoDataFrame
        A layer of belts as it is read, with ``name``; distances in m.
    stations : DataFrame
        As `survey_table.read_survey` returns it.
    where : str
        Name of the survey in errors.
    whole : bool
        Whether all belts of the map are there, so that an unknown name is an error.

    Returns
    -------
    belts : GeoDataFrame
        A copy with new values, gaps cut out of its lines, and ``assumed`` stating the source.
    changes : DataFrame
        A row for each value that was set, with `CHANGE_COLUMNS`; for gaps, the length.
    notices : list of Notice

    Raises
    ------
    InputError
        ``name-unknown``, ``survey-bad``.

    Notes
    -----
    Height and bare stem are the median of the stations. Porosity is the mean, each station weighted
    by the length of belt, without gaps, that is nearer to it than to others; all weigh the same
    where a distance is missing. Species is the most frequent one.
    """
    at = _matched(belts, stations, where, whole)
    values = pd.DataFrame(
        {
            name: np.array([np.nan] * len(belts), dtype=object)
            for name in ("height_m", "bare_stem_m", "porosity", "bare_porosity", "species")
        }
    )
    outlines = belts.geometry.to_numpy().copy()
    cut = []
    for feature, rows in at.items():
        line = _Line(outlines[feature], rows, where)
        for column, value in line.values().items():
            values.loc[feature, column] = value
        if len(line.gaps):
            before, outlines[feature] = outlines[feature], line.without_gaps()
            cut.append((feature, "length_m", before.length, outlines[feature].length))
    sources = given_sources(belts)
    found, changes = with_values(belts.set_geometry(outlines), values, SURVEY)
    if "porosity_spread" in found:  # it belongs to the porosity that was replaced
        replaced = changes.loc[changes["column"].str.endswith("porosity"), "feature"]
        found.iloc[replaced.unique(), found.columns.get_loc("porosity_spread")] = np.nan
    lines = [
        (f, column, before, old, new)
        for f, column, _, new, before, old in changes.itertuples(index=False)
    ]
    lines += [(f, column, sources[f].get("", LAYER), a, b) for f, column, a, b in cut]
    table = _changes(words(belts, "name"), lines)
    text = f"values of {len(at)} belts taken from the survey; survey_changes lists them"
    return found, table, [Notice("values-replaced", text, len(table))] if len(table) else []


def _changes(names: NDArray[np.object_], rows: list[tuple[Any, ...]]) -> pd.DataFrame:
    """Table of changes, belt by belt."""
    texts = [
        (names[f], column, before, _text(column, old), SURVEY, _text(column, new))
        for f, column, before, old, new in sorted(rows, key=lambda row: int(row[0]))
    ]
    return pd.DataFrame(texts, columns=list(CHANGE_COLUMNS))


def _text(column: str, value: Any) -> str:
    if pd.isna(value):
        return ""
    if isinstance(value, str):
        return value
    return f"{float(value):.{TERMS[column].decimals or 0}f}"


def _matched(
    belts: gpd.GeoDataFrame, stations: pd.DataFrame, where: str, whole: bool
) -> dict[int, pd.DataFrame]:
    """Stations by number of the belt from 0."""
    names = words(belts, "name")
    folded = [name.casefold() for name in names]
    at: dict[int, pd.DataFrame] = {}
    for name, rows in stations.groupby(stations["name"].str.casefold(), sort=False):
        features = [i for i, known in enumerate(folded) if known == name]
        row, given = rows.index[0], rows["name"].iloc[0]
        if not features and whole:
            near = difflib.get_close_matches(str(name), folded, n=1)
            meant = f"Did you mean {names[folded.index(near[0])]}? " if near else ""
            raise InputError(
                "name-unknown",
                "No belt of the layer has the name in the survey.",
                where=f"{where}, row {row + 1}, column name",
                value=given,
                hint=f"{meant}Write the name that the belt has in the column name of the layer.",
            )
        if len(features) > 1:
            hint = "Give each surveyed belt a name of its own, in the layer and in the survey."
            what = "Several belts have the name in the survey."
            refuse_cell(what, where, row, "name", given, hint)
        if features:
            at[features[0]] = rows
    return at


class _Line:
    """A belt with its stations, at distances from the start of its line.

    Parameters
    ----------
    outline : Geometry
        Line, or area (without distances).
    rows : DataFrame
        Stations of the belt.
    where : str
        Name of the survey in errors.
    """

    def __init__(self, outline: shapely.Geometry, rows: pd.DataFrame, where: str) -> None:
        self.outline, self.rows, self._where = outline, rows, where
        lines = shapely.get_dimensions(outline) == 1
        merged = shapely.line_merge(outline) if lines else None
        self._line = merged if merged is not None and merged.geom_type == "LineString" else None
        ends = zip(rows.index, rows["from_end"], strict=True)
        reverse = np.array([self._reversed(row, end) for row, end in ends])
        self.along = self._distances("along_m", reverse)
        low, high = (self._distances(c, reverse) for c in ("gap_from_m", "gap_to_m"))
        gaps = np.sort(np.column_stack([low, high])[~np.isnan(low)], axis=1)
        self.gaps: NDArray[np.float64] = gaps[np.argsort(gaps[:, 0], kind="stable")]

    def _reversed(self, row: int, end: str) -> bool:
        """Whether distances of a row are from the end of the line."""
        degrees = compass_point(end) if end else None
        if degrees is None or self._line is None:
            return end.casefold() == END
        first, last = (np.array(self._line.coords[i][:2]) for i in (0, -1))
        towards = np.array([np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])
        apart = float(np.hypot(*(last - first)))
        ahead = float((last - first) @ towards)
        if apart == 0 or abs(ahead) < LEAST_ALIGNED * apart:
            what = "Neither end of the belt is the one towards this compass point."
            hint = f"Use the compass point of an end as seen from the other, {START} or {END}."
            refuse_cell(what, self._where, row, "from_end", end, hint)
        return ahead > 0

    def _distances(self, column: str, reverse: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Distances from the start of the line; NaN where not given."""
        given = self.rows[column].to_numpy(dtype=float)
        known = ~np.isnan(given)
        if self._line is None:
            if column != "along_m" and known.any():
                row = self.rows.index[int(np.argmax(known))]
                what = "Gaps can only be cut out of a belt that is one line."
                hint = "Draw the belt as one line, or remove the gap from the survey."
                refuse_cell(what, self._where, row, column, float(given[known][0]), hint)
            return np.full(len(given), np.nan)
        length = self._line.length
        beyond = known & (given > length * (1 + BEYOND_SHARE) + BEYOND_M)
        if beyond.any():
            at = int(np.argmax(beyond))
            what = f"A distance is beyond the length of the belt, {length:.0f} m."
            hint = "Correct the distance or the name of the belt."
            refuse_cell(what, self._where, self.rows.index[at], column, float(given[at]), hint)
        given = np.minimum(given, length)
        return np.where(reverse, length - given, given)

    def values(self) -> dict[str, Any]:
        """Values of the belt, by column of its layer."""
        found: dict[str, Any] = {}
        for column in ("height_m", "bare_stem_m"):
            given = self.rows[column].dropna()
            if len(given):
                found[column] = float(given.median())
        for season, column in (("in-leaf", "porosity"), ("bare", "bare_porosity")):
            here = ((self.rows["season"] == season) & self.rows["porosity"].notna()).to_numpy()
            if here.any():
                porosity = self.rows["porosity"].to_numpy(dtype=float)[here]
                found[column] = float(np.average(porosity, weights=self._weights(self.along[here])))
        species = self.rows["species"][self.rows["species"] != ""]
        if len(species):
            found["species"] = str(species.value_counts(sort=True).index[0])
        return found

    def _weights(self, along: NDArray[np.float64]) -> NDArray[np.float64]:
        """Length of belt nearest to each station, without gaps, m."""
        places, station_of, count = np.unique(along, return_inverse=True, return_counts=True)
        if self._line is None or np.isnan(along).any():
            return np.ones(len(along))
        bounds = np.concatenate([[0.0], (places[1:] + places[:-1]) / 2, [self._line.length]])
        length = np.diff(bounds)
        for low, high in self._gaps_joined():
            length -= np.maximum(np.minimum(high, bounds[1:]) - np.maximum(low, bounds[:-1]), 0.0)
        # Every station keeps some weight: it may have been measured at the edge of a gap.
        weights: NDArray[np.float64] = (np.maximum(length, 1e-6) / count)[station_of]
        return weights

    def _gaps_joined(self) -> list[tuple[float, float]]:
        """Gaps without overlaps, along the line."""
        joined: list[tuple[float, float]] = []
        for low, high in self.gaps:
            if joined and low <= joined[-1][1]:
                joined[-1] = (joined[-1][0], max(high, joined[-1][1]))
            else:
                joined.append((float(low), float(high)))
        return joined

    def without_gaps(self) -> shapely.Geometry:
        """The line with its gaps cut out."""
        assert self._line is not None
        gaps = self._gaps_joined()
        starts = [0.0, *(high for _, high in gaps)]
        ends = [*(low for low, _ in gaps), self._line.length]
        spans = [(a, b) for a, b in zip(starts, ends, strict=True) if b > a]
        parts = [substring(self._line, a, b) for a, b in spans]
        if not parts:
            what = "Gaps cover the whole belt."
            hint = "Correct the gaps, or remove the belt from the layer."
            row = self.rows.index[int(np.argmax(self.rows["gap_to_m"].notna()))]
            value = float(self.rows["gap_to_m"].max())
            refuse_cell(what, self._where, row, "gap_to_m", value, hint)
        return parts[0] if len(parts) == 1 else shapely.MultiLineString(parts)
