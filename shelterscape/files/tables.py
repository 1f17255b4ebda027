"""Read wind sets and TOML files, and write tables."""

from __future__ import annotations

import csv
import functools
import io
import re
import tomllib
import unicodedata
import warnings
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file, fault_of

_NO_TABLE = (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError)
MOST_TABLE_BYTES = 10_000_000
"""Largest size of a wind set, bytes (assumed): 36 directions in 100 subsets have 0.2 MB."""

MOST_LINE = 10_000
"""Longest line of a wind set, characters (assumed)."""

MOST_TOML_BYTES = 5_000_000
"""Largest size of a TOML file that people write, bytes (assumed)."""

_FORMULA = re.compile(r"(^|[;|])(?=[\"'\s]*[=+\-@\uff1d\uff0b\uff0d\uff20])")
"""Where a spreadsheet could start a formula: at the start of a cell, also in full-width forms,
and after a mark that some spreadsheets take for the end of a cell, whether quoted or not."""


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


def read_result_table(path: Path) -> pd.DataFrame:
    """A table of a run as text, each cell as it is written; header lines are left out."""
    return pd.read_csv(path, dtype=str, keep_default_na=False, comment="#")


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
            value=fault_of(error),
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
        if (size := path.stat().st_size) > MOST_TOML_BYTES:
            raise ValueError(f"{size} bytes, more than {MOST_TOML_BYTES}")
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"), parse_float=Decimal)
        _refuse_long_numbers(content)
        return path, content
    except (OSError, ValueError, ArithmeticError, RecursionError) as error:
        raise InputError(
            code,
            f"The {what} is not valid TOML.",
            where=str(path),
            value=fault_of(error),
            hint="Compare it with a valid file: put text in quotes, and dates without quotes.",
        ) from error


@functools.lru_cache(maxsize=1 << 14)
def harmless(text: str) -> str:
    """Text that a spreadsheet shows as it is: one line, and no formula.

    Examples
    --------
    >>> harmless("=1+1"), harmless("x;=1+1"), harmless("Farm\\r=1+1")
    ("'=1+1", "x;'=1+1", 'Farm =1+1')
    """
    one_line = "".join(" " if unicodedata.category(c) in _CONTROLS else c for c in text)
    return _FORMULA.sub(r"\1'", one_line)


def _refuse_long_numbers(part: Any) -> None:
    """Refuse numbers beyond those of the standard: integers of 64 bits, and double precision.

    Arithmetic with the exact number would take hours, or more memory than there is.
    """
    if isinstance(part, (dict, list)):
        for one in part.values() if isinstance(part, dict) else part:
            _refuse_long_numbers(one)
    elif isinstance(part, int) and not -(2**63) <= part < 2**63:
        raise ValueError("an integer of more than 64 bits")
    elif isinstance(part, Decimal) and part.is_finite() and part and abs(part.adjusted()) > 307:
        raise ValueError("a number outside double precision")


_CONTROLS = ("Cc", "Cs", "Zl", "Zp")
"""Control characters, halves of characters, and ends of lines and paragraphs."""


def write_table(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as CSV: text in quotes and `harmless`, numbers as they are.

    Parameters
    ----------
    path : Path
    frame : DataFrame
        Its attribute ``header``, where it has one, becomes lines ``# key: value`` before the
        headings.
    """
    lines = (f"# {key}: {value}" for key, value in frame.attrs.get("header", {}).items())
    header = "".join(_harmless_line(line) + "\n" for line in lines)
    safe = frame.rename(columns=lambda name: harmless(str(name)))
    for at, kind in enumerate(safe.dtypes):
        if not pd.api.types.is_numeric_dtype(kind):
            cells = [_harmless_cell(cell) for cell in safe.iloc[:, at]]
            safe.isetitem(at, np.array(cells, dtype=object))
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        stream.write(header)
        # Without quotes a spreadsheet that separates cells at semicolons would divide text there.
        safe.to_csv(stream, index=False, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)


def _harmless_cell(cell: Any) -> Any:
    """Text of a cell; numbers and missing values as they are."""
    if isinstance(cell, (int, float)) and not isinstance(cell, bool):
        return cell
    if isinstance(cell, Decimal) and cell.is_finite():
        return cell
    return None if pd.isna(cell) else harmless(str(cell))


def _harmless_line(text: str) -> str:
    """A line without quotes around it: no cell of it is a formula, and no quote opens a cell."""
    return ",".join(harmless(part) for part in text.replace('"', "'").split(","))
