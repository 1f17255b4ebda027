"""How exposed the ground is, and from where."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.files.styles import RAMPS, shades
from shelterscape.grid import COMPASS_POINTS, Grid
from shelterscape.process import Files, Process, Run
from shelterscape.process.disk import Space, rows_bytes, space
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import Sizes
from shelterscape.processes.exposure.figures import (
    Views,
    tell,
    topex_band,
    write_layers,
    write_winds,
)
from shelterscape.processes.exposure.inputs import ExposureInputs
from shelterscape.processes.exposure.outputs import OUTPUTS
from shelterscape.processes.exposure.over_winds import Job, grid_directions, over_winds
from shelterscape.processes.exposure.pictures import draw
from shelterscape.science import belts as belt_layers
from shelterscape.science import holdings as holding_layers
from shelterscape.science import places as place_layers
from shelterscape.science.places import coverage
from shelterscape.science.terrain import (
    TOPEX_CLASSES,
    topex,
    topex_class,
    upwind_slope,
    view_complete,
)
from shelterscape.science.terrain.open_wind import work_bytes
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
"""Columns of layers that are made use of."""

VIEWS_BEGIN, WINDS_BEGIN, LAYERS_BEGIN = 0.02, 0.3, 0.9
"""Shares of the whole work at which its parts begin."""


def compute(asked: ExposureInputs, files: Files, run: Run) -> None:
    """Write horizons, topex, upwind slope and open wind, for the ground and what lies on it."""
    run.progress(0.0, "reading the terrain model and winds")
    classes = _classes(asked)
    job = _read(asked, files, run)
    views = _views(job, classes)
    found = over_winds(job, (WINDS_BEGIN, LAYERS_BEGIN - WINDS_BEGIN))
    run.progress(LAYERS_BEGIN, "tables, layers and previews")
    with run.raster("weighted_horizon", job.grid, ["all winds"]) as raster:
        raster.write(1, found.horizon)
    write_winds(found, job)
    write_layers(found, views, job)
    tell(found, views, job)
    draw(found, views, job, PROCESS.all_cautions)
    run.progress(1.0, "exposure done")


def _read(asked: ExposureInputs, files: Files, run: Run) -> Job:
    elevation, grid, convergence = files.terrain(asked)
    winds = _winds(asked, files)
    covered = {
        name: (frame, coverage(frame, grid))
        for name, frame in _features(asked, files, grid, run).items()
    }
    belts, columns = _belts(asked, files, grid)
    roughness = files.roughness(asked, grid, asked.at_height_m, belts, columns)
    known = run.wanted(elevation, grid)
    return Job(asked, elevation, grid, convergence, winds, roughness, covered, known, files, run)


def _winds(asked: ExposureInputs, files: Files) -> WindSet:
    return choose(files.winds(asked.winds), asked.subset, (), "winds")


def _features(
    asked: ExposureInputs, files: Files, grid: Grid, run: Run
) -> dict[str, gpd.GeoDataFrame]:
    """Places and holdings, by the layer they go to."""
    columns = columns_by_layer(asked.fields, COLUMNS)
    found = {}
    frame = files.places(asked.places, grid, columns["places"])
    if frame is not None:
        places, notices = place_layers.complete(frame, "places")
        for notice in notices:
            run.notice(notice)
        found["place_exposure"] = places.drop(columns=["head", "need"])
    frame = files.holdings(asked.holdings, grid, columns["holdings"])
    if frame is not None:
        holdings = holding_layers.complete(frame, "holdings")
        holdings["area_ha"] = holdings.geometry.area / 1e4
        found["holding_exposure"] = holdings
    return found


def _belts(
    asked: ExposureInputs, files: Files, grid: Grid
) -> tuple[gpd.GeoDataFrame | None, dict[str, str]]:
    """Belts to take out of the map of roughness, and the columns in that map."""
    columns = columns_by_layer(asked.fields, COLUMNS)
    if not (asked.belts and asked.roughness):
        return None, columns["roughness"]
    frame = files.layer(asked.belts, grid, "belt layer", columns["belts"])
    return belt_layers.complete(frame, "belts")[0], columns["roughness"]


def _classes(asked: ExposureInputs) -> tuple[tuple[float, str], ...]:
    """Classes of topex to write; none unless asked for, or fitting the form."""
    if asked.topex_classes:
        return parse_classes(asked.topex_classes)
    return TOPEX_CLASSES if asked.topex_form == "unlimited" else ()


def _views(job: Job, classes: tuple[tuple[float, str], ...]) -> Views:
    """Topex, upwind slope, and how much of each view there is."""
    asked, elevation, grid, run = job.asked, job.elevation, job.grid, job.run
    limit = None if asked.topex_form == "unlimited" else asked.limit_m
    begun, each = VIEWS_BEGIN, (WINDS_BEGIN - VIEWS_BEGIN) / (2 * len(COMPASS_POINTS))

    def tell(direction: float) -> None:
        """Say which view of topex is next; stop when asked."""
        done = COMPASS_POINTS.index(direction)
        run.progress(begun + done * each, f"topex, view to {direction:g}°")

    signed = asked.topex_form == "signed"
    total = topex(elevation, grid, limit_m=limit, signed=signed, before_each=tell)
    total[~job.known] = np.nan
    with run.raster("topex", grid, [topex_band(job)]) as raster:
        raster.write(1, total)
    if classes:
        shown = dict(
            zip((n for _, n in classes), shades(RAMPS["topex"], len(classes)), strict=True)
        )
        with run.raster("exposure_class", grid, [topex_band(job)], classes=shown) as raster:
            raster.write(1, topex_class(total, classes))
    complete = _complete(job, limit)
    if limit is not None:
        with run.raster("views_complete", grid, [topex_band(job)]) as raster:
            raster.write(1, complete)
    run.progress((VIEWS_BEGIN + WINDS_BEGIN) / 2, "upwind slope")
    slope = upwind_slope(
        elevation,
        grid,
        job.directions,
        job.winds.weights(),
        limit_m=asked.limit_m,
        azimuths=7 if asked.fine_window else 3,
        before_each=lambda direction: run.stop_if_asked(),
    )
    slope[~job.known] = np.nan
    with run.raster("upwind_slope", grid, ["all winds"]) as raster:
        raster.write(1, slope)
    return Views(total, slope, complete)


def _complete(job: Job, limit_m: float | None) -> Field:
    """Share of the eight views of topex that stay on the map."""
    count = np.zeros(job.grid.shape, np.float32)
    for direction in COMPASS_POINTS:
        count += view_complete(job.grid, direction, limit_m=limit_m)
    count /= len(COMPASS_POINTS)
    count[~job.known] = np.nan
    return count


def prepare(asked: ExposureInputs, files: Files, run: Run) -> float:
    """Work out the wind over the hills of the whole map; the margin is how far views reach."""
    _classes(asked)
    grid, convergence = files.grid(asked)
    directions = grid_directions(_winds(asked, files), convergence)
    _features(asked, files, grid, run)  # what is wrong with them is wrong for every part
    belts, columns = _belts(asked, files, grid)
    height_m = asked.at_height_m
    ground = files.ground(asked, files.elevation(asked), grid, height_m, belts, columns)
    files.keep_open_winds(asked, ground, directions, height_m)
    # Views without limit follow from all of the map.
    return np.inf if asked.topex_form == "unlimited" else asked.limit_m + 2 * grid.cell_m


def memory(asked: ExposureInputs, sizes: Sizes) -> float:
    """Bytes held at most: rasters of the ground, and waves of it on a wider map."""
    if sizes.grid is None:
        return 0.0
    classes = MOST_CLASSES if asked.roughness else 1
    return (72.0 + 8.0 * (classes - 1)) * sizes.cells + work_bytes(sizes.grid)


def disk(asked: ExposureInputs, sizes: Sizes) -> Space:
    """Bytes left on the disk at most: a few rasters of one band, and three of a band a wind."""
    winds = sizes.directions
    has_classes = bool(asked.topex_classes) or asked.topex_form == "unlimited"
    views = 3 if asked.topex_form == "unlimited" else 4
    return space(
        sizes,
        [*[1] * views, winds, winds + 1, winds + 1],
        class_bands=[winds + 1, *[1] * has_classes],
        other=rows_bytes(sizes, "places", "holdings"),
        planes=2 * winds,
        panels=3,
    )


PROCESS = Process(
    id="exposure",
    version="2.1.0",
    title="How exposed the ground is, and from where",
    summary="Measures, for every cell of a terrain model, the angle up to the horizon in each wind "
    "direction, their sum over the eight compass points (topex), the slope upwind, and how much "
    "hills speed up or slow down each wind; for the ground, for places and for holdings.",
    inputs=ExposureInputs,
    outputs=OUTPUTS,
    cautions=(
        "Exposure of the land alone: belts, woods and buildings are not in it. Near the edge of "
        "the map views are cut short.",
        "Open wind is for low hills in neutral, windy weather. Steep ground and the lee of steep "
        "crests are marked as not modelled; valleys that channel the wind and cold air that "
        "drains down them are not in it.",
    ),
    sources=(
        "Topex: definition as in the forestry trade (common practice, no single source); signed "
        "form within a limit distance compared with measured speed-up at Askervein hill, Taylor "
        "and Teunissen 1987, Boundary-Layer Meteorology 39:15-39.",
        "Upwind slope: Winstral, Elder and Davis 2002, Journal of Hydrometeorology 3:524-538 "
        "(status S2).",
        "Open wind: structure of Jackson and Hunt 1975, Quarterly Journal of the Royal "
        "Meteorological Society 101:929-955, and Mason and Sykes 1979, the same journal "
        "105:383-395 (status M); compared with the same hill in docs/askervein.md.",
        "Roughness classes: Davenport and Wieringa (status S). The wind of a mast is carried to "
        "another height by the log law in neutral air (common practice).",
    ),
    compute=compute,
    prepare=prepare,
    memory=memory,
    disk=disk,
)
