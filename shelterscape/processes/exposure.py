"""How exposed the ground is, and from where."""

from __future__ import annotations

import numpy as np
from pydantic import Field

from shelterscape.files.draw import MapSheet
from shelterscape.grid import COMPASS_POINTS, grid_direction
from shelterscape.process import Files, Picture, Process, Raster, Run
from shelterscape.process.inputs import TerrainInputs, Winds, quantity
from shelterscape.process.memory import Sizes
from shelterscape.science.terrain import horizon_angle, topex
from shelterscape.science.terrain.horizon import EXACT_STEPS
from shelterscape.science.wind import choose
from shelterscape.terms import TERMS


class ExposureInputs(TerrainInputs):
    """What `exposure` asks for."""

    winds: Winds
    subset: str = Field("", description="Subset of the wind set to use; all of it by default.")
    limit_m: float = quantity("limit_distance", 1000.0)


def _band_name(direction_deg: float) -> str:
    return f"from {direction_deg:g}°"


def compute(asked: ExposureInputs, files: Files, run: Run) -> None:
    """Write horizon angles for every wind direction, and topex."""
    run.progress(0.0, "reading the terrain model and winds")
    elevation, grid, convergence = files.terrain(asked)
    winds = choose(files.winds(asked.winds), asked.subset, (), "winds")
    # The eight views of topex cost as much as eight directions.
    steps = len(winds.direction_deg) + len(COMPASS_POINTS)
    bands = [_band_name(d) for d in winds.direction_deg]
    with run.raster("horizon", grid, bands) as raster:
        for i, direction in enumerate(winds.direction_deg):
            run.progress(i / (steps + 1), f"horizon {bands[i]}")
            seen_from = grid_direction(float(direction), convergence)
            angle = horizon_angle(elevation, grid, seen_from, limit_m=asked.limit_m)
            raster.write(i + 1, angle)

    def tell(direction: float) -> None:
        """Say which view of topex is next; stop when asked."""
        done = len(bands) + COMPASS_POINTS.index(direction)
        run.progress(done / (steps + 1), f"topex, view to {direction:g}°")

    total = topex(elevation, grid, limit_m=asked.limit_m, before_each=tell)
    run.progress(steps / (steps + 1), "topex, map and figures")
    with run.raster("topex", grid, [f"to {asked.limit_m:g} m"]) as raster:
        raster.write(1, total)
    _tell_figures(total, grid.cell_area_ha, asked, run)
    sheet = MapSheet(
        title="How exposed the ground is: topex",
        panels={f"horizon angles to {asked.limit_m:g} m, summed over eight points": total},
        grid=grid,
        term=TERMS["topex"],
        notes=(
            "Dark ground stands above what surrounds it and is exposed; light ground is sheltered "
            "by the land. Grey: nothing known in some direction.",
            *PROCESS.all_cautions,
        ),
        ground=elevation,
    )
    run.picture("topex", sheet)
    run.progress(1.0, "exposure done")


def memory(asked: ExposureInputs, sizes: Sizes) -> float:
    """Bytes held at most: rasters of the ground, more of them for far horizons."""
    steps = asked.limit_m / sizes.grid.cell_m if sizes.grid else 0.0
    return sizes.cells * (40.0 if steps <= EXACT_STEPS else 66.0)


def _tell_figures(total: np.ndarray, cell_ha: float, asked: ExposureInputs, run: Run) -> None:
    known = total[np.isfinite(total)]
    if not known.size:
        run.finding("topex: no cell sees known ground in all eight directions")
        return
    low, middle, high = np.percentile(known, [5, 50, 95])
    run.finding(
        f"topex to {asked.limit_m:g} m over {known.size * cell_ha:,.0f} ha: half the ground lies "
        f"below {middle:.0f}°, the most exposed twentieth below {low:.0f}°, the most sheltered "
        f"twentieth above {high:.0f}°"
    )


PROCESS = Process(
    id="exposure",
    version="1.0.0",
    title="How exposed the ground is, and from where",
    summary="Measures, for every cell of a terrain model, the angle up to the horizon in each wind "
    "direction and their sum over the eight compass points (topex).",
    inputs=ExposureInputs,
    outputs=(
        Raster("horizon", "horizon", "one per direction of the wind set, from true north"),
        Raster("topex", "topex", "one, to the limit distance"),
        Picture("topex", "Topex over soft relief."),
    ),
    cautions=(
        "Exposure of the land alone: belts, woods and buildings are not in it. Near the edge of "
        "the map views are cut short.",
    ),
    sources=(
        "Topex: definition as in the forestry trade (common practice, no single source); signed "
        "form within a limit distance compared with measured speed-up at Askervein hill, Taylor "
        "and Teunissen 1987, Boundary-Layer Meteorology 39:15-39.",
    ),
    compute=compute,
    memory=memory,
)
