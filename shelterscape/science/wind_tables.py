"""Check tables of wind directions and divide them into wind sets."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import numbers
from shelterscape.science.wind import (
    ASSUMED_MEASURED_HEIGHT_M,
    ASSUMED_MEASURED_ROUGHNESS_M,
    ASSUMED_WEIBULL_K,
    WindSet,
)
from shelterscape.terms import TERMS

_MEASURED = {
    "measured_height_m": ("measured_height_m", ASSUMED_MEASURED_HEIGHT_M, 0.5, 300.0),
    "roughness_m": ("measured_roughness_m", ASSUMED_MEASURED_ROUGHNESS_M, 0.00001, 5.0),
}
"""Header lines that state how the wind was measured: field, usual value, lowest and highest, m."""

COLUMNS = ("direction_deg", "frequency", "mean_speed_ms", "weibull_k")
POINTS = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse",
          "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")  # fmt: skip
_TERM_OF = dict(zip(COLUMNS, ("direction", "frequency", "mean_speed", "weibull_k"), strict=True))

SMALLEST_RUN_MS = 1e-3
"""Least mean speed over a wind set, m/s, with which its directions can be weighted."""


def wind_sets(
    frame: pd.DataFrame, where: str, header: Mapping[str, str] | None = None
) -> tuple[dict[str, WindSet], list[Notice]]:
    """Check a table of wind directions and divide it into its subsets.

    Parameters
    ----------
    frame : DataFrame
        Columns as in ``winds.csv``: ``subset`` (optional), ``direction_deg`` (degrees, or the word
        calm), ``frequency``, ``mean_speed_ms`` and ``weibull_k`` (optional).
    where : str
        What to call the table in errors.
    header : mapping of str, optional
        Header lines of the table: ``measured_height_m`` and ``roughness_m`` are used, and
        ``north`` must be ``true`` where it is given.

    Returns
    -------
    sets : dict
        `WindSet` by subset name, the empty name being the whole record.
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-missing``; ``winds-bad`` for values out of range, repeated directions, frequencies
        that do not sum to 1 within 0.01, speeds for some directions only, and no wind at all.
    """
    _check_north(header or {}, where)
    _check_columns(list(map(str, frame.columns)), where)
    names = frame["subset"].fillna("").astype(str).str.strip() if "subset" in frame else ""
    notices: list[Notice] = []
    if unread := [str(c) for c in frame.columns if c not in (*COLUMNS, "subset")]:
        text = f"{where}: columns not made use of: {', '.join(unread)}"
        notices.append(Notice("columns-ignored", text, len(unread)))
    sets = {}
    for key, part in frame.assign(subset=names).groupby("subset", sort=False):
        name = str(key)
        here = f"{where}, subset “{name}”" if name else where
        sets[name] = _one_set(name, part, here, notices)
    if not sets:
        raise InputError(
            "winds-bad",
            "The wind set holds no rows.",
            where=where,
            mend="Add a row for each direction.",
        )
    measured, more = _measured(header or {}, where)
    if header is not None and any(one.speeds_known for one in sets.values()):
        notices += more
    return {name: replace(one, **measured) for name, one in sets.items()}, notices


def _check_north(header: Mapping[str, str], where: str) -> None:
    north = header.get("north", "true")
    if north.casefold() != "true":
        raise InputError(
            "winds-bad",
            "Directions must count from true north.",
            where=f"{where}, line north",
            value=north,
            mend="Turn them by the angle between the two, then write north: true.",
        )


def _check_columns(columns: list[str], where: str) -> None:
    missing = [c for c in ("direction_deg", "frequency") if c not in columns]
    if missing:
        one = len(columns) == 1 and any(mark in columns[0] for mark in ";\t|")
        raise InputError(
            "column-missing",
            f"The wind set lacks {' and '.join(missing)}.",
            where=where,
            value=", ".join(columns),
            mend="Save it with a comma between columns."
            if one
            else "Name the columns direction_deg, frequency, mean_speed_ms and weibull_k.",
        )
    speeds = [c for c in columns if "speed" in c.casefold()]
    if speeds and "mean_speed_ms" not in columns:
        raise InputError(
            "column-missing",
            "The wind set has speeds, but none in metres per second.",
            where=where,
            value=", ".join(speeds),
            mend="Name the column mean_speed_ms and give m/s: a knot is 0.514 m/s, a mile per hour "
            "0.447, a kilometre per hour 0.278.",
        )


def _measured(header: Mapping[str, str], where: str) -> tuple[dict[str, Any], list[Notice]]:
    """Height and roughness a table says it was measured at, or what is usual."""
    found: dict[str, Any] = {}
    notices = []
    for key, (field, assumed, low, high) in _MEASURED.items():
        if key not in header:
            notices.append(Notice("value-assumed", f"{where}: {key} taken as {assumed:g}"))
        try:
            value = float(header.get(key, assumed))
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise InputError(
                "winds-bad",
                f"The line “# {key}:” must hold a number from {low:g} to {high:g} m.",
                where=where,
                value=header[key],
                mend="Write how the wind was measured, or leave the line out.",
            )
        found[field] = value
    if found["measured_height_m"] <= 2 * found["measured_roughness_m"]:
        raise InputError(
            "winds-bad",
            "The height the wind was measured at is too low for the roughness named with it.",
            where=where,
            value=f"{found['measured_height_m']:g} m over {found['measured_roughness_m']:g} m",
            mend="Correct the lines measured_height_m and roughness_m.",
        )
    return found, notices


def _one_set(name: str, part: pd.DataFrame, where: str, notices: list[Notice]) -> WindSet:
    is_calm = part["direction_deg"].astype(str).str.strip().str.lower() == "calm"
    columns = {c: _numbers(part[~is_calm], c, where) for c in COLUMNS}
    calm = float(_numbers(part[is_calm], "frequency", where).sum())
    _check_directions(columns["direction_deg"], where)
    total = float(columns["frequency"].sum()) + calm
    if abs(total - 1.0) > 0.01 or not columns["frequency"].sum() > 0:
        percent = " They look like percent: divide by 100." if 99 <= total <= 101 else ""
        raise InputError(
            "winds-bad",
            "Frequencies, calm included, must sum to 1 within a subset.",
            where=where,
            value=round(total, 4),
            mend=f"Give each as a share of the time.{percent}",
        )
    if abs(total - 1.0) > 1e-6:
        notices.append(
            Notice("frequencies-scaled", f"{where}: frequencies summed to {total:.4f}; scaled to 1")
        )
    speeds = _speeds(columns, part[~is_calm].index.to_numpy(), where, notices)
    # Without speeds all count the same; with speeds that are all nought none would count at all.
    run = float((columns["frequency"] * speeds).sum())
    if run < SMALLEST_RUN_MS:
        raise InputError(
            "winds-bad",
            "No direction of the wind set brings any wind.",
            where=where,
            value=run,
            mend="Give the mean speeds in m/s, or leave the column mean_speed_ms out.",
        )
    k = columns["weibull_k"]
    assumed = np.isnan(k) & np.isfinite(speeds)
    if assumed.any():
        text = f"{where}: Weibull shape taken as {ASSUMED_WEIBULL_K:g}"
        notices.append(Notice("value-assumed", text, int(assumed.sum())))
    return WindSet(
        name,
        columns["direction_deg"] % 360.0,
        columns["frequency"] / total,
        speeds,
        np.where(np.isnan(k), ASSUMED_WEIBULL_K, k),
        calm / total,
    )


def _check_directions(given: NDArray[np.float64], where: str) -> None:
    again = pd.Series(given % 360.0).duplicated().to_numpy()
    if len(given) and not again.any():
        return
    raise InputError(
        "winds-bad",
        "A wind set needs at least one direction, and each only once.",
        where=where,
        value=float(given[np.argmax(again)]) if len(given) else "no direction",
        mend="Add up the rows of a repeated direction (0 and 360 are the same)."
        if len(given)
        else "Add a row for each direction.",
    )


def _speeds(
    columns: dict[str, NDArray[np.float64]],
    rows: NDArray[np.int64],
    where: str,
    notices: list[Notice],
) -> NDArray[np.float64]:
    """Mean speeds of all directions or of none: some without would make all of them useless."""
    # From where it never blows there is no mean speed to give.
    speeds = np.where(columns["frequency"] == 0, 0.0, columns["mean_speed_ms"])
    lacking = np.isnan(speeds)
    if not lacking.any():
        return speeds
    if not np.isfinite(columns["mean_speed_ms"]).any():
        text = f"{where}: no mean speeds; winds from all directions count as equally fast"
        notices.append(Notice("value-assumed", text, len(speeds)))
        return columns["mean_speed_ms"]
    raise InputError(
        "winds-bad",
        "mean_speed_ms is given for some directions and not for others.",
        where=f"{where}, row {rows[int(np.argmax(lacking))] + 1}",
        value="nothing",
        mend="Fill in the missing mean speed, or leave all of them out.",
    )


def _numbers(part: pd.DataFrame, column: str, where: str) -> NDArray[np.float64]:
    """A column as numbers within the range of its term; NaN where it is not given."""
    return numbers(
        part,
        column,
        TERMS[_TERM_OF[column]],
        where,
        code="winds-bad",
        row="row",
        needed=column in ("direction_deg", "frequency"),
        # A percent is caught later by its sum, with a better message than a range can give.
        high=100.0 if column == "frequency" else None,
        spelled={w: 22.5 * i for i, w in enumerate(POINTS)} if column == "direction_deg" else None,
    )
