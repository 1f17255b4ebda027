"""The table of hours that `wind-set` writes, checked and as arrays."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import numbers
from shelterscape.science.wind_sectors import Hours
from shelterscape.terms import TERMS

NUMBERS = ("direction_deg", "speed_ms", "gust_ms", "temperature_c", "rain_mm")
COLUMNS = ("station", "time", *NUMBERS)
NEEDED = ("time", "direction_deg", "speed_ms")
MOST_STEP_MINUTES = 180.0
"""Longest interval from which a daily mean is taken (assumed value)."""

HINT = "Give the table hourly of the process wind-set, run with --hourly."


def hours_of(pieces: Iterable[pd.DataFrame], where: str) -> tuple[Hours, list[Notice]]:
    """Check a table of hours.

    Parameters
    ----------
    pieces : iterable of DataFrame
        Rows as texts; columns `COLUMNS`, of which `NEEDED` must be there.
    where : str
        Name of the table in errors.

    Returns
    -------
    hours : Hours
        In order of station and time.
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-bad`` for what is not a number or out of range; ``record-bad`` for times that
        cannot be read, repeated times, intervals of more than three hours, and a table without
        rows.
    """
    parts: list[pd.DataFrame] = []
    names: dict[str, int] = {}
    row = 1
    for piece in pieces:
        parts.append(_part(piece, row, where, names))
        row += len(piece)
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    if not len(rows):
        raise InputError("record-bad", "The table of hours has no rows.", where=where, hint=HINT)
    lost = rows["speed_ms"].isna() | (rows["direction_deg"].isna() & (rows["speed_ms"] > 0))
    notices = []
    if lost.any():
        text = f"{where}: hours without speed, or with wind but without a direction, left out"
        notices.append(Notice("rows-left-out", text, int(lost.sum())))
    rows = rows[~lost].sort_values(["station", "time"], kind="stable")
    return _hours(rows, tuple(names), where), notices


def _part(piece: pd.DataFrame, row: int, where: str, names: dict[str, int]) -> pd.DataFrame:
    """Rows as numbers; new stations are added to `names`."""
    times = pd.to_datetime(piece["time"].str.strip(), format="ISO8601", errors="coerce")
    if times.isna().any() or times.dtype.kind != "M" or getattr(times.dt, "tz", None) is not None:
        bad = int(np.argmax(times.isna())) if times.isna().any() else 0
        raise InputError(
            "record-bad",
            "A time of the table of hours cannot be read.",
            where=f"{where}, row {row + bad}",
            value=str(piece["time"].iloc[bad])[:100],
            hint=f"Write times as 2024-03-01T06:00, without a time zone. {HINT}",
        )
    station = piece["station"] if "station" in piece else pd.Series("", index=piece.index)
    found = {"station": [names.setdefault(name, len(names)) for name in station]}
    numbered = piece.set_axis(range(row - 1, row - 1 + len(piece)))
    values = {name: numbers(numbered, name, TERMS[name], where, row="row") for name in NUMBERS}
    values["direction_deg"] = values["direction_deg"] % 360.0
    return pd.DataFrame({**found, "time": times.to_numpy("datetime64[m]"), **values})


def _hours(rows: pd.DataFrame, stations: tuple[str, ...], where: str) -> Hours:
    time, station = rows["time"].to_numpy("datetime64[m]"), rows["station"].to_numpy(np.int64)
    same = np.diff(station) == 0
    steps = np.diff(time).astype("timedelta64[m]").astype(np.int64)[same]
    if (steps == 0).any():
        at = time[1:][same][int(np.argmax(steps == 0))]
        raise InputError(
            "record-bad",
            "The table of hours holds a time twice.",
            where=where,
            value=str(at),
            hint=f"Remove one of the two rows. {HINT}",
        )
    step = float(np.median(steps)) if len(steps) else 60.0
    if step > MOST_STEP_MINUTES:
        raise InputError(
            "record-bad",
            "The rows of the table of hours are too far apart.",
            where=where,
            value=f"{step:g} minutes between most of them",
            hint=f"Give values of every {MOST_STEP_MINUTES:g} minutes or less. {HINT}",
        )
    values = {name: rows[name].to_numpy(float) for name in NUMBERS}
    return Hours(
        time=time,
        station=station,
        **values,
        report_deg=0.0,
        step_minutes=step,
        stations=stations,
    )
