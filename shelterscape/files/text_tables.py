"""Small tables that people write or this program wrote: CSV read as text, cell by cell."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file

MOST_BYTES, MOST_COLUMNS = 10_000_000, 200
"""Largest size and most columns of such a table (assumed)."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def read_text_table(source: str, what: str, columns: dict[str, str], hint: str) -> pd.DataFrame:
    """Read a CSV table as text.

    Parameters
    ----------
    source : str
        Path; lines that start with # are ignored.
    what : str
        Name of the table in errors.
    columns : dict of str
        Columns in the file by usual names; others are left out, missing ones are allowed.
    hint : str
        How to write the table, for errors.

    Returns
    -------
    DataFrame
        Text without spaces at either end; rows without any text are left out. The index counts rows
        of the table from 0, without headings.

    Raises
    ------
    InputError
        ``file-missing``, ``not-local``, ``file-unreadable``.
    """
    path = existing_file(source, what)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise _unreadable(path, what, f"{path.stat().st_size:,} bytes", hint)
        text = path.read_text(encoding="utf-8-sig")
        lines = [line for line in text.splitlines() if not line.startswith("#")]
        separator = ";" if lines and lines[0].count(";") > lines[0].count(",") else ","
        rows = [[_plain(cell) for cell in row] for row in csv.reader(lines, delimiter=separator)]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise _unreadable(path, what, str(error), hint) from error
    if not rows or not any(rows[0]) or len(rows[0]) > MOST_COLUMNS:
        raise _unreadable(path, what, "no headings, or too many", hint)
    headings, body = rows[0], rows[1:]
    for number, row in enumerate(body, 1):
        if len(row) > len(headings) and any(row[len(headings) :]):
            raise _unreadable(path, what, f"row {number} has more cells than headings", hint)
    padded = [(row + [""] * len(headings))[: len(headings)] for row in body]
    at = {name: headings.index(given) for name, given in columns.items() if given in headings}
    frame = pd.DataFrame({name: [row[i] for row in padded] for name, i in at.items()}, dtype=object)
    return frame[(frame != "").any(axis=1)] if len(frame.columns) else frame


def _plain(cell: str) -> str:
    """A cell without spaces around it and without the mark that keeps text from being a formula."""
    text = cell.strip()
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA_STARTS) else text


def _unreadable(path: Path, what: str, value: str, hint: str) -> InputError:
    return InputError(
        "file-unreadable",
        f"The {what} could not be read as a table.",
        where=str(path),
        value=value,
        hint=hint,
    )
