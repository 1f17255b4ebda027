"""Columns of layers and tables as numbers or text; errors name the cell."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.terms import Term

_COMMA = re.compile(r"-?\d+,\d+")


def numbers(
    frame: pd.DataFrame,
    column: str,
    term: Term,
    where: str,
    *,
    code: str = "column-bad",
    row: str = "feature",
    needed: bool = False,
    high: float | None = None,
    hint: Callable[[NDArray[np.float64]], str] | None = None,
    spelled: dict[str, float] | None = None,
) -> NDArray[np.float64]:
    """A column as numbers, checked against the range of its term.

    Parameters
    ----------
    frame : DataFrame
        Its index holds row numbers of the file, from 0.
    column : str
    term : Term
        Range and unit.
    where : str
        Name of the table in errors.
    code : str
        Code of the error.
    row : str
        Word for a row in errors.
    needed : bool
        Whether an empty cell is an error.
    high : float, optional
        Upper bound, where it differs from that of the term.
    hint : callable, optional
        Takes all numbers; returns the instruction for numbers out of range.
    spelled : dict, optional
        Numbers by the words used for them, in small letters, such as compass points.

    Returns
    -------
    (n,) float64
        In the unit of the term; NaN in empty cells, and everywhere if there is no such column.

    Raises
    ------
    InputError
        With `code`; it names the first faulty cell.
    """
    if column not in frame:
        return np.full(len(frame), np.nan)
    cells = frame[column]
    given = cells.notna().to_numpy()
    if cells.dtype == object or isinstance(cells.dtype, pd.StringDtype):
        words = cells.astype("string").str.strip()
        given = given & (words != "").fillna(False).to_numpy(dtype=bool)
    # pandas would convert booleans and dates to numbers.
    numeric = not (pd.api.types.is_bool_dtype(cells) or pd.api.types.is_datetime64_any_dtype(cells))
    values = np.full(len(frame), np.nan)
    if numeric:
        values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    wrong = np.isnan(values) & (given | needed)
    top = term.high if high is None else high
    outside = (values < term.low) | (values > top) | np.isinf(values)
    if not (wrong | outside).any():
        return values
    at = int(np.argmax(wrong | outside))
    span = f"between {term.low:g} and {term.high:g} {term.symbol}".strip()
    cell = cells.iloc[at]
    raise InputError(
        code,
        f"{column} must be {span}." if outside[at] else f"{column} must be a number {span}.",
        where=f"{where}, {row} {frame.index[at] + 1}",
        value=_shown(cell) if given[at] else "nothing",
        hint=_text_hint(str(cell), term, spelled or {})
        if wrong[at]
        else (hint or _range_hint)(values),
    )


def words(frame: pd.DataFrame, column: str) -> NDArray[np.object_]:
    """A column as text; dates as 2027-03-31; empty text if a cell or the column is missing.

    Parameters
    ----------
    frame : DataFrame
    column : str

    Returns
    -------
    (n,) array of str
        Without spaces at either end.
    """
    if column not in frame:
        return np.full(len(frame), "", dtype=object)
    given = frame[column]
    if pd.api.types.is_datetime64_any_dtype(given):
        given = given.dt.strftime("%Y-%m-%d")
    found: NDArray[np.object_] = given.astype("string").fillna("").str.strip().to_numpy(object)
    return found


def unique_names(given: pd.Series, what: str) -> NDArray[np.object_]:
    """Names of features, each used once.

    Parameters
    ----------
    given : Series of str
        Names by row from 0; empty where there is none.
    what : str
        Word for a feature, which with the number of its row is the name of an unnamed one.

    Returns
    -------
    (n,) array of str
        Repeated names have a number after them.

    Examples
    --------
    >>> unique_names(pd.Series(["north", "", "north"]), "belt").tolist()
    ['north', 'belt 2', 'north 2']
    """
    numbered = pd.Series([f"{what} {i + 1}" for i in given.index], index=given.index, dtype=object)
    named = given.where(given != "", numbered)
    turn = named.groupby(named).cumcount()
    found: NDArray[np.object_] = named.where(
        turn == 0, named + " " + (turn + 1).astype(str)
    ).to_numpy(object)
    return found


def _shown(cell: object) -> float | str:
    """A cell as in the file; a number of any type as a plain one."""
    return float(cell) if isinstance(cell, int | float | np.number) else str(cell)


def _text_hint(cell: str, term: Term, spelled: dict[str, float]) -> str:
    """What to do about a cell that is no number."""
    if (number := spelled.get(cell.strip().casefold())) is not None:
        return f"Write it as {number:g}."
    if _COMMA.fullmatch(cell.strip()):
        return f"Write it with a decimal point: {cell.strip().replace(',', '.')}."
    if re.search(r"\d", cell):
        unit = f", in {term.symbol}" if term.symbol else ", 0.4 for 40 %"
        return f"Write the number alone{unit if term.high <= 1 or term.symbol else ''}."
    return "Correct the cell, or leave it empty if it has a default."


def _range_hint(values: NDArray[np.float64]) -> str:
    return "Correct the numbers, or leave the cells empty if they have a default."
