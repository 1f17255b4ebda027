"""The stages of `exposure`: horizons, topex, upwind slope and terrain wind."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.grid import COMPASS_POINTS
from shelterscape.process.stages import Block, Progress, Work
from shelterscape.processes.exposure.loading import (
    ExposureData,
    classes_of,
    load,
    whole_map,
    work_bytes,
)
from shelterscape.processes.exposure.summary import ExposureResults, summarise
from shelterscape.science.places import Coverage, means
from shelterscape.science.terrain import OpenWind, topex, topex_class, view_complete
from shelterscape.science.terrain.averages import WindMean
from shelterscape.science.terrain.validity import MODELLED_SHARE, NOT_MODELLED
from shelterscape.science.terrain.views import (
    AngleSum,
    azimuth_of,
    horizon_sum,
    topex_sum,
    upwind_sum,
    views,
)

__all__ = ["compute", "load", "summarise", "whole_map", "work_bytes"]

Field = NDArray[np.float32]

WINDS_BEGIN = 0.3
"""Share of the work at which the wind directions begin."""


def compute(data: ExposureData) -> Work[ExposureResults]:
    """Horizons, topex, upwind slope and terrain wind, for the ground and what lies on it."""
    seen = yield from _views(data)
    yield Block("topex", 0, seen.topex)
    if "views_complete" in data.rasters:
        yield Block("views_complete", 0, seen.complete)
    if classes := classes_of(data.params):
        yield Block("exposure_class", 0, topex_class(seen.topex, classes))
    yield Block("upwind_slope", 0, seen.upwind_slope)
    yield Block("weighted_horizon", 0, seen.horizon)
    found = yield from _over_winds(data)
    yield Block("open_wind", 0, _in_unit(data, found.open_wind, data.speed_ms()))
    modelled = np.where(data.known, found.modelled >= MODELLED_SHARE, 255)
    yield Block("open_wind_modelled", 0, modelled.astype(np.uint8))
    return ExposureResults(
        layers={
            name: frame.assign(**_feature_columns(name, covered, found, seen, data))
            for name, (frame, covered) in data.features.items()
        },
        tables={"winds_over_ground": _winds_table(found, seen, data)},
        notices=_not_modelled(found.modelled, data),
        data=data,
        topex=seen.topex,
        open_wind=found.open_wind,
        modelled=found.modelled,
        strongest=found.strongest,
        in_strongest=found.in_strongest,
    )


@dataclass(frozen=True)
class _Views:
    """What the horizons add up to; degrees, and the share of complete views."""

    topex: Field
    upwind_slope: Field
    horizon: Field
    complete: Field
    mean_horizon: list[float]
    """Mean over all ground for each wind direction."""


def _views(data: ExposureData) -> Generator[Block | Progress, None, _Views]:
    """Topex, upwind slope and horizons: each view is calculated once for all of them."""
    params, shape, weights = data.params, data.grid.shape, data.winds.weights()
    signed, unlimited = params.topex_form == "signed", params.topex_form == "unlimited"
    window = 7 if params.fine_window else 3
    slope = upwind_sum(shape, data.directions, weights, azimuths=window)
    horizon = horizon_sum(shape, data.directions, weights)
    around = topex_sum(shape, signed=signed)
    sums = [slope, horizon] if unlimited else [slope, horizon, around]
    wanted = {azimuth_of(d): i for i, d in enumerate(data.directions)}
    # A direction without weight is no part of any sum, but has its mean and its band.
    sums.append(AngleSum(shape, dict.fromkeys(wanted, 0.0)))
    count, mean_horizon = len({a for one in sums for a in one.shares}), [0.0] * len(wanted)
    angles = views(
        data.elevation,
        data.grid,
        sums,
        limit_m=params.limit_m,
        before_each=lambda _: data.check_stop(),
    )
    yield Progress(0.0, "horizons, topex and upwind slope")
    for done, (azimuth, angle) in enumerate(angles, start=1):
        if (i := wanted.get(azimuth)) is not None:
            known = np.where(data.known, angle, np.float32(np.nan))
            mean_horizon[i] = _mean(known)
            if params.by_direction:
                yield Block("horizon", i, known)
        yield Progress(WINDS_BEGIN * done / count, f"horizon {done} of {count}")
    total = around.total if not unlimited else _unlimited_topex(data)
    for field_ in (total, slope.total, horizon.total):
        field_[~data.known] = np.nan
    return _Views(total, slope.total, horizon.total, _views_complete(data), mean_horizon)


def _unlimited_topex(data: ExposureData) -> Field:
    return topex(
        data.elevation,
        data.grid,
        limit_m=None,
        signed=False,
        before_each=lambda _: data.check_stop(),
    )


def _views_complete(data: ExposureData) -> Field:
    """Share of the eight views of topex that stay on the map."""
    limit_m = None if data.params.topex_form == "unlimited" else data.params.limit_m
    count = np.zeros(data.grid.shape, np.float32)
    for direction in COMPASS_POINTS:
        count += view_complete(data.grid, direction, limit_m=limit_m)
    count /= len(COMPASS_POINTS)
    count[~data.known] = np.nan
    return count


@dataclass
class _OverWinds:
    """Means over all winds, and what layers and tables need of each."""

    open_wind: Field
    modelled: Field
    strongest: int
    in_strongest: OpenWind | None = None
    speed_up: list[float] = field(default_factory=list)
    not_modelled_ha: list[float] = field(default_factory=list)
    by_feature: dict[str, list[NDArray[np.float64]]] = field(default_factory=dict)


def _over_winds(data: ExposureData) -> Generator[Block | Progress, None, _OverWinds]:
    """Terrain wind, direction by direction."""
    weights = data.winds.weights()
    wind, modelled = (WindMean(weights, data.grid.shape) for _ in range(2))
    found = _OverWinds(wind.mean, modelled.mean, int(np.argmax(weights)))
    found.by_feature = {name: [] for name in data.features}
    speeds, count = data.speeds_ms(), len(data.directions)
    for i, (_, over) in enumerate(data.terrain_wind):
        share = WINDS_BEGIN + (1 - WINDS_BEGIN) * i / count
        yield Progress(share, f"terrain wind {data.labels[i]}")
        over = _masked(over, data.known)
        if data.params.by_direction:
            yield Block("open_wind", i + 1, _in_unit(data, 1 + over.speed_up, float(speeds[i])))
        wind.add(i, over.speed_up, plus=1.0)
        modelled.add(i, over.valid)
        _add_wind(found, data, i, over)
    modelled.mean[~data.known] = np.nan
    return found


def _masked(over: OpenWind, known: NDArray[np.bool_]) -> OpenWind:
    """The same without ground on which no result is wanted."""
    speed_up = np.where(known, over.speed_up, np.float32(np.nan))
    return replace(over, speed_up=speed_up, valid=over.valid & known)


def _in_unit(data: ExposureData, relative: Field, speed_ms: float) -> Field:
    """Wind relative to flat, open terrain in m/s, or as it is where speeds are unknown."""
    return relative * np.float32(speed_ms) if data.winds.speeds_known else relative


def _add_wind(found: _OverWinds, data: ExposureData, i: int, over: OpenWind) -> None:
    """Keep what tables and layers need of one wind direction."""
    lost = data.known & ~over.valid
    found.speed_up.append(_mean(over.speed_up))
    found.not_modelled_ha.append(float(lost.sum() * data.grid.cell_area_ha))
    for name, (_, covered) in data.features.items():
        found.by_feature[name].append(1 + means(over.speed_up, covered))
    if i == found.strongest:
        found.in_strongest = over


def _mean(values: Field) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean(dtype=float)) if known.size else float("nan")


def _feature_columns(
    name: str, covered: Coverage, found: _OverWinds, seen: _Views, data: ExposureData
) -> dict[str, NDArray[np.float64]]:
    """Columns of exposure for the features of a layer."""
    relative = means(found.open_wind, covered)
    by_wind = np.array(found.by_feature[name]) * data.winds.weights()[:, None]
    strongest = np.asarray(data.winds.direction_deg)[np.nan_to_num(by_wind).argmax(axis=0)]
    modelled = np.where(np.isnan(found.modelled), np.nan, found.modelled >= MODELLED_SHARE)
    return {
        "topex": means(seen.topex, covered),
        "weighted_horizon": means(seen.horizon, covered),
        "upwind_slope": means(seen.upwind_slope, covered),
        "speed_up": relative - 1,
        "open_wind": relative * data.speed_ms(),
        "strongest_from_deg": np.where(np.isnan(relative), np.nan, strongest),
        "modelled_share": means(modelled.astype(np.float32), covered),
        "views_complete": means(seen.complete, covered),
    }


def _winds_table(found: _OverWinds, seen: _Views, data: ExposureData) -> pd.DataFrame:
    """What the terrain does to each wind."""
    return pd.DataFrame(
        {
            "direction_deg": data.winds.direction_deg,
            "frequency": data.winds.frequency,
            "mean_speed_ms": data.winds.mean_speed_ms,
            "horizon": seen.mean_horizon,
            "speed_up": found.speed_up,
            "open_wind": data.speeds_ms() * (1 + np.array(found.speed_up)),
            "not_modelled_ha": found.not_modelled_ha,
        }
    )


def _not_modelled(modelled: Field, data: ExposureData) -> list[Notice]:
    lost = float((modelled < MODELLED_SHARE).sum() * data.grid.cell_area_ha)
    if not lost:
        return []
    whole = data.known.sum() * data.grid.cell_area_ha
    text = (
        f"open wind not modelled on {lost:,.1f} of {whole:,.1f} ha for half of the wind or "
        f"more: {NOT_MODELLED}"
    )
    return [Notice("not-modelled", text)]
