"""Sheltered ground where the method does not hold: behind steep slopes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid, downwind

STEEP_DEG = 17.0
"""Slope along the wind above which flow may separate from the ground."""

IN_SHELTER = 0.95
"""Relative wind below which ground counts as sheltered."""


def gradient(elevation: NDArray[np.float32], grid: Grid) -> NDArray[np.float32]:
    """Slope of the ground down the columns and along the rows.

    Parameters
    ----------
    elevation : (rows, cols) float32
        Metres, NaN where missing.
    grid : Grid

    Returns
    -------
    (2, rows, cols) float32
        m/m; missing where a neighbour is; a map of one row or column is level that way.
    """
    found = np.zeros((2, *elevation.shape), np.float32)
    for axis in (0, 1):
        if elevation.shape[axis] > 1:
            found[axis] = np.gradient(elevation, grid.cell_m, axis=axis)
    return found


def behind_steep(
    slopes: NDArray[np.float32],
    relative_wind: NDArray[np.float32],
    grid: Grid,
    direction_deg: float,
) -> NDArray[np.bool_]:
    """Sheltered cells with steep ground between them and the belt that shelters them.

    Parameters
    ----------
    slopes : (2, rows, cols) float32
        As `gradient` returns them.
    relative_wind : (rows, cols) float32
        For this one wind.
    grid : Grid
    direction_deg : float
        Where the wind comes from, degrees from grid north.

    Returns
    -------
    (rows, cols) bool

    Notes
    -----
    Shelter is unbroken from a belt to the ground it shelters, so what is steep anywhere
    upwind in one stretch of shelter counts. The stretch is followed cell by cell, along the nearest
    cells to the line of the wind.

    References
    ----------
    Limit of slope: usual for linear theory, common practice, no single source. Flow over hills
    stays attached at slopes of 10 degrees and separates at 20: Athanassiadou and Castro 2001,
    Boundary-Layer Meteorology 101:1-30 (status S).
    """
    col_step, row_step = downwind(direction_deg)
    along = slopes[0] * np.float32(row_step) + slopes[1] * np.float32(col_step)
    steep = np.abs(along) > math.tan(math.radians(STEEP_DEG))
    sheltered = relative_wind < IN_SHELTER
    if abs(row_step) >= abs(col_step):
        return _swept(steep, sheltered, grid.row0, col_step / row_step, row_step > 0)
    flipped = _swept(steep.T, sheltered.T, grid.col0, row_step / col_step, col_step > 0)
    return flipped.T


def _swept(
    steep: NDArray[np.bool_],
    sheltered: NDArray[np.bool_],
    first: int,
    drift: float,
    down: bool,
) -> NDArray[np.bool_]:
    """Carry steepness line by line down the wind while shelter lasts."""
    lines, width = steep.shape
    out = steep & sheltered
    order = range(lines) if down else range(lines - 1, -1, -1)
    before = None
    for line in order:
        if before is not None:
            # Lines are counted in the whole map, so that a cut-out drifts as the whole does.
            shift = math.floor((first + line) * drift + 0.5) - math.floor(
                (first + before) * drift + 0.5
            )
            kept = slice(max(shift, 0), width + min(shift, 0))
            given = slice(max(-shift, 0), width + min(-shift, 0))
            out[line, kept] |= sheltered[line, kept] & out[before, given]
        before = line
    return out
