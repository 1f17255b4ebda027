"""Time and error of relative wind beside belts, and time and memory of whole jobs.

python benchmarks/belts.py

Kernels are timed together with a memory copy in the same run. Jobs run in separate processes on
files; their time and memory are those they write to timings.json.
"""

from __future__ import annotations

import json
import math
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from horizon import seeded_ground
from watch import copy_seconds, load

from shelterscape.grid import Grid
from shelterscape.science.belts import belts_in_season, complete
from shelterscape.science.prepared_belts import PreparedBelts, ShelterOptions, prepare_belts
from shelterscape.science.rays import accumulate_wind_reduction, rays_of
from shelterscape.science.shelter import ray_offsets

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
SIDE, CELL_M, BELTS = 4000, 5.0, 5000
WEST, NORTH, CRS = 400_000.0, 6_000_000.0, "EPSG:25832"
GRID = Grid((SIDE, SIDE), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)
SECTOR_DEG, SPREAD_DEG = 22.5, 10.0
DIRECTIONS = (10.0, 123.0, 233.0, 301.5)
RAY_SECONDS, RAY_ERROR = 0.06, 0.02


def seeded_belts(count: int) -> gpd.GeoDataFrame:
    """Belts of 100 to 600 m in 2 to 5 pieces, 3 to 18 m tall."""
    rng = np.random.default_rng(11)
    lines = []
    for _ in range(count):
        steps = int(rng.integers(2, 6))
        bearing = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.25, steps))
        step = rng.uniform(100, 600) / steps
        moves = step * np.column_stack([np.cos(bearing), np.sin(bearing)])
        start = (WEST, NORTH) + rng.uniform(0, SIDE * CELL_M, 2) * (1, -1)
        lines.append(shapely.LineString(np.vstack([start, start + np.cumsum(moves, axis=0)])))
    return gpd.GeoDataFrame(
        {"height_m": rng.uniform(3, 18, count), "porosity": rng.uniform(0.2, 0.7, count)},
        geometry=lines,
        crs=CRS,
    )


def per_ray(prepared: PreparedBelts) -> tuple[float, float]:
    """Median seconds per ray: in total, and of the part that visits cells."""
    taken = np.zeros((len(prepared.density), *GRID.shape), np.float32)
    whole, on_cells = [], []
    for direction in (DIRECTIONS[0], *DIRECTIONS):  # the first compiles
        started = time.perf_counter()
        rays = rays_of(prepared, direction + ray_offsets(SECTOR_DEG, SPREAD_DEG))
        ready = time.perf_counter()
        accumulate_wind_reduction(rays, [GRID], "smallest", [taken])
        ended = time.perf_counter()
        whole.append((ended - started) / len(rays.steps))
        on_cells.append((ended - ready) / len(rays.steps))
    return statistics.median(whole[1:]), statistics.median(on_cells[1:])


def ray_error(prepared: PreparedBelts) -> float:
    """99th percentile of the error of 15 rays against 801, on a window of 800 by 800 cells."""
    part = GRID.window(1600, 1600, (800, 800))
    few, many = (np.zeros((len(prepared.density), *part.shape), np.float32) for _ in range(2))
    accumulate_wind_reduction(
        rays_of(prepared, 233.0 + ray_offsets(SECTOR_DEG, SPREAD_DEG)), [part], "smallest", [few]
    )
    # In lots with the same number of rays each, to limit memory.
    for lot in np.split(233.0 + ray_offsets(SECTOR_DEG, SPREAD_DEG, 801), 9):
        accumulate_wind_reduction(rays_of(prepared, lot), [part], "smallest", [many])
    return float(np.quantile(np.abs(few - many / 9), 0.99))


def kernels() -> list[str]:
    """Table of seconds per ray."""
    copy = copy_seconds()
    belts = complete(seeded_belts(BELTS), "belts")[0]
    lines = [
        "| relative wind, one ray | seconds | on cells | times a memory copy "
        "| error of 15 rays against 801, 99th percentile | goal | met | load before |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for seasons in (("in-leaf",), ("in-leaf", "bare")):
        prepared = prepare_belts(
            [belts_in_season(belts, s) for s in seasons], GRID, ShelterOptions()
        )
        before = load()
        whole, on_cells = per_ray(prepared)
        error = ray_error(prepared)
        met = "yes" if whole <= RAY_SECONDS and error <= RAY_ERROR else "**no**"
        lines.append(
            f"| {BELTS} belts, {SIDE} × {SIDE} cells of {CELL_M:g} m, {' and '.join(seasons)} "
            f"| {whole:.3f} | {on_cells:.3f} | {whole / copy:.0f} | {error:.4f} "
            f"| {RAY_SECONDS} s, {RAY_ERROR} | {met} | {before} |"
        )
    return lines


def write_inputs(folder: Path) -> list[str]:
    """Files of the job, and its options for them."""
    profile = {"driver": "GTiff", "height": SIDE, "width": SIDE, "count": 1, "dtype": "float32"}
    with rasterio.open(
        folder / "dem.tif", "w", crs=CRS, transform=GRID.affine, tiled=True, **profile
    ) as data:
        data.write(seeded_ground(), 1)
    seeded_belts(BELTS).to_file(folder / "belts.gpkg", layer="belts", driver="GPKG")
    rows = [f"{i * 22.5},{1 / 16},5" for i in range(16)]
    table = "\n".join(["direction_deg,frequency,mean_speed_ms", *rows])
    (folder / "winds.csv").write_text(table, encoding="utf-8")
    names = {"dem": "dem.tif", "belts": "belts.gpkg", "winds": "winds.csv"}
    return [word for n, f in names.items() for word in (f"--{n}", str(folder / f))]


class Goal(NamedTuple):
    """Goals of a job: seconds, GiB, MiB written; infinite where there is none."""

    seconds: float = math.inf
    memory_gib: float = math.inf
    written_mib: float = math.inf


BY_WIND = Goal(60, written_mib=1843)
"""Exposure with bands by direction."""


def job(
    name: str,
    options: list[str],
    more: list[str],
    folder: Path,
    process: str = "shelter",
    goal: Goal = Goal(),  # noqa: B008 - immutable
) -> str:
    """Run a process without pictures; return a row of its time and memory."""
    out, before = folder / "out", load()
    command = [sys.executable, "-m", "shelterscape", process, *options, *more, "--no-pictures"]
    subprocess.run([*command, "--out", str(out), "--overwrite"], check=True, capture_output=True)
    took = json.loads((out / "timings.json").read_text(encoding="utf-8"))
    size = sum(path.stat().st_size for path in out.rglob("*") if path.is_file())
    found = Goal(took["seconds"], took["peak_memory_mib"] / 1024, size / 2**20)
    limits = [
        f"{limit:g} {unit}"
        for limit, unit in zip(goal, ("s", "GiB", "MiB"), strict=True)
        if limit < math.inf
    ]
    missed = any(value > limit for value, limit in zip(found, goal, strict=True))
    met = "" if not limits else "**no**" if missed else "yes"
    line = (
        f"| {name} | {found.seconds:.0f} | {found.memory_gib:.2f} | {found.written_mib:.0f} "
        f"| {', '.join(limits)} | {met} | {before} |"
    )
    print(line, file=sys.stderr, flush=True)  # they take minutes
    return line


def jobs() -> list[str]:
    """Table of whole runs over files."""
    lines = [
        "| whole jobs, without pictures | seconds | peak memory, GiB | MiB written | goal | met "
        "| load before |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    what = f"{SIDE} × {SIDE}, 16 directions × 15 rays, {BELTS} belts"
    leaf = ["--season", "in-leaf"]
    ground = f"exposure, {SIDE} × {SIDE}, 16 directions, horizon to 1 km"
    flat, each = [*leaf, "--no-terrain"], [*leaf, "--by-direction"]
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        given = write_inputs(folder)
        bare = given[:2] + given[4:]  # without belts
        lines += [
            job(f"{what}, in leaf", given, leaf, folder, goal=Goal(30, 1.7)),
            job(f"{what}, in leaf, also by direction", given, each, folder, goal=Goal(75)),
            job(ground, bare, [], folder, "exposure", Goal(35, written_mib=307)),
            job(f"{ground}, by direction", bare, ["--by-direction"], folder, "exposure", BY_WIND),
            job(f"{what}, in leaf, without terrain", given, flat, folder),
        ]
        tile = DATA / "bretagne_lidar_2m5" / "dtm.tif"
        if tile.is_file():
            lines.append(job("Brittany, 800 × 400 cells of 2.5 m", _brittany(folder), [], folder))
    return [*lines, "", f"A memory copy of {SIDE} × {SIDE} float32 took {copy_seconds():.4f} s."]


def _brittany(folder: Path) -> list[str]:
    """Real terrain with usual belts."""
    tile = DATA / "bretagne_lidar_2m5" / "dtm.tif"
    with rasterio.open(tile) as data:
        west, south, east, north = data.bounds
        crs = data.crs
    belts = seeded_belts(60)
    scale = (east - west) / (SIDE * CELL_M), (north - south) / (SIDE * CELL_M)
    moved = belts.geometry.affine_transform(
        [scale[0], 0, 0, scale[1], west - WEST * scale[0], north - NORTH * scale[1]]
    )
    frame = gpd.GeoDataFrame(belts.drop(columns="geometry"), geometry=moved.to_numpy(), crs=crs)
    frame.to_file(folder / "brittany.gpkg", layer="belts", driver="GPKG")
    return [
        *("--dem", str(tile), "--belts", str(folder / "brittany.gpkg")),
        *("--winds", str(folder / "winds.csv")),
    ]


if __name__ == "__main__":
    print("\n".join([*kernels(), "", *jobs()]))
