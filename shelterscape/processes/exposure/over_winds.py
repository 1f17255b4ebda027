"""What the land does to each wind, and what places and holdings get of it."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.files.rasters import RasterWriter
from shelterscape.grid import Grid, grid_direction
from shelterscape.process import Files, Run
from shelterscape.processes.exposure.inputs import ExposureInputs
from shelterscape.science.places import Coverage, means
from shelterscape.science.terrain import OpenWind, horizon_angle
from shelterscape.science.terrain.averages import WindMean
from shelterscape.science.terrain.validity import MODELLED_SHARE
from shelterscape.science.wind import WindSet

Field = NDArray[np.float32]

ALL_WINDS = "all winds"
MODELLED = {"not modelled": "#b5561f", "modelled": "#f4f4f4"}


@dataclass(frozen=True)
class Job:
    """What all winds of a run share.

    Parameters
    ----------
    asked : ExposureInputs
    elevation : (rows, cols) float32
    grid : Grid
    convergence_deg : float
    winds : WindSet
    roughness_m : float or (rows, cols) float32
    covered : dict
        Features and their cells, by the layer they go to.
    known : (rows, cols) bool
        Cells with ground on which results are wanted.
    files : Files
    run : Run
    """

    asked: ExposureInputs
    elevation: Field
    grid: Grid
    convergence_deg: float
    winds: WindSet
    roughness_m: float | Field
    covered: dict[str, tuple[gpd.GeoDataFrame, Coverage]]
    known: NDArray[np.bool_]
    files: Files
    run: Run

    @property
    def directions(self) -> list[float]:
        """Where winds come from, degrees from grid north."""
        return grid_directions(self.winds, self.convergence_deg)

    @property
    def bands(self) -> list[str]:
        """Band of each wind."""
        return [f"from {d:g}°" for d in self.winds.direction_deg]


@dataclass
class Found:
    """What was found, over all winds and wind by wind.

    Parameters
    ----------
    horizon : (rows, cols) float32
        Horizon angle over all winds, degrees.
    open_wind : (rows, cols) float32
        Wind over all winds relative to the plain.
    modelled : (rows, cols) float32
        Share of the wind for which the theory holds; NaN where ground is missing.
    strongest : int
        Number of the wind that brings most.
    in_strongest : OpenWind or None
        What the land does to it.
    by_wind : dict
        For each column of the table, its value in each wind.
    by_feature : dict
        For each layer, the mean wind relative to the plain on each feature, wind by wind.
    """

    horizon: Field
    open_wind: Field
    modelled: Field
    strongest: int
    in_strongest: OpenWind | None = None
    by_wind: dict[str, list[float]] = field(default_factory=dict)
    by_feature: dict[str, list[NDArray[np.float64]]] = field(default_factory=dict)


def over_winds(job: Job, part: tuple[float, float]) -> Found:
    """Work through the winds, writing the rasters as they come.

    Parameters
    ----------
    job : Job
    part : tuple of float
        Where its share of the progress begins, and how long it is.
    """
    weights = job.winds.weights()
    horizon, wind, modelled = (WindMean(weights, job.grid.shape) for _ in range(3))
    found = Found(horizon.mean, wind.mean, modelled.mean, int(np.argmax(weights)))
    found.by_wind = {"horizon": [], "speed_up": [], "not_modelled_ha": []}
    found.by_feature = {name: [] for name in job.covered}
    asked = job.asked
    plain = asked.at_height_m, asked.roughness_m
    speeds = job.winds.plain_speed_ms(*plain)
    with contextlib.ExitStack() as open_files:
        rasters = _Rasters(job, open_files)
        hills = job.files.open_winds(
            asked,
            job.elevation,
            job.grid,
            job.directions,
            height_m=asked.at_height_m,
            roughness_m=job.roughness_m,
        )
        for i, (direction, over) in enumerate(zip(job.directions, hills, strict=True)):
            share = part[0] + part[1] * i / len(job.bands)
            job.run.progress(share, f"horizon and open wind {job.bands[i]}")
            angle = horizon_angle(job.elevation, job.grid, direction, limit_m=asked.limit_m)
            angle[~job.known] = np.nan
            over = _masked(over, job.known)
            rasters.write(i, angle, over, float(speeds[i]))
            horizon.add(i, angle)
            wind.add(i, 1 + over.speed_up)
            modelled.add(i, over.valid)
            _note(found, job, i, angle, over)
        modelled.mean[~job.known] = np.nan
        rasters.write_means(found, job.winds.power_mean_ms(1.0, *plain))
    return found


def grid_directions(winds: WindSet, convergence_deg: float) -> list[float]:
    """Where the winds of a set come from, degrees from grid north."""
    return [grid_direction(float(d), convergence_deg) for d in winds.direction_deg]


def _masked(over: OpenWind, known: NDArray[np.bool_]) -> OpenWind:
    """The same without what is not wanted."""
    speed_up = np.where(known, over.speed_up, np.float32(np.nan))
    return replace(over, speed_up=speed_up, valid=over.valid & known)


def _note(found: Found, job: Job, i: int, angle: Field, over: OpenWind) -> None:
    """Keep what tables and layers need of one wind."""
    lost = job.known & ~over.valid
    found.by_wind["horizon"].append(_mean(angle))
    found.by_wind["speed_up"].append(_mean(over.speed_up))
    found.by_wind["not_modelled_ha"].append(float(lost.sum() * job.grid.cell_area_ha))
    for name, (_, covered) in job.covered.items():
        found.by_feature[name].append(1 + means(over.speed_up, covered))
    if i == found.strongest:
        found.in_strongest = over


def _mean(values: Field) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean(dtype=float)) if known.size else float("nan")


class _Rasters:
    """The rasters with a band per wind, written side by side."""

    def __init__(self, job: Job, open_files: contextlib.ExitStack) -> None:
        self._relative = not job.winds.speeds_known
        each = [ALL_WINDS, *job.bands]

        def opened(name: str, bands: list[str], **how: Any) -> RasterWriter:
            return open_files.enter_context(job.run.raster(name, job.grid, bands, **how))

        self._known = job.known
        self._horizon = opened("horizon", job.bands)
        self._speed_up = opened("speed_up", each)
        self._open_wind = opened("open_wind", each, other=self._relative)
        self._modelled = opened("open_wind_modelled", each, classes=MODELLED)

    def write(self, i: int, angle: Field, over: OpenWind, speed_ms: float) -> None:
        """One wind: the horizon, and what the land does to a wind of some speed on the plain."""
        self._horizon.write(i + 1, angle)
        self._write_wind(i + 2, over.speed_up, over.valid, speed_ms)

    def write_means(self, found: Found, speed_ms: float) -> None:
        """All winds together."""
        self._write_wind(1, found.open_wind - 1, found.modelled >= MODELLED_SHARE, speed_ms)

    def _write_wind(
        self, band: int, speed_up: Field, valid: NDArray[np.bool_], speed_ms: float
    ) -> None:
        self._speed_up.write(band, speed_up)
        wind = (1 + speed_up) * np.float32(1.0 if self._relative else speed_ms)
        self._open_wind.write(band, wind)
        self._modelled.write(band, np.where(self._known, valid, 255).astype(np.uint8))
