"""A catchment of three small holdings, and functions that read the results of a batch."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import shapely
from run_helpers import CELL_M, CELLS, CRS, NORTH, WEST, checksums, write_belts, write_dem

TOP = {"h-1": (5, 5, 20, 20), "h-2": (5, 25, 22, 18), "h-3": (30, 10, 24, 30)}
"""Holdings in cells: first row, first column, rows, columns."""


def square(row: float, col: float, rows: float, cols: float) -> shapely.Polygon:
    """A rectangle on the terrain of `run_helpers`, given in cells."""
    west, north = WEST + col * CELL_M, NORTH - row * CELL_M
    return shapely.box(west, north - rows * CELL_M, west + cols * CELL_M, north)


def write_holdings(path: Path, outlines: list[Any], ids: list[Any], **columns: Any) -> Path:
    """Write a layer ``holdings``."""
    frame = gpd.GeoDataFrame({"holding_id": ids, **columns}, geometry=outlines, crs=CRS)
    frame.to_file(path, layer="holdings", driver="GPKG")
    return path


PLAN = """
[inputs]
dem = "dem.tif"
winds = "210,240"
belts = "belts.gpkg"
[cases]
seasons = ["in-leaf"]
[[step]]
process = "exposure"
limit_m = 60
[[step]]
process = "shelter"
"""


def catchment(folder: Path, plan: str = PLAN) -> Path:
    """Write a plan, its inputs and three holdings into a folder; return the path of the plan."""
    folder.mkdir(parents=True, exist_ok=True)
    write_dem(folder / "dem.tif")
    write_belts(folder / "belts.gpkg")
    outlines = [square(*place) for place in TOP.values()]
    write_holdings(folder / "holdings.gpkg", outlines, list(TOP), name=["low", "mid", "top"])
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    return folder / "plan.toml"


def results(out: Path) -> dict[str, str]:
    """Checksum of every file of a batch that must be the same each time."""
    found = checksums(out)
    return {
        path: mark
        for path, mark in found.items()
        if path.startswith(("holdings/", "combined/")) and not path.endswith("timings.json")
    }


def holdings_of(out: Path) -> gpd.GeoDataFrame:
    """The combined layer of holdings, by holding_id."""
    frame = gpd.read_file(out / "combined" / "combined.gpkg", layer="holdings")
    return frame.set_index("holding_id", drop=False)


def failures_of(out: Path) -> dict[str, str]:
    """Error code of each failed holding, by folder."""
    return {
        path.stem: json.loads(path.read_text(encoding="utf-8"))["error"]["code"]
        for path in sorted((out / "failures").glob("*.json"))
    }


def cells_inside(place: tuple[int, int, int, int]) -> tuple[slice, slice]:
    """Rows and columns of a holding in the whole map."""
    row, col, rows, cols = place
    assert row + rows <= CELLS and col + cols <= CELLS
    return slice(row, row + rows), slice(col, col + cols)
