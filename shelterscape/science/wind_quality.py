"""Quality control of weather records: every row is used, or left out for a counted reason."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science import wind_texts
from shelterscape.science.wind_records import RecordOptions, Rows
from shelterscape.science.wind_sectors import Hours
from shelterscape.science.wind_texts import CALM, MISSING, UNREADABLE, VALUE, VARIABLE

Mask = NDArray[np.bool_]

FASTEST_MS = 75.0
"""Mean speed above which a value is impossible, m/s (assumed value; means above 60 m/s have been
measured in the strongest tropical cyclones only)."""

STUCK_HOURS = 24.0
"""Hours of unchanged direction and speed from which a sensor counts as stuck (assumed value)."""

STUCK_CALM_HOURS = 120.0
"""The same of calm: five days (assumed value)."""

WARMEST_C, COLDEST_C = 60.0, -90.0
"""Air temperatures that can occur (rounded records of the world; common practice)."""

LONGEST_STEP_MINUTES = 180.0
"""Longest interval between values: a mean wind over a day has no direction."""

ALL_STATIONS = "all"
SHOWN_ROWS = 3
SHOWN_STATIONS = 12

LEFT_OUT = (
    "time not readable",
    "hour that does not exist, at a clock change",
    "repeated hour with the same values",
    "repeated hour at a clock change",
    "repeated hour with other values",
    "speed not readable",
    "direction not readable",
    "impossible speed",
    "impossible direction",
    "direction 0 (calm) with a speed",
    "no wind measured",
    "direction without speed",
    "variable direction",
    "speed without direction",
    "stuck sensor: direction and speed unchanged",
    "stuck sensor: calm",
)
"""Reasons to leave a row out; the first that fits counts."""

TREATMENT = "left out"
KEPT, EMPTIED, ABSENT = "kept", "temperature left out", "no row"


@dataclass(frozen=True)
class CheckedRecord:
    """A record after quality control.

    Parameters
    ----------
    hours : Hours
        Usable values of the stations wanted.
    findings : DataFrame
        ``station``, ``finding``, ``value_count``, ``treatment``, ``first_rows`` and ``example``.
    stations : DataFrame
        Every station of the record: ``station``, ``row_count``, ``usable_share``, ``calm``,
        ``mean_speed_ms``, ``first_time``, ``last_time`` and ``station_used``.
    row_count : int
        Rows of the stations wanted.
    zone : str
        Time zone of the clock; empty when unknown.
    """

    hours: Hours
    findings: pd.DataFrame
    stations: pd.DataFrame
    row_count: int
    zone: str


def check_record(
    rows: Rows, options: RecordOptions, where: str
) -> tuple[CheckedRecord, list[Notice]]:
    """Find what is wrong with a record, leave it out and count it.

    Parameters
    ----------
    rows : Rows
    options : RecordOptions
    where : str
        What to call the record in errors.

    Returns
    -------
    record : CheckedRecord
    notices : list of Notice

    Raises
    ------
    InputError
        ``name-unknown`` for a station that is not in the record, or none named where there are
        several; ``record-short`` for a station without wind data; ``record-bad`` for values
        further apart than `LONGEST_STEP_MINUTES`.
    """
    key = _time_keys(rows)
    order = np.lexsort((key, rows.station))
    reason, calm = _reasons(rows, key, order)
    usable = reason < 0
    table = _stations_table(rows, usable, calm)
    wanted = _wanted(table, options.stations, where)
    table["station_used"] = np.where(wanted[table["index_of"]], "yes", "no")
    mine = wanted[rows.station]
    step = _step_minutes(rows, key, order, mine, where)
    reason = _with_stuck(rows, key, order, reason, calm, step)
    kept = order[(mine & (reason < 0))[order]]
    shares = _shares(rows.station, reason < 0, len(rows.stations))
    table["usable_share"] = shares[table["index_of"]]
    if not len(kept):
        raise _without_data(where, table)
    hours, bad_c = _hours(rows, kept, calm, options.declination_deg, step)
    found = list(_findings(rows, reason, mine))
    found += _more_findings(rows, key, order, mine, bad_c, step)
    columns = ["station", "finding", "value_count", "treatment", "first_rows", "example"]
    findings = pd.DataFrame(found, columns=columns)
    notices = _notices(findings, table, mine.sum(), where, rows, options)
    shown = table.drop(columns="index_of")
    return CheckedRecord(hours, findings, shown, int(mine.sum()), rows.zone), notices


def _time_keys(rows: Rows) -> NDArray[np.int64]:
    """Minutes by a clock that never repeats an hour; the least number where there is none."""
    name = rows.zone
    if not name or name in ("UTC", "Z") or name[-3:-2] == ":":
        return rows.local.astype("datetime64[m]").astype(np.int64)
    known = pd.DataFrame({"station": rows.station, "time": rows.local})
    first = ~known.duplicated().to_numpy()
    stamps = pd.DatetimeIndex(rows.local.astype("datetime64[s]"))
    fixed = stamps.tz_localize(wind_texts.zone_of(name), ambiguous=first, nonexistent="NaT")
    plain = fixed.tz_convert("UTC").tz_localize(None).to_numpy("datetime64[m]")
    return plain.astype(np.int64)


_NO_TIME = np.datetime64("NaT", "m").astype(np.int64)


def _reasons(
    rows: Rows, key: NDArray[np.int64], order: NDArray[np.int64]
) -> tuple[NDArray[np.int8], Mask]:
    """Number in `LEFT_OUT` of each row, -1 for usable ones; and which rows are calm."""
    degrees, ms = rows.direction_deg, rows.speed_ms
    known, has_speed = rows.direction_state == VALUE, rows.speed_state == VALUE
    blowing = has_speed & (ms > 0)
    zero_is_calm = bool((known & (degrees == 360.0) & blowing).any())
    code_calm = (rows.direction_state == CALM) | (known & (degrees == 0.0) & zero_is_calm)
    calm = (has_speed & (ms == 0)) | (code_calm & (rows.speed_state == MISSING))
    unread = np.isnat(rows.local)
    same, again = _repeated(rows, key, order)
    fits = (
        unread,
        ~unread & (key == _NO_TIME),
        again & same,
        again & _at_clock_change(rows.local) & (not rows.zone),
        again,
        rows.speed_state == UNREADABLE,
        rows.direction_state == UNREADABLE,
        has_speed & ((ms < 0) | (ms > FASTEST_MS)),
        known & ((degrees < 0) | (degrees > 360)),
        code_calm & blowing,
        (rows.direction_state == MISSING) & (rows.speed_state == MISSING),
        (rows.direction_state != MISSING) & (rows.speed_state == MISSING) & ~calm,
        (rows.direction_state == VARIABLE) & blowing,
        (rows.direction_state == MISSING) & blowing,
    )
    reason = np.full(len(ms), -1, np.int8)
    for number in reversed(range(len(fits))):
        reason[fits[number]] = number
    return reason, calm


def _repeated(rows: Rows, key: NDArray[np.int64], order: NDArray[np.int64]) -> tuple[Mask, Mask]:
    """Rows with the values of the row before at the same hour, and all but the first of an hour."""
    hour, station = key[order], rows.station[order]
    again = np.zeros(len(order), bool)
    again[1:] = (hour[1:] == hour[:-1]) & (station[1:] == station[:-1]) & (hour[1:] != _NO_TIME)
    same = again.copy()
    for name in ("direction", "speed"):
        codes = rows.texts[name][0][order]
        same[1:] &= codes[1:] == codes[:-1]
    found = np.zeros((2, len(order)), bool)
    found[:, order] = same, again
    return found[0], found[1]


def _at_clock_change(local: NDArray[np.datetime64]) -> Mask:
    """Hours up to three on a Sunday of spring or autumn, when clocks are changed."""
    day, month = local.astype("datetime64[D]"), local.astype("datetime64[M]").astype(np.int64)
    # The first day of 1970 was a Thursday.
    sunday = (day.astype(np.int64) + 4) % 7 == 0
    early = (local - day) <= np.timedelta64(180, "m")
    return sunday & early & np.isin(month % 12 + 1, (3, 4, 9, 10, 11))


def _stations_table(rows: Rows, usable: Mask, calm: Mask) -> pd.DataFrame:
    """Rows, share of usable ones and usual wind of every station, in order of name."""
    count, station = len(rows.stations), rows.station
    used = np.bincount(station[usable], minlength=count)
    total = np.bincount(station, minlength=count)
    speed = np.bincount(station[usable], rows.speed_ms[usable], minlength=count)
    still = np.bincount(station[usable & calm], minlength=count)
    times = pd.Series(rows.local.astype("datetime64[s]")).groupby(station).agg(["min", "max"])
    with np.errstate(invalid="ignore"):
        table = pd.DataFrame(
            {
                "station": rows.stations,
                "row_count": total,
                "usable_share": _shares(station, usable, count),
                "calm": still / used,
                "mean_speed_ms": speed / used,
                "index_of": range(count),
            }
        )
    for column, bound in (("first_time", "min"), ("last_time", "max")):
        table[column] = times[bound].reindex(range(count)).dt.strftime("%Y-%m-%dT%H:%M").fillna("")
    return table.sort_values("station", kind="stable")


def _shares(station: NDArray[np.int32], usable: Mask, count: int) -> NDArray[np.float64]:
    total = np.bincount(station, minlength=count)
    return np.bincount(station[usable], minlength=count) / np.maximum(total, 1)


def _wanted(table: pd.DataFrame, names: tuple[str, ...], where: str) -> Mask:
    """Which stations are wanted, by number."""
    empty = table["usable_share"] == 0
    if ALL_STATIONS in names or (not names and len(table) == 1):
        return np.ones(len(table), bool)
    listed = [f"{name} (no wind data)" if e else name for name, e in zip(
        table["station"], empty, strict=True)]  # fmt: skip
    hint = f"Use one of: {', '.join(listed)}."
    if not names:
        raise InputError(
            "name-unknown",
            f"The record holds {len(table)} stations; choose one with --station.",
            where=where,
            value=", ".join(map(str, table["station"][:SHOWN_STATIONS])),
            hint=hint,
        )
    for name in names:
        if name not in set(table["station"]):
            raise InputError(
                "name-unknown",
                "The record has no such station.",
                where=where,
                value=name,
                hint=hint,
            )
        if bool(empty[table["station"] == name].any()):
            raise InputError(
                "record-short",
                "The station has no wind data.",
                where=where,
                value=name,
                hint=hint,
            )
    wanted = np.zeros(len(table), bool)
    wanted[table["index_of"][table["station"].isin(names)]] = True
    return wanted


def _without_data(where: str, table: pd.DataFrame) -> InputError:
    return InputError(
        "record-short",
        "No row of the record can be used.",
        where=where,
        value=f"{int(table['row_count'].sum()):,} rows",
        hint="Check the columns named with --field, and the units.",
    )


def _step_minutes(
    rows: Rows, key: NDArray[np.int64], order: NDArray[np.int64], mine: Mask, where: str
) -> float:
    """The usual interval between values."""
    used = order[(mine & (key != _NO_TIME))[order]]
    apart = np.diff(key[used])
    apart = apart[(apart > 0) & (np.diff(rows.station[used]) == 0)]
    if not len(apart):
        raise InputError(
            "record-bad",
            "The record has no two rows of different time.",
            where=where,
            value=f"{int(mine.sum())} rows",
            hint="Check the column of times named with --field record.time=COLUMN.",
        )
    steps, counts = np.unique(apart, return_counts=True)
    step = float(steps[np.argmax(counts)])
    if step > LONGEST_STEP_MINUTES:
        raise InputError(
            "record-bad",
            "The values of the record are too far apart.",
            where=where,
            value=f"{step / 60:g} hours",
            hint="Give hourly or ten-minute values; daily means have no wind direction.",
        )
    return step


def _with_stuck(
    rows: Rows,
    key: NDArray[np.int64],
    order: NDArray[np.int64],
    reason: NDArray[np.int8],
    calm: Mask,
    step: float,
) -> NDArray[np.int8]:
    """Reasons with those of long runs of equal values added."""
    used = order[(reason < 0)[order]]
    if not len(used):
        return reason
    still = calm[used]
    direction = np.where(still, -1.0, rows.direction_deg[used])
    same = (
        (np.diff(direction) == 0)
        & (np.diff(rows.speed_ms[used]) == 0)
        & (np.diff(rows.station[used]) == 0)
        & (np.diff(key[used]) <= 1.5 * step)
    )
    run = np.concatenate([[0], np.cumsum(~same)])
    hours = np.bincount(run)[run] * step / 60.0
    changed = reason.copy()
    changed[used[(hours >= STUCK_HOURS) & ~still]] = len(LEFT_OUT) - 2
    changed[used[(hours >= STUCK_CALM_HOURS) & still]] = len(LEFT_OUT) - 1
    return changed


def _hours(
    rows: Rows, kept: NDArray[np.int64], calm: Mask, declination_deg: float, step: float
) -> tuple[Hours, Mask]:
    """Usable values, and rows whose temperature is impossible."""
    degrees = (rows.direction_deg[kept] + declination_deg) % 360.0
    celsius = rows.temperature_c[kept]
    bad = (celsius < COLDEST_C) | (celsius > WARMEST_C)
    bad_rows = np.zeros(len(rows.station), bool)
    bad_rows[kept[bad]] = True
    wet = rows.rain_mm[kept]
    hours = Hours(
        rows.local[kept],
        rows.station[kept],
        np.where(calm[kept], np.nan, degrees),
        np.where(calm[kept], 0.0, rows.speed_ms[kept]),
        rows.gust_ms[kept],
        np.where(bad, np.nan, celsius),
        np.where(wet < 0, np.nan, wet),
        rows.report_deg,
        step,
        rows.stations,
    )
    return hours, bad_rows


def _findings(rows: Rows, reason: NDArray[np.int8], mine: Mask) -> Iterator[tuple[object, ...]]:
    """One line for each station and reason."""
    at = np.flatnonzero(mine & (reason >= 0))
    pairs = rows.station[at].astype(np.int64) * len(LEFT_OUT) + reason[at]
    for pair in np.unique(pairs):
        station, number = divmod(int(pair), len(LEFT_OUT))
        yield _line(rows, at[pairs == pair], station, LEFT_OUT[number], TREATMENT)


def _line(
    rows: Rows, at: NDArray[np.int64], station: int, finding: str, treatment: str
) -> tuple[object, ...]:
    shown = "; ".join(rows.row_name(int(row)) for row in at[:SHOWN_ROWS])
    cells = [rows.texts[name][1][rows.texts[name][0][at[0]]] for name in
             ("time", "direction", "speed")]  # fmt: skip
    example = f"time {cells[0]}, direction {cells[1] or '-'}, speed {cells[2] or '-'}"
    return rows.stations[station], finding, len(at), treatment, shown, example


def _more_findings(
    rows: Rows,
    key: NDArray[np.int64],
    order: NDArray[np.int64],
    mine: Mask,
    bad_c: Mask,
    step: float,
) -> Iterator[tuple[object, ...]]:
    """Hours that were separated, temperatures left out, and missing rows."""
    twice = pd.DataFrame({"s": rows.station, "t": rows.local}).duplicated().to_numpy()
    used = order[(mine & (key != _NO_TIME))[order]]
    apart = np.zeros(len(key), bool)
    same_hour = (np.diff(key[used]) == 0) & (np.diff(rows.station[used]) == 0)
    apart[used[1:][same_hour]] = True
    separated = twice & ~apart & mine & (key != _NO_TIME) & ~np.isnat(rows.local)
    for station in np.unique(rows.station[mine]):
        own = rows.station == station
        if (both := np.flatnonzero(separated & own)).size:
            text = "repeated hour at a clock change, separated by the time zone"
            yield _line(rows, both, int(station), text, KEPT)
        if (warm := np.flatnonzero(bad_c & own)).size:
            yield _line(rows, warm, int(station), "impossible temperature", EMPTIED)
        hours = np.unique(key[used][rows.station[used] == station])
        gaps = np.round(np.diff(hours) / step).astype(int) - 1
        if len(gaps) and gaps.max() > 0:
            at = int(np.argmax(gaps))
            when = np.datetime64(int(hours[at]), "m")
            example = f"longest gap {gaps[at] * step / 60:g} h, after {when}"
            missing = int(gaps[gaps > 0].sum())
            yield rows.stations[station], "missing rows (gaps)", missing, ABSENT, "", example


def _notices(
    findings: pd.DataFrame,
    table: pd.DataFrame,
    count: int,
    where: str,
    rows: Rows,
    options: RecordOptions,
) -> list[Notice]:
    notices = []
    left_out = findings[findings["treatment"] == TREATMENT]
    if lost := int(left_out["value_count"].sum()):
        sums = left_out.groupby("finding", sort=False)["value_count"].sum()
        parts = ", ".join(f"{name} {n:,}" for name, n in sums.items())
        text = f"{where}: {lost:,} of {count:,} rows left out: {parts}"
        notices.append(Notice("rows-left-out", text, lost))
    empty = table[(table["usable_share"] == 0) & (len(table) > 1)]
    if len(empty):
        text = f"{where}: stations without wind data: {', '.join(empty['station'])}"
        notices.append(Notice("stations-empty", text, len(empty)))
    changes = findings["finding"] == LEFT_OUT[3]
    if changes.any():
        text = (
            f"{where}: repeated hours at a clock change; give --time-zone (such as "
            "Europe/Dublin) to keep both"
        )
        notices.append(Notice("clock-changes", text, int(findings["value_count"][changes].sum())))
    return notices
