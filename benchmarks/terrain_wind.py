"""Measure terrain wind: time per direction, memory, and tiles compared with the whole.

python benchmarks/terrain_wind.py

Times are medians over several directions in one process, with and without the turning of the wind,
and of copying the elevation in memory, timed between them. Memory is the largest rise of resident
memory, in arrays of the padded size.
"""

from __future__ import annotations

import os
import statistics
import threading
import time
from pathlib import Path

import numpy as np
from affine import Affine
from scipy import fft

from shelterscape.grid import Grid
from shelterscape.kernels.spectral import padded_size
from shelterscape.science.terrain import Edges, speed_up, speed_ups

SIDE = 4096
CELL_M = 5.0
DIRECTIONS = [210.0, 233.0, 90.0, 0.0, 17.0, 300.0, 120.0, 44.0, 355.0]


def seeded_ground(side: int) -> np.ndarray:
    """Rough ground with relief at every scale, with a standard deviation of about 45 m."""
    rng = np.random.default_rng(7)
    waves = fft.rfft2(rng.standard_normal((side, side), dtype=np.float32), workers=2)
    k = np.hypot(fft.fftfreq(side)[:, None], fft.rfftfreq(side)[None, :]).astype(np.float32)
    waves *= (k + np.float32(8 / side)) ** np.float32(-2.3)
    ground = fft.irfft2(waves, s=(side, side), workers=2)
    return (45 * ground / ground.std()).astype(np.float32)


def grid_of(side: int, cell_m: float) -> Grid:
    """A square grid."""
    return Grid((side, side), Affine(cell_m, 0, 0, 0, -cell_m, 0))


class Peak:
    """Largest rise of the resident memory of this process in the block, bytes."""

    def __enter__(self) -> Peak:
        self.start, self.most, self.over = _resident(), 0, threading.Event()
        self.watch = threading.Thread(target=self._watch)
        self.watch.start()
        return self

    def _watch(self) -> None:
        while not self.over.wait(0.005):
            self.most = max(self.most, _resident() - self.start)

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self.watch.join()


def _resident() -> int:
    pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


def measure() -> dict[str, float]:
    """Seconds, arrays of the padded size, and difference of tiles from the whole."""
    small = grid_of(256, CELL_M)
    speed_up(seeded_ground(256), small, 10.0)  # compiles the kernels
    ground, grid = seeded_ground(SIDE), grid_of(SIDE, CELL_M)
    took, straight, copied = [], [], []
    with Peak() as peak:
        started = time.perf_counter()
        winds = speed_ups(ground, grid, DIRECTIONS)
        next(winds)
        first = time.perf_counter() - started
        for _ in DIRECTIONS[1:]:
            started = time.perf_counter()
            next(winds)  # not kept, as by a caller that writes it to a file
            took.append(time.perf_counter() - started)
    without = speed_ups(ground, grid, DIRECTIONS, turning=False)
    next(without)
    for _ in DIRECTIONS[1:]:
        started = time.perf_counter()
        next(without)
        straight.append(time.perf_counter() - started)
        started = time.perf_counter()
        ground.copy()
        copied.append(time.perf_counter() - started)
    padded = padded_size(SIDE, int(np.ceil(Edges().pad_m / CELL_M))) ** 2 * 4
    return {
        "first": first,
        "each": statistics.median(took),
        "straight": statistics.median(straight),
        "copy": statistics.median(copied),
        "arrays": peak.most / padded,
        **tiles_beside_the_whole(ground, grid),
    }


def tiles_beside_the_whole(ground: np.ndarray, grid: Grid) -> dict[str, float]:
    """Seconds, and 99th percentile of the difference in speed-up, in three by three tiles."""
    whole = speed_up(ground, grid, 233.0).speed_up
    speed_up(ground[:600, :600], grid_of(600, CELL_M), 233.0, tile_cells=400)  # compiles
    winds = speed_ups(ground, grid, [233.0, 10.0, 100.0], tile_cells=2048)
    tiled = next(winds).speed_up
    off = float(np.percentile(np.abs(whole - tiled)[::4, ::4], 99))
    started = time.perf_counter()
    for _ in winds:  # not kept, as by a caller that writes it to a file
        pass
    return {"tiles": off, "in_tiles": (time.perf_counter() - started) / 2}


def table() -> list[str]:
    """Results with goals as a Markdown table."""
    found = measure()
    copy = found["copy"]
    return [
        "| what | measured | goal |",
        "| --- | --- | --- |",
        f"| terrain wind, {SIDE}² cells, each direction | {found['each']:.3f} s "
        f"({found['each'] / copy:.0f} memory copies of {copy:.4f} s) | 0.12 s |",
        f"| the same without turning | {found['straight']:.3f} s "
        f"({found['straight'] / copy:.0f} memory copies) | |",
        f"| the first one, with preparation for all | {found['first']:.3f} s | |",
        f"| memory in addition to the elevation | {found['arrays']:.1f} padded arrays | 6 |",
        f"| in tiles of 2048 cells, each direction | {found['in_tiles']:.3f} s | |",
        f"| tiles, difference from the whole (p99) | {found['tiles']:.4f} | 0.02 |",
    ]


if __name__ == "__main__":
    print("\n".join(table()))
