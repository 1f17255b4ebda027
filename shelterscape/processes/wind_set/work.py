"""The stages of `wind-set`: sectors of each subset, and lines against the damaging wind."""

from __future__ import annotations

import itertools
from collections.abc import Generator

import numpy as np

from shelterscape.process.stages import Block, Progress, Work
from shelterscape.processes.wind_set.layers import WindSetResults, damaging_by_purpose, tables_of
from shelterscape.processes.wind_set.loading import WindSetData, load, work_bytes
from shelterscape.processes.wind_set.summary import summarise
from shelterscape.processes.wind_set.winds_file import (
    SubsetWind,
    rounded_winds,
    subset_of_record,
)
from shelterscape.science.wind_sectors import class_shares, sector_statistics

__all__ = ["compute", "load", "summarise", "work_bytes"]

CLASS_BOUNDS_MS = (0.0, 3.4, 5.5, 8.0, 10.8)
"""Speed classes of a wind rose: bounds of Beaufort 3, 4, 5 and 6 (status S)."""

UNKNOWN_SPEED = "speed not stated"


def compute(data: WindSetData) -> Work[WindSetResults]:
    """Sectors of every subset, and what follows from them."""
    yield Progress(0.1, "sectors")
    subsets, classes = yield from _subsets(data)
    yield Progress(0.9, "damaging wind")
    damaging = damaging_by_purpose(subsets, data.params.purpose)
    tables, notices = tables_of(data, subsets, damaging)
    return WindSetResults(
        tables=tables,
        notices=notices,
        data=data,
        subsets=subsets,
        classes=classes,
        damaging=damaging,
    )


def _subsets(
    data: WindSetData,
) -> Generator[Block | Progress, None, tuple[list[SubsetWind], tuple[str, ...]]]:
    """Subsets as they are written, and the speed classes of their roses."""
    if data.listed is not None:
        share = data.listed.frequency[:, None]
        return [SubsetWind(data.listed, share)], (UNKNOWN_SPEED,)
    if data.rose is not None:
        return [_of_rose(data)], _class_names(data.rose.class_low_ms)
    assert data.record is not None
    hours, params, found = data.record.hours, data.params, []
    for i, rule in enumerate(data.subsets):
        yield Progress(0.1 + 0.8 * i / len(data.subsets), f"subset {rule.name or 'of all hours'}")
        chosen = rule.hours(hours)
        statistics = sector_statistics(hours, chosen, params.sectors, seed=params.seed)
        share = class_shares(hours, chosen, params.sectors, CLASS_BOUNDS_MS)
        found.append(subset_of_record(data, rule, statistics, share))
    return found, _class_names(np.array(CLASS_BOUNDS_MS))


def _of_rose(data: WindSetData) -> SubsetWind:
    """The one subset of a rose table."""
    rose = data.rose
    assert rose is not None
    winds = rounded_winds(
        data,
        "",
        rose.direction_deg,
        rose.frequency,
        rose.mean_speed_ms,
        rose.weibull_shape,
        rose.calm,
    )
    return SubsetWind(winds, rose.share)


def _class_names(low_ms: np.ndarray) -> tuple[str, ...]:
    """Speed classes in words."""
    bounds = [f"{v:.3g}" for v in low_ms]
    between = [f"{a} to {b} m/s" for a, b in itertools.pairwise(bounds)]
    if low_ms[0] == 0 and between:
        between[0] = f"below {bounds[1]} m/s"
    return (*between, f"{bounds[-1]} m/s or more")
