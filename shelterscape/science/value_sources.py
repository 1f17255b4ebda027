"""Where each value of a belt comes from, and which source takes precedence.

The rule: survey, photograph, layer, traced, default. A value replaces those of sources after its
own; of two from the same source the one given last counts, and a value that is missing is always
filled. A layer states its sources in the columns ``value_source`` and ``assumed``; results state
them in ``assumed``. Processes that give values (a survey, photographs, tracing) apply them by
`with_values`, or write `text_of` into ``assumed`` of their own layers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from shelterscape.science.columns import words

Frame = TypeVar("Frame", bound=pd.DataFrame)

SURVEY, PHOTOGRAPH, LAYER, TRACED, DEFAULT = "survey", "photograph", "layer", "traced", "default"

SOURCES = (SURVEY, PHOTOGRAPH, LAYER, TRACED, DEFAULT)
"""Sources of values, most trusted first."""

CHANGE_COLUMNS = ("feature", "column", "source", "value", "source_before", "value_before")
"""Columns of the changes that `with_values` returns."""


def takes_precedence(new: str, old: str) -> bool:
    """Whether a value that is given replaces one that a feature has.

    Parameters
    ----------
    new, old : str
        Names in `SOURCES`.

    Returns
    -------
    bool
        Also for the same source: the value given last counts.

    Examples
    --------
    >>> takes_precedence("photograph", "layer"), takes_precedence("traced", "layer")
    (True, False)
    """
    return SOURCES.index(new) <= SOURCES.index(old)


def sources_of(text: str) -> dict[str, str]:
    """Source by column, from a cell of the column ``assumed``.

    Parameters
    ----------
    text : str
        ``photograph: porosity; default: width_m``, or only columns with commas between them, which
        are defaults.

    Returns
    -------
    dict of str
        Words that are not known are left out.

    Examples
    --------
    >>> sources_of("photograph: porosity, porosity_low; default: width_m")["porosity_low"]
    'photograph'
    >>> sources_of("width_m")
    {'width_m': 'default'}
    """
    found: dict[str, str] = {}
    for part in text.split(";"):
        source, colon, columns = part.rpartition(":")
        name = source.strip() if colon else DEFAULT
        if name in SOURCES:
            found.update({c.strip(): name for c in columns.split(",") if c.strip()})
    return found


def text_of(sources: Mapping[str, str]) -> str:
    """A cell of the column ``assumed`` from the source of each column.

    Parameters
    ----------
    sources : mapping of str
        Source by column; sources that are not in `SOURCES` are left out.

    Returns
    -------
    str
        Most trusted source first.

    Examples
    --------
    >>> text_of({"width_m": "default", "height_m": "survey", "porosity": "default"})
    'survey: height_m; default: width_m, porosity'
    """
    parts = []
    for source in SOURCES:
        columns = [column for column, its in sources.items() if its == source]
        if columns:
            parts.append(f"{source}: {', '.join(columns)}")
    return "; ".join(parts)


def given_sources(layer: pd.DataFrame) -> list[dict[str, str]]:
    """Sources that a layer states for its values, by feature.

    Parameters
    ----------
    layer : DataFrame
        Columns ``assumed`` and ``value_source``, where it has them; the first states the source of
        columns, the second that of all others.

    Returns
    -------
    list of dict
        With the key ``""`` for all columns that are not named.
    """
    texts = words(layer, "assumed")
    usual = [name if name in SOURCES else LAYER for name in words(layer, "value_source")]
    known = {text: sources_of(text) for text in set(texts)}
    return [{"": name, **known[text]} for name, text in zip(usual, texts, strict=True)]


def with_values(layer: Frame, values: pd.DataFrame, source: str) -> tuple[Frame, pd.DataFrame]:
    """A layer with values of a source in place of missing ones and those of less trusted sources.

    Parameters
    ----------
    layer : DataFrame
        Features as they are read.
    values : DataFrame
        A row for each feature, in the same order; columns are those of the layer, added where it
        has none. Empty cells change nothing.
    source : str
        Name in `SOURCES`.

    Returns
    -------
    layer : DataFrame
        A copy with new values, and ``assumed`` stating their source.
    changes : DataFrame
        A row for each value that was set, with `CHANGE_COLUMNS`: number of the feature from 0,
        column, source and value, and those before; a missing value has no source before.

    Examples
    --------
    >>> belts = pd.DataFrame({"height_m": [5.0, 6.0], "value_source": ["traced", "survey"]})
    >>> given = pd.DataFrame({"height_m": [4.5, 4.5]})
    >>> with_values(belts, given, "photograph")[0]["height_m"].tolist()
    [4.5, 6.0]
    """
    sources = given_sources(layer)
    changes = []
    columns: dict[str, list[object]] = {}
    for name in map(str, values):
        before = list(layer[name]) if name in layer else [None] * len(layer)
        columns[name] = list(before)
        for i, value in enumerate(values[name]):
            missing = _is_empty(before[i])
            old = sources[i].get(name, sources[i][""])
            if _is_empty(value) or not (missing or takes_precedence(source, old)):
                continue
            columns[name][i], sources[i][name] = value, source
            changes.append((i, name, source, value, "" if missing else old, before[i]))
    texts = [text_of({k: v for k, v in one.items() if k}) for one in sources]
    found = layer.assign(**{k: np.array(v, dtype=object) for k, v in columns.items()})
    return found.assign(assumed=texts), pd.DataFrame(changes, columns=list(CHANGE_COLUMNS))


def _is_empty(value: Any) -> bool:
    return bool(pd.isna(value)) or str(value).strip() == ""


def source_texts(
    given: Sequence[Mapping[str, str]], is_default: Mapping[str, pd.Series]
) -> list[str]:
    """Cells of the column ``assumed``: the source of each value.

    Parameters
    ----------
    given : sequence of mapping
        As `given_sources` returns them.
    is_default : mapping
        Features without a value, by column.

    Returns
    -------
    list of str
    """
    found: list[str] = []
    rows = np.column_stack([series.to_numpy(dtype=bool) for series in is_default.values()])
    kept: dict[tuple[object, ...], str] = {}
    for i, sources in enumerate(given):
        missing = tuple(rows[i].tolist())
        key = (missing, *sorted(sources.items()))
        if key not in kept:
            kept[key] = text_of(
                {
                    column: DEFAULT if gone else sources.get(column, sources[""])
                    for column, gone in zip(is_default, missing, strict=True)
                }
            )
        found.append(kept[key])
    return found
