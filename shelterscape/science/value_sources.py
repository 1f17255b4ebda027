"""Where each value of a belt comes from, and which source takes precedence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from shelterscape.science.columns import words

SURVEY, PHOTOGRAPH, LAYER, TRACED, DEFAULT = "survey", "photograph", "layer", "traced", "default"

SOURCES = (SURVEY, PHOTOGRAPH, LAYER, TRACED, DEFAULT)
"""Sources of values, most trusted first: a value replaces those of all sources after its own."""


def takes_precedence(new: str, old: str) -> bool:
    """Whether a value of one source replaces that of another.

    Parameters
    ----------
    new, old : str
        Names in `SOURCES`.

    Returns
    -------
    bool

    Examples
    --------
    >>> takes_precedence("photograph", "layer"), takes_precedence("traced", "layer")
    (True, False)
    """
    return SOURCES.index(new) < SOURCES.index(old)


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
