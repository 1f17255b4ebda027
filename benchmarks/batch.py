"""Time of a holding in a batch, by number of holdings and of workers.

Random terrain (seeded) with 4 m cells, belts 6 m high, eight wind directions, shelter in both
seasons with terrain wind; holdings of 4 ha. Run by itself: ``python benchmarks/batch.py 10 100``.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from scipy import ndimage

from shelterscape.batch import BatchOptions, run_batch

CRS, WEST, NORTH, CELL_M, CELLS = "EPSG:25832", 500_000.0, 6_000_000.0, 4.0, 2250
SIDE_M, BELTS = 200.0, 1500
COUNTS = (10, 100, 500, 2000)

PLAN = """
[inputs]
dem = "dem.tif"
winds = "0,45,90,135,180,225,270,315"
belts = "belts.gpkg"
[[step]]
process = "shelter"
"""


def ground(folder: Path) -> Path:
    """Write the inputs; return the path of the plan."""
    seed = np.random.default_rng(8)
    heights = ndimage.gaussian_filter(seed.normal(size=(CELLS, CELLS)), 40) * 1200 + 200
    profile = {"driver": "GTiff", "height": CELLS, "width": CELLS, "count": 1, "dtype": "float32"}
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    with rasterio.open(folder / "dem.tif", "w", crs=CRS, transform=affine, **profile) as data:
        data.write(heights.astype(np.float32), 1)
    first = seed.uniform(50, CELLS * CELL_M - 50, (BELTS, 2)) * [1, -1] + [WEST, NORTH]
    turn = seed.uniform(0, np.pi, BELTS)
    ends = first + 150 * np.column_stack([np.cos(turn), np.sin(turn)])
    lines = [shapely.LineString(pair) for pair in zip(first, ends, strict=True)]
    belts = gpd.GeoDataFrame({"height_m": 6.0}, index=range(BELTS), geometry=lines, crs=CRS)
    belts.to_file(folder / "belts.gpkg", layer="belts", driver="GPKG")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder / "plan.toml"


def holdings(folder: Path, count: int) -> str:
    """A layer of holdings side by side, in rows."""
    across = int(CELLS * CELL_M // SIDE_M)
    outlines = []
    for n in range(count):
        west = WEST + SIDE_M * (n % across)
        north = NORTH - SIDE_M * (n // across % across)
        outlines.append(shapely.box(west, north - SIDE_M, west + SIDE_M, north))
    frame = gpd.GeoDataFrame(
        {"holding_id": [f"h-{n}" for n in range(count)]}, geometry=outlines, crs=CRS
    )
    path = folder / f"holdings-{count}.gpkg"
    frame.to_file(path, layer="holdings", driver="GPKG")
    return str(path)


def measure(folder: Path, plan: Path, count: int, workers: int) -> dict[str, Any]:
    """Seconds of one batch from the first holding to the last, and of the other stages."""
    out = folder / f"out-{count}-{workers}"
    marks: list[tuple[float, str]] = [(time.perf_counter(), "begin")]
    run_batch(
        plan,
        out,
        holdings=holdings(folder, count),
        options=BatchOptions(workers=workers),
        progress=lambda event: marks.append((time.perf_counter(), str(event.get("text")))),
    )
    end = time.perf_counter()
    done = [at for at, text in marks if " of " in text and "holdings" in text]
    reported = [json.loads(p.read_text()) for p in out.glob("holdings/*/timings.json")]
    return {
        "holdings": count,
        "workers": workers,
        # From the first to the last: excludes the start of workers and the stage for the whole map.
        "seconds_each": (done[-1] - done[0]) / (count - 1),
        "seconds_in_worker": statistics.median(one["seconds"] for one in reported),
        "whole_map_s": done[0] - marks[0][0],
        "merge_s_each": (end - done[-1]) / count,
        "peak_mib": max(one["peak_memory_mib"] or 0 for one in reported),
        "kib_each": sum(p.stat().st_size for p in out.rglob("holdings/*/**/*") if p.is_file())
        / 1024
        / count,
    }


def table(counts: Sequence[int] = COUNTS) -> list[str]:
    """A row for each number of holdings and of workers."""
    lines = [
        "| holdings | workers | s per holding | in its worker | merge, s per holding | before the "
        "first is done, s | peak memory of a worker | on disk per holding |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = ground(folder)
        for count in counts:
            # The largest number with two workers only, because it takes a quarter of an hour.
            for workers in (1, 2) if count < COUNTS[-1] else (2,):
                row = measure(folder, plan, count, workers)
                lines.append(
                    f"| {row['holdings']} | {row['workers']} | {row['seconds_each']:.2f} | "
                    f"{row['seconds_in_worker']:.2f} | {row['merge_s_each']:.2f} | "
                    f"{row['whole_map_s']:.1f} | {row['peak_mib']} MiB | "
                    f"{row['kib_each']:.0f} KiB |"
                )
    return lines


if __name__ == "__main__":
    print("\n".join(table([int(word) for word in sys.argv[1:]] or COUNTS)))
