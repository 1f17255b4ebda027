"""Cells of weather records as numbers, directions and times; each different text is read once."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.wind_tables import POINTS

Array = NDArray[np.float64]
States = NDArray[np.int8]

VALUE, MISSING, UNREADABLE, CALM, VARIABLE = range(5)
"""What a cell holds."""

MISSING_WORDS = frozenset(
    ("", "na", "n/a", "nan", "null", "none", "nil", "-", "--", "---", "/", "//", "///", "m", "x")
)
MISSING_NUMBERS = frozenset((-99.0, -99.9, -999.0, -999.9, -9999.0, 999.0, 999.9, 9999.0, 9999.9,
                             99999.0))  # fmt: skip
"""Marks of missing values in common use, besides those the user adds."""

CALM_WORDS = frozenset(("calm", "c", "clm", "still"))
VARIABLE_WORDS = frozenset(("variable", "var", "vrb", "vbl", "v"))

_SPELLED = (("north", "n"), ("south", "s"), ("east", "e"), ("west", "w"))
_ENDING = re.compile(r"(erly|ern|wards?)$")
_OFFSET = re.compile(r"\d\s*(?:Z|UTC|[+-]\d\d:?\d\d)$", re.IGNORECASE)
_DATE = re.compile(r"^\s*\d{4}-?\d\d")


@dataclass(frozen=True)
class Times:
    """Times by the clock of a record.

    Parameters
    ----------
    local : (n,) datetime64[m]
        NaT where not readable.
    stated : str
        Time zone that the texts themselves state: ``UTC`` or empty.
    """

    local: NDArray[np.datetime64]
    stated: str


def numbers_in(
    texts: Sequence[str],
    marks: Collection[str] = (),
    *,
    comma: bool = False,
    coded: bool = True,
) -> tuple[Array, States]:
    """Texts as numbers.

    Parameters
    ----------
    texts : sequence of str
    marks : collection of str
        Further marks of missing values.
    comma : bool
        Whether numbers may have a decimal comma.
    coded : bool
        Whether `MISSING_NUMBERS` mark missing values.

    Returns
    -------
    values : (n,) float64
        In the unit of the texts; NaN where there is no number.
    states : (n,) int8
        `VALUE`, `MISSING` or `UNREADABLE`.
    """
    words = [text.strip().strip('"') for text in texts]
    plain = [w.replace(",", ".") if comma else w for w in words]
    values = pd.to_numeric(pd.Series(plain, dtype=object), errors="coerce").to_numpy(float)
    missing = np.array([w.casefold() in MISSING_WORDS or w in marks for w in words], bool)
    if coded:
        missing |= np.isin(values, list(MISSING_NUMBERS))
    values = np.where(missing | ~np.isfinite(values), np.nan, values)
    states = np.where(missing, MISSING, np.where(np.isnan(values), UNREADABLE, VALUE))
    return values, states.astype(np.int8)


def compass_point(word: str) -> float | None:
    """Degrees of one of 16 compass points in letters or words; None for other texts.

    Parameters
    ----------
    word : str

    Returns
    -------
    float or None
        Degrees clockwise from north, 0 <= d < 360.

    Examples
    --------
    >>> compass_point("WSW"), compass_point("south-westerly"), compass_point("up")
    (247.5, 225.0, None)
    """
    letters = _ENDING.sub("", re.sub(r"[\s.\-_]", "", word.casefold()))
    for spelled, letter in _SPELLED:
        letters = letters.replace(spelled, letter)
    return 22.5 * POINTS.index(letters) if letters in POINTS else None


def compass_words(direction_deg: float) -> str:
    """The nearest of 8 compass points in words.

    Parameters
    ----------
    direction_deg : float
        Degrees clockwise from north.

    Returns
    -------
    str

    Examples
    --------
    >>> compass_words(60.0), compass_words(350.0)
    ('north-east', 'north')
    """
    letters = POINTS[2 * round(direction_deg / 45.0) % 16]
    words = {letter: word for word, letter in _SPELLED}
    return "-".join(words[letter.casefold()] for letter in letters)


def directions_in_texts(
    texts: Sequence[str], marks: Collection[str] = (), *, comma: bool = False
) -> tuple[Array, States, NDArray[np.bool_]]:
    """Texts as directions: numbers, compass points, calm or variable.

    Parameters
    ----------
    texts, marks, comma
        As for `numbers_in`.

    Returns
    -------
    values : (n,) float64
        Degrees, or tens of degrees where the record counts so.
    states : (n,) int8
        One of `VALUE`, `MISSING`, `UNREADABLE`, `CALM`, `VARIABLE`.
    spelled : (n,) bool
        Which were compass points.
    """
    values, states = numbers_in(texts, marks, comma=comma)
    spelled = np.zeros(len(texts), bool)
    for i in map(int, np.flatnonzero(states != VALUE)):
        word = texts[i].strip().casefold()
        if word in CALM_WORDS and word not in marks:
            states[i] = CALM
        elif word in VARIABLE_WORDS:
            states[i] = VARIABLE
        elif (degrees := compass_point(word)) is not None:
            values[i], states[i], spelled[i] = degrees, VALUE, True
    return values, states, spelled


def times_in(texts: Sequence[str], form: str, where: str) -> Times:
    """Texts as times.

    Parameters
    ----------
    texts : sequence of str
    form : str
        How they are written, as ``%d/%m/%Y %H:%M``; empty for ISO 8601.
    where : str
        What to call the column in errors.

    Returns
    -------
    Times

    Raises
    ------
    InputError
        ``record-bad`` when most cannot be read, or only some state their offset.
    """
    words = pd.Series([text.strip() for text in texts], dtype="str")
    offset = words.str.contains(_OFFSET) & (words.str.len() > 10)
    with_offset = bool(offset.any())
    dated = words[words.str.contains(_DATE)] if not form else words
    if with_offset and not offset[dated.index].all():
        raise InputError(
            "record-bad",
            "Some times state an offset from UTC and others do not.",
            where=where,
            value=str(dated[~offset[dated.index]].iloc[0]),
            hint="Write all times in one form, such as 2017-01-31T13:00Z.",
        )
    found = pd.to_datetime(words, format=form or "ISO8601", errors="coerce", utc=with_offset)
    if found.isna().mean() > 0.5:
        example = str(words[found.isna()].iloc[0])
        raise InputError(
            "record-bad",
            "The times cannot be read.",
            where=where,
            value=example,
            hint="State how they are written with --time-format, such as “%d/%m/%Y %H:%M”.",
        )
    if with_offset:
        found = found.dt.tz_localize(None)
    return Times(found.to_numpy("datetime64[m]"), "UTC" if with_offset else "")


def zone_of(name: str) -> tzinfo:
    """A time zone by its name or its offset from UTC.

    Parameters
    ----------
    name : str
        ``UTC``, an offset such as ``+01:00``, or a name such as ``Europe/Dublin``.

    Returns
    -------
    tzinfo

    Raises
    ------
    InputError
        ``name-unknown``.
    """
    if re.fullmatch(r"(UTC)?[+-]\d\d:\d\d", name):
        fixed = datetime.fromisoformat(f"2000-01-01T00:00{name.removeprefix('UTC')}").tzinfo
        assert fixed is not None
        return fixed
    try:
        return zoneinfo.ZoneInfo("UTC" if name == "Z" else name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            "name-unknown",
            "There is no such time zone.",
            where="time_zone",
            value=name,
            hint="Write UTC, an offset such as +01:00, or a name such as Europe/Dublin.",
        ) from error
