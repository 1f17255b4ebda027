"""Slope of the ground and flow of water over it, by richdem.

Flow follows D∞: from each cell to one or two of its eight neighbours, by the direction of the
steepest slope (Tarboton 1997, Water Resources Research 33:309-319, status M). Hollows are filled
with a minimal slope first, so that each has an outlet.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import richdem
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.kernels.flow import share_into

MISSING = -9999.0
NO_FLOW = -1.0
WORK_BYTES = 160.0
"""Memory of the flow over a terrain model, bytes per cell: elevation twice as float64, nine
proportions as float32, their copy with belts, accumulation and order (measured: 124,
without what a process keeps beside it)."""

Field = NDArray[np.float32]


class Flow(NamedTuple):
    """Flow of water over the ground.

    Parameters
    ----------
    elevation : (rows, cols) float64
        With hollows filled, m; `MISSING` where missing.
    proportions : (rows, cols, 9) float32
        First −1 for cells without flow, −2 for missing cells; then the share that flows to the
        neighbour in the west, north-west and so on clockwise; −1 where nothing flows.
    """

    elevation: NDArray[np.float64]
    proportions: Field


def slope_deg(elevation: Field, grid: Grid) -> Field:
    """Slope of the ground by the method of Horn 1981 (status M).

    Parameters
    ----------
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid

    Returns
    -------
    (rows, cols) float32
        Degrees; NaN where missing. Too low on cells beside missing ground.
    """
    # A ring that continues the ground: richdem takes ground beyond the edge as level.
    wide = np.pad(elevation.astype(np.float64), 1, mode="reflect", reflect_type="odd")
    with _silent():
        found = richdem.TerrainAttribute(_raster(wide, grid), attrib="slope_degrees")
    slope: Field = np.asarray(found, dtype=np.float32)[1:-1, 1:-1]
    return np.where(np.isfinite(elevation), slope, np.float32(np.nan))


def flow_over(elevation: Field, grid: Grid) -> Flow:
    """Where water flows from each cell.

    Parameters
    ----------
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid

    Returns
    -------
    Flow
        Cells on the edge of the map have no flow.
    """
    with _silent():
        filled = richdem.FillDepressions(_raster(elevation, grid), epsilon=True, in_place=False)
        proportions = richdem.FlowProportions(filled, method="Dinf")
    return Flow(np.asarray(filled, dtype=np.float64), np.array(proportions, dtype=np.float32))


def upslope_cells(flow: Flow, stops: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Number of cells whose water reaches each cell, the cell itself included.

    Parameters
    ----------
    flow : Flow
    stops : (rows, cols) bool
        Cells from which no water flows on.

    Returns
    -------
    (rows, cols) float64
        Cells; their sum over all cells without outflow is the number of known cells, because each
        cell's water ends once.
    """
    proportions = flow.proportions.copy()
    proportions[stops & (proportions[..., 0] > -2.0)] = NO_FLOW
    raster = richdem.rd3array(proportions, no_data=-2.0)
    raster.geotransform, raster.projection = _transform(1.0), ""
    with _silent():
        found = richdem.FlowAccumFromProps(raster, weights=np.ones(stops.shape))
    cells = np.asarray(found, dtype=np.float64)
    return np.where(flow.elevation == MISSING, 0.0, cells)


def share_reaching(flow: Flow, targets: NDArray[np.bool_]) -> Field:
    """Share of the water of each cell that reaches any target cell.

    Parameters
    ----------
    flow : Flow
    targets : (rows, cols) bool

    Returns
    -------
    (rows, cols) float32
        0 to 1; 1 on targets, 0 where the ground is missing.
    """
    # From the lowest cell upwards, so that the cells a cell flows to come before it.
    order = np.argsort(flow.elevation, axis=None, kind="stable")
    found: Field = share_into(order, flow.proportions, targets)
    return found


def _raster(elevation: NDArray[np.floating], grid: Grid) -> richdem.rdarray:
    """Elevation as richdem takes it: NaN is not its missing value, and its cells are 1 × 1."""
    known = np.where(np.isfinite(elevation), elevation, MISSING).astype(np.float64)
    raster = richdem.rdarray(known, no_data=MISSING, geotransform=_transform(grid.cell_m))
    raster.projection = ""
    return raster


def _transform(cell_m: float) -> tuple[float, ...]:
    return (0.0, cell_m, 0.0, 0.0, 0.0, -cell_m)


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """richdem writes its progress to the error stream of the process."""
    kept, nothing = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nothing, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nothing)
