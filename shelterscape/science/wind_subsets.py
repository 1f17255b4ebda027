"""Subsets of a wind record: parts of the year and kinds of weather, and whether it covers them."""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science.purposes import purposes
from shelterscape.science.wind_sectors import Hours

ALL_MONTHS = tuple(range(1, 13))
IN_LEAF_MONTHS = (5, 6, 7, 8, 9, 10)
"""Months in which deciduous belts carry leaves, in northern temperate climates (common practice,
no source)."""

STORM_MS = 13.9
"""Mean wind speed of a storm hour, m/s: near gale, Beaufort 7 (status S)."""

COLD_C = 5.0
"""Temperature of a cold hour, °C (assumed value)."""

SEASONS = {"spring": (3, 4, 5), "summer": (4, 5, 6, 7, 8, 9), "winter": (11, 12, 1, 2, 3)}
"""Months of the subsets that purposes name, the widest of those purposes."""

COVERED_SHARE = 0.5
"""Share of a month's values from which the month counts as covered (assumed value)."""

MOST_MONTHS_MISSING = 2
"""Months a record may lack and still be used for a year (assumed value)."""

LEAST_DAYS = 28.0
LEAST_VALUES = 100
"""Shortest record, days of values, and fewest values of a subset (assumed values)."""

UNEVEN = 1.5
"""Ratio of the most to the fewest values of a month from which a record is uneven."""


@dataclass(frozen=True)
class Subset:
    """One part of a record.

    Parameters
    ----------
    name : str
        Empty for all of it.
    months : tuple of int
        Months it covers, 1 to 12.
    strongest : float
        Least mean speed of its values, m/s; 0 for all.
    warmest_c : float
        Highest temperature of its values, °C; infinite for all.
    wet : bool
        Whether only values with rain belong to it.
    """

    name: str
    months: tuple[int, ...] = ALL_MONTHS
    strongest: float = 0.0
    warmest_c: float = np.inf
    wet: bool = False

    def hours(self, hours: Hours) -> NDArray[np.bool_]:
        """Which values belong to it.

        Parameters
        ----------
        hours : Hours

        Returns
        -------
        (n,) bool
        """
        chosen = np.isin(hours.month, self.months) & (hours.speed_ms >= self.strongest)
        if np.isfinite(self.warmest_c):
            chosen &= hours.temperature_c <= self.warmest_c
        return chosen & (hours.rain_mm > 0) if self.wet else chosen

    @property
    def rule(self) -> str:
        """Which hours belong to it, in words."""
        parts = []
        if self.strongest > 0:
            parts.append(f"mean wind speed {self.strongest:g} m/s or more")
        if np.isfinite(self.warmest_c):
            parts.append(f"temperature {self.warmest_c:g} °C or lower")
        if self.wet:
            parts.append("rain")
        return " and ".join(parts) or "all hours"


def months_in_words(months: Sequence[int]) -> str:
    """Months as numbers, runs of them shortened.

    Parameters
    ----------
    months : sequence of int

    Returns
    -------
    str

    Examples
    --------
    >>> months_in_words((11, 12, 1, 2, 3)), months_in_words((3, 5)), months_in_words(range(1, 13))
    ('11-3', '3, 5', '1-12')
    """
    wanted = sorted(set(months))
    if len(wanted) == 12:
        return "1-12"
    starts = [m for m in wanted if (m - 2) % 12 + 1 not in wanted]
    parts = []
    for start in starts:
        last = start
        while last % 12 + 1 in wanted:
            last = last % 12 + 1
        parts.append(f"{start}-{last}" if last != start else f"{start}")
    return ", ".join(parts)


def usual_subsets(
    hours: Hours,
    *,
    in_leaf: Sequence[int] = IN_LEAF_MONTHS,
    storm_ms: float = STORM_MS,
    cold_c: float = COLD_C,
) -> list[Subset]:
    """The whole record, the two leaf states, the seasons of purposes, and kinds of weather.

    Parameters
    ----------
    hours : Hours
        Cold and wet hours need its temperature and rain.
    in_leaf : sequence of int
        Months in which belts carry leaves.
    storm_ms, cold_c : float
        Bounds of storm hours, m/s, and of cold ones, °C.

    Returns
    -------
    list of Subset
    """
    has_c = bool(np.isfinite(hours.temperature_c).any())
    has_rain = bool(np.isfinite(hours.rain_mm).any())
    bare = tuple(m for m in ALL_MONTHS if m not in in_leaf)
    warmest = cold_c if has_c else np.inf
    found = [Subset(""), Subset("in-leaf", tuple(in_leaf)), Subset("bare", bare)]
    found += [Subset(name, months) for name, months in SEASONS.items()]
    found.append(Subset("lambing", purposes()["lambing"].months, warmest_c=warmest))
    found.append(Subset("storm", strongest=storm_ms))
    if has_c and has_rain:
        found.append(Subset("cold wet", warmest_c=cold_c, wet=True))
    return found


def month_coverage(hours: Hours) -> dict[int, float]:
    """How much of each month of the year a record holds, in the best covered year.

    Parameters
    ----------
    hours : Hours

    Returns
    -------
    dict
        Share, 0 to about 1, by month from 1 to 12.
    """
    best = dict.fromkeys(ALL_MONTHS, 0.0)
    key = hours.station.astype(np.int64) * 100_000 + hours.year_month
    for one, count in zip(*np.unique(key, return_counts=True), strict=True):
        year, month = divmod(int(one) % 100_000, 12)
        days = calendar.monthrange(1970 + year, month + 1)[1]
        share = count * hours.step_minutes / (days * 1440.0)
        best[month + 1] = max(best[month + 1], share)
    return best


def usable_subsets(
    wanted: Sequence[Subset], hours: Hours, stated: Sequence[int] | None, where: str
) -> tuple[list[Subset], list[Notice]]:
    """Subsets that a record covers.

    Parameters
    ----------
    wanted : sequence of Subset
    hours : Hours
    stated : sequence of int or None
        Months the record is to be used for; None for the whole year.
    where : str
        What to call the record in errors.

    Returns
    -------
    subsets : list of Subset
        Their months cut to those stated; the whole year only where none were stated.
    notices : list of Notice

    Raises
    ------
    InputError
        ``record-short`` for a record of less than `LEAST_DAYS`, one that lacks more than
        `MOST_MONTHS_MISSING` of the months it is used for, and one without any usable subset.
    """
    days = len(hours.time) * hours.step_minutes / 1440.0 / max(len(np.unique(hours.station)), 1)
    if days < LEAST_DAYS:
        raise InputError(
            "record-short",
            "The record is too short for a wind set.",
            where=where,
            value=f"{days:.1f} days of usable values",
            hint="Give a record of a year or more; ten years show how much years differ.",
        )
    months = tuple(stated or ALL_MONTHS)
    covered = [m for m, share in month_coverage(hours).items() if share >= COVERED_SHARE]
    notices = _check_months(months, covered, hours, stated, where)
    found = []
    for one in wanted:
        cut = Subset(
            one.name,
            tuple(m for m in one.months if m in months),
            one.strongest,
            one.warmest_c,
            one.wet,
        )
        if not one.name and stated:
            continue
        if reason := _unusable(one, cut, covered, hours):
            text = f"{where}: subset “{one.name}” left out: {reason}"
            notices.append(Notice("subset-left-out", text))
        else:
            found.append(cut)
    if not found:
        raise InputError(
            "record-short",
            "The record is too short for any subset of a wind set.",
            where=where,
            value=f"months {months_in_words(covered) or 'none'}",
            hint="Give a longer record.",
        )
    return found, notices


def _unusable(one: Subset, cut: Subset, covered: list[int], hours: Hours) -> str:
    """Why a subset cannot be derived; empty where it can."""
    lacking = [m for m in cut.months if m not in covered]
    if len(cut.months) - len(lacking) < max(len(one.months) / 2, 1):
        lost = [m for m in one.months if m not in covered or m not in cut.months]
        return f"the record does not cover the months {months_in_words(lost)}"
    chosen = cut.hours(hours)
    if (count := int(chosen.sum())) < LEAST_VALUES:
        return f"only {count} values with {cut.rule}"
    return "" if np.isfinite(hours.direction_deg[chosen]).any() else "all of it is calm"


def _check_months(
    months: tuple[int, ...],
    covered: list[int],
    hours: Hours,
    stated: Sequence[int] | None,
    where: str,
) -> list[Notice]:
    """Refuse a record of part of the year that would pass for all of it."""
    lacking = [m for m in months if m not in covered]
    if len(lacking) > (0 if stated else MOST_MONTHS_MISSING):
        raise InputError(
            "record-short",
            "The record does not cover the months it is to be used for."
            if stated
            else "The record covers only part of the year and cannot be used for all of it.",
            where=where,
            value=f"no month with half of its values among {months_in_words(lacking)}",
            hint="Give a record of whole years, or state the months it covers: "
            f"--months {','.join(map(str, covered)) or '…'}.",
        )
    notices = []
    if lacking:
        text = f"{where}: months {months_in_words(lacking)} are missing from the wind set"
        notices.append(Notice("record-partial", text, len(lacking)))
    counts = np.array([int((hours.month == m).sum()) for m in months if m in covered])
    if counts.max() > UNEVEN * counts.min():
        text = (
            f"{where}: some months of the year have {counts.max() / counts.min():.1f} times the "
            "values of others, and count more"
        )
        notices.append(Notice("record-partial", text, len(counts)))
    return notices


def bare_share(hours: Hours, chosen: NDArray[np.bool_], in_leaf: Sequence[int]) -> float:
    """Share of some hours in months without leaves.

    Parameters
    ----------
    hours : Hours
    chosen : (n,) bool
    in_leaf : sequence of int
        Months with leaves.

    Returns
    -------
    float
        0 to 1.
    """
    return float(1.0 - np.isin(hours.month[chosen], list(in_leaf)).mean())
