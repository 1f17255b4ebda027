"""What a run of `wind-set` reports: the answer, how sure it is, and the roses."""

from __future__ import annotations

import numpy as np

from shelterscape.files.draw_sheets import Rose, RoseSheet
from shelterscape.process.stages import Summary
from shelterscape.processes.wind_set.layers import WindSetResults, height_factor
from shelterscape.processes.wind_set.spec import WindSetInputs
from shelterscape.processes.wind_set.winds_file import SubsetWind
from shelterscape.science.wind_subsets import months_in_words
from shelterscape.science.wind_tables import POINTS

TURNED_DEG = 15
"""Angle from the best bearing whose loss is reported."""

SAME_SPEED = 0.005
"""Change of speed from the station to the site below which one speed is reported."""


def summarise(results: WindSetResults, params: WindSetInputs) -> Summary:
    """Answer, certainty and pictures."""
    return Summary(
        question="From where does the wind blow, how often and how fast?",
        answer=[
            *(_subset_text(one, results, params) for one in results.subsets[:1]),
            *_purpose_texts(results),
            *(_subset_text(one, results, params) for one in results.subsets[1:]),
        ],
        certainty=_certainty(results),
        pictures={"wind_rose": _sheet(results)},
    )


def point_name(direction_deg: float) -> str:
    """A direction as the nearest of 16 compass points and degrees."""
    point = POINTS[round(direction_deg / 22.5) % 16].upper()
    return f"{point} ({direction_deg:.0f}°)"


def _subset_text(one: SubsetWind, results: WindSetResults, params: WindSetInputs) -> str:
    """Main direction, mean speed and calm of a subset."""
    winds, data = one.winds, results.data
    main = int(np.argmax(one.run))
    where = f"{winds.label}: most wind from {point_name(float(winds.direction_deg[main]))}"
    share = f"{100 * winds.frequency[main]:.0f} % of the time"
    if not winds.speeds_known:
        return f"{where}, {share}; wind speeds are not stated"
    factor = height_factor(data, params.at_height_m)
    site = "" if abs(factor - 1) < SAME_SPEED else f", {one.mean_ms * factor:.1f} m/s at the site"
    return f"{where}, {share}; mean {one.mean_ms:.1f} m/s{site}, calm {100 * winds.calm:.1f} %"


def _purpose_texts(results: WindSetResults) -> list[str]:
    """Best bearing by purpose, purposes with the same result together."""
    groups: dict[str, list[str]] = {}
    for name, (_, subset, best) in results.damaging.items():
        both = best.both_sides
        label = f"subset “{subset}”" if subset else "all winds"
        text = (
            f"{label}: best belt at bearing {both.bearing_deg:.0f}°, "
            f"{100 * both.wind_share:.0f} % of the damaging wind across it; "
            f"{TURNED_DEG}° away loses "
            f"{100 * max(both.loss[TURNED_DEG], both.loss[-TURNED_DEG]):.0f} %; "
            f"best L with its corner towards {point_name(best.corner_deg)}"
        )
        groups.setdefault(text, []).append(name)
    return [f"{', '.join(names)}, {text}" for text, names in groups.items()]


def _certainty(results: WindSetResults) -> list[str]:
    record = results.data.record
    if record is None:
        kind = "a rose table" if results.data.rose else "plain directions"
        return [f"made from {kind}: the uncertainty of its frequencies is not known"]
    months = len(np.unique(record.hours.year_month))
    used = f"{len(record.hours.time):,} of {record.row_count:,} rows of {months} months used"
    first = results.subsets[0]
    spread = first.statistics.uncertainty if first.statistics is not None else np.nan
    text = (
        ""
        if np.isnan(spread)
        else f"; frequencies of {first.winds.label} ±{100 * spread:.0f} %, relative"
    )
    return [used + text]


def _sheet(results: WindSetResults) -> RoseSheet:
    data = results.data
    roses = tuple(_rose(one) for one in results.subsets)
    height = "" if data.listed else f", {data.measured_height_m:g} m above ground"
    note = "Sectors: where the wind comes from; areas: shares of the time; inner circle: calm"
    if any(rose.low is not None for rose in roses):
        note += "; lines: shares in nine of ten records of other months"
    return RoseSheet(f"Wind roses: {data.title}{height}", roses, results.classes, (f"{note}.",))


def _rose(one: SubsetWind) -> Rose:
    winds, s = one.winds, one.statistics
    heading = winds.subset or "all hours"
    if one.rule is not None:
        heading += f": months {months_in_words(one.rule.months)}"
        heading += f", {one.rule.rule}" if one.rule.rule != "all hours" else ""
        if one.leaf_state not in ("both", ""):
            heading += f"; belts {one.leaf_state.replace('-', ' ')}"
    known = s is not None and np.isfinite(s.frequency_low).all()
    return Rose(
        heading,
        winds.direction_deg,
        winds.sector_deg() if len(winds.direction_deg) > 1 else np.array([22.5]),
        one.class_share,
        winds.calm,
        s.frequency_low if s is not None and known else None,
        s.frequency_high if s is not None and known else None,
    )
