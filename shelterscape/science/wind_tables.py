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
"""Header lines of a measurement: field, default, lowest and highest value, m."""

COLUMNS = ("direction_deg", "frequency", "mean_speed_ms", "weibull_k")
POINTS = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse",
          "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")  # fmt: skip
SMALLEST_RUN_MS = 1e-3
"""Smallest mean speed of a wind set from which weights can be calculated, m/s."""


def wind_sets(
    frame: pd.DataFrame, where: str, header: Mapping[str, str] | None = None
) -> tuple[dict[str, WindSet], list[Notice]]:
    """Check a table of wind directions and divide it into its subsets.

    Parameters
    ----------
    frame : DataFrame
        Columns ``direction_deg`` (degrees, or the word calm) and ``frequency``; optional:
        ``subset``, ``mean_speed_ms`` and ``weibull_k``.
    where : str
        Name of the table in errors.
    header : mapping of str, optional
        Header lines of the table. ``measured_height_m``, ``roughness_m`` and
        ``frequency_uncertainty`` (with ``_`` and the subset behind it) are used; ``north``
        must be ``true`` where it is given.

    Returns
    -------
    sets : dict
        `WindSet` by subset name; the whole record has an empty name.
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-missing`` without direction or frequency. ``winds-bad`` for values out of range,
        duplicate directions, frequencies that do not sum to 1 within 0.01, speeds for some
        directions only, and a wind set without any wind.
    """
    _check_north(header or {}, where)
    _check_columns(list(map(str, frame.columns)), where)
    names = frame["subset"].astype("string").fillna("").str.strip() if "subset" in frame else ""
    notices: list[Notice] = []
    if unread := [str(c) for c in frame.columns if c not in (*COLUMNS, "subset")]:
        text = f"{where}: columns not used: {', '.join(unread)}"
        notices.append(Notice("columns-ignored", text, len(unread)))
    sets = {}
    for key, part in frame.assign(subset=names).groupby("subset", sort=False):
        name = str(key)
        here = f"{where}, subset “{name}”" if name else where
        sets[name] = _one_set(name, part, here, notices)
    if not sets:
        raise InputError(
            "winds-bad",
            "The wind set has no rows.",
            where=where,
            hint="Add a row for each wind direction.",
        )
    measured, more = _measured(header or {}, where)
    if header is not None and any(one.speeds_known for one in sets.values()):
        notices += more
    spread = {name: _uncertainty(name, header or {}, where) for name in sets}
    return {
        name: replace(one, **measured, frequency_uncertainty=spread[name])
        for name, one in sets.items()
    }, notices


def _uncertainty(name: str, header: Mapping[str, str], where: str) -> float:
    """Relative uncertainty of the frequencies that a table states for a subset; NaN for none."""
    key = f"frequency_uncertainty_{name}" if name else "frequency_uncertainty"
    try:
        value = float(header.get(key, "nan"))
    except ValueError:
        value = -1.0
    if value < 0 or math.isinf(value):
        raise InputError(
            "winds-bad",
            f"The line “# {key}:” must hold a number of 0 or more.",
            where=where,
            value=header[key],
            hint="Write the relative standard deviation, such as 0.1, or leave the line out.",
        )
    return value


def _check_north(header: Mapping[str, str], where: str) -> None:
    north = header.get("north", "true")
    if north.casefold() != "true":
        raise InputError(
            "winds-bad",
            "Wind directions must be measured from true north.",
            where=f"{where}, line north",
            value=north,
            hint="Convert the directions to true north, then write north: true.",
        )


def _check_columns(columns: list[str], where: str) -> None:
    missing = [c for c in ("direction_deg", "frequency") if c not in columns]
    if missing:
        one = len(columns) == 1 and any(mark in columns[0] for mark in ";\t|")
        raise InputError(
            "column-missing",
            f"The wind set lacks {' and '.join(missing)}.",
            where=where,
            # Not the headings: the file may be a private one that was named by mistake.
            value=f"{len(columns)} columns",
            hint="Save the table with commas between columns."
            if one
            else "Name the columns direction_deg, frequency, mean_speed_ms and weibull_k.",
        )
    speeds = [c for c in columns if "speed" in c.casefold()]
    if speeds and "mean_speed_ms" not in columns:
        raise InputError(
            "column-missing",
            "The wind set has speeds, but no column mean_speed_ms.",
            where=where,
            value=", ".join(speeds),
            hint="Convert the speeds to m/s and name the column mean_speed_ms: 1 knot is 0.514 "
            "m/s, 1 mile per hour 0.447 m/s, 1 km/h 0.278 m/s.",
        )


def _measured(header: Mapping[str, str], where: str) -> tuple[dict[str, Any], list[Notice]]:
    """Height and roughness length of the measurement: those of the header, or defaults."""
    found: dict[str, Any] = {}
    notices = []
    for key, (field, assumed, low, high) in _MEASURED.items():
        if key not in header:
            text = f"{where}: no {key} given, {assumed:g} m used"
            notices.append(Notice("value-assumed", text))
        try:
            value = float(header.get(key, assumed))
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise InputError(
                "winds-bad",
                f"The line “# {key}:” must give a number between {low:g} and {high:g} m.",
                where=where,
                value=header[key],
                hint="Give the value of the measurement in metres, or remove the line.",
            )
        found[field] = value
    if found["measured_height_m"] <= 2 * found["measured_roughness_m"]:
        raise InputError(
            "winds-bad",
            "The height of measurement must be more than twice the roughness length.",
            where=where,
            value=f"height {found['measured_height_m']:g} m, "
            f"roughness length {found['measured_roughness_m']:g} m",
            hint="Correct the lines measured_height_m and roughness_m.",
        )
    return found, notices


def _one_set(name: str, part: pd.DataFrame, where: str, notices: list[Notice]) -> WindSet:
    is_calm = part["direction_deg"].astype(str).str.strip().str.lower() == "calm"
    columns = {c: _numbers(part[~is_calm], c, where) for c in COLUMNS}
    calm = float(_numbers(part[is_calm], "frequency", where).sum())
    _check_directions(columns["direction_deg"], where)
    total = float(columns["frequency"].sum()) + calm
    if abs(total - 1.0) > 0.01 or not columns["frequency"].sum() > 0:
        percent = 99 <= total <= 101
        raise InputError(
            "winds-bad",
            "Frequencies, including calm, must sum to 1 in each subset.",
            where=where,
            value=f"a sum of {total:.4f}",
            hint="Divide the frequencies by 100: these seem to be percentages."
            if percent
            else "Give each frequency as a share of the time, 0 to 1.",
        )
    if abs(total - 1.0) > 1e-6:
        notices.append(
            Notice("frequencies-scaled", f"{where}: frequencies summed to {total:.4f}; scaled to 1")
        )
    speeds = _speeds(columns, part[~is_calm].index.to_numpy(), where, notices)
    # Without speeds (NaN) frequencies are the weights; with speeds of 0 there would be no weights.
    run = float((columns["frequency"] * speeds).sum())
    if run < SMALLEST_RUN_MS:
        raise InputError(
            "winds-bad",
            "All mean speeds of the wind set are 0.",
            where=where,
            value=run,
            hint="Give mean speeds in m/s, or remove the column mean_speed_ms.",
        )
    k = columns["weibull_k"]
    assumed = np.isnan(k) & np.isfinite(speeds)
    if assumed.any():
        text = f"{where}: no Weibull shape given, {ASSUMED_WEIBULL_K:g} used"
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
        "A wind direction is given more than once."
        if len(given)
        else "The wind set has no wind direction.",
        where=where,
        value=float(given[np.argmax(again)]) if len(given) else "no direction",
        hint="Combine the rows of this direction into one (0 and 360 are the same)."
        if len(given)
        else "Add a row for each wind direction.",
    )


def _speeds(
    columns: dict[str, NDArray[np.float64]],
    rows: NDArray[np.int64],
    where: str,
    notices: list[Notice],
) -> NDArray[np.float64]:
    """Mean speeds of all directions, or of none: weights need the speed of every direction."""
    # A direction with frequency 0 has no mean speed.
    speeds = np.where(columns["frequency"] == 0, 0.0, columns["mean_speed_ms"])
    lacking = np.isnan(speeds)
    if not lacking.any():
        return speeds
    if not np.isfinite(columns["mean_speed_ms"]).any():
        text = f"{where}: no mean speeds given; directions weighted by frequency alone"
        notices.append(Notice("value-assumed", text, len(speeds)))
        return columns["mean_speed_ms"]
    raise InputError(
        "winds-bad",
        "mean_speed_ms is given for some directions only.",
        where=f"{where}, row {rows[int(np.argmax(lacking))] + 1}",
        value="nothing",
        hint="Fill in the missing mean speeds, or remove the column mean_speed_ms.",
    )


def _numbers(part: pd.DataFrame, column: str, where: str) -> NDArray[np.float64]:
    """A column as numbers, checked against the range of its term; NaN where not given."""
    return numbers(
        part,
        column,
        TERMS[column],
        where,
        code="winds-bad",
        row="row",
        needed=column in ("direction_deg", "frequency"),
        # Percentages pass here: the check of the sum recognises them and has a better hint.
        high=100.0 if column == "frequency" else None,
        spelled={w: 22.5 * i for i, w in enumerate(POINTS)} if column == "direction_deg" else None,
    )
