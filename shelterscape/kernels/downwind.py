r"""From belts to cells: relative wind in the strip of ground each piece of belt acts on.

A straight piece of belt, swept along the wind, covers a parallelogram. In each row of cells the
part inside it is one span of columns in closed form, so the work follows the ground that belts
reach and not the whole map::

            wind
             |        B
             v      /  |
               A  /    |      along  = distance down the wind
               |/      |      across = distance to the left of it
               |       |
               |   ====|      one row's span: across within [A, B),
               |      /       along within the reach of the curve
               |    /
                 /
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

ROWS_PER_BAND = 32
END_ON = 1e-6
"""A piece narrower than this across the wind, in cells, is met end-on and reaches no cell."""

FAR = 1e8
"""Stands for no bound on a span, in cells."""


@njit(cache=True, inline="always")
def _between(slope, start, low, high):  # type: ignore[no-untyped-def]
    """The interval of t in which ``low <= slope * t + start < high``."""
    if abs(slope) < 1e-12:
        if low <= start < high:
            return -FAR, FAR
        return FAR, -FAR
    one, other = (low - start) / slope, (high - start) / slope
    return max(min(one, other), -FAR), min(max(one, other), FAR)


@njit(cache=True, inline="always")
def _piece(ends, col_step, row_step):  # type: ignore[no-untyped-def]
    """Lie of a piece: across from, across to, along at A, across at A, and its slant."""
    along_a = ends[0] * col_step + ends[1] * row_step
    across_a = ends[1] * col_step - ends[0] * row_step
    along_b = ends[2] * col_step + ends[3] * row_step
    across_b = ends[3] * col_step - ends[2] * row_step
    width = across_b - across_a
    slant = (along_b - along_a) / width if abs(width) >= END_ON else 0.0
    return min(across_a, across_b), max(across_a, across_b), along_a, across_a, slant


@njit(cache=True, inline="always")
def _row_span(row, lie, col_step, row_step, low, high):  # type: ignore[no-untyped-def]
    """Columns [first, last) of a row in the piece's parallelogram, and x = rise * col + start."""
    across_low, across_high, along_a, across_a, slant = lie
    y = row + 0.5
    from_a, to_b = _between(-row_step, y * col_step, across_low, across_high)
    rise = col_step + slant * row_step
    start = y * row_step - along_a - slant * (y * col_step - across_a)
    near, far = _between(rise, start, low, high)
    first = math.ceil(max(from_a, near) - 0.5)
    last = math.ceil(min(to_b, far) - 0.5)
    return first, last, rise, start


@njit(cache=True, parallel=True)
def _row_ranges(ends, height, low_h, high_h, row_step):  # type: ignore[no-untyped-def]
    """First and last global row that each piece can reach."""
    ranges = np.empty((ends.shape[0], 2), np.int64)
    for s in prange(ends.shape[0]):
        reach = (low_h * height[s] * row_step, high_h * height[s] * row_step)
        top = min(ends[s, 1], ends[s, 3]) + min(reach[0], reach[1])
        bottom = max(ends[s, 1], ends[s, 3]) + max(reach[0], reach[1])
        ranges[s, 0] = math.floor(max(top, -FAR) - 0.5)
        ranges[s, 1] = math.ceil(min(bottom, FAR) + 0.5)
    return ranges


@njit(cache=True, parallel=True)
def smallest_relative_wind(  # type: ignore[no-untyped-def]
    ends, height, curve, table, low_h, step_h, step, corner, out
):
    """Lower `out` to the relative wind behind and before every piece of belt.

    Where several pieces act on a cell the smallest relative wind rules, so their order never
    matters. Spans are worked out in the rows and columns of the whole raster: a tile gets the very
    values of the whole.

    Parameters
    ----------
    ends : (n, 4) float64
        Column and row of both ends of each piece, in cells of the whole raster.
    height : (n,) float64
        Belt height in cells.
    curve : (n,) int64
        Row of `table` for each piece.
    table : (m, k) float32
        Relative wind from `low_h` on, in steps of `step_h` belt heights.
    low_h, step_h : float
        Start and spacing of the table in belt heights.
    step : (2,) float64
        Unit step down the wind, columns and rows.
    corner : (2,) int64
        Row and column of the first cell of `out` within the whole raster.
    out : (rows, cols) float32
        Changed in place.
    """
    rows, cols = out.shape
    col_step, row_step = step[0], step[1]
    top_entry = table.shape[1] - 1
    high_h = low_h + top_entry * step_h
    ranges = _row_ranges(ends, height, low_h, high_h, row_step)
    for band in prange((rows + ROWS_PER_BAND - 1) // ROWS_PER_BAND):
        begin = corner[0] + band * ROWS_PER_BAND
        end = min(corner[0] + rows, begin + ROWS_PER_BAND)
        for s in range(ends.shape[0]):
            if ranges[s, 1] <= begin or ranges[s, 0] >= end:
                continue
            lie = _piece(ends[s], col_step, row_step)
            if lie[1] - lie[0] < END_ON:
                continue
            entries = table[curve[s]]
            scale = 1.0 / (height[s] * step_h)
            for row in range(max(begin, ranges[s, 0]), min(end, ranges[s, 1])):
                first, last, rise, start = _row_span(
                    row, lie, col_step, row_step, low_h * height[s], high_h * height[s]
                )
                left, right = max(first, corner[1]), min(last, corner[1] + cols)
                if left >= right:
                    continue
                # Counted from the span's own first column, never the tile's, so that rounding is
                # the same in every tile.
                entry0 = np.float32((rise * (first + 0.5) + start - low_h * height[s]) * scale)
                per_col = np.float32(rise * scale)
                line = out[row - corner[0], left - corner[1] : right - corner[1]]
                skip = left - first
                for j in range(right - left):
                    place = entry0 + per_col * np.float32(j + skip)
                    place = min(max(place, np.float32(0)), np.float32(top_entry))
                    k = min(int(place), top_entry - 1)
                    w = place - np.float32(k)
                    r = entries[k] + w * (entries[k + 1] - entries[k])
                    if r < line[j]:
                        line[j] = r
