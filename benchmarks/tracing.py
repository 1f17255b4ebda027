"""Belts traced in canopy height: one map, and large maps in tiles.

Seeded hedges and rows around fields of 150 m, with gaps, in cells of 1 m. Run by itself:
``python benchmarks/tracing.py 2000 4096``; sides above `WHOLE` are traced in tiles.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import numpy as np
import pyogrio
import rasterio
from affine import Affine
from rasterio.windows import Window
from tiles import TILE, batch
from watch import Watched, watch

CRS, WEST, NORTH = "EPSG:25832", 500_000.0, 6_000_000.0
FIELD_M, WAVE_M, STRIP = 150.0, 20.0, 500
WHOLE = 2000
SIDES = (WHOLE, 4096, 10_000)

PLAN = """
[[step]]
process = "trace-belts"
canopy = "canopy.tif"
"""
HEAD = [
    "| cells | tiles | s | processor s | processor s per million cells | peak memory of a worker, "
    "MiB | of the batch itself, MiB | belts | length, km |",
    "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
]


def rows_of_trees(across: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Height of canopy of wavy rows, one in each `FIELD_M`: 3 to 15 m high, 4 to 9 m wide."""
    number = np.round(across / FIELD_M)
    middle = number * FIELD_M + WAVE_M * np.sin(along / 60 + number)
    share = np.mod(number * 0.618, 1.0)
    # A gap of 12 m in each 300 m, and no row in a third of the fields.
    there = (np.mod(along + 70 * number, 300) > 12) & (
        np.sin(1.7 * number + 2.3 * np.floor(along / FIELD_M)) > -0.5
    )
    inside = np.abs(across - middle) <= 2.0 + 2.5 * share
    return np.where(inside & there, 3.0 + 12.0 * share, 0.0)


def canopy(folder: Path, side: int) -> Path:
    """Write a square map, strip by strip; return the path of a plan."""
    rng = np.random.default_rng(4)
    profile = {"driver": "GTiff", "height": side, "width": side, "count": 1, "dtype": "float32"}
    profile |= {"tiled": True, "blockxsize": 512, "blockysize": 512, "crs": CRS}
    affine = Affine(1.0, 0, WEST, 0, -1.0, NORTH)
    cols = np.arange(side)[None, :]
    with rasterio.open(folder / "canopy.tif", "w", transform=affine, **profile) as data:
        for row in range(0, side, STRIP):
            rows = np.arange(row, min(row + STRIP, side))[:, None]
            height = np.maximum(rows_of_trees(rows, cols), rows_of_trees(cols, rows))
            height *= 1.0 - 0.3 * rng.random(height.shape, dtype=np.float32) ** 2
            window = Window(0, row, side, len(rows))
            data.write(height.astype(np.float32), 1, window=window)
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder / "plan.toml"


def traced(folder: Path, side: int) -> tuple[Watched, Path, int]:
    """Trace one map; return what was watched, the file of layers, and the number of tiles."""
    plan, out = canopy(folder, side), folder / "out"
    if side > WHOLE:
        tiles = int(np.ceil(side / TILE)) ** 2
        return batch(plan, out), out / "combined" / "combined.gpkg", tiles
    command = [sys.executable, "-m", "shelterscape", "run", str(plan), "--out", str(out), "--json"]
    found = watch(command)
    if found.exit_code:
        raise SystemExit(f"{' '.join(command)} ended with {found.exit_code}")
    return found, out / "layers.gpkg", 1


def row(side: int) -> str:
    """Measure one map."""
    before = os.times()
    with tempfile.TemporaryDirectory() as name:
        found, layers, tiles = traced(Path(name), side)
        lengths = pyogrio.read_dataframe(layers, layer="traced_belts", columns=["length_m"])
    after = os.times()
    processor_s = sum(
        getattr(after, part) - getattr(before, part)
        for part in ("children_user", "children_system")
    )
    millions = side**2 / 1e6
    worker = f"{found.most_mib:.0f}" if tiles > 1 else "–"
    return (
        f"| {side:,} × {side:,} ({millions:.0f} M) | {tiles} | {found.seconds:.1f} | "
        f"{processor_s:.1f} | {processor_s / millions:.2f} | {worker} | {found.own_mib:.0f} | "
        f"{len(lengths):,} | {lengths['length_m'].sum() / 1000:,.1f} |"
    )


def tables() -> list[str]:
    """A row for each size of map."""
    return [*HEAD, *(row(side) for side in SIDES)]


if __name__ == "__main__":
    for line in HEAD:
        print(line)
    for word in sys.argv[1:] or ["2000"]:
        print(row(int(word)), flush=True)
