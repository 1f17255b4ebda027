"""Time and error of the horizon, with a memory copy timed in the same run.

    python benchmarks/horizon.py

The error is the difference in angle between shared lines of sight and all samples, on the ground of
the time measurement, and on open terrain models if they are available. Views of many directions are
shared as in `exposure`.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from affine import Affine

from shelterscape.files.terrain_models import read_terrain
from shelterscape.grid import Grid, toward
from shelterscape.kernels.horizon import known_ground, march, march_steps, to_angles
from shelterscape.science.terrain import horizon_angle
from shelterscape.science.terrain.views import horizon_sum, topex_sum, upwind_sum, views

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
SIDE = 4000
GRID = Grid((SIDE, SIDE), Affine(5, 0, 0, 0, -5, SIDE * 5))
DIRECTIONS = (0.0, 45.0, 90.0, 233.0, 280.0)
REAL = {
    "Askervein, bare ground, 25 m": "askervein/askervein_dem_25m.tif",
    "Ebergötzen, bare ground, 25 m": "ebergotzen_25m/dem_25m.tif",
    "Brittany, bare ground, 2.5 m": "bretagne_lidar_2m5/dtm.tif",
    "Brittany, surface with trees, 2.5 m": "bretagne_lidar_2m5/dsm.tif",
    "Ebergötzen, surface with forest, 100 m": "ebergotzen_25m/srtm_100m.tif",
}


def seeded_ground() -> np.ndarray:
    """Rough ground with relief at every scale, a sum of random waves (seeded)."""
    rng = np.random.default_rng(7)
    ky, kx = np.fft.fftfreq(SIDE)[:, None], np.fft.rfftfreq(SIDE)[None, :]
    k = np.hypot(kx, ky)
    k[0, 0] = 1
    ground = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((SIDE, SIDE))) * k**-1.9)
    return (60 * ground / ground.std() + 300).astype(np.float32)


def nanoseconds(work: Callable[[], object], cells: int, repeats: int = 5) -> tuple[float, float]:
    """Median and smallest time per cell, after one warm-up run."""
    work()
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return statistics.median(times) / cells * 1e9, min(times) / cells * 1e9


def every_sample(
    elevation: np.ndarray, grid: Grid, direction: float, limit_m: float | None
) -> np.ndarray:
    """The horizon from all samples."""
    ground = np.empty(grid.shape, np.float32)
    known_ground(np.ascontiguousarray(elevation, np.float32), ground)
    step = toward(direction)
    stride_m = grid.cell_m / max(abs(s) for s in step)
    count = max(grid.shape) if limit_m is None else int(limit_m / stride_m + 1e-9)
    angle = np.empty_like(ground)
    march(ground, march_steps(*step, grid.cell_m, count), angle)
    to_angles(ground, angle)
    return angle


def worst_percentile(elevation: np.ndarray, grid: Grid, limit_m: float | None) -> float:
    """Largest 99th percentile of the error over all directions, degrees."""
    found = []
    for direction in (0.0, 22.5, 45.0, 73.0, 210.0, 300.0):
        ours = horizon_angle(elevation, grid, direction, limit_m=limit_m)
        off = np.abs(ours - every_sample(elevation, grid, direction, limit_m))
        found.append(float(np.nanpercentile(off, 99)))
    return max(found)


def shared_views(ground: np.ndarray, copy: float) -> str:
    """A row for topex, upwind slope and horizon of 16 wind directions, per view."""
    winds = np.arange(16) * 22.5

    def work() -> int:
        sums = [
            topex_sum(GRID.shape),
            upwind_sum(GRID.shape, winds),
            horizon_sum(GRID.shape, winds, np.ones(16)),
        ]
        return sum(1 for _ in views(ground, GRID, sums))

    count = work()
    median, least = (t / count for t in nanoseconds(work, SIDE**2, 3))
    return (
        f"| topex, upwind slope and horizon of 16 directions, 1 km, each of {count} views | "
        f"{median:.1f} | {least:.1f} | {median / copy:.1f} | - |"
    )


def table() -> list[str]:
    """Rows of time and error."""
    ground = seeded_ground()
    copy, _ = nanoseconds(lambda: ground.copy(), ground.size, 15)
    lines = [
        "| horizon, one direction | ns per cell, median | least | times a memory copy "
        "| error, 99th percentile |",
        "| --- | --- | --- | --- | --- |",
    ]
    for limit_m, name in ((1000.0, "1 km"), (5000.0, "5 km"), (None, "no limit")):
        times = [
            nanoseconds(lambda d=d, m=limit_m: horizon_angle(ground, GRID, d, limit_m=m), SIDE**2)
            for d in DIRECTIONS
        ]
        median, least = (max(t[i] for t in times) for i in (0, 1))
        # All samples without a limit would take minutes; 5 km has the same far lines.
        error = "-" if limit_m is None else f"{worst_percentile(ground, GRID, limit_m):.3f}°"
        lines.append(
            f"| {SIDE} × {SIDE} cells of 5 m, {name}, slowest direction | {median:.1f} | "
            f"{least:.1f} | {median / copy:.1f} | {error} |"
        )
    lines.append(shared_views(ground, copy))
    for name, file in REAL.items():
        if (DATA / file).is_file():
            elevation, grid, _ = read_terrain(str(DATA / file))
            median, least = nanoseconds(
                lambda e=elevation, g=grid: horizon_angle(e, g, 233.0, limit_m=None), elevation.size
            )
            error = f"{worst_percentile(elevation, grid, None):.3f}°"
            lines.append(f"| {name}, no limit | {median:.1f} | {least:.1f} | | {error} |")
    return lines


if __name__ == "__main__":
    print("\n".join(table()))
