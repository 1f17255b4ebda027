"""Belts with porosity from photographs, joined by name."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import numbers, words
from shelterscape.science.season_words import season_from
from shelterscape.science.value_sources import PHOTOGRAPH, with_values
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
    values, spread, unknown = _by_belt(belts, table)
    if whole and len(unknown) == len(table):
        raise InputError(
            "name-unknown",
            "No belt has the name of a photographed belt.",
            where="belt_porosity",
            value=unknown[0],
            hint="Give the photographs the names that belts have in the column name, or name that "
            "column: --field belts.name=COLUMN.",
        )
    found, changes = with_values(belts, values, PHOTOGRAPH)
    # The spread belongs to the porosity that is used.
    for column in spread:
        used = changes.loc[changes["column"] == column, "feature"]
        spread.loc[~spread.index.isin(used), column] = np.nan
    largest = pd.DataFrame({"porosity_spread": spread.max(axis=1)})
    found, _ = with_values(found, largest, PHOTOGRAPH)
    return found, _notices(changes["feature"].nunique(), unknown if whole else [])


def _by_belt(
    belts: gpd.GeoDataFrame, table: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Values and spreads of photographs for each belt of a layer, and names without belt."""
    names = np.array([name.casefold() for name in words(belts, "name")], dtype=object)
    rows = range(len(belts))
    values = pd.DataFrame(np.nan, rows, ["porosity", "porosity_low", "bare_porosity"])
    spread = pd.DataFrame(np.nan, rows, ["porosity", "bare_porosity"])
    unknown = []
    for row in table.to_dict("records"):
        at = names == str(row["name"]).casefold()
        if not at.any():
            unknown.append(str(row["name"]))
        column = "bare_porosity" if row["season"] == "bare" else "porosity"
        values.loc[at, column] = row["porosity"]
        spread.loc[at, column] = row["porosity_spread"]
        if column == "porosity":
            values.loc[at, "porosity_low"] = row["porosity_low"]
    return values, spread, unknown


def _notices(changed: int, unknown: list[str]) -> list[Notice]:
    notices = []
    if changed:
        text = "porosity of belts taken from photographs"
        notices.append(Notice("values-replaced", text, changed))
    if unknown:
        text = f"photographed belts that are not in the layer: {', '.join(unknown[:5])}"
        notices.append(Notice("photograph-doubtful", text, len(unknown)))
    return notices
