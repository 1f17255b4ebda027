"""Rose tables of reports: directions by speed classes, in percent, shares or counts."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.weibull import weibull_fit_classes, weibull_mean
from shelterscape.science.wind import ASSUMED_WEIBULL_K
from shelterscape.science.wind_texts import CALM_WORDS, compass_point, numbers_in
from shelterscape.science.wind_units import SPEED_UNITS, UNIT_WORDS, Sample, speed_unit

Array = NDArray[np.float64]

TOTALS = frozenset(("total", "totals", "sum", "all", "all speeds", "all directions"))
SUM_SLACK = 0.02
"""How far percents may be from 100, as a share: a table is rounded cell by cell."""

_NUMBER = r"(\d+(?:\.\d+)?)"
_CLASS = (
    (re.compile(rf"^{_NUMBER}\s*(?:-|–|to|\.\.)\s*{_NUMBER}$"), "between"),
    (re.compile(rf"^(?:<=?|below|under|up to)\s*{_NUMBER}$"), "below"),
    (re.compile(rf"^(?:>=?|above|over|from)\s*{_NUMBER}$"), "above"),
    (re.compile(rf"^{_NUMBER}\s*\+$"), "above"),
)
_UNIT = re.compile(r"\(?\s*\b(kn|kt|kts|knots|mph|km/h|kmh|m/s|ms)\s*\)?$")
_UNIT_OF = {"kt": "kn", "kts": "kn", "knots": "kn", "km/h": "kmh", "m/s": "ms"}


@dataclass(frozen=True)
class RoseTable:
    """A checked rose table; arrays of directions are in rising order.

    Parameters
    ----------
    direction_deg : (n,) float64
        Middle of each sector, degrees, 0 <= d < 360.
    frequency : (n,) float64
        Share of the time, 0 to 1; with `calm` they sum to 1.
    calm : float
        Share of the time, 0 to 1.
    mean_speed_ms, weibull_scale_ms : (n,) float64
        m/s, from a Weibull distribution fitted to the classes; NaN where the sector is empty.
    weibull_shape : (n,) float64
        Of the same distribution.
    class_low_ms, class_high_ms : (m,) float64
        Bounds of the classes, m/s; the last may be infinite.
    share : (n, m) float64
        Share of the time by sector and class, 0 to 1.
    form : str
        What its cells hold: percent, shares or counts.
    pooled : int
        Sectors too thinly filled for a shape of their own.
    """

    direction_deg: Array
    frequency: Array
    calm: float
    mean_speed_ms: Array
    weibull_scale_ms: Array
    weibull_shape: Array
    class_low_ms: Array
    class_high_ms: Array
    share: Array
    form: str
    pooled: int


def rose_table(frame: pd.DataFrame, unit: str | None, where: str) -> RoseTable:
    """Check a rose table and fit a distribution of speeds to each of its sectors.

    Parameters
    ----------
    frame : DataFrame
        Texts. The first column holds directions (degrees or compass points, and a row calm); the
        headings of the others are speed classes, such as 0-3, 3-6 and >6. A row or column of
        totals is held against the sums and left out.
    unit : str or None
        Unit of the classes, one of `wind_units.SPEED_UNITS`; None when the headings state it.
    where : str
        What to call the table in errors.

    Returns
    -------
    RoseTable

    Raises
    ------
    InputError
        ``record-bad``; ``unit-unknown`` when nothing states the unit, and when cells are neither
        percent nor shares nor counts.
    """
    first = frame.columns[0]
    labels = [str(text).strip() for text in frame[first]]
    kept = np.array([text.casefold() not in TOTALS for text in labels], bool)
    headings = [str(c) for c in frame.columns[1:]]
    _refuse_other_tables(headings, where)
    cells = _cells(frame, headings, where)
    totals = [h.strip().casefold() in TOTALS for h in headings]
    _fill_calm(cells, labels, np.array(totals, bool))
    _check_totals(cells, kept, np.array(totals, bool), where)
    used = [h for h, total in zip(headings, totals, strict=True) if not total]
    low, high = _classes(used, unit, where)
    cells = cells[np.ix_(kept, ~np.array(totals, bool))]
    degrees = _directions([t for t, k in zip(labels, kept, strict=True) if k], where)
    form, total = _form(cells, where)
    calm = np.isnan(degrees)
    order = np.argsort(degrees[~calm], kind="stable")
    share = (cells / total)[~calm][order]
    fits, pooled = _fits(low, high, share)
    frequency = share.sum(axis=1)
    mean = np.where(frequency > 0, weibull_mean(*fits), np.nan)
    return RoseTable(
        degrees[~calm][order],
        frequency,
        float(cells[calm].sum() / total),
        mean,
        fits[0],
        fits[1],
        low,
        high,
        share,
        form,
        pooled,
    )


def _refuse_other_tables(headings: list[str], where: str) -> None:
    """Refuse a table without any speed class, and show nothing of it: it may be a private one."""
    classes = [_bounds(_UNIT.split(text.strip().casefold())[0].strip()) for text in headings]
    if headings and not any(classes):
        raise InputError(
            "record-bad",
            "No heading of the rose table is a speed class.",
            where=where,
            value=f"{len(headings) + 1} columns",
            hint="Write classes such as 0-3, 3-6 and >6, and totals as total.",
        )


def _cells(frame: pd.DataFrame, headings: list[str], where: str) -> Array:
    """Numbers of a table; empty cells are 0."""
    if not headings or not len(frame):
        raise InputError(
            "record-bad",
            "The rose table has no speed classes or no rows.",
            where=where,
            value=f"{len(frame)} rows and {len(headings)} columns",
            hint="Give a row for each direction and a column for each speed class, such as 0-3.",
        )
    found = []
    for heading in headings:
        texts = [str(text).strip().removesuffix("%").strip() for text in frame[heading]]
        values, _ = numbers_in(texts, coded=False)
        bad = [i for i, t in enumerate(texts) if t not in ("", "-") and not values[i] >= 0]
        if bad:
            raise InputError(
                "record-bad",
                "A cell of the rose table is not a number of 0 or more.",
                where=f"{where}, row {bad[0] + 1}, column {heading}",
                value=texts[bad[0]],
                hint="Write it as a plain number, such as 2.5; leave it empty for none.",
            )
        found.append(np.nan_to_num(values))
    return np.array(found).T


def _fill_calm(cells: Array, labels: list[str], totals: NDArray[np.bool_]) -> None:
    """Put calm that is stated as a total alone into the first class, in place."""
    for i, text in enumerate(labels):
        if text.casefold() in CALM_WORDS and totals.any() and not cells[i][~totals].any():
            cells[i, np.flatnonzero(~totals)[0]] = cells[i, np.flatnonzero(totals)[0]]


def _check_totals(
    cells: Array, kept: NDArray[np.bool_], totals: NDArray[np.bool_], where: str
) -> None:
    """Hold totals against what they sum."""
    parts = cells[np.ix_(kept, ~totals)]
    pairs = [(cells[kept][:, i], parts.sum(axis=1)) for i in np.flatnonzero(totals)]
    pairs += [(cells[i][~totals], parts.sum(axis=0)) for i in np.flatnonzero(~kept)]
    for stated, sums in pairs:
        wrong = np.abs(stated - sums) > np.maximum(SUM_SLACK * np.maximum(stated, sums), 0.5)
        if wrong.any():
            at = int(np.argmax(wrong))
            raise InputError(
                "record-bad",
                "A total of the rose table is not the sum of its cells.",
                where=where,
                value=f"{stated[at]:g} stated, {sums[at]:g} summed",
                hint="Correct the table, or leave the totals out.",
            )


def _classes(headings: list[str], unit: str | None, where: str) -> tuple[Array, Array]:
    """Bounds of the speed classes, m/s."""
    low, high, units = [], [], set()
    for heading in headings:
        text = heading.strip().casefold()
        if match := _UNIT.search(text):
            units.add(_UNIT_OF.get(match[1], match[1]))
            text = text[: match.start()].strip()
        bounds = _bounds(text)
        if bounds is None:
            raise InputError(
                "record-bad",
                "A heading of the rose table is no speed class.",
                where=where,
                value=heading,
                hint="Write classes such as 0-3, 3-6 and >6, and totals as total.",
            )
        low.append(bounds[0])
        high.append(bounds[1])
    if len(units) > 1:
        raise InputError(
            "unit-unknown",
            "The headings of the rose table state several units.",
            where=where,
            value=", ".join(UNIT_WORDS[u] for u in sorted(units)),
            hint="Write all speed classes in one unit.",
        )
    known = Sample(np.array(low), np.ones(len(low), int), f"classes {units.pop()}" if units else
                   "classes", where)  # fmt: skip
    factor = SPEED_UNITS[
        speed_unit(known, unit, certain=bool(unit) and known.column == "classes")[0]
    ]
    bottom, top = _joined(np.array(low), np.array(high), headings, where)
    return bottom * factor, top * factor


def _bounds(text: str) -> tuple[float, float] | None:
    for pattern, kind in _CLASS:
        if match := pattern.match(text):
            if kind == "between":
                return float(match[1]), float(match[2])
            return (0.0, float(match[1])) if kind == "below" else (float(match[1]), np.inf)
    return None


def _joined(low: Array, high: Array, headings: list[str], where: str) -> tuple[Array, Array]:
    """Classes without gaps: of 1-3 and 4-6 the bound is 3.5."""
    bad = (low >= high) | (np.append(low[1:], np.inf) < high - 1e-9)
    apart = np.append(low[1:] - high[:-1], 0.0)
    if bad.any() or (apart > 1.0 + 1e-9).any():
        at = int(np.argmax(bad | (apart > 1.0 + 1e-9)))
        raise InputError(
            "record-bad",
            "The speed classes of the rose table do not follow each other.",
            where=where,
            value=", ".join(headings[at : at + 2]),
            hint="Write them in rising order, each beginning where the one before ends.",
        )
    middle = (low[1:] + high[:-1]) / 2
    return np.concatenate([low[:1], middle]), np.concatenate([middle, high[-1:]])


def _directions(labels: list[str], where: str) -> Array:
    """Degrees of each row; NaN for calm."""
    found = []
    for i, text in enumerate(labels):
        angle = np.nan if text.casefold() in CALM_WORDS else compass_point(text)
        if angle is None:
            value = float(numbers_in([text])[0][0])
            angle = value % 360.0 if 0 <= value <= 360 else None
        if angle is None:
            raise InputError(
                "record-bad",
                "A row of the rose table has no direction.",
                where=f"{where}, row {i + 1}",
                value=text,
                hint="Write degrees from 0 to 360, a compass point such as SW, or calm.",
            )
        found.append(angle)
    degrees = np.array(found, float)
    known = degrees[~np.isnan(degrees)]
    if len(known) < 2 or len(np.unique(known)) < len(known):
        raise InputError(
            "record-bad",
            "The rose table needs two directions or more, each of them once.",
            where=where,
            value=", ".join(labels),
            hint="Add up the rows of a repeated direction (0 and 360 are the same).",
        )
    return degrees


def _form(cells: Array, where: str) -> tuple[str, float]:
    """What the cells hold, and their sum."""
    total = float(cells.sum())
    for form, whole in (("percent", 100.0), ("shares", 1.0)):
        if abs(total - whole) <= SUM_SLACK * whole:
            return form, total
    if (cells % 1 == 0).all() and total > 100:
        return "counts", total
    kind = "whole" if (cells % 1 == 0).all() else "decimal"
    raise InputError(
        "unit-unknown",
        "The cells of the rose table are neither percent nor shares nor counts.",
        where=where,
        value=f"{kind} numbers that sum to {total:.4g}"
        + (": percent without calm?" if 80 < total < 100 else ""),
        hint="Add the row calm, so that percents sum to 100 and shares to 1; or give counts.",
    )


def _fits(low: Array, high: Array, share: Array) -> tuple[tuple[Array, Array], int]:
    """Weibull scale and shape of each sector, and how many take the shape of all together."""
    shape_of_all = weibull_fit_classes(low, high, share.sum(axis=0))[1]
    shape_of_all = ASSUMED_WEIBULL_K if np.isnan(shape_of_all) else shape_of_all
    scale, shape, pooled = [], [], 0
    for row in share:
        found = weibull_fit_classes(low, high, row)
        if np.isnan(found[0]) and row.any():
            pooled += 1
            found = weibull_fit_classes(low, high, row, shape_of_all)
        if np.isnan(found[0]) and row.any():
            found = float(low[-1]), shape_of_all
        scale.append(found[0])
        shape.append(shape_of_all if np.isnan(found[1]) else found[1])
    return (np.array(scale), np.array(shape)), pooled
