"""A large map in tiles: time of each stage, and memory of all processes.

Random terrain (seeded) with 5 m cells, belts 8 m high, four wind directions; exposure (horizon to 1
km, terrain wind) and shelter (one season, with terrain wind). Run by itself: ``python
benchmarks/tiles.py 2048 4096``.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from rasterio.windows import Window
from watch import Watched, watch

CRS, WEST, NORTH, CELL_M, TILE = "EPSG:25832", 500_000.0, 6_000_000.0, 5.0, 2048
BELTS_PER_CELL = 300 / 2048**2
SIDES, HUGE = (1024, 2048, 4096, 8192), 20_000

PLAN = """
[inputs]
dem = "dem.tif"
winds = "0,90,180,270"
"""
EXPOSURE = """
[[step]]
process = "exposure"
"""
SHELTER = """
[[step]]
process = "shelter"
belts = "belts.gpkg"
seasons = ["in-leaf"]
"""


def ground(folder: Path, side: int, steps: str = EXPOSURE + SHELTER) -> Path:
    """Write a square map, strip by strip; return the path of the plan."""
    seed = np.random.default_rng(8)
    profile = {"driver": "GTiff", "height": side, "width": side, "count": 1, "dtype": "float32"}
    profile |= {"tiled": True, "blockxsize": 512, "blockysize": 512, "crs": CRS}
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    cols = np.arange(side)
    with rasterio.open(folder / "dem.tif", "w", transform=affine, **profile) as data:
        for row in range(0, side, 512):
            rows = np.arange(row, min(row + 512, side))
            heights = 200 + 20 * np.sin(rows / 90)[:, None] * np.cos(cols / 70)
            # Small-scale relief, which does not compress.
            heights = heights + seed.normal(0, 0.05, heights.shape)
            window = Window(0, row, side, len(rows))
            data.write(heights.astype(np.float32), 1, window=window)
    count = max(10, round(BELTS_PER_CELL * side**2))
    first = seed.uniform(0, side * CELL_M, (count, 2)) * [1, -1] + [WEST, NORTH]
    turn = seed.uniform(0, np.pi, count)
    ends = first + 200 * np.column_stack([np.cos(turn), np.sin(turn)])
    lines = [shapely.LineString(pair) for pair in zip(first, ends, strict=True)]
    belts = gpd.GeoDataFrame({"height_m": 8.0}, index=range(count), geometry=lines, crs=CRS)
    belts.to_file(folder / "belts.gpkg", layer="belts", driver="GPKG")
    (folder / "plan.toml").write_text(PLAN + steps, encoding="utf-8")
    return folder / "plan.toml"


def batch(plan: Path, out: Path, workers: int = 1, **options: object) -> Watched:
    """Run a plan over the tiles of its map."""
    command = [sys.executable, "-m", "shelterscape", "batch", str(plan), "--out", str(out)]
    command += ["--tiles", str(TILE), "--workers", str(workers), "--json"]
    found = watch(command, **options)
    if found.exit_code:
        raise SystemExit(f"{' '.join(command)} ended with {found.exit_code}")
    return found


def parts(found: Watched) -> dict[str, float]:
    """Seconds before the first tile, of the tiles, and after the last tile."""
    texts = [(at, str(reported.get("text", ""))) for at, reported in found.events]
    whole = [at for at, text in texts if text.endswith("holdings to be run")]
    done = [at for at, text in texts if text.endswith(" left")]
    return {"whole": whole[0], "tiles": done[-1] - whole[0], "merge": found.seconds - done[-1]}


def row(side: int, steps: str = EXPOSURE + SHELTER) -> str:
    """Measure one map."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found = batch(ground(folder, side, steps), folder / "out")
        size = sum(p.stat().st_size for p in (folder / "out").rglob("*") if p.is_file())
    millions = side**2 / 1e6
    took = {key: seconds / millions for key, seconds in parts(found).items()}
    return (
        f"| {side:,} × {side:,} ({millions:.0f} M) | {int(np.ceil(side / TILE)) ** 2} | "
        f"{took['whole']:.2f} | {took['tiles']:.2f} | {took['merge']:.2f} | "
        f"{found.seconds / millions:.2f} | {found.most_mib:.0f} | {found.own_mib:.0f} | "
        f"{found.together_mib:.0f} | "
        f"{size / 2**20 / millions:.0f} |"
    )


HEAD = [
    "| cells | tiles | whole map first | tiles | merging | total, s per million cells | "
    "peak memory of a worker, MiB | of the batch itself, MiB | of both at once, MiB | on disk, MiB "
    "per million cells |",
    "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
]


def tables(sides: tuple[int, ...] = SIDES) -> list[str]:
    """A row for each size of map."""
    return [*HEAD, *(row(side) for side in sides)]


def huge() -> list[str]:
    """A row for a usual map and for one of 400 million cells, with shelter alone."""
    return [*HEAD, row(4096, SHELTER), row(HUGE, SHELTER)]


if __name__ == "__main__":
    for line in HEAD:
        print(line)
    for word in sys.argv[1:] or ["2048", "4096"]:
        print(row(int(word)), flush=True)
