"""Inputs of `shelter`: read, checked and combined."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.files.rasters import CACHE_BYTES
from shelterscape.grid import Grid, grid_direction
from shelterscape.process.belts_read import VALUE_COLUMNS, complete_belts
from shelterscape.process.cases import DEFAULT_SEASONS
from shelterscape.process.choices import ResolvedOptions, resolve_options
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import InputSizes
from shelterscape.process.place_hours import PlaceHours, read_place_hours
from shelterscape.process.place_hours import work_bytes as hours_bytes
from shelterscape.process.reading import Reader, never_stop
from shelterscape.process.seen_ground import GROUND_COLUMNS
from shelterscape.process.seen_ground import work_bytes as seen_ground_bytes
from shelterscape.process.stages import Bands, WholeMap, WindWork
from shelterscape.processes.shelter.spec import ShelterInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import places as place_layers
from shelterscape.science.bare_ground import refuse_surface
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain.ground import Ground, held
from shelterscape.science.terrain.wind_over_terrain import work_bytes as terrain_wind_bytes

Field = NDArray[np.float32]

COLUMNS = {
    "belts": belt_layers.READ_COLUMNS,
    "places": place_layers.READ_COLUMNS,
    **VALUE_COLUMNS,
    **GROUND_COLUMNS,
}
"""Columns that are read, by layer."""

SHELTER_DISTANCE_H = 50.0
"""Margin around a part of the map, in heights of the tallest belt: shelter does not extend further.
"""


@dataclass(frozen=True)
class ShelterData:
    """Input data of `compute`.

    Parameters
    ----------
    params : ShelterInputs
    resolved : ResolvedOptions
        Inputs after purpose and defaults are applied.
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    convergence_deg : float
        From true to grid north.
    known : (rows, cols) bool
        Cells with known elevation to calculate results for.
    belts : GeoDataFrame
        As `science.belts.complete` returns them.
    places : GeoDataFrame or None
        As `science.places.complete` returns them.
    covered : Coverage or None
        Cells of each place.
    terrain_wind : iterable or None
        Direction (degrees from grid north) and terrain wind; None if it is not calculated.
    rasters : dict of Bands
    check_stop : callable
        Called during long work; may raise.
    hours : PlaceHours or None
        Hours to count on places.
    survey_changes : DataFrame or None
        What a survey changed.
    """

    params: ShelterInputs
    resolved: ResolvedOptions
    elevation: Field
    grid: Grid
    convergence_deg: float
    known: NDArray[np.bool_]
    belts: gpd.GeoDataFrame
    places: gpd.GeoDataFrame | None = None
    covered: place_layers.Coverage | None = None
    terrain_wind: Iterable[tuple[float, TerrainWind]] | None = None
    rasters: dict[str, Bands] = field(default_factory=dict)
    check_stop: Callable[[], None] = never_stop
    hours: PlaceHours | None = None
    survey_changes: pd.DataFrame | None = None

    @property
    def cases(self) -> list[Case]:
        """All cases, year by year."""
        return [case for year in self.resolved.years for case in self.resolved.cases(year)]

    @property
    def speeds_known(self) -> bool:
        """Whether all wind directions of all seasons have speeds."""
        return all(winds.speeds_known for winds in self.resolved.winds.values())

    @property
    def site_wind_raster(self) -> str:
        """Name of the raster of site wind: in m/s, or a ratio where speeds are unknown."""
        return "site_wind_ms" if self.speeds_known else "site_wind_ratio"

    def speed_ms(self, case: Case) -> float:
        """Power mean of wind speed over flat, open terrain in a case, m/s; NaN where unknown."""
        height_m, winds = self.resolved.options.at_height_m, self.resolved.winds[case.season]
        return winds.power_mean_ms(self.resolved.speed_exponent, height_m, self.params.roughness_m)


def load(params: ShelterInputs, reader: Reader) -> ShelterData:
    """Read and check all inputs."""
    elevation, grid, convergence = reader.terrain(params)
    resolved = resolve_options(
        params, reader.winds(params.winds), reader.notice, params.roughness_m
    )
    belts, places, changes = _features(params, reader, grid)
    if reader.whole:  # for parts of a map, `whole_map` has made this check
        refuse_surface(belts, held(elevation, grid), params.dem)
    terrain_wind = None
    if params.terrain:
        height_m = resolved.options.at_height_m
        columns = columns_by_layer(params.fields, COLUMNS)["roughness"]
        terrain_wind = reader.terrain_wind(
            params,
            elevation,
            grid,
            _grid_directions(resolved, convergence),
            height_m=height_m,
            roughness_m=reader.roughness(params, grid, height_m, belts, columns),
        )
    data = ShelterData(
        params,
        resolved,
        elevation,
        grid,
        convergence,
        reader.wanted(elevation, grid),
        belts,
        places,
        None if places is None else place_layers.coverage(places, grid),
        terrain_wind,
        check_stop=reader.check_stop,
        hours=read_place_hours(
            params, reader, resolved, places=params.places, roughness_m=params.roughness_m
        ),
        survey_changes=changes,
    )
    return replace(data, rasters=_rasters(data))


def whole_map(params: ShelterInputs, reader: Reader) -> WholeMap:
    """Terrain wind of the whole map, and as margin the distance to which shelter extends."""
    grid, convergence = reader.grid(params)
    resolved = resolve_options(
        params, reader.winds(params.winds), reader.notice, params.roughness_m
    )
    belts, _, _ = _features(params, reader, grid)
    elevation = reader.elevation(params)
    refuse_surface(belts, Ground(grid, elevation, params.roughness_m), params.dem)
    work = None
    if params.terrain:
        height_m = resolved.options.at_height_m
        columns = columns_by_layer(params.fields, COLUMNS)["roughness"]
        ground = reader.ground(params, elevation, grid, height_m, belts, columns)
        work = WindWork(params, ground, _grid_directions(resolved, convergence), height_m)
    tallest = max(
        belts_at(belts, case, local_heights=resolved.local_heights)["height_m"].max()
        for year in resolved.years
        for case in resolved.cases(year)
    )
    return WholeMap(SHELTER_DISTANCE_H * float(tallest) + 2 * grid.cell_m, work)


def work_bytes(params: ShelterInputs, sizes: InputSizes) -> float:
    """Largest memory used, bytes: fields by season and case, and belts along fifteen rays."""
    # A purpose has only one season; counting two is on the safe side.
    seasons = len(params.seasons or DEFAULT_SEASONS)
    cases = seasons * len(params.years)
    a_cell = 24.0 + 14.0 * seasons + 6.0 * cases
    if params.places:
        a_cell += 24.0 + 8.0 * seasons
    a_vertex = 20_000.0
    if params.by_direction:
        a_vertex += 2_500.0 * sizes.directions * cases
    cache = min(CACHE_BYTES, 4.0 * cases * sizes.cells)
    terrain = 0.0
    if params.terrain and sizes.grid is not None:
        terrain = (2.0 + 13.0 * seasons + 6.0 * cases) * sizes.cells
        terrain += terrain_wind_bytes(sizes.grid) + seen_ground_bytes(params, sizes)
    hours = hours_bytes(params, sizes, seasons)
    return a_cell * sizes.cells + a_vertex * sizes.vertices + cache + terrain + hours


def _grid_directions(resolved: ResolvedOptions, convergence_deg: float) -> list[float]:
    return [grid_direction(d, convergence_deg) for d, _, _ in resolved.directions()]


def _features(
    params: ShelterInputs, reader: Reader, grid: Grid
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame | None, pd.DataFrame | None]:
    """Belts, places, and what a survey changed."""
    columns = columns_by_layer(params.fields, COLUMNS)
    frame = reader.layer(params.belts, grid, "belt layer", columns["belts"])
    belts, changes = complete_belts(params, reader, frame, COLUMNS)
    frame = reader.places(params.places, grid, columns["places"])
    if frame is None:
        return belts, None, changes
    places, notices = place_layers.complete(frame, "places")
    reader.notices(notices)
    return belts, places, changes


def _rasters(data: ShelterData) -> dict[str, Bands]:
    """Bands of every raster of this run."""
    labels = [case.label for case in data.cases]
    found = {"relative_wind": Bands(labels)}
    if data.params.terrain:
        found[data.site_wind_raster] = Bands(labels)
    if data.params.by_direction:
        found["relative_wind_by_direction"] = Bands(
            [
                band_label(case, float(direction))
                for case in data.cases
                for direction in data.resolved.winds[case.season].direction_deg
            ]
        )
    return found


def band_label(case: Case, direction_deg: float) -> str:
    """Label of the band of a case and direction."""
    return f"{case.label} {direction_deg:g}°"
