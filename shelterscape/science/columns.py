"""Columns of numbers as people fill them: read, checked against their range, errors by the cell."""

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
    """A column as numbers within the range of its term; NaN where nothing is given.

    Parameters
    ----------
    frame : DataFrame
        Its index counts rows as in the file, from 0.
    column : str
    term : Term
        Gives range and unit.
    where : str
        What to call the table in errors.
    code : str
        Code of the error.
    row : str
        What a row is called.
    needed : bool
        Whether an empty cell is a fault.
    high : float, optional
        Bound above which numbers are refused, where it is wider than the term's.
    hint : callable, optional
        What to do about numbers out of range, from all of them.
    spelled : dict, optional
        Numbers by words in small letters that people may write for them.

    Returns
    -------
    (n,) float64
        In the unit of the term; NaN where nothing is given.

    Raises
    ------
    InputError
        With `code`; it names the first cell at fault.
    """
    if column not in frame:
        return np.full(len(frame), np.nan)
    cells = frame[column]
    given = cells.notna().to_numpy()
    if cells.dtype == object or isinstance(cells.dtype, pd.StringDtype):
        words = cells.astype("string").str.strip()
        given = given & (words != "").fillna(False).to_numpy(dtype=bool)
    # Yes and no, or days, would pass for numbers.
    counts = not (pd.api.types.is_bool_dtype(cells) or pd.api.types.is_datetime64_any_dtype(cells))
    values = np.full(len(frame), np.nan)
    if counts:
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
        f"{column} must lie {span}." if outside[at] else f"{column} must be a number {span}.",
        where=f"{where}, {row} {frame.index[at] + 1}",
        value=float(values[at]) if outside[at] else ("nothing" if not given[at] else str(cell)),
        mend=_mend(str(cell), term, spelled or {}) if wrong[at] else (hint or _correct)(values),
    )


def words(frame: pd.DataFrame, column: str) -> NDArray[np.object_]:
    """A column as words, days as 2027-03-31; empty where nothing is given or it is not there.

    Parameters
    ----------
    frame : DataFrame
    column : str

    Returns
    -------
    (n,) array of str
        Without spaces around.
    """
    if column not in frame:
        return np.full(len(frame), "", dtype=object)
    given = frame[column]
    if pd.api.types.is_datetime64_any_dtype(given):
        given = given.dt.strftime("%Y-%m-%d")
    found: NDArray[np.object_] = given.astype("string").fillna("").str.strip().to_numpy(object)
    return found


def _mend(cell: str, term: Term, spelled: dict[str, float]) -> str:
    if (number := spelled.get(cell.strip().casefold())) is not None:
        return f"Write it as {number:g}."
    if _COMMA.fullmatch(cell.strip()):
        return f"Write it with a decimal point: {cell.strip().replace(',', '.')}."
    if re.search(r"\d", cell):
        unit = f", in {term.symbol}" if term.symbol else ", 0.4 being 40 %"
        return f"Write the number alone{unit if term.high <= 1 or term.symbol else ''}."
    return "Correct the cell, or leave it empty where a default will do."


def _correct(values: NDArray[np.float64]) -> str:
    return "Correct the numbers, or leave them empty where a default will do."
