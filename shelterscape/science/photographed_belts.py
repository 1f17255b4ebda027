"""Belts with porosity from photographs, joined by name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science import value_sources
from shelterscape.science.belts import season_from
from shelterscape.science.columns import numbers, words
from shelterscape.terms import TERMS

READ_COLUMNS = ("name", "season", "porosity", "porosity_spread", "porosity_low")
"""Columns of a table of porosity that are read."""

_NEEDED = ("name", "season", "porosity")
_HINT = "Give the table belt_porosity that photo-porosity writes."


def complete_porosity(table: pd.DataFrame, where: str) -> pd.DataFrame:
    """Check a table of porosity from photographs.

    Parameters
    ----------
    table : DataFrame
        Text by the columns of `READ_COLUMNS`.
    where : str
        Name of the table in errors.

    Returns
    -------
    DataFrame
        ``name`` and ``season`` (in-leaf or bare), and numbers.

    Raises
    ------
    InputError
        ``column-missing``, ``column-bad``.
    """
    for column in _NEEDED:
        if column not in table:
            raise InputError(
                "column-missing",
                "The table of porosity has no column of this name.",
                where=where,
                value=column,
                hint=_HINT,
            )
    found = pd.DataFrame({"name": words(table, "name")}, index=table.index)
    rows = zip(table.index, words(table, "season"), strict=True)
    found["season"] = [season_from(text, f"{where}, row {i + 1}") or "in-leaf" for i, text in rows]
    for column in READ_COLUMNS[2:]:
        needed = column == "porosity"
        found[column] = numbers(table, column, TERMS[column], where, row="row", needed=needed)
    return found[found["name"] != ""]


def joined_porosity(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Several tables as one; each belt and season once.

    Parameters
    ----------
    tables : sequence of DataFrame
        As `complete_porosity` returns them.

    Returns
    -------
    DataFrame

    Raises
    ------
    InputError
        ``input-refused`` for a belt with two porosities in one season.
    """
    found = pd.concat(tables, ignore_index=True)
    key = found["name"].str.casefold() + "\n" + found["season"]
    if key.duplicated().any():
        row = found[key.duplicated()].iloc[0]
        raise InputError(
            "input-refused",
            "Two rows give the porosity of one belt in the same season.",
            where="belt_porosity",
            value=f"{row['name']}, {row['season']}",
            hint="Assess all photographs of a belt in one run, or remove one of the rows.",
        )
    return found


def with_photographs(
    belts: gpd.GeoDataFrame, table: pd.DataFrame, *, whole: bool = True
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Belts with porosity from photographs in place of that of less trusted sources.

    Parameters
    ----------
    belts : GeoDataFrame
        A layer of belts as it is read, with ``name``.
    table : DataFrame
        As `joined_porosity` returns it.
    whole : bool
        Whether all belts of the map are there, so that a name without belt is worth a notice.

    Returns
    -------
    belts : GeoDataFrame
        A copy with new ``porosity``, ``porosity_low``, ``bare_porosity``, ``porosity_spread`` and
        ``assumed``.
    notices : list of Notice
        What changed.

    Raises
    ------
    InputError
        ``name-unknown`` where no photograph fits a belt.

    Notes
    -----
    Porosity in leaf and that of the lower half are of photographs in leaf, and bare porosity of
    those without leaves. The spread of a belt is the larger one of its seasons.
    """
    found = belts.copy()
    names = np.array([name.casefold() for name in words(belts, "name")], dtype=object)
    columns = {
        name: found[name].to_numpy(dtype=object).copy()
        if name in found
        else np.full(len(found), np.nan, dtype=object)
        for name in ("porosity", "porosity_low", "bare_porosity", "porosity_spread")
    }
    given = value_sources.given_sources(belts)
    changed: NDArray[np.bool_] = np.zeros(len(found), bool)
    unknown = []
    for row in table.itertuples():
        at = np.flatnonzero(names == str(row.name).casefold())
        if not len(at):
            unknown.append(str(row.name))
        for i in at:
            changed[i] |= _apply(row, columns, given[i], int(i))
    if whole and len(unknown) == len(table):
        raise InputError(
            "name-unknown",
            "No belt has the name of a photographed belt.",
            where="belt_porosity",
            value=unknown[0],
            hint="Give the photographs the names that belts have in the column name, or name that "
            "column: --field belts.name=COLUMN.",
        )
    texts = [value_sources.text_of({k: v for k, v in one.items() if k}) for one in given]
    found = found.assign(**columns, assumed=texts)
    return found, _notices(int(changed.sum()), unknown if whole else [])


def _apply(
    row: Any, columns: dict[str, NDArray[np.object_]], given: dict[str, str], i: int
) -> bool:
    """Set the values of one belt that photographs take precedence over."""
    values = {"bare_porosity": row.porosity}
    if row.season == "in-leaf":
        values = {"porosity": row.porosity, "porosity_low": row.porosity_low}
    is_changed = False
    for name, value in values.items():
        before = given.get(name, given[""])
        missing = pd.isna(columns[name][i]) or str(columns[name][i]).strip() == ""
        replaces = missing or value_sources.takes_precedence(value_sources.PHOTOGRAPH, before)
        if not np.isfinite(value) or not replaces:
            continue
        columns[name][i] = float(value)
        given[name] = value_sources.PHOTOGRAPH
        if name != "porosity_low" and np.isfinite(row.porosity_spread):
            spread = [row.porosity_spread]
            if given.get("porosity_spread") == value_sources.PHOTOGRAPH:
                spread.append(columns["porosity_spread"][i])
            columns["porosity_spread"][i] = float(max(spread))
            given["porosity_spread"] = value_sources.PHOTOGRAPH
        is_changed = True
    return is_changed


def _notices(changed: int, unknown: list[str]) -> list[Notice]:
    notices = []
    if changed:
        text = "porosity of belts taken from photographs"
        notices.append(Notice("values-replaced", text, changed))
    if unknown:
        text = f"photographed belts that are not in the layer: {', '.join(unknown[:5])}"
        notices.append(Notice("photograph-doubtful", text, len(unknown)))
    return notices
