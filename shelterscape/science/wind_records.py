"""Weather records: collected piece by piece, then read with their stated units."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science import wind_texts, wind_units
from shelterscape.science.wind_texts import CALM, MISSING, UNREADABLE, VALUE, VARIABLE

Array = NDArray[np.float64]

COLUMNS = ("time", "direction", "speed", "gust", "temperature", "rain", "station")
"""Columns of a record; the first three are needed."""

NEEDED = COLUMNS[:3]

VARIABLE_CODE = {1.0: 990.0, 10.0: 99.0}
"""Code of variable wind by the degrees in one unit (WMO code 0877, status S)."""

RAIN_UNITS = {"mm": 1.0, "in": 25.4}

MOST_ROWS = 50_000_000
"""Bound on a record (assumed value): ten years of ten-minute values from 95 stations."""

MOST_UNREADABLE = 0.05
"""Share of unreadable cells above which a column is refused (assumed value)."""


@dataclass(frozen=True)
class RecordOptions:
    """How a record is to be read.

    Parameters
    ----------
    speed_unit : str or None
        One of `wind_units.SPEED_UNITS`; None when its heading must state it.
    direction_unit : str or None
        ``degrees`` or ``tens``.
    temperature_unit : str
        ``c`` or ``f``.
    rain_unit : str
        ``mm`` or ``in``.
    certain : bool
        Whether stated units hold even where numbers contradict them.
    missing : collection of str
        Further marks of missing values.
    time_format : str
        As for `wind_texts.times_in`.
    time_zone : str
        Time zone of the record; empty when not stated.
    declination_deg : float
        Angle from true to magnetic north, positive to the east; added to directions.
    stations : tuple of str
        Stations wanted; the word all for every one of them.
    """

    speed_unit: str | None = None
    direction_unit: str | None = None
    temperature_unit: str = "c"
    rain_unit: str = "mm"
    certain: bool = False
    missing: Collection[str] = ()
    time_format: str = ""
    time_zone: str = ""
    declination_deg: float = 0.0
    stations: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rows:
    """All rows of a record as they were read; arrays hold one value for each row.

    Parameters
    ----------
    local : (n,) datetime64[m]
        Times by the clock of the record; NaT where not readable.
    station : (n,) int
        Number of the station.
    direction_deg : (n,) float64
        Degrees from true north, not yet held to 0 to 360; NaN where none.
    direction_state : (n,) int8
        As `wind_texts.directions_in_texts`.
    speed_ms : (n,) float64
        m/s, also impossible ones; NaN where none.
    speed_state : (n,) int8
        `VALUE`, `MISSING` or `UNREADABLE`.
    gust_ms, temperature_c, rain_mm : (n,) float64
        m/s, °C, mm; NaN where none.
    stations : tuple of str
        Names by number.
    report_deg : float
        Width of reported directions, degrees.
    zone : str
        Time zone of the clock; empty when unknown.
    texts : dict of (codes, texts)
        Each column as it was written.
    files : tuple of (str, int)
        Name and first row of each file.
    """

    local: NDArray[np.datetime64]
    station: NDArray[np.int32]
    direction_deg: Array
    direction_state: NDArray[np.int8]
    speed_ms: Array
    speed_state: NDArray[np.int8]
    gust_ms: Array
    temperature_c: Array
    rain_mm: Array
    stations: tuple[str, ...]
    report_deg: float
    zone: str
    texts: dict[str, tuple[NDArray[np.int32], list[str]]]
    files: tuple[tuple[str, int], ...]

    def row_name(self, row: int) -> str:
        """The row as a person finds it: counted from 1 below the headings of its file.

        Parameters
        ----------
        row : int

        Returns
        -------
        str
        """
        name, first = next(f for f in reversed(self.files) if f[1] <= row)
        return f"{row - first + 1}" if len(self.files) == 1 else f"{row - first + 1} of {name}"


@dataclass
class Collector:
    """Gathers the rows of a record; each different text is kept once.

    Parameters
    ----------
    codes : dict
        Numbers of the texts of each column, piece by piece.
    texts : dict
        Numbers by text, of each column.
    files : list
        Name and first row of each file.
    headings : dict
        Heading of each column in the file.
    comma : bool
        Whether numbers may have a decimal comma.
    rows : int
        Rows so far.
    """

    codes: dict[str, list[NDArray[np.int32]]] = field(default_factory=dict)
    texts: dict[str, dict[str, int]] = field(default_factory=dict)
    files: list[tuple[str, int]] = field(default_factory=list)
    headings: dict[str, str] = field(default_factory=dict)
    comma: bool = False
    rows: int = 0

    def start(self, name: str, headings: Mapping[str, str], *, comma: bool) -> None:
        """Begin a file.

        Parameters
        ----------
        name : str
        headings : mapping
            Heading in the file by column.
        comma : bool

        Raises
        ------
        InputError
            ``record-bad`` when its columns are not those of the first file.
        """
        if self.files and set(headings) != set(self.headings):
            raise InputError(
                "record-bad",
                "The files of the record do not have the same columns.",
                where=name,
                value=", ".join(sorted(headings)),
                hint="Give files of one source, or run each by itself.",
            )
        self.files.append((name, self.rows))
        self.headings, self.comma = dict(headings), comma

    def add(self, piece: pd.DataFrame) -> None:
        """Add rows, columns as in `COLUMNS`, all of them texts.

        Parameters
        ----------
        piece : DataFrame

        Raises
        ------
        InputError
            ``record-bad`` for more than `MOST_ROWS`.
        """
        self.rows += len(piece)
        if self.rows > MOST_ROWS:
            raise InputError(
                "record-bad",
                "The record is too long.",
                where=self.files[-1][0],
                value=f"more than {MOST_ROWS:,} rows",
                hint="Divide it by station or by years.",
            )
        for name in piece:
            column = piece[name].astype("category")
            known = self.texts.setdefault(str(name), {})
            numbers = [known.setdefault(str(t), len(known)) for t in column.cat.categories]
            found = np.array([*numbers, -1], np.int32)[column.cat.codes.to_numpy()]
            self.codes.setdefault(str(name), []).append(found)

    def columns(self) -> dict[str, tuple[NDArray[np.int32], list[str]]]:
        """Numbers and texts of each column.

        Returns
        -------
        dict
        """
        return {
            name: (np.concatenate(parts), list(self.texts[name]))
            for name, parts in self.codes.items()
        }


def rows_of(collected: Collector, options: RecordOptions) -> tuple[Rows, list[Notice]]:
    """Read what was collected, with units held against the numbers.

    Parameters
    ----------
    collected : Collector
    options : RecordOptions

    Returns
    -------
    rows : Rows
    notices : list of Notice

    Raises
    ------
    InputError
        ``record-bad`` without rows, and for columns that cannot be read; ``unit-unknown``.
    """
    where = collected.files[0][0]
    if not collected.rows:
        raise InputError(
            "record-bad", "The record holds no rows.", where=where, hint="Give a file with rows."
        )
    columns = collected.columns()
    reading = _Reading(columns, collected, options, where)
    times, zone = reading.times()
    speeds, states, unit, notices = reading.speeds()
    angles, kinds, report_deg = reading.directions()
    factor = wind_units.SPEED_UNITS[unit]
    number = columns["station"] if "station" in columns else (np.zeros(collected.rows, int), [""])
    rows = Rows(
        times,
        np.asarray(number[0], np.int32),
        angles,
        kinds,
        speeds * factor,
        states,
        reading.plain("gust", factor),
        reading.temperatures(),
        reading.plain("rain", RAIN_UNITS[options.rain_unit]),
        tuple(text.strip() for text in number[1]),
        report_deg,
        zone,
        columns,
        tuple(collected.files),
    )
    if not zone:
        text = f"{where}: times taken as local time without daylight saving"
        notices.append(Notice("value-assumed", text))
    return rows, notices


class _Reading:
    """Reads the columns of one record."""

    def __init__(
        self,
        columns: dict[str, tuple[NDArray[np.int32], list[str]]],
        collected: Collector,
        options: RecordOptions,
        where: str,
    ) -> None:
        self._columns, self._collected, self._options = columns, collected, options
        self._where = where

    def _numbers(self, name: str) -> tuple[Array, NDArray[np.int8]]:
        """Different values of a column, and what they are."""
        texts, marks = self._columns[name][1], self._options.missing
        return wind_texts.numbers_in(texts, marks, comma=self._collected.comma)

    def _sample(self, name: str, values: Array) -> wind_units.Sample:
        codes = self._columns[name][0]
        counts = np.bincount(codes[codes >= 0], minlength=len(values))
        known = np.isfinite(values)
        heading = self._collected.headings[name]
        return wind_units.Sample(values[known], counts[known], heading, self._where)

    def _check_readable(self, name: str, states: NDArray[np.int8]) -> None:
        codes, texts = self._columns[name]
        counts = np.bincount(codes[codes >= 0], minlength=len(states))
        bad = states == UNREADABLE
        if counts[bad].sum() > MOST_UNREADABLE * counts.sum():
            example = texts[int(np.argmax(np.where(bad, counts, 0)))]
            raise InputError(
                "record-bad",
                f"The column for {name} cannot be read.",
                where=f"{self._where}, column {self._collected.headings[name]}",
                value=f"{example!r}, and {counts[bad].sum():,} of {counts.sum():,} cells in all",
                hint=f"Name the right column with --field record.{name}=COLUMN; name other marks "
                "of missing values with --missing.",
            )

    def times(self) -> tuple[NDArray[np.datetime64], str]:
        """Times by the clock of the record, and its time zone."""
        codes, texts = self._columns["time"]
        here = f"{self._where}, column {self._collected.headings['time']}"
        found = wind_texts.times_in(texts, self._options.time_format, here)
        zone = self._options.time_zone
        if zone:
            wind_texts.zone_of(zone)
        if found.stated and zone not in ("", "UTC", "Z"):
            raise InputError(
                "record-bad",
                "The times state their own offset from UTC, and a time zone is given beside it.",
                where=here,
                value=texts[0],
                hint="Leave --time-zone out.",
            )
        return found.local[codes], found.stated or zone

    def speeds(self) -> tuple[Array, NDArray[np.int8], str, list[Notice]]:
        """Speeds in their own unit, what each is, and the unit."""
        values, states = self._numbers("speed")
        self._check_readable("speed", states)
        sample, options = self._sample("speed", values), self._options
        unit, notices = wind_units.speed_unit(sample, options.speed_unit, certain=options.certain)
        codes = self._columns["speed"][0]
        return values[codes], states[codes], unit, notices

    def directions(self) -> tuple[Array, NDArray[np.int8], float]:
        """Degrees from true north, what each is, and the width of a report."""
        texts = self._columns["direction"][1]
        values, states, spelled = wind_texts.directions_in_texts(
            texts, self._options.missing, comma=self._collected.comma
        )
        self._check_readable("direction", states)
        plain = np.where(spelled, np.nan, values)
        scale = 1.0
        if np.isfinite(plain).any():
            sample = self._sample("direction", plain)
            scale = wind_units.direction_scale(sample, self._options.direction_unit)
        variable = ~spelled & (values == VARIABLE_CODE[scale])
        states = np.where(variable, VARIABLE, states).astype(np.int8)
        degrees = np.where(states == VALUE, np.where(spelled, values, values * scale), np.nan)
        codes = self._columns["direction"][0]
        return degrees[codes], states[codes], report_width(degrees, spelled)

    def plain(self, name: str, factor: float = 1.0) -> Array:
        """A column that may be absent, its numbers times a factor."""
        if name not in self._columns:
            # One value for all rows takes no memory.
            return np.broadcast_to(np.nan, self._collected.rows)
        values, states = self._numbers(name)
        self._check_readable(name, states)
        found: Array = (values * factor)[self._columns[name][0]]
        return found

    def temperatures(self) -> Array:
        """Air temperature, °C."""
        values = self.plain("temperature")
        if "temperature" not in self._columns:
            return values
        sample = self._sample("temperature", self._numbers("temperature")[0])
        if not self._options.certain:
            wind_units.to_celsius(sample, self._options.temperature_unit)
        return (values - 32.0) / 1.8 if self._options.temperature_unit == "f" else values


_STEPS = ((45.0, 6), (30.0, 9), (22.5, 12), (20.0, 14), (10.0, 1), (5.0, 1), (1.0, 1))
"""Steps in which directions are reported, and how many different ones must show each."""


def report_width(degrees: Array, spelled: NDArray[np.bool_]) -> float:
    """Width of the sector that a reported direction represents, from all that occur.

    Parameters
    ----------
    degrees : (n,) float64
        Different directions; NaN is ignored.
    spelled : (n,) bool
        Which were written as compass points.

    Returns
    -------
    float
        Degrees; 0 where directions follow no step.
    """
    known = np.unique(degrees[np.isfinite(degrees)] % 360.0)
    if spelled.any():
        return 45.0 if (known % 45.0 == 0).all() else 22.5
    return next((s for s, n in _STEPS if (known % s == 0).all() and len(known) >= n), 0.0)


__all__ = ["CALM", "MISSING", "Collector", "RecordOptions", "Rows", "report_width", "rows_of"]
