"""Survey of belts on foot: its table, checked cell by cell, and heights from clinometer angles."""

from __future__ import annotations

from typing import NoReturn, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.columns import numbers, words
from shelterscape.science.season_words import season_from
from shelterscape.science.wind_texts import compass_point
from shelterscape.terms import TERMS

READ_COLUMNS = (
    "name",
    "from_end",
    "along_m",
    "clinometer_distance_m",
    "angle_up_deg",
    "angle_down_deg",
    "eye_height_m",
    "height_m",
    "season",
    "porosity",
    "bare_stem_m",
    "gap_from_m",
    "gap_to_m",
    "species",
    "condition",
)
"""Columns of the table of a survey, in the order of the form."""

_TEXTS = ("name", "from_end", "season", "species", "condition")
_MEASURES = tuple(column for column in READ_COLUMNS if column not in _TEXTS)
_FILLED = ("name", "from_end", "along_m", "season", "eye_height_m")
"""Columns that the form fills in: a row with nothing else was not surveyed."""

START, END = "start", "end"
"""Ends of a line in the order in which it was drawn."""

Angles = TypeVar("Angles", float, NDArray[np.float64])


def height_by_angles(distance_m: Angles, up_deg: Angles, down_deg: Angles) -> Angles:
    """Height of a tree from two angles at one point, on level ground or a slope.

    Parameters
    ----------
    distance_m : float or (n,) float64
        Horizontal distance from the eye to the tree, m.
    up_deg : float or (n,) float64
        Angle from the horizontal up to the top, degrees.
    down_deg : float or (n,) float64
        Angle from the horizontal down to the base, degrees; negative where the base is above the
        eye.

    Returns
    -------
    float or (n,) float64
        m.

    Notes
    -----
    ``distance (tan up + tan down)``: trigonometry, common practice of forest mensuration.

    Examples
    --------
    >>> round(float(height_by_angles(20.0, 45.0, 0.0)), 6)
    20.0
    """
    total: Angles = distance_m * (np.tan(np.radians(up_deg)) + np.tan(np.radians(down_deg)))
    return total


def read_survey(table: pd.DataFrame, where: str) -> pd.DataFrame:
    """Check the table of a survey.

    Parameters
    ----------
    table : DataFrame
        Text by the columns of `READ_COLUMNS`; its index counts rows of the file from 0.
    where : str
        Name of the file in errors.

    Returns
    -------
    DataFrame
        Rows with something measured: texts, ``height_m`` (measured, or from angles), ``along_m``,
        ``porosity``, ``bare_stem_m``, ``gap_from_m`` and ``gap_to_m`` (NaN where not given), with
        the same index.

    Raises
    ------
    InputError
        ``column-missing``, ``column-bad``, ``survey-bad``; it names row and column.
    """
    if "name" not in table:
        raise InputError(
            "column-missing",
            "The table of the survey has no column with the names of belts.",
            where=where,
            value="name",
            hint="Add it, or name the column that holds them: --field survey.name=COLUMN.",
        )
    found = pd.DataFrame({name: words(table, name) for name in _TEXTS}, index=table.index)
    for column in _MEASURES:
        found[column] = numbers(table, column, TERMS[column], where, row="row", hint=_hint)
    measured = (found.drop(columns=[*_FILLED]).replace("", np.nan).notna()).any(axis=1)
    found = found[measured].copy()
    _check_names(found, where)
    found["season"] = [
        season_from(text, f"{where}, row {i + 1}, column season") or "in-leaf"
        for i, text in zip(found.index, found["season"], strict=True)
    ]
    _check_gaps(found, where)
    return found.assign(height_m=_heights(found, where))


def _hint(values: NDArray[np.float64]) -> str:
    if 1 < np.nanmax(values, initial=0.0) <= 100:
        return "Correct the number; shares are written from 0 to 1, such as 0.4 for 40 %."
    return "Correct the number, or leave the cell empty."


def refuse_cell(what: str, where: str, row: int, column: str, value: object, hint: str) -> NoReturn:
    """Raise an error that names the cell of a survey.

    Parameters
    ----------
    what, where, hint : str
    row : int
        Of the table, from 0.
    column : str
    value : object

    Returns
    -------
    NoReturn

    Raises
    ------
    InputError
        ``survey-bad``.
    """
    place = f"{where}, row {row + 1}, column {column}"
    shown = f"{value:g}" if isinstance(value, float) else str(value) or "nothing"
    raise InputError("survey-bad", what, where=place, value=shown, hint=hint)


def _check_names(found: pd.DataFrame, where: str) -> None:
    for row, name, end in zip(found.index, found["name"], found["from_end"], strict=True):
        if not name:
            hint = "Write the name that the belt has in the layer."
            refuse_cell("A row of the survey names no belt.", where, row, "name", "", hint)
        known = end.casefold() in ("", START, END) or compass_point(end) is not None
        if not known:
            hint = "Write a compass point such as N or SW, start, end, or leave the cell empty."
            what = "The end from which distances are measured is not known."
            refuse_cell(what, where, row, "from_end", end, hint)


def _check_gaps(found: pd.DataFrame, where: str) -> None:
    for row, low, high in zip(found.index, found["gap_from_m"], found["gap_to_m"], strict=True):
        if np.isnan(low) and np.isnan(high):
            continue
        if not low < high:
            column = "gap_from_m" if np.isnan(low) else "gap_to_m"
            value = low if np.isnan(high) else high
            hint = "Give both ends of the gap along the belt, the nearer one first."
            refuse_cell("A gap has no length.", where, row, column, value, hint)


def _heights(found: pd.DataFrame, where: str) -> NDArray[np.float64]:
    """Measured heights, and those from angles where none is measured."""
    given = {name: found[name].to_numpy(dtype=float) for name in _MEASURES}
    distance, up = given["clinometer_distance_m"], given["angle_up_deg"]
    eye_deg = np.degrees(np.arctan2(given["eye_height_m"], distance))
    down = np.where(np.isnan(given["angle_down_deg"]), eye_deg, given["angle_down_deg"])
    wanted = np.isnan(given["height_m"]) & ~(np.isnan(distance) & np.isnan(up))
    for column, values, hint in (
        ("clinometer_distance_m", distance, "Give the horizontal distance to the tree."),
        ("angle_up_deg", up, "Give the angle to the top."),
        ("angle_down_deg", down, "Give the angle to the base, or eye_height_m on level ground."),
    ):
        if (wanted & np.isnan(values)).any():
            row = found.index[int(np.argmax(wanted & np.isnan(values)))]
            what = "A height cannot be calculated: a measurement is missing."
            refuse_cell(what, where, row, column, "", hint)
    height = np.where(wanted, height_by_angles(distance, up, down), given["height_m"])
    term = TERMS["height_m"]
    bad = wanted & ~((height >= term.low) & (height <= term.high))
    if bad.any():
        at = int(np.argmax(bad))
        what = f"The height from the angles is not between {term.low:g} and {term.high:g} m."
        hint = "Correct the angles; both are in degrees, up and down from the horizontal."
        refuse_cell(what, where, found.index[at], "angle_up_deg", float(height[at]), hint)
    return height
