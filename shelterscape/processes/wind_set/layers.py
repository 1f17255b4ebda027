"""Tables of `wind-set`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from shelterscape.errors import InputError, Notice
from shelterscape.process.stages import Results
from shelterscape.processes.wind_set.loading import WindSetData
from shelterscape.processes.wind_set.winds_file import SubsetWind, winds_table
from shelterscape.science import chill
from shelterscape.science.damaging_wind import DamagingWind, damaging_wind
from shelterscape.science.purposes import Purpose, purposes
from shelterscape.science.wind import WindSet, choose_subset
from shelterscape.science.wind_sectors import Hours, exact_shares, month_statistics
from shelterscape.science.wind_subsets import months_in_words


@dataclass(frozen=True, kw_only=True)
class WindSetResults(Results):
    """What `summarise` needs besides tables.

    Parameters
    ----------
    data : WindSetData
    subsets : list of SubsetWind
    classes : tuple of str
        Speed classes in words.
    damaging : dict
        Purpose, its subset and best lines, by name.
    """

    data: WindSetData
    subsets: list[SubsetWind] = field(default_factory=list)
    classes: tuple[str, ...] = ()
    damaging: Mapping[str, tuple[Purpose, str, DamagingWind]] = field(default_factory=dict)


def tables_of(
    data: WindSetData,
    subsets: list[SubsetWind],
    damaging: Mapping[str, tuple[Purpose, str, DamagingWind]],
) -> tuple[dict[str, pd.DataFrame], list[Notice]]:
    """Every table of a run, and notices."""
    tables = {
        "winds": winds_table(data, subsets),
        "wind_subsets": _subsets_table(data, subsets),
        "damaging_wind": pd.DataFrame(
            [_damaging_row(*found) for found in damaging.values()],
            columns=list(_DAMAGING_COLUMNS),
        ),
        "damaging_wind_bearings": _bearings_table(damaging),
    }
    notices: list[Notice] = []
    if data.record is not None:
        hours = data.record.hours
        tables["wind_sectors"] = pd.concat(
            [_sectors_table(one) for one in subsets], ignore_index=True
        )
        tables["wind_months"] = _months_table(hours, data.params.sectors)
        tables["wind_record_quality"] = data.record.findings
        tables["wind_stations"] = data.record.stations
        if data.params.hourly:
            tables["hourly"] = _hourly_table(hours)
        if np.isfinite(hours.temperature_c).any():
            notices = _add_chill(tables, data, hours)
    return tables, notices


def _sectors_table(one: SubsetWind) -> pd.DataFrame:
    s = one.statistics
    assert s is not None
    return pd.DataFrame(
        {
            "subset": one.winds.subset,
            "direction_deg": s.direction_deg,
            "frequency": one.winds.frequency,
            "frequency_low": s.frequency_low,
            "frequency_high": s.frequency_high,
            "mean_speed_ms": s.mean_speed_ms,
            "weibull_scale_ms": s.weibull_scale_ms,
            "weibull_shape": s.weibull_shape,
            "shape_pooled": np.where(s.pooled, "yes", "no"),
            "speed_p90_ms": s.p90_ms,
            "speed_p98_ms": s.p98_ms,
            "value_count": s.values,
        }
    )


def _subsets_table(data: WindSetData, subsets: list[SubsetWind]) -> pd.DataFrame:
    records = []
    for one in subsets:
        winds, s = one.winds, one.statistics
        factor = height_factor(data, data.params.at_height_m)
        records.append(
            {
                "subset": winds.subset,
                "months_covered": months_in_words(one.rule.months) if one.rule else "",
                "hour_rule": one.rule.rule if one.rule else "",
                "season": one.leaf_state,
                "bare_share": one.bare_share,
                "measured_height_m": np.nan if data.listed else data.measured_height_m,
                "value_count": float(s.count) if s else np.nan,
                "calm": winds.calm,
                "calm_low": s.calm_low if s else np.nan,
                "calm_high": s.calm_high if s else np.nan,
                "mean_speed_ms": one.mean_ms,
                "site_speed_ms": one.mean_ms * factor,
                "main_direction_deg": float(winds.direction_deg[int(np.argmax(one.run))]),
                "frequency_uncertainty": s.uncertainty if s else np.nan,
            }
        )
    return pd.DataFrame(records)


def height_factor(data: WindSetData, height_m: float) -> float:
    """Wind speed at a height over the site divided by that measured, by the log law."""
    one = np.ones(1)
    unit = WindSet(
        "",
        0 * one,
        one,
        one,
        one,
        measured_height_m=data.measured_height_m,
        measured_roughness_m=data.station_roughness_m,
    )
    return float(unit.flat_terrain_speed_ms(height_m, data.params.site_roughness_m)[0])


def _months_table(hours: Hours, sectors: int) -> pd.DataFrame:
    directions = np.append(np.arange(sectors) * 360.0 / sectors, np.nan)
    parts = [
        pd.DataFrame(
            {
                "month": month,
                "direction_deg": directions,
                "frequency": exact_shares(frequency, 6),
                "mean_speed_ms": np.append(mean, np.nan),
                "value_count": values,
            }
        )
        for month, (frequency, mean, values) in month_statistics(hours, sectors).items()
    ]
    return pd.concat(parts, ignore_index=True)


def _hourly_table(hours: Hours) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "station": np.array(hours.stations, object)[hours.station],
            "time": np.datetime_as_string(hours.time, unit="m"),
            "direction_deg": hours.direction_deg,
            "speed_ms": hours.speed_ms,
            "gust_ms": hours.gust_ms,
            "temperature_c": hours.temperature_c,
            "rain_mm": hours.rain_mm,
        }
    )


def _add_chill(tables: dict[str, pd.DataFrame], data: WindSetData, hours: Hours) -> list[Notice]:
    """Chill on open ground by month; none where lamb height is within the roughness."""
    if 2 * data.params.site_roughness_m >= chill.LAMB_HEIGHT_M:
        text = (
            f"sheep chill not calculated: {chill.LAMB_HEIGHT_M:g} m is too low for a roughness "
            f"length of {data.params.site_roughness_m:g} m"
        )
        return [Notice("not-modelled", text)]
    count = len(hours.stations)
    days = hours.time.astype("datetime64[D]").astype(np.int64) * count + hours.station
    found, index = chill.daily_sheep_chill(
        days,
        hours.temperature_c,
        hours.speed_ms * height_factor(data, chill.LAMB_HEIGHT_M),
        hours.rain_mm,
        values_per_hour=60.0 / hours.step_minutes,
    )
    months = (found // count).astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12 + 1
    felt = chill.human_wind_chill(
        hours.temperature_c, hours.speed_ms * height_factor(data, 10.0) * 3.6
    )
    lowest = pd.Series(felt).groupby(hours.month).min()
    by_month = pd.Series(index).groupby(months)
    tables["sheep_chill_months"] = pd.DataFrame(
        {
            "month": list(by_month.groups),
            "day_count": by_month.count().to_numpy(),
            "sheep_chill": by_month.mean().to_numpy(),
            "sheep_chill_day_count": by_month.agg(
                lambda c: int((c > chill.LAMB_DEATHS_FROM).sum())
            ).to_numpy(int),
            "wind_chill_c": [float(lowest.get(m, np.nan)) for m in by_month.groups],
        }
    )
    if np.isfinite(hours.rain_mm).any():
        return []
    return [Notice("value-assumed", "rain is not in the record: sheep chill calculated without it")]


def damaging_by_purpose(
    subsets: list[SubsetWind], wanted: str | None
) -> dict[str, tuple[Purpose, str, DamagingWind]]:
    """Best lines for each purpose that the wind set serves."""
    sets = {one.winds.subset: one.winds for one in subsets}
    found = {}
    for name, purpose in purposes().items():
        if wanted not in (None, name):
            continue
        try:
            winds = choose_subset(sets, "", (*purpose.subsets, purpose.season), "winds")
        except InputError:  # every subset has a name, and none fits
            continue
        weights = winds.weights(purpose.speed_exponent)
        found[name] = purpose, winds.subset, damaging_wind(winds.direction_deg, weights)
    return found


_DAMAGING_COLUMNS = (
    "purpose",
    "subset",
    "speed_exponent",
    "bearing_deg",
    "across_share",
    "side_deg",
    "side_share",
    "corner_deg",
    "leg_bearings",
    "corner_share",
)


def _damaging_row(purpose: Purpose, subset: str, best: DamagingWind) -> tuple[object, ...]:
    legs = " and ".join(f"{b:.0f}" for b in sorted(best.leg_bearings_deg))
    return (
        purpose.name,
        subset,
        purpose.speed_exponent,
        best.both_sides.bearing_deg,
        best.both_sides.wind_share,
        best.side_deg,
        best.side_share,
        best.corner_deg,
        legs,
        best.corner_share,
    )


def _bearings_table(damaging: Mapping[str, tuple[Purpose, str, DamagingWind]]) -> pd.DataFrame:
    rows = [
        (name, turned, (best.both_sides.bearing_deg + turned) % 180.0, lost)
        for name, (_, _, best) in damaging.items()
        for turned, lost in sorted(best.both_sides.loss.items())
    ]
    columns = ["purpose", "turned_from_best_deg", "bearing_deg", "effect_lost_share"]
    return pd.DataFrame(rows, columns=columns)
