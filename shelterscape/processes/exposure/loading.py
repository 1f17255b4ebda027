"""Read and check the inputs of `exposure`."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.files.styles import RAMPS, spread
from shelterscape.grid import Grid, grid_direction
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader, never_stop
from shelterscape.process.seen_ground import GROUND_COLUMNS, SeenGround
from shelterscape.process.seen_ground import work_bytes as seen_ground_bytes
from shelterscape.process.stages import Bands, WholeMap, WindWork
from shelterscape.processes.exposure.spec import ExposureInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import holdings as holding_layers
from shelterscape.science import places as place_layers
from shelterscape.science.places import Coverage, coverage
from shelterscape.science.terrain import TOPEX_BOUNDS, TerrainWind
from shelterscape.science.terrain.roughness import MOST_CLASSES
from shelterscape.science.terrain.topographic_exposure import class_labels
from shelterscape.science.terrain.validity import REASONS
from shelterscape.science.terrain.wind_over_terrain import work_bytes as terrain_wind_bytes
from shelterscape.science.wind import WindSet, choose_subset

Field = NDArray[np.float32]

COLUMNS = {
    "belts": belt_layers.READ_COLUMNS,
    "places": place_layers.READ_COLUMNS,
    "holdings": holding_layers.READ_COLUMNS,
    **GROUND_COLUMNS,
}
"""Columns that are read, by layer."""

ALL_WINDS = "all winds"
MODELLED = {"not modelled": "#b5561f", "modelled": "#f4f4f4"}
REASON_COLOURS = ("#f4f4f4", "#7a6fb0", "#b5561f", "#d9b44a", "#6b6b6b")
"""Colours of `validity.REASONS`."""


@dataclass(frozen=True)
class ExposureData:
    """Input of `compute`.

    Parameters
    ----------
    params : ExposureInputs
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    known : (rows, cols) bool
        Cells with known ground on which results are required.
    winds : WindSet
    directions : list of float
        Wind directions, degrees from grid north.
    terrain_wind : iterable
        Wind direction (degrees from grid north) and its terrain wind.
    features : dict
        Places and holdings with their cells, by output layer.
    rough_map : bool
        Whether roughness is from a map.
    rasters : dict of Bands
    check_stop : callable
        Called during long calculations; may raise to end the work.
    seen : SeenGround
        What the land sees in place of missing cells.
    """

    params: ExposureInputs
    elevation: Field
    grid: Grid
    known: NDArray[np.bool_]
    winds: WindSet
    directions: list[float]
    terrain_wind: Iterable[tuple[float, TerrainWind]]
    features: dict[str, tuple[gpd.GeoDataFrame, Coverage]] = field(default_factory=dict)
    rough_map: bool = False
    rasters: dict[str, Bands] = field(default_factory=dict)
    check_stop: Callable[[], None] = never_stop
    seen: SeenGround = field(default_factory=SeenGround)

    @property
    def labels(self) -> list[str]:
        """Label of each wind direction, from true north."""
        return [f"from {d:g}°" for d in self.winds.direction_deg]

    @property
    def wind_raster(self) -> str:
        """Raster of terrain wind: in m/s, or as a ratio where speeds are unknown."""
        return "terrain_wind_ms" if self.winds.speeds_known else "terrain_wind_ratio"

    def speed_ms(self) -> float:
        """Mean wind speed over flat, open terrain, all wind directions, m/s; NaN if unknown."""
        return self.winds.power_mean_ms(1.0, self.params.at_height_m, self.params.roughness_m)

    def speeds_ms(self) -> NDArray[np.float64]:
        """Mean wind speed over flat, open terrain for each wind direction, m/s."""
        return self.winds.flat_terrain_speed_ms(self.params.at_height_m, self.params.roughness_m)


def load(params: ExposureInputs, reader: Reader) -> ExposureData:
    """Read and check all inputs."""
    class_labels(class_bounds(params))  # refuses bounds that do not rise
    elevation, grid, convergence = reader.terrain(params)
    winds = _winds(params, reader)
    directions = _grid_directions(winds, convergence)
    features = {n: (f, coverage(f, grid)) for n, f in _features(params, reader, grid).items()}
    belts, columns = _belts(params, reader, grid)
    height_m = params.at_height_m
    roughness = reader.roughness(params, grid, height_m, belts, columns)
    data = ExposureData(
        params,
        elevation,
        grid,
        reader.wanted(elevation, grid),
        winds,
        directions,
        reader.terrain_wind(
            params, elevation, grid, directions, height_m=height_m, roughness_m=roughness
        ),
        features,
        rough_map=np.ndim(roughness) > 0,
        check_stop=reader.check_stop,
        seen=reader.seen_ground(params, grid),
    )
    return replace(data, rasters=_rasters(data))


def whole_map(params: ExposureInputs, reader: Reader) -> WholeMap:
    """Terrain wind of the whole map, and the margin of tiles: the length of views."""
    class_labels(class_bounds(params))
    grid, convergence = reader.grid(params)
    directions = _grid_directions(_winds(params, reader), convergence)
    _features(params, reader, grid)  # raises errors before any tile is calculated
    belts, columns = _belts(params, reader, grid)
    height_m = params.at_height_m
    ground = reader.ground(params, reader.elevation(params), grid, height_m, belts, columns)
    # Unlimited views depend on the whole map.
    unlimited = params.topex_mode == "topex_unlimited"
    margin_m = np.inf if unlimited else params.limit_m + 2 * grid.cell_m
    return WholeMap(margin_m, WindWork(params, ground, directions, height_m))


def work_bytes(params: ExposureInputs, sizes: InputSizes) -> float:
    """Peak memory, bytes: rasters of the map, and terrain wind on a larger grid."""
    if sizes.grid is None:
        return 0.0
    classes = MOST_CLASSES if params.roughness else 1
    own = (75.0 + 8.0 * (classes - 1)) * sizes.cells
    return own + terrain_wind_bytes(sizes.grid) + seen_ground_bytes(params, sizes)


def _winds(params: ExposureInputs, reader: Reader) -> WindSet:
    return choose_subset(reader.winds(params.winds), params.subset, (), "winds")


def _grid_directions(winds: WindSet, convergence_deg: float) -> list[float]:
    return [grid_direction(float(d), convergence_deg) for d in winds.direction_deg]


def _features(params: ExposureInputs, reader: Reader, grid: Grid) -> dict[str, gpd.GeoDataFrame]:
    """Places and holdings, by output layer."""
    columns = columns_by_layer(params.fields, COLUMNS)
    found = {}
    frame = reader.places(params.places, grid, columns["places"])
    if frame is not None:
        places, notices = place_layers.complete(frame, "places")
        reader.notices(notices)
        found["place_exposure"] = places.drop(columns=["head", "priority"])
    frame = reader.holdings(params.holdings, grid, columns["holdings"])
    if frame is not None:
        holdings = holding_layers.complete(frame, "holdings")
        holdings["area_ha"] = holdings.geometry.area / 1e4
        found["holding_exposure"] = holdings
    return found


def _belts(
    params: ExposureInputs, reader: Reader, grid: Grid
) -> tuple[gpd.GeoDataFrame | None, dict[str, str]]:
    """Belts to remove from the map of roughness, and the columns of that map."""
    columns = columns_by_layer(params.fields, COLUMNS)
    if not (params.belts and params.roughness):
        return None, columns["roughness"]
    frame = reader.layer(params.belts, grid, "belt layer", columns["belts"])
    return belt_layers.complete(frame, "belts")[0], columns["roughness"]


def class_bounds(params: ExposureInputs) -> tuple[float, ...]:
    """Bounds of topex classes, degrees: as given, else those for unlimited topex, else none."""
    if params.topex_classes:
        return params.topex_classes
    return TOPEX_BOUNDS if params.topex_mode == "topex_unlimited" else ()


def _rasters(data: ExposureData) -> dict[str, Bands]:
    """Bands of every output raster."""
    view, every = [topex_words(data.params)], [ALL_WINDS]
    each = data.labels if data.params.by_direction else []
    found = {
        "topex_deg": Bands(view),
        "upwind_slope_deg": Bands(every),
        "weighted_horizon_deg": Bands(every),
        data.wind_raster: Bands([*every, *each]),
        "terrain_wind_modelled": Bands(every, classes=MODELLED),
        "not_modelled_reason": Bands(
            every, classes=dict(zip(REASONS.values(), REASON_COLOURS, strict=True))
        ),
    }
    if data.params.topex_mode != "topex_unlimited":
        found["complete_views_share"] = Bands(view)
    if bounds := class_bounds(data.params):
        names = class_labels(bounds)
        colours = spread([colour for _, colour in RAMPS["topex_deg"]], len(names))
        found["topex_class"] = Bands(view, classes=dict(zip(names, colours, strict=True)))
    if each:
        found["horizon_deg"] = Bands(each)
    return found


def topex_words(params: ExposureInputs) -> str:
    """Mode of topex, in words."""
    if params.topex_mode == "topex_unlimited":
        return "to the edge of the map, angles below the horizontal as zero"
    to = f"to {params.limit_m:g} m"
    return to if params.negative_angles else f"{to}, angles below the horizontal as zero"
