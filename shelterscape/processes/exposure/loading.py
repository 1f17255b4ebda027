"""What `exposure` reads, checked and put together."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.files.styles import RAMPS, shades
from shelterscape.grid import Grid, grid_direction
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import Sizes
from shelterscape.process.reading import Reader, never_stop
from shelterscape.process.stages import Bands, WholeMap, WindWork
from shelterscape.processes.exposure.spec import ExposureInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import holdings as holding_layers
from shelterscape.science import places as place_layers
from shelterscape.science.places import Coverage, coverage
from shelterscape.science.terrain import TOPEX_CLASSES, OpenWind
from shelterscape.science.terrain.open_wind import work_bytes as terrain_wind_bytes
from shelterscape.science.terrain.roughness import MOST_CLASSES
from shelterscape.science.terrain.roughness import READ_COLUMNS as ROUGHNESS_COLUMNS
from shelterscape.science.terrain.topographic_exposure import parse_classes
from shelterscape.science.wind import WindSet, choose

Field = NDArray[np.float32]

COLUMNS = {
    "belts": belt_layers.READ_COLUMNS,
    "places": place_layers.READ_COLUMNS,
    "holdings": holding_layers.READ_COLUMNS,
    "roughness": ROUGHNESS_COLUMNS,
}
"""Columns that are read, by layer."""

ALL_WINDS = "all winds"
MODELLED = {"not modelled": "#b5561f", "modelled": "#f4f4f4"}


@dataclass(frozen=True)
class ExposureData:
    """What `compute` works from.

    Parameters
    ----------
    params : ExposureInputs
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    known : (rows, cols) bool
        Cells with ground on which results are wanted.
    winds : WindSet
    directions : list of float
        Where the winds come from, degrees from grid north.
    terrain_wind : iterable
        Direction (degrees from grid north) and what the terrain does to its wind.
    features : dict
        Places and holdings with their cells, by the layer they go to.
    rough_map : bool
        Whether roughness comes from a map.
    rasters : dict of Bands
    check_stop : callable
        Called during long work; may raise.
    """

    params: ExposureInputs
    elevation: Field
    grid: Grid
    known: NDArray[np.bool_]
    winds: WindSet
    directions: list[float]
    terrain_wind: Iterable[tuple[float, OpenWind]]
    features: dict[str, tuple[gpd.GeoDataFrame, Coverage]] = field(default_factory=dict)
    rough_map: bool = False
    rasters: dict[str, Bands] = field(default_factory=dict)
    check_stop: Callable[[], None] = never_stop

    @property
    def labels(self) -> list[str]:
        """Label of each wind direction, from true north."""
        return [f"from {d:g}°" for d in self.winds.direction_deg]

    def speed_ms(self) -> float:
        """Mean speed over flat, open terrain over all winds, m/s; NaN where unknown."""
        return self.winds.power_mean_ms(1.0, self.params.at_height_m, self.params.roughness_m)

    def speeds_ms(self) -> NDArray[np.float64]:
        """The same for each wind."""
        return self.winds.plain_speed_ms(self.params.at_height_m, self.params.roughness_m)


def load(params: ExposureInputs, reader: Reader) -> ExposureData:
    """Read and check all inputs."""
    classes = classes_of(params)
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
    )
    return replace(data, rasters=_rasters(data, classes))


def whole_map(params: ExposureInputs, reader: Reader) -> WholeMap:
    """Terrain wind of the whole map; the margin is the distance to which views extend."""
    classes_of(params)
    grid, convergence = reader.grid(params)
    directions = _grid_directions(_winds(params, reader), convergence)
    _features(params, reader, grid)  # a fault in them is a fault for every part
    belts, columns = _belts(params, reader, grid)
    height_m = params.at_height_m
    ground = reader.ground(params, reader.elevation(params), grid, height_m, belts, columns)
    # Views without limit depend on all of the map.
    unlimited = params.topex_form == "unlimited"
    margin_m = np.inf if unlimited else params.limit_m + 2 * grid.cell_m
    return WholeMap(margin_m, WindWork(params, ground, directions, height_m))


def work_bytes(params: ExposureInputs, sizes: Sizes) -> float:
    """Memory held at most, bytes: rasters of the ground, and terrain wind on a wider grid."""
    if sizes.grid is None:
        return 0.0
    classes = MOST_CLASSES if params.roughness else 1
    return (72.0 + 8.0 * (classes - 1)) * sizes.cells + terrain_wind_bytes(sizes.grid)


def _winds(params: ExposureInputs, reader: Reader) -> WindSet:
    return choose(reader.winds(params.winds), params.subset, (), "winds")


def _grid_directions(winds: WindSet, convergence_deg: float) -> list[float]:
    return [grid_direction(float(d), convergence_deg) for d in winds.direction_deg]


def _features(params: ExposureInputs, reader: Reader, grid: Grid) -> dict[str, gpd.GeoDataFrame]:
    """Places and holdings, by the layer they go to."""
    columns = columns_by_layer(params.fields, COLUMNS)
    found = {}
    frame = reader.places(params.places, grid, columns["places"])
    if frame is not None:
        places, notices = place_layers.complete(frame, "places")
        reader.notices(notices)
        found["place_exposure"] = places.drop(columns=["head", "need"])
    frame = reader.holdings(params.holdings, grid, columns["holdings"])
    if frame is not None:
        holdings = holding_layers.complete(frame, "holdings")
        holdings["area_ha"] = holdings.geometry.area / 1e4
        found["holding_exposure"] = holdings
    return found


def _belts(
    params: ExposureInputs, reader: Reader, grid: Grid
) -> tuple[gpd.GeoDataFrame | None, dict[str, str]]:
    """Belts to take out of the map of roughness, and the columns in that map."""
    columns = columns_by_layer(params.fields, COLUMNS)
    if not (params.belts and params.roughness):
        return None, columns["roughness"]
    frame = reader.layer(params.belts, grid, "belt layer", columns["belts"])
    return belt_layers.complete(frame, "belts")[0], columns["roughness"]


def classes_of(params: ExposureInputs) -> tuple[tuple[float, str], ...]:
    """Classes of topex to write; none unless asked for, or fitting the form."""
    if params.topex_classes:
        return parse_classes(params.topex_classes)
    return TOPEX_CLASSES if params.topex_form == "unlimited" else ()


def _rasters(data: ExposureData, classes: tuple[tuple[float, str], ...]) -> dict[str, Bands]:
    """Bands of every raster that is written."""
    view, every = [topex_form(data.params)], [ALL_WINDS]
    each = data.labels if data.params.by_direction else []
    found = {
        "topex": Bands(view),
        "upwind_slope": Bands(every),
        "weighted_horizon": Bands(every),
        "open_wind": Bands([*every, *each], relative=not data.winds.speeds_known),
        "open_wind_modelled": Bands(every, classes=MODELLED),
    }
    if data.params.topex_form != "unlimited":
        found["views_complete"] = Bands(view)
    if classes:
        names = [name for _, name in classes]
        colours = shades(RAMPS["topex"], len(names))
        found["exposure_class"] = Bands(view, classes=dict(zip(names, colours, strict=True)))
    if each:
        found["horizon"] = Bands(each)
    return found


def topex_form(params: ExposureInputs) -> str:
    """Which form of topex was calculated, in words."""
    if params.topex_form == "unlimited":
        return "without limit, angles below the horizontal as nothing"
    to = f"to {params.limit_m:g} m"
    return to if params.topex_form == "signed" else f"{to}, angles below the horizontal as nothing"
