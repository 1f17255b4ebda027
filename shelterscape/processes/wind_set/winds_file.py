"""Subsets of a wind set, and the file of all of them that other processes take."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.processes.wind_set.loading import WindSetData
from shelterscape.science.wind import ASSUMED_WEIBULL_K, WindSet
from shelterscape.science.wind_sectors import SectorStatistics, exact_shares
from shelterscape.science.wind_subsets import Subset, bare_share, months_in_words
from shelterscape.terms import TERMS

Array = NDArray[np.float64]

ONE_STATE = 0.9
"""Share of its hours from which a subset has one leaf state (assumed value)."""


@dataclass(frozen=True)
class SubsetWind:
    """One subset of the wind set, rounded as in its file.

    Parameters
    ----------
    winds : WindSet
    class_share : (n, m) float64
        Share of the time by sector and speed class.
    rule : Subset or None
    statistics : SectorStatistics or None
    bare_share : float
        Share of its hours in months without leaves; NaN where unknown.
    """

    winds: WindSet
    class_share: Array
    rule: Subset | None = None
    statistics: SectorStatistics | None = None
    bare_share: float = np.nan

    @property
    def leaf_state(self) -> str:
        """State of deciduous belts in its hours: bare, in-leaf or both; empty where unknown."""
        if np.isnan(self.bare_share):
            return ""
        if self.bare_share >= ONE_STATE:
            return "bare"
        return "in-leaf" if self.bare_share <= 1 - ONE_STATE else "both"

    @property
    def run(self) -> Array:
        """Frequency times mean speed of each sector; frequency alone where speeds are unknown."""
        speed = self.winds.mean_speed_ms if self.winds.speeds_known else 1.0
        return np.asarray(self.winds.frequency * speed, float)

    @property
    def mean_ms(self) -> float:
        """Mean speed while the wind blows, m/s; NaN where unknown."""
        return float(self.run.sum() / self.winds.frequency.sum()) * (
            1.0 if self.winds.speeds_known else np.nan
        )


def rounded_winds(
    data: WindSetData,
    name: str,
    direction_deg: Array,
    frequency: Array,
    mean_ms: Array,
    shape: Array,
    calm: float,
    uncertainty: float = np.nan,
) -> WindSet:
    """A wind set with the very numbers its file will hold; its frequencies sum to exactly 1."""
    shares = exact_shares(np.append(frequency, calm), TERMS["frequency"].decimals or 6)
    known = np.isfinite(mean_ms).any()
    speeds = np.where((shares[:-1] == 0) & known, 0.0, mean_ms)
    return WindSet(
        name,
        direction_deg,
        shares[:-1],
        np.array([TERMS["mean_speed_ms"].rounded(float(v)) for v in speeds]),
        np.array([TERMS["weibull_k"].rounded(float(k)) for k in shape]),
        float(shares[-1]),
        measured_height_m=data.measured_height_m,
        measured_roughness_m=data.station_roughness_m,
        frequency_uncertainty=round(uncertainty, 3),
    )


def subset_of_record(
    data: WindSetData, rule: Subset, statistics: SectorStatistics, class_share: Array
) -> SubsetWind:
    """A subset of a record as it is written."""
    assert data.record is not None
    s, hours = statistics, data.record.hours
    shape = np.where(np.isnan(s.weibull_shape), ASSUMED_WEIBULL_K, s.weibull_shape)
    winds = rounded_winds(
        data,
        rule.name,
        s.direction_deg,
        s.frequency,
        s.mean_speed_ms,
        shape,
        s.calm,
        s.uncertainty,
    )
    share = bare_share(hours, rule.hours(hours), data.params.in_leaf_months)
    return SubsetWind(winds, class_share, rule, statistics, share)


def winds_table(data: WindSetData, subsets: list[SubsetWind]) -> pd.DataFrame:
    """The wind set as other processes read it, with its header lines."""
    parts = []
    for one in subsets:
        winds = one.winds
        known = winds.speeds_known
        shape = winds.weibull_k if known else np.full(len(winds.weibull_k), np.nan)
        directions = [f"{d:.9g}" for d in winds.direction_deg]
        part = pd.DataFrame(
            {
                "subset": winds.subset,
                "direction_deg": [*directions, "calm"],
                "frequency": [*winds.frequency, winds.calm],
                "mean_speed_ms": [*winds.mean_speed_ms, np.nan],
                "weibull_k": [*shape, np.nan],
            }
        )
        parts.append(part if data.listed is None else part[:-1])
    table = pd.concat(parts, ignore_index=True)
    table.attrs["header"] = dict(_header(data, subsets))
    return table


def _header(data: WindSetData, subsets: list[SubsetWind]) -> Iterator[tuple[str, str]]:
    """Lines before the headings of the wind set."""
    yield "title", " ".join(data.title.split())
    if data.listed is None:
        yield "measured_height_m", f"{data.measured_height_m:g}"
        yield "roughness_m", f"{data.station_roughness_m:g}"
    if data.record is not None:
        years = data.record.hours.year_month // 12 + 1970
        yield "years", f"{years.min()}-{years.max()}"
        yield "time_zone", data.record.zone or "not stated"
        yield "values", f"{len(years)}"
    yield "north", "true"
    for one in subsets:
        end = f"_{one.winds.subset}" if one.winds.subset else ""
        if one.leaf_state:
            yield f"leaf_state{end}", one.leaf_state
        if one.rule is not None:
            yield f"months{end}", months_in_words(one.rule.months)
            yield f"hours{end}", one.rule.rule
        if np.isfinite(one.winds.frequency_uncertainty):
            yield f"frequency_uncertainty{end}", f"{one.winds.frequency_uncertainty:.3f}"
