"""Units of weather records: as stated, held against the numbers; never guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice

Array = NDArray[np.float64]

SPEED_UNITS = {"kn": 0.514444, "mph": 0.44704, "kmh": 1.0 / 3.6, "ms": 1.0}
"""Metres per second in each unit (status S)."""

UNIT_WORDS = {"kn": "knots", "mph": "miles per hour", "kmh": "km/h", "ms": "m/s"}

_TOKENS = {
    "kn": ("kn", "kt", "kts", "knot", "knots"),
    "mph": ("mph", "mi/h"),
    "kmh": ("kmh", "kph", "km/h"),
    "ms": ("ms", "mps", "m/s"),
}
_STEPS = (("mph", 1.15078), ("kmh", 1.852), ("ms", 0.514444))
"""A knot in other units: speeds that are multiples of it were whole knots and then converted."""

FASTEST_MEDIAN_MS = 12.0
"""Median speed above which a unit is doubted, m/s: no usual station has one (assumed value)."""

FASTEST_WHOLE_MEDIAN_MS = 8.0
"""The same for whole numbers said to be m/s (assumed value)."""

STEP_SHARE = 0.98
"""Share of the values that shows a step (assumed value)."""

WARMEST_MEDIAN_C = 40.0
"""Median temperature above which degrees Celsius are doubted (assumed value)."""

TENS_HIGHEST = 36.0
LEAST_VALUES = 48
"""Values from which directions up to 36 are doubted to be degrees (assumed value)."""


@dataclass(frozen=True)
class Sample:
    """Different values of a column, and how often each occurs.

    Parameters
    ----------
    values : (n,) float64
        In the unit of the column; no NaN.
    counts : (n,) int
    column : str
        Heading of the column.
    where : str
        What to call the record in errors.
    """

    values: Array
    counts: NDArray[np.int64]
    column: str
    where: str

    def median(self) -> float:
        """Median of all values above 0, in the unit of the column; NaN without any.

        Returns
        -------
        float
        """
        order = np.argsort(self.values)
        values, counts = self.values[order], self.counts[order] * (self.values[order] > 0)
        if not counts.sum():
            return np.nan
        return float(values[np.searchsorted(np.cumsum(counts), counts.sum() / 2)])

    def share_of(self, fits: NDArray[np.bool_]) -> float:
        """Share of the values above 0 for which a condition holds.

        Parameters
        ----------
        fits : (n,) bool

        Returns
        -------
        float
            0 to 1.
        """
        windy = self.values > 0
        return float(self.counts[fits & windy].sum() / max(self.counts[windy].sum(), 1))


def speed_unit(
    sample: Sample, stated: str | None, *, certain: bool = False
) -> tuple[str, list[Notice]]:
    """The unit of a column of speeds: the one stated, or the one its heading states.

    Parameters
    ----------
    sample : Sample
        Speeds in the unit in question.
    stated : str or None
        One of `SPEED_UNITS`.
    certain : bool
        Whether the unit holds even where the numbers contradict it.

    Returns
    -------
    unit : str
    notices : list of Notice

    Raises
    ------
    InputError
        ``unit-unknown`` when neither states it, when both contradict each other, or when the
        numbers do not fit it; with the evidence.
    """
    heading = _in_heading(sample.column)
    evidence = speed_evidence(sample)
    here = f"{sample.where}, column {sample.column}"
    if stated and heading and stated != heading and not certain:
        raise InputError(
            "unit-unknown",
            f"The speeds are stated to be in {UNIT_WORDS[stated]}, and their heading states "
            f"{UNIT_WORDS[heading]}.",
            where=here,
            value=evidence,
            hint="Give the right one with --speed-unit; add --units-certain when the heading "
            "is wrong.",
        )
    unit = stated or heading
    if not unit:
        raise InputError(
            "unit-unknown",
            "The unit of the wind speeds is not stated.",
            where=here,
            value=evidence,
            hint="Give it with --speed-unit: kn, mph, kmh or ms. The source of the record states "
            "it; do not rely on the numbers.",
        )
    if not certain and (doubt := _doubt(sample, unit)):
        raise InputError(
            "unit-unknown",
            f"The wind speeds do not seem to be in {UNIT_WORDS[unit]}: {doubt}.",
            where=here,
            value=evidence,
            hint="Give the right unit with --speed-unit, or add --units-certain when it is right.",
        )
    if stated:
        return unit, []
    text = f"{here}: speeds taken as {UNIT_WORDS[unit]}, as the heading states"
    return unit, [Notice("value-assumed", text)]


def speed_evidence(sample: Sample) -> str:
    """What the numbers suggest of their unit, in words.

    Parameters
    ----------
    sample : Sample

    Returns
    -------
    str

    Examples
    --------
    >>> speed_evidence(Sample(np.array([10.0, 14, 20]), np.array([1, 2, 1]), "x", "x"))
    'whole numbers, median 14: knots?'
    """
    median = sample.median()
    if np.isnan(median):
        return "no speed above 0"
    if converted := _converted(sample):
        step = dict(_STEPS)[converted]
        return (
            f"multiples of {step:.3f}, median {median:.3g}: whole knots turned into "
            f"{UNIT_WORDS[converted]}?"
        )
    if _whole(sample):
        guess = "m/s?" if median < 5 else "knots?" if median < 15 else "km/h?"
        return f"whole numbers, median {median:.3g}: {guess}"
    return f"decimal numbers, median {median:.3g}: {'m/s?' if median < 7 else 'km/h or mph?'}"


def _in_heading(column: str) -> str:
    words = set(re.split(r"[^a-z0-9/]+", column.casefold()))
    return next((unit for unit, known in _TOKENS.items() if words & set(known)), "")


def _whole(sample: Sample) -> bool:
    return sample.share_of(sample.values % 1 == 0) >= STEP_SHARE


def _converted(sample: Sample) -> str:
    """The unit into which whole knots were converted; empty where the numbers show none."""
    if _whole(sample) or len(sample.values) < 6:
        return ""
    for unit, step in _STEPS:
        steps = sample.values / step
        # Rounded to a tenth, m/s would fit anything.
        near = np.abs(steps - np.round(steps)) <= 0.004 * np.maximum(steps, 1.0)
        if sample.share_of(near) >= STEP_SHARE:
            return unit
    return ""


def _doubt(sample: Sample, unit: str) -> str:
    median_ms = sample.median() * SPEED_UNITS[unit]
    if median_ms > FASTEST_MEDIAN_MS:
        return f"half of them would be above {median_ms:.0f} m/s"
    if unit == "ms" and _whole(sample) and median_ms > FASTEST_WHOLE_MEDIAN_MS:
        return f"they are whole numbers with a median of {median_ms:.0f} m/s"
    converted = _converted(sample)
    return (
        f"they are whole knots turned into {UNIT_WORDS[converted]}"
        if (converted and converted != unit)
        else ""
    )


def direction_scale(sample: Sample, stated: str | None) -> float:
    """Degrees in one unit of a column of directions.

    Parameters
    ----------
    sample : Sample
        Numbers of the column, compass points apart.
    stated : {"degrees", "tens", None}

    Returns
    -------
    float
        1 for degrees, 10 for tens of degrees.

    Raises
    ------
    InputError
        ``unit-unknown`` for numbers up to 36 without a statement, for tens above 36, and for
        radians; with the evidence.
    """
    usual = sample.values[sample.values < 99]
    top = float(usual.max(initial=0.0))
    whole = bool((usual % 1 == 0).all())
    here = f"{sample.where}, column {sample.column}"
    if stated == "tens":
        if (sample.values > 99).any() or top > TENS_HIGHEST:
            raise InputError(
                "unit-unknown",
                "Directions in tens of degrees must not be above 36; 99 is variable wind.",
                where=here,
                value=float(sample.values.max()),
                hint="Give --direction-unit degrees, or correct the record.",
            )
        return 10.0
    many = sample.counts.sum() >= LEAST_VALUES
    few = (sample.values >= 99).sum() == (sample.values == 99).sum()
    if stated is None and many and few and 0 < top <= TENS_HIGHEST:
        form = "whole numbers" if whole else "decimal numbers"
        guess = "radians?" if not whole and top <= 6.3 else "tens of degrees?"
        raise InputError(
            "unit-unknown",
            "The unit of the wind directions is not clear.",
            where=here,
            value=f"{form} up to {top:.3g}: {guess}",
            hint="Give --direction-unit tens or degrees; convert radians first.",
        )
    return 1.0


def to_celsius(sample: Sample, stated: str) -> float:
    """Check the stated unit of temperature against the numbers.

    Parameters
    ----------
    sample : Sample
    stated : {"c", "f"}

    Returns
    -------
    float
        Median of the temperatures, °C; NaN without any above 0.

    Raises
    ------
    InputError
        ``unit-unknown``.
    """
    median = sample.median()
    celsius = (median - 32.0) / 1.8 if stated == "f" else median
    if celsius > WARMEST_MEDIAN_C:
        raise InputError(
            "unit-unknown",
            "The temperatures do not seem to be in degrees Celsius.",
            where=f"{sample.where}, column {sample.column}",
            value=f"median {median:.3g}: degrees Fahrenheit or kelvin?",
            hint="Give --temperature-unit f, or convert kelvin first.",
        )
    return celsius
