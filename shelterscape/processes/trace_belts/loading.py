"""Read and check the inputs of `trace-belts`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio.features import geometry_mask

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader, never_stop
from shelterscape.process.relief import Relief, relief_of
from shelterscape.process.stages import Bands, WholeMap
from shelterscape.processes.trace_belts.spec import TraceBeltsInputs
from shelterscape.science.canopy import BYTES_PER_CELL, default_threshold_m
from shelterscape.science.columns import numbers, words
from shelterscape.science.tracing.alignment import LARGEST_CELL_M, check_canopy, check_models
from shelterscape.science.tracing.belts import HEDGE_COLUMNS, HedgeLines
from shelterscape.terms import TERMS

COLUMNS: dict[str, tuple[str, ...]] = {
    "hedge_lines": HEDGE_COLUMNS,
    "compare_with": ("name", "belt_type", "height_m", "width_m"),
}
"""Columns that are read, by layer."""

GROUND_MODEL = "ground model"

MARGIN_M = 300.0
"""Width of the ground around a part of a map on which its belts depend, m, besides the longest gap
and the width of woods: long enough for the least wood, 250 by 20 m."""

LEAST_LINE_M = 1.0
"""Lines shorter than this are not measured, m."""


@dataclass(frozen=True)
class TraceData:
    """Input of `compute`.

    Parameters
    ----------
    params : TraceBeltsInputs
    height : (rows, cols) float32
        Canopy height, m; NaN where missing.
    grid : Grid
    threshold_m : float
    relief : Relief or None
        Ground beneath the map.
    buildings : (rows, cols) bool or None
    hedge_lines : HedgeLines or None
    surveyed : GeoDataFrame or None
        Surveyed belts to compare with.
    outline : geometry or None
        Part of the map with results.
    check_stop : callable
    rasters : dict
        Empty: no raster is written.
    """

    params: TraceBeltsInputs
    height: NDArray[np.float32]
    grid: Grid
    threshold_m: float
    relief: Relief | None = None
    buildings: NDArray[np.bool_] | None = None
    hedge_lines: HedgeLines | None = None
    surveyed: gpd.GeoDataFrame | None = None
    outline: shapely.Geometry | None = None
    check_stop: Callable[[], None] = never_stop
    rasters: Mapping[str, Bands] = field(default_factory=dict)


def load(params: TraceBeltsInputs, reader: Reader) -> TraceData:
    """Read and check all inputs."""
    height, grid = _canopy(params, reader)
    _check_cells(grid, params)
    columns = columns_by_layer(params.fields, COLUMNS)
    threshold_m = params.canopy_threshold_m
    return TraceData(
        params,
        height,
        grid,
        default_threshold_m(grid.cell_m) if threshold_m is None else threshold_m,
        relief_of(params, grid.bounds, grid.crs, GROUND_MODEL),
        _buildings(params, reader, grid),
        _hedge_lines(params, reader, grid, columns["hedge_lines"]),
        _surveyed(params, reader, grid, columns["compare_with"]),
        reader.outline,
        reader.check_stop,
    )


def whole_map(params: TraceBeltsInputs, reader: Reader) -> WholeMap:
    """The margin on which belts of a part depend."""
    return WholeMap(MARGIN_M + 5 * params.longest_gap_m + 2 * params.wood_width_m)


def work_bytes(params: TraceBeltsInputs, sizes: InputSizes) -> float:
    """Peak memory, bytes: masks, distances and labels of all cells."""
    return BYTES_PER_CELL * sizes.cells + 4000.0 * sizes.vertices


def _canopy(params: TraceBeltsInputs, reader: Reader) -> tuple[NDArray[np.float32], Grid]:
    """Canopy height, and its grid."""
    where = Path(params.map_raster).name
    if params.canopy:
        height, grid = reader.heights(params.canopy, "canopy-height raster", params)
        # A part of a map may have no open ground: the level is that of the whole map.
        if reader.whole:
            check_canopy(height, grid.cell_m, where)
        return height, grid
    surface, grid = reader.heights(params.surface or "", "surface model", params)
    ground = reader.heights_on(params.dem or "", GROUND_MODEL, grid, params)
    if reader.whole:
        check_models(surface, ground, grid.cell_m, f"{where} and {Path(params.dem or '').name}")
    return surface - ground, grid


def _check_cells(grid: Grid, params: TraceBeltsInputs) -> None:
    if grid.cell_m > LARGEST_CELL_M:
        raise InputError(
            "canopy-cells",
            "Hedges do not show in cells this large.",
            where=Path(params.map_raster).name,
            value=f"{grid.cell_m:g} m",
            hint=f"Use a raster with cells of {LARGEST_CELL_M:g} m or less, best 0.5 to 2.5 m.",
        )


def _buildings(params: TraceBeltsInputs, reader: Reader, grid: Grid) -> NDArray[np.bool_] | None:
    """Cells with their centre in a building."""
    if not params.buildings:
        return None
    frame = reader.layer(params.buildings, grid, "building layer", {}, ground="raster")
    if not len(frame):
        return None
    inside: NDArray[np.bool_] = geometry_mask(
        frame.geometry.to_numpy(), grid.shape, grid.affine, invert=True
    )
    return inside


def _lines(frame: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Features as single lines; outlines of areas are refused."""
    if (shapely.get_dimensions(frame.geometry.to_numpy()) != 1).any():
        raise InputError(
            "input-refused",
            "Hedge lines must be lines.",
            where=where,
            hint="Draw the middle of each hedge as a line, or trace the belts without this layer.",
        )
    parts = frame.explode(ignore_index=True)
    return parts[parts.length > LEAST_LINE_M].reset_index(drop=True)


def _hedge_lines(
    params: TraceBeltsInputs, reader: Reader, grid: Grid, columns: dict[str, str]
) -> HedgeLines | None:
    if not params.hedge_lines:
        return None
    what = "layer of hedge lines"
    frame = reader.layer(params.hedge_lines, grid, what, columns, ground="raster")
    frame = _lines(frame, "hedge_lines")
    return HedgeLines(frame.geometry.to_numpy(), _values(frame, "hedge_lines"))


def _surveyed(
    params: TraceBeltsInputs, reader: Reader, grid: Grid, columns: dict[str, str]
) -> gpd.GeoDataFrame | None:
    """Surveyed belts with the columns that are compared."""
    if not params.compare_with:
        return None
    what = "layer of surveyed belts"
    frame = reader.layer(params.compare_with, grid, what, columns, ground="raster")
    if reader.outline is not None:
        middle = shapely.centroid(frame.geometry.to_numpy())
        frame = frame[shapely.intersects(middle, reader.outline)]
    frame = frame[shapely.get_dimensions(frame.geometry.to_numpy()) == 1].reset_index(drop=True)
    return gpd.GeoDataFrame(_values(frame, "compare_with"), geometry=frame.geometry)


def _values(frame: gpd.GeoDataFrame, layer: str) -> pd.DataFrame:
    """The columns of a layer that are read; empty where it has none."""
    found = {
        column: words(frame, column)
        if TERMS[column].unit == "text"
        else numbers(frame, column, TERMS[column], layer)
        for column in COLUMNS[layer]
    }
    return pd.DataFrame(found, index=frame.index)
