"""Horizon of every cell in one direction, by marching along the line of sight."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

NOTHING_SEEN = np.float32(-1e30)
"""Tangent given to a cell whose every sample lies off the map or is missing."""

MISSING_GROUND = np.float32(-1e9)
"""Elevation that stands in for a missing cell: so low that it is never an obstacle."""


def march_steps(
    column_step: float, row_step: float, cell_m: float, limit_m: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]:
    r"""Samples along a line of sight, one for each row or column it crosses.

    The line crosses one axis (the major one) in whole cells; between the two cells it passes on
    the other axis, ground is interpolated linearly::

        minor        * ------ weight
          ^      o   |
          |   o      * ------ 1 - weight
          | x----+---+---> major, one cell a step

    Parameters
    ----------
    column_step, row_step : float
        Unit step along the line, columns and rows.
    cell_m, limit_m : float
        Side of a cell and distance looked at, m.

    Returns
    -------
    offsets : (n, 2) int64
        Row and column offset of the nearer cell of each sample.
    second : (2,) int64
        Row and column offset from that cell to the other one of the pair.
    weight : (n,) float32
        Weight of that other cell.
    per_metre : (n,) float32
        One over the distance of the sample, 1/m.
    """
    along_columns = abs(column_step) >= abs(row_step)
    major, minor = (column_step, row_step) if along_columns else (row_step, column_step)
    stride_m = cell_m / abs(major)
    count = int(np.floor(limit_m / stride_m + 1e-9))
    steps = np.arange(1, count + 1)
    # Rounded so that exact diagonals land on cells and not a hair beside them.
    drift = np.round(steps * (minor / abs(major)), 9)
    low = np.floor(drift).astype(np.int64)
    ahead = steps * (1 if major > 0 else -1)
    offsets = np.column_stack([low, ahead] if along_columns else [ahead, low])
    second = np.array([1, 0] if along_columns else [0, 1])
    return (
        offsets,
        second,
        (drift - low).astype(np.float32),
        (1.0 / (steps * stride_m)).astype(np.float32),
    )


@njit(cache=True, parallel=True)
def horizon_tangent(elevation, offsets, second, weight, per_metre, out):  # type: ignore[no-untyped-def]
    """Largest tangent of the elevation angle over all samples of each cell.

    Parameters
    ----------
    elevation : (rows, cols) float32
        Ground, finite everywhere (`MISSING_GROUND` where missing).
    offsets, second, weight, per_metre
        As `march_steps` gives them.
    out : (rows, cols) float32
        Filled with the tangent, `NOTHING_SEEN` where no sample lies on known ground.
    """
    rows, cols = elevation.shape
    known = np.float32(0.5) * MISSING_GROUND
    for row in prange(rows):
        best = out[row]
        here = elevation[row]
        for col in range(cols):
            best[col] = NOTHING_SEEN
        for k in range(offsets.shape[0]):
            row_a, shift_a = row + offsets[k, 0], offsets[k, 1]
            # A weight of nought needs no second cell, which may lie off the map.
            pair = 1 if weight[k] > 0 else 0
            row_b, shift_b = row_a + pair * second[0], shift_a + pair * second[1]
            if row_a < 0 or row_b >= rows:
                break
            first = max(0, -shift_a)
            last = min(cols, cols - shift_b)
            w, v, inverse = weight[k], np.float32(1) - weight[k], per_metre[k]
            for col in range(first, last):
                ground = v * elevation[row_a, col + shift_a] + w * elevation[row_b, col + shift_b]
                tangent = (ground - here[col]) * inverse
                # Ground half made of a missing cell is unknown, and never an obstacle.
                if ground > known and tangent > best[col]:
                    best[col] = tangent
