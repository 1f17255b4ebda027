"""Read wind sets and TOML files, and write tables."""

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
"""Largest size of a wind set, bytes (assumed): 36 directions in 100 subsets have 0.2 MB."""

MOST_LINE = 10_000
"""Longest line of a wind set, characters (assumed)."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def directions_in(text: str) -> list[float] | None:
    """Wind directions written as ``210,240,270``; None if the text is something else.

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
    """Read a wind set with its header lines.

    Parameters
    ----------
    source : str
        Path of a CSV file; lines ``# key: value`` before the table state how it was measured.

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
            "The wind set is too large for a table of wind directions.",
            where=str(path),
            value=f"{path.stat().st_size} bytes",
            hint="Aggregate wind records by direction first.",
        )
    try:
        text = path.read_text(encoding="utf-8-sig")
        _refuse_wide(text)
        # Additional cells must not turn the first column into row names and shift the others.
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            # From the text: given a path, the reader would take some names for archives.
            frame = pd.read_csv(
                io.StringIO(text), comment="#", skipinitialspace=True, index_col=False
            )
    except (OSError, UnicodeDecodeError, *_NO_TABLE) as error:
        raise InputError(
            "file-unreadable",
            "The wind set could not be read as a table.",
            where=str(path),
            value=error,
            hint="Save it as CSV in UTF-8, with commas between columns.",
        ) from error
    header = {}
    for line in text.splitlines():
        key, colon, value = line.lstrip("#").partition(":")
        if line.startswith("#") and colon:
            header[key.strip()] = value.strip()
    return frame, header


def _refuse_wide(text: str) -> None:
    """Refuse very long lines: reading very many headings would take hours."""
    longest = max(map(len, text.splitlines()), default=0)
    if longest > MOST_LINE:
        raise pd.errors.ParserError(f"a line of {longest} characters")


def read_toml(source: str, what: str, code: str = "file-unreadable") -> tuple[Path, dict[str, Any]]:
    """Read a TOML file; decimal numbers become `Decimal`, so that money is exact.

    Parameters
    ----------
    source : str
        Path of the file.
    what : str
        Kind of the file, for errors.
    code : str
        Error code for a file that is not valid TOML.

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
            hint="Compare it with a valid file: put text in quotes, and dates without quotes.",
        ) from error


def write_table(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as CSV, with text that spreadsheets do not run as formulas.

    Parameters
    ----------
    path : Path
    frame : DataFrame
        Its attribute ``header``, where it has one, becomes lines ``# key: value`` before the
        headings.
    """
    header = "".join(f"# {key}: {value}\n" for key, value in frame.attrs.get("header", {}).items())
    safe = frame.rename(columns=lambda name: f"'{name}" if name[0] in _FORMULA_STARTS else name)
    for column in safe.select_dtypes(include=["object", "string", "category"]):
        words = safe[column].astype("string")
        safe[column] = words.where(~words.str.startswith(_FORMULA_STARTS, na=False), "'" + words)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        stream.write(header)
        safe.to_csv(stream, index=False, lineterminator="\n")
