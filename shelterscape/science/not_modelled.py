"""Sheltered ground on which the method is not valid: behind steep slopes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid, downwind
from shelterscape.kernels.steep import SteepWind, carry_steepness

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
        m/m. NaN where a neighbouring cell is missing; 0 along an axis with one cell only.
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
        For this wind direction alone.
    grid : Grid
    direction_deg : float
        Direction the wind comes from, degrees from grid north.

    Returns
    -------
    (rows, cols) bool

    Notes
    -----
    Shelter extends without a break from a belt to the ground it shelters. A cell therefore counts
    if any cell upwind, within the same stretch of sheltered cells, is steep. The stretch follows
    the cells nearest to the line of the wind.

    References
    ----------
    Slope limit: usual for linear theory, common practice, no single source. Flow over a hill
    stays attached at slopes of 10 degrees and separates at 20: Athanassiadou and Castro 2001,
    Boundary-Layer Meteorology 101:1-30 (status S).
    """
    limits = np.float32(math.tan(math.radians(STEEP_DEG))), np.float32(IN_SHELTER)
    wind = SteepWind(*downwind(direction_deg), *limits)
    return carry_steepness(slopes, relative_wind, wind, (grid.row0, grid.col0))
