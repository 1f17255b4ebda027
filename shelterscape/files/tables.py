"""Tables of text: winds in, results out."""

from __future__ import annotations

import warnings
from pathlib import Path

import pandas as pd

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file

_NO_TABLE = (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError)
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def directions_in(text: str) -> list[float] | None:
    """Bare directions as in ``210,240,270``; None when the text is not that."""
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
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
        # Spare cells must not turn the first column into row names and move the rest along.
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                path, comment="#", encoding="utf-8-sig", skipinitialspace=True, index_col=False
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
    for line in lines:
        key, colon, value = line.lstrip("#").partition(":")
        if line.startswith("#") and colon:
            header[key.strip()] = value.strip()
    return frame, header


def write_table(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as CSV, its words made harmless to spreadsheets that run formulas."""
    safe = frame.rename(columns=lambda name: f"'{name}" if name[0] in _FORMULA_STARTS else name)
    for column in safe.select_dtypes(include=["object", "string", "category"]):
        words = safe[column].astype("string")
        safe[column] = words.where(~words.str.startswith(_FORMULA_STARTS, na=False), "'" + words)
    path.parent.mkdir(parents=True, exist_ok=True)
    safe.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
