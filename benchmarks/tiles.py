"""What a large map costs in tiles, and what memory its workers hold.

Seeded ground of 5 m cells, belts 8 m high, four winds, relative wind of one season in one band,
without wind over hills. Run by itself: ``python benchmarks/tiles.py 2048 4096``.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from rasterio.windows import Window

from shelterscape.batch import How, run_batch

CRS, WEST, NORTH, CELL_M, TILE = "EPSG:25832", 500_000.0, 6_000_000.0, 5.0, 1024
BELTS_PER_CELL = 300 / 2048**2

PLAN = """
[inputs]
dem = "dem.tif"
winds = "0,90,180,270"
belts = "belts.gpkg"
[cases]
seasons = ["in-leaf"]
[[step]]
process = "shelter"
terrain = false
"""


def ground(folder: Path, side: int) -> Path:
    """Write a map of so many cells a side, strip by strip; the path of the plan."""
    seed = np.random.default_rng(8)
    profile = {"driver": "GTiff", "height": side, "width": side, "count": 1, "dtype": "float32"}
    profile |= {"tiled": True, "blockxsize": 512, "blockysize": 512, "crs": CRS}
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    cols = np.arange(side)
    with rasterio.open(folder / "dem.tif", "w", transform=affine, **profile) as data:
        for row in range(0, side, 512):
            rows = np.arange(row, min(row + 512, side))
            heights = 200 + 20 * np.sin(rows / 90)[:, None] * np.cos(cols / 70)
            window = Window(0, row, side, len(rows))
            data.write(heights.astype(np.float32), 1, window=window)
    count = max(10, round(BELTS_PER_CELL * side**2))
    first = seed.uniform(0, side * CELL_M, (count, 2)) * [1, -1] + [WEST, NORTH]
    turn = seed.uniform(0, np.pi, count)
    ends = first + 200 * np.column_stack([np.cos(turn), np.sin(turn)])
    lines = [shapely.LineString(pair) for pair in zip(first, ends, strict=True)]
    belts = gpd.GeoDataFrame({"height_m": 8.0}, index=range(count), geometry=lines, crs=CRS)
    belts.to_file(folder / "belts.gpkg", layer="belts", driver="GPKG")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder / "plan.toml"


def row(side: int) -> str:
    """Measure one map."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = ground(folder, side)
        # The worker of the first tile also did the work over the whole map; the next did not.
        run_batch(plan, folder / "out", tiles=TILE, how=How(workers=1, only=("row 0 column 0",)))
        whole = _peaks(folder)
        begun = time.perf_counter()
        result = run_batch(plan, folder / "out", tiles=TILE, how=How(workers=1))
        seconds = time.perf_counter() - begun
        tiles = _peaks(folder) - whole
        cells = side**2
        return (
            f"| {cells / 1e6:.0f} M | {len(result.rows)} | {seconds / (cells / 1e6):.2f} | "
            f"{max(tiles, default=0)} MiB | {max(whole)} MiB |"
        )


def _peaks(folder: Path) -> set[int]:
    told = [json.loads(p.read_text()) for p in folder.glob("out/holdings/*/timings.json")]
    return {one["peak_memory_mib"] or 0 for one in told}


if __name__ == "__main__":
    print("| cells | tiles | s a million cells | memory, tiles | memory, whole map first |")
    print("| ---: | ---: | ---: | ---: | ---: |")
    for word in sys.argv[1:] or ["2048", "4096"]:
        print(row(int(word)), flush=True)
