"""Time of `planting` for 1,000 belts of 318 m, from files to files; goal 30 s."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from affine import Affine
from shapely import LineString, Point

import shelterscape

GOAL_S, COUNT, APART_M = 30.0, 1000, 60.0
CRS = "EPSG:25832"


def write_inputs(folder: Path) -> None:
    """Belts with two bends and an opening each, and a veteran tree beside every second."""
    x = 500_000 + APART_M * (np.arange(COUNT) % 100)
    y = 6_000_000 + 400.0 * (np.arange(COUNT) // 100)
    lines = [
        LineString([(a, b), (a, b + 100), (a + 30, b + 190), (a + 20, b + 300)])
        for a, b in zip(x, y, strict=True)
    ]
    trees = [Point(a, b + 250) for a, b in zip(x[::2], y[::2], strict=True)]
    tracks = [Point(a, b + 50) for a, b in zip(x, y, strict=True)]
    layers = {
        "belts": gpd.GeoDataFrame(geometry=lines, crs=CRS),
        "trees": gpd.GeoDataFrame(geometry=trees, crs=CRS).assign(stem_diameter_m=0.8),
        "tracks": gpd.GeoDataFrame(geometry=tracks, crs=CRS),
    }
    for name, frame in layers.items():
        frame.to_file(folder / "maps.gpkg", layer=name, engine="pyogrio")
    rows, cols = 420, 620
    ground = np.add.outer(np.arange(rows), np.arange(cols)).astype(np.float32) / 2
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "height": rows, "width": cols}
    affine = Affine(10, 0, 499_900, 0, -10, 6_004_150)
    with rasterio.open(folder / "dem.tif", "w", crs=CRS, transform=affine, **profile) as out:
        out.write(ground, 1)


def run(folder: Path, out: str) -> shelterscape.runs.Result:
    """Plan all belts with the design that has most rows."""
    maps = folder / "maps.gpkg"
    return shelterscape.planting(
        dem=folder / "dem.tif", belts=f"{maps}:belts", winds="270", design="dense stock belt",
        veteran_trees=f"{maps}:trees", openings=f"{maps}:tracks", out=folder / out,
        pictures=False, report=False,
    )  # fmt: skip


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        write_inputs(folder)
        run(folder, "first")
        start, used = time.perf_counter(), time.process_time()
        result = run(folder, "second")
        taken, cpu = time.perf_counter() - start, time.process_time() - used
        clumps = len(gpd.read_file(folder / "second" / "layers.gpkg", layer="planting_rows"))
        same = all(
            (folder / "second" / p.relative_to(folder / "first")).read_bytes() == p.read_bytes()
            for p in [*(folder / "first").rglob("*.xlsx"), *(folder / "first").rglob("*.csv")]
        )
    print(f"{COUNT:,} belts, {clumps:,} clumps: {taken:.1f} s ({cpu:.1f} s of processor) of "
          f"{GOAL_S:.0f} s; workbook and tables equal in two runs: {same}")  # fmt: skip
