"""Mark ground downwind of steep ground for as long as it is sheltered.

Cells are followed along digital lines: with `drift` columns per row, cell (row, col) is on line
``col - floor(row * drift + .5)``. Rows and columns are those of the whole map, so that windows have
the same lines. Lines have no cells in common, so strips of lines run on separate threads.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips


class SteepWind(NamedTuple):
    """A wind direction, and limits of steep and of sheltered ground.

    Parameters
    ----------
    col_step, row_step : float
        Unit step downwind.
    steep : float32
        Slope along the wind above which ground is steep, m/m.
    sheltered : float32
        Relative wind below which ground is sheltered.
    """

    col_step: float
    row_step: float
    steep: np.float32
    sheltered: np.float32


@kernel(inline="always")
def _passed_on(before, slopes, wind, limits, row, col):  # type: ignore[no-untyped-def]
    """Whether a cell is sheltered and is itself steep or has the mark of the cell upwind."""
    down = slopes[0, row, col] * np.float32(limits.row_step)
    along = abs(down + slopes[1, row, col] * np.float32(limits.col_step))
    return (wind[row, col] < limits.sheltered) & (before | (along > limits.steep))


@kernel(nogil=True)
def _carry_down(first, last, low, slopes, wind, limits, row0, out):  # type: ignore[no-untyped-def]
    """Digital lines `low` + `first` to `low` + `last` − 1, from row to row."""
    rows, cols = out.shape
    drift, down = limits.col_step / limits.row_step, limits.row_step > 0
    carried = np.zeros(last - first, np.bool_)
    for step in range(rows):
        row = step if down else rows - 1 - step
        shift = low + first + np.int64(math.floor((row0 + row) * drift + 0.5))
        for k in range(max(0, -shift), min(last - first, cols - shift)):
            carried[k] = _passed_on(carried[k], slopes, wind, limits, row, k + shift)
            out[row, k + shift] = carried[k]


@kernel(nogil=True)
def _carry_across(first, last, low, slopes, wind, limits, col0, out):  # type: ignore[no-untyped-def]
    """The same from column to column."""
    rows, cols = out.shape
    drift, right = limits.row_step / limits.col_step, limits.col_step > 0
    carried = np.zeros(last - first, np.bool_)
    for step in range(cols):
        col = step if right else cols - 1 - step
        shift = low + first + np.int64(math.floor((col0 + col) * drift + 0.5))
        for k in range(max(0, -shift), min(last - first, rows - shift)):
            carried[k] = _passed_on(carried[k], slopes, wind, limits, k + shift, col)
            out[k + shift, col] = carried[k]


def carry_steepness(
    slopes: NDArray[np.float32],
    relative_wind: NDArray[np.float32],
    wind: SteepWind,
    corner: tuple[int, int],
) -> NDArray[np.bool_]:
    """Sheltered cells with steep ground upwind in the same sheltered stretch.

    Parameters
    ----------
    slopes : (2, rows, cols) float32
        Down the columns and along the rows, m/m.
    relative_wind : (rows, cols) float32
    wind : SteepWind
    corner : tuple of int
        Row and column of the first cell in the whole map.

    Returns
    -------
    (rows, cols) bool
    """
    rows, cols = relative_wind.shape
    out = np.zeros((rows, cols), np.bool_)
    if abs(wind.row_step) >= abs(wind.col_step):
        kernel_of, along, across, begin = _carry_down, rows, cols, corner[0]
        drift = wind.col_step / wind.row_step
    else:
        kernel_of, along, across, begin = _carry_across, cols, rows, corner[1]
        drift = wind.row_step / wind.col_step
    ends = [math.floor((begin + n) * drift + 0.5) for n in (0, max(along - 1, 0))]
    low, high = -max(ends), across - min(ends)
    width = 512 if kernel_of is _carry_down else 64
    over_strips(
        kernel_of, high - low, low, slopes, relative_wind, wind, begin, out, strip_rows=width
    )
    return out
