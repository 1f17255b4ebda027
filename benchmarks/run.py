"""Measure the kernels and the demo, and write docs/benchmarks.md.

Times are medians of several runs in one process. Machines differ, so each is also given as a
multiple of copying an array of the same size in memory, timed in the same run.
"""

from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from affine import Affine
from horizon import table as horizon_table

from shelterscape.grid import Grid
from shelterscape.science.belts import complete, seasonal
from shelterscape.science.scene import How, scene_of
from shelterscape.science.shelter import one_direction
from shelterscape.science.terrain import horizon_angle

PAGE = Path(__file__).resolve().parents[1] / "docs" / "benchmarks.md"
SIDE = 2000
GRID = Grid((SIDE, SIDE), Affine(5, 0, 0, 0, -5, SIDE * 5))


def median_seconds(work: Callable[[], object], repeats: int = 5) -> float:
    """Median time of some work after one run to warm up."""
    work()
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


def seeded_ground() -> np.ndarray:
    """Rough ground with relief at every scale, by summing seeded waves in the spectrum."""
    rng = np.random.default_rng(7)
    spectrum = np.fft.rfft2(rng.standard_normal((SIDE, SIDE)))
    ky = np.fft.fftfreq(SIDE)[:, None]
    kx = np.fft.rfftfreq(SIDE)[None, :]
    k = np.hypot(kx, ky)
    k[0, 0] = 1
    ground = np.fft.irfft2(spectrum * k**-1.9, s=(SIDE, SIDE))
    return (60 * ground / ground.std()).astype(np.float32)


def seeded_belts(count: int) -> gpd.GeoDataFrame:
    """Belts of 100 to 600 m in 2 to 5 pieces."""
    rng = np.random.default_rng(11)
    lines = []
    for _ in range(count):
        steps = int(rng.integers(2, 6))
        bearing = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.25, steps))
        step = rng.uniform(100, 600) / steps
        moves = step * np.column_stack([np.cos(bearing), np.sin(bearing)])
        start = rng.uniform(0, SIDE * 5, 2)
        lines.append(shapely.LineString(np.vstack([start, start + np.cumsum(moves, axis=0)])))
    frame = gpd.GeoDataFrame(
        {"height_m": rng.uniform(3, 18, count), "porosity": rng.uniform(0.2, 0.7, count)},
        geometry=lines,
    )
    return complete(frame, "belts")[0]


def measure() -> list[tuple[str, float, float]]:
    """What, seconds, and seconds over a memory copy of the raster."""
    ground = seeded_ground()
    copy = median_seconds(lambda: ground.copy(), 15)
    scene = scene_of([seasonal(seeded_belts(1250), "in-leaf")], GRID, How())
    work = {
        "memory copy of the raster": lambda: ground.copy(),
        "horizon angle to 1 km, one direction": lambda: horizon_angle(ground, GRID, 233.0),
        "1250 belts to cells, one direction": lambda: one_direction(scene, GRID, 233.0),
    }
    return [(name, s := median_seconds(job), s / copy) for name, job in work.items()]


def page(found: list[tuple[str, float, float]]) -> str:
    """The page of what was measured."""
    cells = SIDE * SIDE
    lines = [
        "# Benchmarks",
        "",
        "Written by `make bench`; medians of five runs on seeded ground and belts.",
        "",
        f"Machine: {os.cpu_count()} cores, {platform.machine()}, Python "
        f"{platform.python_version()}. Raster: {SIDE} × {SIDE} cells of 5 m.",
        "",
        "| what | seconds | ns per cell | times a memory copy |",
        "| --- | --- | --- | --- |",
    ]
    for name, seconds, ratio in found:
        lines.append(f"| {name} | {seconds:.4f} | {seconds / cells * 1e9:.1f} | {ratio:.1f} |")
    lines += [
        "",
        "## Horizon",
        "",
        "Up to 256 steps to the limit every sample is looked at; beyond, far ground by lines of "
        "sight shared among neighbours. Time is that of `horizon_angle` as a whole; the error is "
        "that of the shared lines against every sample, the largest of six directions. It grows "
        "with slopes across the line of sight: trees and walls in surface models cost accuracy.",
        "",
        *horizon_table(),
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = page(measure())
    PAGE.write_text(text, encoding="utf-8")
    print(text)
