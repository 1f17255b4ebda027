"""Tables of text: winds and TOML files in, results out."""

from __future__ import annotations

import io
import tomllib
import warnings
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file

_NO_TABLE = (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError)
MOST_TABLE_BYTES = 10_000_000
"""Bound on a table of winds (engineering choice): 36 directions by 100 subsets take .2 MB."""

MOST_LINE = 10_000
"""Bound on a line of it (engineering choice)."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def directions_in(text: str) -> list[float] | None:
    """Bare directions as in ``210,240,270``; None when the text is not that.

    Parameters
    ----------
    text : str

    Returns
    -------
    list of float or None
    """
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        return None


def read_winds(source: str) -> tuple[pd.DataFrame, dict[str, str]]:
    """Read a table of winds with its header lines.

    Parameters
    ----------
    source : str
        Path of a CSV file; lines ``# key: value`` before the table say how it was measured.

    Returns
    -------
    frame : DataFrame
    header : dict of str

    Raises
    ------
    InputError
        ``file-missing`` or ``file-unreadable``.
    """
    path = existing_file(source, "wind set")
    if path.stat().st_size > MOST_TABLE_BYTES:
        raise InputError(
            "file-unreadable",
            "The wind set is far too long for a table of directions.",
            where=str(path),
            value=f"{path.stat().st_size} bytes",
            mend="Sum records of wind up by direction first.",
        )
    try:
        text = path.read_text(encoding="utf-8-sig")
        _refuse_wide(text)
        # Spare cells must not turn the first column into row names and move the rest along.
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            # From the text, for of a path the reader would guess an archive by its name.
            frame = pd.read_csv(
                io.StringIO(text), comment="#", skipinitialspace=True, index_col=False
            )
    except (OSError, UnicodeDecodeError, *_NO_TABLE) as error:
        raise InputError(
            "file-unreadable",
            "The wind set could not be read as a table.",
            where=str(path),
            value=error,
            mend="Save it as CSV text in UTF-8, with commas between columns.",
        ) from error
    header = {}
    for line in text.splitlines():
        key, colon, value = line.lstrip("#").partition(":")
        if line.startswith("#") and colon:
            header[key.strip()] = value.strip()
    return frame, header


def _refuse_wide(text: str) -> None:
    """Refuse lines without end: over very many headings its reader would sit for hours."""
    longest = max(map(len, text.splitlines()), default=0)
    if longest > MOST_LINE:
        raise pd.errors.ParserError(f"a line of {longest} characters")


def read_toml(source: str, what: str, code: str = "file-unreadable") -> tuple[Path, dict[str, Any]]:
    """Read a TOML file; numbers with a point come as `Decimal`, for money must not drift.

    Parameters
    ----------
    source : str
        Path of the file.
    what : str
        What it is, for errors.
    code : str
        Code of the error for a file that is no TOML.

    Raises
    ------
    InputError
        ``file-missing``, ``not-local``, and `code`.
    """
    path = existing_file(source, what)
    try:
        return path, tomllib.loads(path.read_text(encoding="utf-8-sig"), parse_float=Decimal)
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(
            code,
            f"The {what} is not valid TOML.",
            where=str(path),
            value=error,
            mend="Compare it with a file that works; text stands in quotes, dates do not.",
        ) from error


def write_table(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as CSV, its words made harmless to spreadsheets that run formulas.

    Parameters
    ----------
    path : Path
    frame : DataFrame
    """
    safe = frame.rename(columns=lambda name: f"'{name}" if name[0] in _FORMULA_STARTS else name)
    for column in safe.select_dtypes(include=["object", "string", "category"]):
        words = safe[column].astype("string")
        safe[column] = words.where(~words.str.startswith(_FORMULA_STARTS, na=False), "'" + words)
    path.parent.mkdir(parents=True, exist_ok=True)
    safe.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
