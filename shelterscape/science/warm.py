"""Small calls that compile all kernels in advance, so that runs need not wait."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future

import geopandas as gpd
import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.kernels.compiled import all_compiled, note_all_compiled
from shelterscape.science.belts import Case, belts_in_season, complete
from shelterscape.science.landform import flow_over, share_reaching
from shelterscape.science.not_modelled import behind_steep, gradient
from shelterscape.science.places import complete as complete_places
from shelterscape.science.places import coverage, means
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts
from shelterscape.science.rays import rays_of, relative_wind_by_ray
from shelterscape.science.shelter import RelativeWindMean, one_direction
from shelterscape.science.site_wind import SiteWind
from shelterscape.science.siting.benefit import benefits
from shelterscape.science.siting.budgets import Limits
from shelterscape.science.siting.choice import choose
from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.monte_carlo import selection_runs
from shelterscape.science.siting.place_cover import PlaceGround
from shelterscape.science.siting.place_terms import stock_terms
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain.averages import WindMean
from shelterscape.science.terrain.horizon import horizon_angle
from shelterscape.science.terrain.surroundings import blocks_around, restored
from shelterscape.science.terrain.wind_over_terrain import speed_up
from shelterscape.science.wind import WindSet
from shelterscape.science.zones import classify

SIDE, CELL_M = 96, 5.0
CRS = "EPSG:25832"


def _grid() -> Grid:
    return Grid((SIDE, SIDE), Affine(CELL_M, 0, 4e5, 0, -CELL_M, 6e6), CRS)


def compile_belts() -> None:
    """Kernels for relative wind on cells and sums over places."""
    prepared = prepare_belts(
        [belts_in_season(_some_belts((90, 110)), "in-leaf")], _grid(), ShelterOptions()
    )
    field = one_direction(prepared, _grid(), 10.0)
    wind = np.empty((1, SIDE, SIDE), np.float32)
    relative_wind_by_ray(rays_of(prepared, np.array([10.0])), _grid(), "smallest", wind)
    means(field[0], coverage(_stock_area(), _grid()))
    elevation = _elevation()
    for direction in (10.0, 100.0):  # along columns and along rows
        behind_steep(gradient(elevation, _grid()), field[0], _grid(), direction)
    classify(field[0])
    RelativeWindMean(field.shape).add([1.0], field)
    terrain = TerrainWind(np.zeros(_grid().shape, np.float32), None, elevation > 0)
    SiteWind(_grid().shape, 1, 1.0).add([1.0], terrain, field)


def _elevation() -> NDArray[np.float32]:
    row, col = np.mgrid[:SIDE, :SIDE]
    return (20 * np.sin(row / 15) * np.cos(col / 20)).astype(np.float32)


def compile_siting() -> None:
    """Kernels that evaluate and choose candidates, and those of Monte Carlo runs."""
    belts, candidates = _some_belts((90, 110)), _some_belts((150, 200)).assign(
        candidate=["a", "b"], kind="drawn", action="plant", restores_belt=[None, "0"],
        holding_id="h", length_m=200.0, cost_minor=1000,
    )  # fmt: skip
    priority = {"stock": np.ones(_grid().shape, np.float32)}
    winds = WindSet("", np.array([10.0]), np.ones(1), np.full(1, 5.0), np.full(1, 2.0))
    context = evaluation_context(
        _grid(), Case("in-leaf"), winds, belts, priority, places=_stock_area()
    )
    ground = Ground(context, candidates)
    own, limits = benefits(ground, candidates), Limits(metres=500.0)
    choose(ground, candidates, limits, own=own.gains, restoration_loss=own.restoration_loss)
    stock = PlaceGround(context, stock_terms(context))
    runs = selection_runs(context, candidates, own, limits, frame=ground.frame, stock=stock, runs=1)
    for _ in runs:
        pass


def _stock_area() -> gpd.GeoDataFrame:
    square = shapely.box(4e5 + 50, 6e6 - 300, 4e5 + 300, 6e6 - 50)
    frame = gpd.GeoDataFrame({"purpose": ["lambing"], "head": [9.0]}, geometry=[square], crs=CRS)
    return complete_places(frame, "places")[0]


def _some_belts(metres_south: tuple[float, float]) -> gpd.GeoDataFrame:
    """Two belts close to each other."""
    lines = [
        shapely.LineString([(4e5 + 100, 6e6 - y), (4e5 + 300, 6e6 - y - 20)]) for y in metres_south
    ]
    frame = gpd.GeoDataFrame({"height_m": [8.0, 9.0]}, geometry=lines, crs=CRS)
    return complete(frame, "belts")[0]


def compile_terrain() -> None:
    """Kernels of near and far horizons, of terrain wind, and of flow over the ground."""
    elevation = _elevation()
    for limit_m in (100.0, None):
        horizon_angle(elevation, _grid(), 10.0, limit_m=limit_m)
    heights = np.zeros(blocks_around(_grid(), 300.0).shape, np.float32)
    land = restored(heights, _grid(), 300.0)
    horizon_angle(elevation, _grid(), 10.0, limit_m=100.0, surroundings=land)
    for tile_cells in (None, SIDE // 2):
        wind = speed_up(elevation, _grid(), 10.0, tile_cells=tile_cells)
    for field in (wind.speed_up, wind.valid):
        WindMean([1.0], field.shape).add(0, field)
    share_reaching(flow_over(elevation, _grid()), elevation > 19)


def compile_belts_and_siting() -> None:
    """Both in turn, because siting uses kernels of belts."""
    compile_belts()
    compile_siting()


JOBS: dict[str, Callable[[], None]] = {
    "belts and siting": compile_belts_and_siting,
    "terrain": compile_terrain,
}
"""Jobs that can run in parallel without compiling anything twice, by name."""


def compile_kernels(name: str) -> str:
    """Run one of `JOBS`.

    Parameters
    ----------
    name : str
        Key of `JOBS`.

    Returns
    -------
    str
        The same name.
    """
    JOBS[name]()
    return name


def compile_all(executor: Executor) -> Iterator[Future[str]]:
    """Compile all kernels; does nothing if they are compiled.

    Parameters
    ----------
    executor : Executor
        Executor of processes with the same folder for machine code.

    Yields
    ------
    Future
        Name of the job; wait for it before requesting the next.

    Raises
    ------
    SetupError
        ``setup-cache`` when there is no folder for machine code.
    """
    if all_compiled():
        return
    yield from [executor.submit(compile_kernels, name) for name in JOBS]
    note_all_compiled()
