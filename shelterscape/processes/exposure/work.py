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
from shelterscape.processes.exposure.spec import ExposureInputs
from shelterscape.processes.exposure.summary import ExposureResults, summarise
from shelterscape.science.places import Coverage, means
from shelterscape.science.terrain import (
    OpenWind,
    horizon_angle,
    topex,
    topex_class,
    upwind_slope,
    view_complete,
)
from shelterscape.science.terrain.averages import WindMean
from shelterscape.science.terrain.validity import MODELLED_SHARE, NOT_MODELLED

__all__ = ["compute", "load", "summarise", "whole_map", "work_bytes"]

Field = NDArray[np.float32]

WINDS_BEGIN = 0.3
"""Share of the work at which the wind directions begin."""


def compute(data: ExposureData) -> Work[ExposureResults]:
    """Horizons, topex, upwind slope and terrain wind, for the ground and what lies on it."""
    yield Progress(0.0, "topex")
    views = {"topex": _topex(data), "views_complete": _views_complete(data)}
    yield Block("topex", 0, views["topex"])
    if "views_complete" in data.rasters:
        yield Block("views_complete", 0, views["views_complete"])
    if classes := classes_of(data.params):
        yield Block("exposure_class", 0, topex_class(views["topex"], classes))
    yield Progress(WINDS_BEGIN / 2, "upwind slope")
    views["upwind_slope"] = _upwind_slope(data)
    yield Block("upwind_slope", 0, views["upwind_slope"])
    found = yield from _over_winds(data)
    yield Block("weighted_horizon", 0, found.horizon)
    yield Block("open_wind", 0, _in_unit(data, found.open_wind, data.speed_ms()))
    modelled = np.where(data.known, found.modelled >= MODELLED_SHARE, 255)
    yield Block("open_wind_modelled", 0, modelled.astype(np.uint8))
    return ExposureResults(
        layers={
            name: frame.assign(**_feature_columns(name, covered, found, views, data))
            for name, (frame, covered) in data.features.items()
        },
        tables={"winds_over_ground": _winds_table(found, data)},
        notices=_not_modelled(found.modelled, data),
        data=data,
        topex=views["topex"],
        open_wind=found.open_wind,
        modelled=found.modelled,
        strongest=found.strongest,
        in_strongest=found.in_strongest,
    )


def _topex(data: ExposureData) -> Field:
    total = topex(
        data.elevation,
        data.grid,
        limit_m=_limit_m(data.params),
        signed=data.params.topex_form == "signed",
        before_each=lambda _: data.check_stop(),
    )
    total[~data.known] = np.nan
    return total


def _limit_m(params: ExposureInputs) -> float | None:
    """How far views of topex extend, m; None to the edge of the map."""
    return None if params.topex_form == "unlimited" else params.limit_m


def _upwind_slope(data: ExposureData) -> Field:
    slope = upwind_slope(
        data.elevation,
        data.grid,
        data.directions,
        data.winds.weights(),
        limit_m=data.params.limit_m,
        azimuths=7 if data.params.fine_window else 3,
        before_each=lambda _: data.check_stop(),
    )
    slope[~data.known] = np.nan
    return slope


def _views_complete(data: ExposureData) -> Field:
    """Share of the eight views of topex that stay on the map."""
    count = np.zeros(data.grid.shape, np.float32)
    for direction in COMPASS_POINTS:
        count += view_complete(data.grid, direction, limit_m=_limit_m(data.params))
    count /= len(COMPASS_POINTS)
    count[~data.known] = np.nan
    return count


@dataclass
class _OverWinds:
    """Means over all winds, and what layers and tables need of each."""

    horizon: Field
    open_wind: Field
    modelled: Field
    strongest: int
    in_strongest: OpenWind | None = None
    by_wind: dict[str, list[float]] = field(default_factory=dict)
    by_feature: dict[str, list[NDArray[np.float64]]] = field(default_factory=dict)


def _over_winds(data: ExposureData) -> Generator[Block | Progress, None, _OverWinds]:
    """Horizon and terrain wind, direction by direction."""
    weights = data.winds.weights()
    horizon, wind, modelled = (WindMean(weights, data.grid.shape) for _ in range(3))
    found = _OverWinds(horizon.mean, wind.mean, modelled.mean, int(np.argmax(weights)))
    found.by_wind = {"horizon": [], "speed_up": [], "not_modelled_ha": []}
    found.by_feature = {name: [] for name in data.features}
    speeds, count = data.speeds_ms(), len(data.directions)
    for i, (direction, over) in enumerate(data.terrain_wind):
        share = WINDS_BEGIN + (1 - WINDS_BEGIN) * i / count
        yield Progress(share, f"horizon and terrain wind {data.labels[i]}")
        angle = horizon_angle(data.elevation, data.grid, direction, limit_m=data.params.limit_m)
        angle[~data.known] = np.nan
        over = _masked(over, data.known)
        if data.params.by_direction:
            yield Block("horizon", i, angle)
            yield Block("open_wind", i + 1, _in_unit(data, 1 + over.speed_up, float(speeds[i])))
        horizon.add(i, angle)
        wind.add(i, 1 + over.speed_up)
        modelled.add(i, over.valid)
        _add_wind(found, data, i, angle, over)
    modelled.mean[~data.known] = np.nan
    return found


def _masked(over: OpenWind, known: NDArray[np.bool_]) -> OpenWind:
    """The same without ground on which no result is wanted."""
    speed_up = np.where(known, over.speed_up, np.float32(np.nan))
    return replace(over, speed_up=speed_up, valid=over.valid & known)


def _in_unit(data: ExposureData, relative: Field, speed_ms: float) -> Field:
    """Wind relative to flat, open terrain in m/s, or as it is where speeds are unknown."""
    return relative * np.float32(speed_ms) if data.winds.speeds_known else relative


def _add_wind(found: _OverWinds, data: ExposureData, i: int, angle: Field, over: OpenWind) -> None:
    """Keep what tables and layers need of one wind direction."""
    lost = data.known & ~over.valid
    found.by_wind["horizon"].append(_mean(angle))
    found.by_wind["speed_up"].append(_mean(over.speed_up))
    found.by_wind["not_modelled_ha"].append(float(lost.sum() * data.grid.cell_area_ha))
    for name, (_, covered) in data.features.items():
        found.by_feature[name].append(1 + means(over.speed_up, covered))
    if i == found.strongest:
        found.in_strongest = over


def _mean(values: Field) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean(dtype=float)) if known.size else float("nan")


def _feature_columns(
    name: str, covered: Coverage, found: _OverWinds, views: dict[str, Field], data: ExposureData
) -> dict[str, NDArray[np.float64]]:
    """Columns of exposure for the features of a layer."""
    relative = means(found.open_wind, covered)
    by_wind = np.array(found.by_feature[name]) * data.winds.weights()[:, None]
    strongest = np.asarray(data.winds.direction_deg)[np.nan_to_num(by_wind).argmax(axis=0)]
    modelled = np.where(np.isnan(found.modelled), np.nan, found.modelled >= MODELLED_SHARE)
    return {
        "topex": means(views["topex"], covered),
        "weighted_horizon": means(found.horizon, covered),
        "upwind_slope": means(views["upwind_slope"], covered),
        "speed_up": relative - 1,
        "open_wind": relative * data.speed_ms(),
        "strongest_from_deg": np.where(np.isnan(relative), np.nan, strongest),
        "modelled_share": means(modelled.astype(np.float32), covered),
        "views_complete": means(views["views_complete"], covered),
    }


def _winds_table(found: _OverWinds, data: ExposureData) -> pd.DataFrame:
    """What the terrain does to each wind."""
    frame = pd.DataFrame(
        {
            "direction_deg": data.winds.direction_deg,
            "frequency": data.winds.frequency,
            "mean_speed_ms": data.winds.mean_speed_ms,
            **found.by_wind,
        }
    )
    frame["open_wind"] = data.speeds_ms() * (1 + frame["speed_up"])
    return frame


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
