"""The rules by which a layer is drawn: which features, in which colour.

Style files of all formats are written from these rules.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.files.styles import (
    NO_VALUE_COLOUR,
    RAMPS,
    TARGET_COLOURS,
    LayerStyle,
    spread,
)
from shelterscape.terms import TERMS

CASE_COLUMNS = ("season", "year", "direction_deg")
"""Columns of which a layer holds every feature several times, once for each combination."""

CLASSES = 5
"""Number of classes of a column of numbers without a ramp of its own."""


@dataclass(frozen=True)
class Condition:
    """A condition on one column.

    Parameters
    ----------
    column : str
    operator : {"=", "<", "<=", ">", ">=", "empty"}
    value : str, float
        A number or a word.
    other : str
        Column to compare with, instead of a value.
    """

    column: str
    operator: str
    value: str | float = ""
    other: str = ""


@dataclass(frozen=True)
class Rule:
    """Features drawn in one way, or one case of a layer.

    Parameters
    ----------
    title : str
        Text of the legend.
    conditions : tuple of Condition
        All must hold.
    colour : str
        As ``#rrggbb``; empty for a case.
    """

    title: str
    conditions: tuple[Condition, ...] = ()
    colour: str = ""


@dataclass(frozen=True)
class LayerRules:
    """All that a style file says of a layer.

    Parameters
    ----------
    name, title : str
    shape : {"point", "line", "polygon"}
    style : LayerStyle
    rules : tuple of Rule
    cases : tuple of Rule
        Season, year and wind direction that the layer holds; the first is drawn. Empty if it has
        no such columns.
    columns : tuple of str
        Its columns, each a name in `TERMS`.
    """

    name: str
    title: str
    shape: str
    style: LayerStyle
    rules: tuple[Rule, ...]
    cases: tuple[Rule, ...]
    columns: tuple[str, ...]


def rules_of(name: str, title: str, style: LayerStyle, frame: gpd.GeoDataFrame) -> LayerRules:
    """Rules of a layer.

    Parameters
    ----------
    name, title : str
    style : LayerStyle
    frame : GeoDataFrame
        Its features; classes of numbers and cases depend on them.

    Returns
    -------
    LayerRules
    """
    columns = tuple(str(c) for c in frame.columns.drop("geometry"))
    return LayerRules(
        name, title, _shape(frame), style, tuple(_rules(style, frame)), _cases(frame), columns
    )


def _shape(frame: gpd.GeoDataFrame) -> str:
    """Shape of the features; that of the first where they differ."""
    kinds = frame.geometry.geom_type
    first = kinds.iloc[0].removeprefix("Multi") if len(kinds) else "LineString"
    return {"Point": "point", "Polygon": "polygon"}.get(first, "line")


def _cases(frame: gpd.GeoDataFrame) -> tuple[Rule, ...]:
    columns = [c for c in CASE_COLUMNS if c in frame]
    if not columns:
        return ()
    found = frame[columns].drop_duplicates().itertuples(index=False)
    return tuple(
        Rule(
            " ".join(_case_words(columns, case)),
            tuple(_is(c, v) for c, v in zip(columns, case, strict=True)),
        )
        for case in found
    )


def _case_words(columns: list[str], case: tuple[Any, ...]) -> Iterator[str]:
    """Words of a case, as in the descriptions of raster bands; belts as surveyed have no year."""
    for column, value in zip(columns, case, strict=True):
        if not pd.isna(value) and value != "":
            yield f"wind from {value:g}°" if column == "direction_deg" else str(value)


def _is(column: str, value: Any) -> Condition:
    if pd.isna(value):
        return Condition(column, "empty")
    return Condition(column, "=", value if isinstance(value, str) else float(value))


def _rules(style: LayerStyle, frame: gpd.GeoDataFrame) -> list[Rule]:
    column = style.colour_by
    if not column or column not in frame:
        return [Rule("", (), style.colour)]
    if style.target:
        return _target_rules(style)
    if style.colours:
        return [Rule(word, (_is(column, word),), colour) for word, colour in style.colours.items()]
    return _number_rules(style, column, frame[column])


def _target_rules(style: LayerStyle) -> list[Rule]:
    if style.reached:
        conditions = [_is(style.reached, word) for word in ("yes", "no", "")]
    else:
        conditions = [
            Condition(style.colour_by, "<=", other=style.target),
            Condition(style.colour_by, ">", other=style.target),
            Condition(style.target, "empty"),
        ]
    legend = (*TARGET_COLOURS.items(), ("no target", NO_VALUE_COLOUR))
    return [
        Rule(title, (condition,), colour)
        for condition, (title, colour) in zip(conditions, legend, strict=True)
    ]


def _number_rules(style: LayerStyle, column: str, numbers: pd.Series) -> list[Rule]:
    """A class between each two bounds; the first and the last are open."""
    known = numbers.dropna().to_numpy(float)
    term, ramp = TERMS[column], RAMPS.get(column)
    if ramp is not None:
        bounds, colours = [value for value, _ in ramp], [colour for _, colour in ramp]
    elif term.unit == "count":
        bounds, colours = _whole_bounds(known), list(style.shades)
    else:
        bounds, colours = _round_bounds(known), list(style.shades)
    colours = spread(colours, len(bounds) - 1)
    rules = []
    for i, (low, high) in enumerate(itertools.pairwise(bounds)):
        inside = []
        if i > 0:
            inside.append(Condition(column, ">=", low))
        if i < len(bounds) - 2:
            inside.append(Condition(column, "<", high))
        last = high - 1 if term.unit == "count" else high
        rules.append(Rule(f"{low:g} to {last:g} {term.symbol}".strip(), tuple(inside), colours[i]))
    if len(known) < len(numbers):
        rules.append(Rule("no value", (Condition(column, "empty"),), NO_VALUE_COLOUR))
    return rules


def _whole_bounds(values: NDArray[np.float64]) -> list[float]:
    """Bounds of at most `CLASSES` classes of whole numbers from 1."""
    highest = float(values.max()) if len(values) else 1.0
    step = np.ceil(highest / CLASSES)
    return [float(value) for value in np.arange(1.0, highest + step + 0.5, step)]


def _round_bounds(values: NDArray[np.float64]) -> list[float]:
    """Bounds of classes of one width, a round number, that contain 0 and all values."""
    low = float(min(values.min(initial=0.0), 0.0))
    high = float(max(values.max(initial=0.0), low + 1e-6))
    unit = 10.0 ** np.floor(np.log10((high - low) / CLASSES))
    step = next(unit * k for k in (1, 2, 2.5, 5, 10) if unit * k * CLASSES >= high - low)
    first, last = np.floor(low / step), np.ceil(high / step)
    return [float(step * i) for i in np.arange(first, last + 0.5)]
