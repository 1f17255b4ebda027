"""Weather records and rose tables: CSV text, also packed with gzip, read piece by piece."""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import itertools
import warnings
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import pandas as pd

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file, fault_of

ROWS_AT_ONCE = 200_000
MOST_PREAMBLE = 200
"""Lines before the headings at most: some services describe the station there."""

MOST_LINE = 10_000
MOST_UNPACKED_BYTES = 4 * 1024**3
MOST_UNPACKED_RATIO = 300
SMALL_BYTES = 64 * 1024**2
"""Bounds on a record (assumed values): hourly text packs 10 to 40 times, a bomb 1000 times."""

_GZIP = b"\x1f\x8b"
_SEPARATORS = (",", ";", "\t")
_FAULTS = (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError,
           UnicodeDecodeError, OSError, EOFError, zlib.error, csv.Error)  # fmt: skip
PART = "+"
"""Joins the columns of which a time consists, as in year+month+day+hour."""


@dataclass(frozen=True)
class RecordFile:
    """One file of a weather record.

    Parameters
    ----------
    path : Path
    separator : str
    skipped : int
        Lines before the headings.
    headings : dict
        Heading in the file by column.
    """

    path: Path
    separator: str
    skipped: int
    headings: dict[str, str]

    @property
    def decimal_comma(self) -> bool:
        """Whether numbers may have a decimal comma."""
        return self.separator != ","

    def pieces(self, rows_at_once: int = ROWS_AT_ONCE) -> Iterator[pd.DataFrame]:
        """The rows as texts, piece by piece, columns by the names wanted.

        Parameters
        ----------
        rows_at_once : int

        Raises
        ------
        InputError
            ``file-unreadable``.
        """
        with _faults(self.path), _opened(self.path) as stream, warnings.catch_warnings():
            # Spare cells, as of decimal commas, must not be dropped in silence: so every column is
            # read, for the reader does not count cells where it reads only some.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            for _ in range(self.skipped):
                stream.readline()
            reader: Any = pd.read_csv(
                stream,
                sep=self.separator,
                dtype="str",
                keep_default_na=False,
                skipinitialspace=True,
                index_col=False,
                encoding="utf-8-sig",
                chunksize=rows_at_once,
            )
            with reader:
                for piece in reader:
                    yield self._named(piece)

    def _named(self, piece: pd.DataFrame) -> pd.DataFrame:
        found = {}
        piece = piece.rename(columns=str.strip)
        for name, heading in self.headings.items():
            parts = heading.split(PART)
            found[name] = piece[heading] if len(parts) == 1 else _joined(piece, parts)
        return pd.DataFrame(found)


def _joined(piece: pd.DataFrame, parts: list[str]) -> pd.Series[Any]:
    """Date and time, or year, month, day, hour and minute, as one text."""
    texts = [piece[part].str.strip() for part in parts]
    if len(parts) == 2:
        return texts[0] + " " + texts[1]
    plain = [text.str.replace(r"\.0$", "", regex=True).str.zfill(2) for text in texts]
    found: Any = plain[0] + "-" + plain[1] + "-" + plain[2]
    for mark, text in zip(("T", ":"), [*plain[3:], *(["00"] * (5 - len(plain)))], strict=False):
        found = found + mark + text
    return found


def open_record(
    source: str,
    columns: Mapping[str, str],
    needed: tuple[str, ...],
    hint: str = "",
    *,
    what: str = "weather record",
    layer: str = "record",
) -> RecordFile:
    """Find the headings of a weather record.

    Parameters
    ----------
    source : str
        Path of a CSV file, also packed with gzip; lines before the headings are skipped.
    columns : mapping
        Heading wanted by column; several joined by ``+`` for a time.
    needed : tuple of str
        Columns that must be there.
    hint : str
        What to do where one is missing; by default to name its heading.
    what, layer : str
        Name of the file in errors, and of its columns in ``--field``.

    Returns
    -------
    RecordFile

    Raises
    ------
    InputError
        ``file-missing``, ``not-local``, ``file-unreadable``; ``column-missing`` with the
        headings found.
    """
    path = existing_file(source, what)
    with _faults(path), _opened(path) as stream:
        head = [_text(stream.readline(), path) for _ in range(MOST_PREAMBLE)]
    must = [p for name in needed for p in columns[name].split(PART)]
    widest: list[str] = []
    for number, line in enumerate(head):
        for separator in _SEPARATORS:
            cells = _cells(line, separator)
            if set(must) <= set(cells):
                return _record_file(path, separator, number, columns, cells)
            if len(cells) > len(widest) and not line.startswith("#"):
                widest = cells
    missing = next(n for n in needed if not set(columns[n].split(PART)) <= set(widest))
    raise InputError(
        "column-missing",
        f"The {what} has no column {columns[missing]!r} for {missing}.",
        where=path.name,
        # Not the headings: the file may be a private one that was named by mistake.
        value=f"{len(widest)} columns",
        hint=hint
        or f"Name the right column with --field {layer}.{missing}=COLUMN; for a time in several "
        "columns join them with +, as in year+month+day+hour.",
    )


def _record_file(
    path: Path, separator: str, skipped: int, columns: Mapping[str, str], cells: list[str]
) -> RecordFile:
    repeated = sorted({c for c in cells if cells.count(c) > 1 and c in columns.values()})
    if repeated:
        raise InputError(
            "column-bad",
            "Two columns of the weather record have the same heading.",
            where=path.name,
            value=", ".join(repeated),
            hint="Rename one of them, and name the right one with --field.",
        )
    there = {n: h for n, h in columns.items() if set(h.split(PART)) <= set(cells)}
    return RecordFile(path, separator, skipped, there)


def _cells(line: str, separator: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]


def _text(raw: bytes, path: Path) -> str:
    if len(raw) > MOST_LINE:
        raise _too_long(path)
    return raw.decode("utf-8-sig").rstrip("\r\n")


def _too_long(path: Path) -> InputError:
    return InputError(
        "file-unreadable",
        "A line of the file is far too long for a weather record.",
        where=str(path),
        value=f"more than {MOST_LINE} characters",
        hint="Save it as CSV text with one row for each time.",
    )


def read_rose(source: str) -> pd.DataFrame:
    """Read a rose table as texts.

    Parameters
    ----------
    source : str
        Path of a CSV file: directions in the first column, a column for each speed class.

    Returns
    -------
    DataFrame

    Raises
    ------
    InputError
        ``file-missing``, ``not-local``, ``file-unreadable``.
    """
    path = existing_file(source, "rose table")
    with _faults(path), _opened(path) as stream:
        lines = [_text(raw, path) for raw in itertools.islice(stream, 2 * MOST_PREAMBLE)]
        lines = [line for line in lines if line.strip(" ,;\t") and not line.startswith("#")]
        separator = max(_SEPARATORS, key=lambda mark: lines[0].count(mark) if lines else 0)
        rows = [_cells(line, separator) for line in lines]
    if len(rows) < 2 or any(len(row) != len(rows[0]) for row in rows):
        odd = next((i for i, row in enumerate(rows) if len(row) != len(rows[0])), 0)
        raise InputError(
            "file-unreadable",
            "The rose table is no table of equal rows.",
            where=str(path),
            value=f"line {odd + 1} of {len(rows)}: {len(rows[odd]) if rows else 0} columns",
            hint="Save it as CSV text with one heading line, a row for each direction and a "
            "column for each speed class.",
        )
    if separator != ",":
        rows = [rows[0]] + [[cell.replace(",", ".") for cell in row] for row in rows[1:]]
    return pd.DataFrame(rows[1:], columns=pd.Index(rows[0]))


def size_of_record(source: str) -> int:
    """Bytes of a weather record as plain text, for a packed one an estimate.

    Parameters
    ----------
    source : str

    Returns
    -------
    int
        0 for a file that is not there.
    """
    try:
        path = existing_file(source, "weather record")
        with path.open("rb") as stream:
            packed = stream.read(2) == _GZIP
        return path.stat().st_size * (20 if packed else 1)
    except (InputError, OSError):
        return 0


@contextlib.contextmanager
def _faults(path: Path) -> Iterator[None]:
    """Turn what readers raise into one error of ours."""
    try:
        yield
    except _FAULTS as error:
        raise InputError(
            "file-unreadable",
            "The file could not be read as a table of text.",
            where=str(path),
            value=fault_of(error),
            hint="Save it as CSV text in UTF-8, plain or packed with gzip.",
        ) from error


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[io.BufferedReader]:
    """A file as unpacked bytes, guarded against what grows without end."""
    with path.open("rb") as raw:
        packed = raw.peek(2)[:2] == _GZIP
        source = gzip.GzipFile(fileobj=raw) if packed else raw
        most = max(SMALL_BYTES, min(MOST_UNPACKED_BYTES, MOST_UNPACKED_RATIO * path.stat().st_size))
        guarded = _Guarded(source, most if packed else MOST_UNPACKED_BYTES, path)
        yield io.BufferedReader(guarded, 1 << 20)


class _Guarded(io.RawIOBase):
    """Bytes of a file up to a bound, refused where a line has no end.

    Parameters
    ----------
    source : binary file
    most : int
        Bytes at most.
    path : Path
    """

    def __init__(self, source: BinaryIO | gzip.GzipFile, most: int, path: Path) -> None:
        self._source, self._left, self._path = source, most, path

    def readable(self) -> bool:
        """Always."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer.

        Raises
        ------
        InputError
            ``file-unreadable`` for a file that unpacks too large or has a line too long.
        """
        block = self._source.read(len(buffer))
        buffer[: len(block)] = block
        self._left -= len(block)
        if self._left < 0:
            raise InputError(
                "file-unreadable",
                "The weather record unpacks to far more text than a record holds.",
                where=str(self._path),
                value="too many bytes",
                hint="Unpack it, examine what it holds, and divide it by station or by years.",
            )
        # A full block without any end of a line is far longer than a line may be.
        if len(block) >= 8 * MOST_LINE and b"\n" not in block and b"\r" not in block:
            raise _too_long(self._path)
        return len(block)
