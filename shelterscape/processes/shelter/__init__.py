"""How far belts shelter the ground around them."""

from __future__ import annotations

import contextlib

import geopandas as gpd

from shelterscape.files.rasters import CACHE_BYTES
from shelterscape.grid import Grid, grid_direction
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process import Files, Process, Run
from shelterscape.process.disk import Space, rows_bytes, space
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import Sizes
from shelterscape.processes.shelter.inputs import (
    DEFAULT_SEASONS,
    ShelterInputs,
    choices,
    seasons_of,
)
from shelterscape.processes.shelter.outputs import OUTPUTS
from shelterscape.processes.shelter.over_year import Field, Job, Year, band_name, over_year
from shelterscape.processes.shelter.pictures import draw
from shelterscape.processes.shelter.write import write_belts, write_places, write_zones
from shelterscape.science import belts as belt_layers
from shelterscape.science import places as place_layers
from shelterscape.science.bare_ground import refuse_surface
from shelterscape.science.growth import belts_at
from shelterscape.science.terrain.ground import Ground, held
from shelterscape.science.terrain.open_wind import work_bytes
from shelterscape.science.terrain.roughness import READ_COLUMNS as ROUGHNESS_COLUMNS


def compute(asked: ShelterInputs, files: Files, run: Run) -> None:
    """Write what belts do to the wind, case by case."""
    run.progress(0.0, "reading the terrain model, winds and belts")
    job = _read(asked, files, run)
    years = _all_years(job)
    run.progress(0.85, "zones, belts and places")
    hectares = write_zones(years, job)
    write_belts(years, run)
    if job.places is not None and job.covered is not None:
        write_places(years, job.places, job.covered, job)
    run.progress(0.95, "previews")
    draw(years, hectares, job, PROCESS.all_cautions)
    run.progress(1.0, "shelter done")


def _read(asked: ShelterInputs, files: Files, run: Run) -> Job:
    elevation, grid, convergence = files.terrain(asked)
    settled = choices(asked, files.winds(asked.winds), run.notice)
    belts, places = _features(asked, files, grid, run)
    if files.whole:  # on a part of the map it was settled over all of it
        refuse_surface(belts, held(elevation, grid), asked.dem)
    rough: float | Field = asked.roughness_m
    if asked.terrain:
        columns = columns_by_layer(asked.fields, COLUMNS)["roughness"]
        rough = files.roughness(asked, grid, settled.how.at_height_m, belts, columns)
    return Job(
        asked,
        settled,
        elevation,
        grid,
        convergence,
        belts,
        places,
        None if places is None else place_layers.coverage(places, grid),
        rough,
        run.wanted(elevation, grid),
        files,
        run,
    )


def _features(
    asked: ShelterInputs, files: Files, grid: Grid, run: Run
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame | None]:
    """Belts and places."""
    columns = columns_by_layer(asked.fields, COLUMNS)
    frame = files.layer(asked.belts, grid, "belt layer", columns["belts"])
    belts, notices = belt_layers.complete(frame, "belts")
    places = None
    frame = files.places(asked.places, grid, columns["places"])
    if frame is not None:
        places, more = place_layers.complete(frame, "places")
        notices = notices + more
    for notice in notices:
        run.notice(notice)
    return belts, places


COLUMNS = {
    "belts": belt_layers.READ_COLUMNS,
    "places": place_layers.READ_COLUMNS,
    "roughness": ROUGHNESS_COLUMNS,
}
"""Columns of layers that are made use of."""

REACH_H = 50.0
"""Margin around a part of the map, in heights of the tallest belt: no shelter reaches further."""


def prepare(asked: ShelterInputs, files: Files, run: Run) -> float:
    """Work out the wind over the hills of the whole map; the margin is how far shelter reaches."""
    grid, convergence = files.grid(asked)
    settled = choices(asked, files.winds(asked.winds), run.notice)
    belts, _ = _features(asked, files, grid, run)
    elevation = files.elevation(asked)
    refuse_surface(belts, Ground(grid, elevation, asked.roughness_m), asked.dem)
    if asked.terrain:
        columns = columns_by_layer(asked.fields, COLUMNS)["roughness"]
        height_m = settled.how.at_height_m
        ground = files.ground(asked, elevation, grid, height_m, belts, columns)
        directions = [grid_direction(d, convergence) for d, _, _ in settled.directions()]
        files.keep_open_winds(asked, ground, directions, height_m)
    tallest = max(
        belts_at(belts, case, local_heights=settled.local_heights)["height_m"].max()
        for year in settled.years
        for case in settled.cases(year)
    )
    return REACH_H * float(tallest) + 2 * grid.cell_m


def memory(asked: ShelterInputs, sizes: Sizes) -> float:
    """Bytes held at most: fields by season and by case, and what belts do along fifteen rays."""
    # A purpose asks for one season; that both are counted errs to the safe side.
    seasons = len(asked.seasons or DEFAULT_SEASONS)
    cases = seasons * len(asked.years)
    a_cell = 24.0 + 14.0 * seasons + 6.0 * cases
    if asked.places:
        a_cell += 24.0 + 8.0 * seasons
    a_vertex = 20_000.0
    if asked.by_direction:
        a_vertex += 2_500.0 * sizes.directions * cases
    cache = min(CACHE_BYTES, 4.0 * cases * sizes.cells)
    hills = 0.0
    if asked.terrain and sizes.grid is not None:
        hills = (12.0 * seasons + 5.0 * cases) * sizes.cells + work_bytes(sizes.grid)
    return a_cell * sizes.cells + a_vertex * sizes.vertices + cache + hills


OUTLINE_BYTES = 0.8
"""Bytes a cell takes in outlines of zones, for each case and metre of its side; measured: 0.47 on
a hedged plain, cells of 2 to 25 m. Outlines are as long as the ground has it: the coarser its
cells, the more of them lie on one."""
PATCH_BYTES, MOST_OUTLINE_BYTES = 0.5, 20.0
"""The same for ground not modelled, however large its cells; and for all of it at most."""


def disk(asked: ShelterInputs, sizes: Sizes) -> Space:
    """Bytes left on the disk at most: rasters of a band a case, outlines, belts and places."""
    cases = len(seasons_of(asked)) * len(asked.years)
    by_wind = cases * sizes.directions if asked.by_direction else 0
    cell_m = sizes.grid.cell_m if sizes.grid else 0.0
    outlines = min(PATCH_BYTES + OUTLINE_BYTES * cell_m, MOST_OUTLINE_BYTES) * sizes.wanted
    return space(
        sizes,
        [cases, cases * asked.terrain, by_wind],
        other=outlines * (cases + by_wind) + cases * rows_bytes(sizes, "belts", "places"),
        planes=2 * sizes.directions * asked.terrain,
        panels=cases * (1 + asked.terrain),
    )


def _all_years(job: Job) -> list[Year]:
    """Work through the years, writing the rasters as they come."""
    wanted = job.settled.years
    cases = [case for year in wanted for case in job.settled.cases(year)]
    years = []
    with contextlib.ExitStack() as open_files:
        raster = open_files.enter_context(
            job.run.raster("relative_wind", job.grid, [case.label for case in cases])
        )
        site = None
        if job.asked.terrain:
            site = open_files.enter_context(
                job.run.raster(
                    "site_wind",
                    job.grid,
                    [case.label for case in cases],
                    other=not job.speeds_known,
                )
            )
        by_direction = None
        if job.asked.by_direction:
            bands = [
                band_name(case, direction)
                for case in cases
                for direction in job.settled.winds[case.season].direction_deg
            ]
            by_direction = open_files.enter_context(
                job.run.raster("relative_wind_by_direction", job.grid, bands)
            )
        for i, year in enumerate(wanted):
            part = (0.05 + 0.8 * i / len(wanted), 0.8 / len(wanted))
            found = over_year(year, job, part, by_direction)
            for case, field in found.fields.items():
                raster.write(cases.index(case) + 1, field)
            if site is not None:
                for case, field in found.site.items():
                    site.write(cases.index(case) + 1, field)
            years.append(found)
    return years


PROCESS = Process(
    id="shelter",
    version="2.2.0",
    title="How far belts shelter the ground",
    summary="Works out the wind with belts over the wind without them, for every cell, over a wind "
    "set, with the belts in leaf and bare, as surveyed and in years to come, and what places get "
    "of it.",
    inputs=ShelterInputs,
    outputs=OUTPUTS,
    cautions=(
        "Near-ground wind in neutral, windy weather. Relative wind and zones are of belts alone; "
        "site wind adds hills. Single trees and buildings are not in it.",
        "Reach behind a belt is sure to about a quarter; what was measured behind single belts "
        "scatters about the curve by about a tenth of the open wind (see docs/validation.md).",
        "Heights and porosities of years to come are told by growth curves and engineering "
        "choices; belts that fail, are cut or are thinned will differ.",
        "Old or thinned belts may shed branches or fall, and belts can drift snow onto roads; near "
        "roads, power lines and buildings follow the local code and ask a licensed tree inspector.",
    ),
    sources=(
        *(f"Shelter curve “{c.name}”: {c.source} (status {c.status})." for c in CURVES.values()),
        "Several belts: the smallest relative wind rules, as in Vigiak and others 2003 (status "
        "S2). Close belts as one, ends, woods and height above ground: engineering choices within "
        "published ranges (docs/shelter_curves.md).",
        "Growth: Manso and others 2020, Forestry 94:181-192, and others named in the table of "
        "species (status S2); nursery rates where there is no curve.",
        "Site wind: wind over hills as in the process exposure.",
        "Purposes: each default stands beside its source in purposes.toml.",
    ),
    compute=compute,
    prepare=prepare,
    memory=memory,
    disk=disk,
)
