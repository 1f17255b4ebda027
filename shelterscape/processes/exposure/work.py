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
    class_bounds,
    load,
    whole_map,
    work_bytes,
)
from shelterscape.processes.exposure.summary import ExposureResults, summarise
from shelterscape.science.places import Coverage, means
from shelterscape.science.terrain import TerrainWind, topex, topex_class, view_complete
from shelterscape.science.terrain.averages import WindMean
from shelterscape.science.terrain.validity import MODELLED_SHARE, NOT_MODELLED, reasons_where
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
"""Share of the work at which terrain wind begins."""


def compute(data: ExposureData) -> Work[ExposureResults]:
    """Horizons, topex, upwind slope and terrain wind, for cells, places and holdings."""
    seen = yield from _views(data)
    yield Block("topex_deg", 0, seen.topex)
    if "complete_views_share" in data.rasters:
        yield Block("complete_views_share", 0, seen.complete)
    if bounds := class_bounds(data.params):
        yield Block("topex_class", 0, topex_class(seen.topex, bounds))
    yield Block("upwind_slope_deg", 0, seen.upwind_slope)
    yield Block("weighted_horizon_deg", 0, seen.horizon)
    found = yield from _over_winds(data)
    yield Block(data.wind_raster, 0, _in_unit(data, found.terrain_wind_ratio, data.speed_ms()))
    modelled = np.where(data.known, found.modelled >= MODELLED_SHARE, 255)
    yield Block("terrain_wind_modelled", 0, modelled.astype(np.uint8))
    yield Block("not_modelled_reason", 0, reasons_where(modelled == 0, found.reason, data.known))
    return ExposureResults(
        layers={
            name: frame.assign(**_feature_columns(name, covered, found, seen, data))
            for name, (frame, covered) in data.features.items()
        },
        tables={"terrain_wind_by_direction": _winds_table(found, seen, data)},
        notices=_not_modelled(found.modelled, data),
        data=data,
        topex=seen.topex,
        terrain_wind_ratio=found.terrain_wind_ratio,
        modelled=found.modelled,
        strongest=found.strongest,
        in_strongest=found.in_strongest,
    )


@dataclass(frozen=True)
class _Views:
    """Sums of horizon angles, degrees, and the share of complete views."""

    topex: Field
    upwind_slope: Field
    horizon: Field
    complete: Field
    mean_horizon: list[float]
    """Mean horizon angle over all ground for each wind direction."""


def _views(data: ExposureData) -> Generator[Block | Progress, None, _Views]:
    """Topex, upwind slope and horizons: each view is calculated once for all of them."""
    params, shape, weights = data.params, data.grid.shape, data.winds.weights()
    signed, unlimited = params.negative_angles, params.topex_mode == "topex_unlimited"
    window = 7 if params.fine_window else 3
    slope = upwind_sum(shape, data.directions, weights, azimuths=window)
    horizon = horizon_sum(shape, data.directions, weights)
    around = topex_sum(shape, signed=signed)
    sums = [slope, horizon] if unlimited else [slope, horizon, around]
    wanted = {azimuth_of(d): i for i, d in enumerate(data.directions)}
    # A direction without weight is in no sum, but has a mean and a band.
    sums.append(AngleSum(shape, dict.fromkeys(wanted, 0.0)))
    count, mean_horizon = len({a for one in sums for a in one.shares}), [0.0] * len(wanted)
    angles = views(
        data.seen.filled(data.elevation, data.grid),
        data.grid,
        sums,
        limit_m=params.limit_m,
        before_each=lambda _: data.check_stop(),
        surroundings=data.seen.surroundings,
    )
    yield Progress(0.0, "horizons, topex and upwind slope")
    for done, (azimuth, angle) in enumerate(angles, start=1):
        if (i := wanted.get(azimuth)) is not None:
            known = np.where(data.known, angle, np.float32(np.nan))
            mean_horizon[i] = _mean(known)
            if params.by_direction:
                yield Block("horizon_deg", i, known)
        yield Progress(WINDS_BEGIN * done / count, f"horizon {done} of {count}")
    total = around.total if not unlimited else _unlimited_topex(data)
    for field_ in (total, slope.total, horizon.total):
        field_[~data.known] = np.nan
    return _Views(total, slope.total, horizon.total, _views_complete(data), mean_horizon)


def _unlimited_topex(data: ExposureData) -> Field:
    return topex(
        data.seen.filled(data.elevation, data.grid),
        data.grid,
        limit_m=None,
        signed=False,
        before_each=lambda _: data.check_stop(),
        surroundings=data.seen.surroundings,
    )


def _views_complete(data: ExposureData) -> Field:
    """Share of the eight views of topex that stay on the map."""
    limit_m = None if data.params.topex_mode == "topex_unlimited" else data.params.limit_m
    count = np.zeros(data.grid.shape, np.float32)
    around = data.seen.surroundings
    for direction in COMPASS_POINTS:
        count += view_complete(data.grid, direction, limit_m=limit_m, surroundings=around)
    count /= len(COMPASS_POINTS)
    count[~data.known] = np.nan
    return count


@dataclass
class _OverWinds:
    """Means over all wind directions, and values of each for layers and tables."""

    terrain_wind_ratio: Field
    modelled: Field
    strongest: int
    reason: NDArray[np.uint8]
    in_strongest: TerrainWind | None = None
    speed_up: list[float] = field(default_factory=list)
    not_modelled_ha: list[float] = field(default_factory=list)
    by_feature: dict[str, list[NDArray[np.float64]]] = field(default_factory=dict)


def _over_winds(data: ExposureData) -> Generator[Block | Progress, None, _OverWinds]:
    """Terrain wind, direction by direction."""
    weights = data.winds.weights()
    wind, modelled = (WindMean(weights, data.grid.shape) for _ in range(2))
    strongest, reason = int(np.argmax(weights)), np.zeros(data.grid.shape, np.uint8)
    found = _OverWinds(wind.mean, modelled.mean, strongest, reason)
    found.by_feature = {name: [] for name in data.features}
    speeds, count = data.speeds_ms(), len(data.directions)
    for i, (_, over) in enumerate(data.terrain_wind):
        share = WINDS_BEGIN + (1 - WINDS_BEGIN) * i / count
        yield Progress(share, f"terrain wind {data.labels[i]}")
        over = _masked(over, data.known)
        if data.params.by_direction:
            yield Block(
                data.wind_raster, i + 1, _in_unit(data, 1 + over.speed_up, float(speeds[i]))
            )
        wind.add(i, over.speed_up, plus=1.0)
        modelled.add(i, over.valid)
        if over.reason is not None and weights[i] > 0:
            np.maximum(found.reason, over.reason, out=found.reason)
        _add_wind(found, data, i, over)
    modelled.mean[~data.known] = np.nan
    return found


def _masked(over: TerrainWind, known: NDArray[np.bool_]) -> TerrainWind:
    """Terrain wind on known ground only."""
    speed_up = np.where(known, over.speed_up, np.float32(np.nan))
    return replace(over, speed_up=speed_up, valid=over.valid & known)


def _in_unit(data: ExposureData, relative: Field, speed_ms: float) -> Field:
    """Terrain wind in m/s, or its ratio if wind speeds are unknown."""
    return relative * np.float32(speed_ms) if data.winds.speeds_known else relative


def _add_wind(found: _OverWinds, data: ExposureData, i: int, over: TerrainWind) -> None:
    """Keep the values of one wind direction for tables and layers."""
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
    relative = means(found.terrain_wind_ratio, covered)
    by_wind = np.array(found.by_feature[name]) * data.winds.weights()[:, None]
    strongest = np.asarray(data.winds.direction_deg)[np.nan_to_num(by_wind).argmax(axis=0)]
    modelled = np.where(np.isnan(found.modelled), np.nan, found.modelled >= MODELLED_SHARE)
    return {
        "topex_deg": means(seen.topex, covered),
        "weighted_horizon_deg": means(seen.horizon, covered),
        "upwind_slope_deg": means(seen.upwind_slope, covered),
        "terrain_wind_ratio": relative,
        "terrain_wind_ms": relative * data.speed_ms(),
        "strongest_from_deg": np.where(np.isnan(relative), np.nan, strongest),
        "terrain_wind_modelled_share": means(modelled.astype(np.float32), covered),
        "complete_views_share": means(seen.complete, covered),
    }


def _winds_table(found: _OverWinds, seen: _Views, data: ExposureData) -> pd.DataFrame:
    """Horizon angle and terrain wind for each wind direction."""
    return pd.DataFrame(
        {
            "direction_deg": data.winds.direction_deg,
            "frequency": data.winds.frequency,
            "mean_speed_ms": data.winds.mean_speed_ms,
            "horizon_deg": seen.mean_horizon,
            "terrain_wind_ratio": 1 + np.array(found.speed_up),
            "terrain_wind_ms": data.speeds_ms() * (1 + np.array(found.speed_up)),
            "terrain_wind_not_modelled_ha": found.not_modelled_ha,
        }
    )


def _not_modelled(modelled: Field, data: ExposureData) -> list[Notice]:
    lost = float((modelled < MODELLED_SHARE).sum() * data.grid.cell_area_ha)
    if not lost:
        return []
    whole = data.known.sum() * data.grid.cell_area_ha
    text = (
        f"terrain wind not modelled on {lost:,.1f} of {whole:,.1f} ha for half of the wind or "
        f"more: {NOT_MODELLED}"
    )
    return [Notice("not-modelled", text)]
