"""Siting by holding over one large map: memory of a worker and of the batch by size of the map.

The ground of ``tiles.py``; holdings of 1 km, each of four fields with stock, spread evenly over the
map, so that a larger map has more of them. Run by itself: ``python benchmarks/siting_holdings.py
1024 3240``.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import geopandas as gpd
import shapely
import tiles
from watch import watch

SIDES = (1024, 3240)
"""Cells on each side: the second map has ten times the area of the first."""

HOLDING_M, APART_M = 1000.0, 5000.0

SITING = """
[[step]]
process = "siting"
belts = "belts.gpkg"
places = "fields.gpkg"
parcels = "fields.gpkg"
holdings = "holdings.gpkg"
seasons = ["bare"]
planting_year = 2027
years = [2047]
purpose = "crop"
budget_m = 600
monte_carlo_runs = 0
"""


def holdings(folder: Path, side: int) -> int:
    """Write holdings and their fields; return the number of holdings."""
    count = max(1, int(side * tiles.CELL_M // APART_M))
    outlines, fields, owners = [], [], []
    for number in range(count**2):
        west = tiles.WEST + APART_M * (number % count + 0.5) - HOLDING_M / 2
        north = tiles.NORTH - APART_M * (number // count + 0.5) + HOLDING_M / 2
        outlines.append(shapely.box(west, north - HOLDING_M, west + HOLDING_M, north))
        for quarter in range(4):
            left, top = west + HOLDING_M / 2 * (quarter % 2), north - HOLDING_M / 2 * (quarter // 2)
            fields.append(shapely.box(left, top - HOLDING_M / 2, left + HOLDING_M / 2, top))
            owners.append(f"h-{number}")
    names = [f"h-{number}" for number in range(len(outlines))]
    frame = gpd.GeoDataFrame({"holding_id": names}, geometry=outlines, crs=tiles.CRS)
    frame.to_file(folder / "holdings.gpkg", driver="GPKG")
    columns = {"name": owners, "holding_id": owners, "purpose": "crop"}
    land = gpd.GeoDataFrame(columns, geometry=fields, crs=tiles.CRS)
    land.to_file(folder / "fields.gpkg", driver="GPKG")
    return len(outlines)


def row(side: int) -> str:
    """Measure one map."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan, count = tiles.ground(folder, side, SITING), holdings(folder, side)
        command = [sys.executable, "-m", "shelterscape", "batch", str(plan)]
        command += ["--out", str(folder / "out"), "--holdings", str(folder / "holdings.gpkg")]
        found = watch([*command, "--workers", "1", "--json"])
        if found.exit_code:
            raise SystemExit(f"{' '.join(command)} ended with {found.exit_code}")
    return (
        f"| {side:,} × {side:,} ({side**2 / 1e6:.1f} M) | {count} | {found.seconds:.0f} | "
        f"{found.most_mib:.0f} | {found.own_mib:.0f} | {found.together_mib:.0f} |"
    )


HEAD = [
    "| cells | holdings | s | peak memory of a worker, MiB | of the batch itself, MiB | of both at "
    "once, MiB |",
    "| ---: | ---: | ---: | ---: | ---: | ---: |",
]


def tables(sides: tuple[int, ...] = SIDES) -> list[str]:
    """A row for each size of map."""
    return [*HEAD, *(row(side) for side in sides)]


if __name__ == "__main__":
    print("\n".join(tables(tuple(int(word) for word in sys.argv[1:]) or SIDES)))
