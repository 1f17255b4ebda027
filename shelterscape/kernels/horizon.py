r"""Horizon of every cell in one direction, by marching along the line of sight.

The line crosses one axis (the major one) in whole cells; between the two cells it passes on the
other axis, ground is interpolated linearly::

    minor        * ------ weight
      ^      o   |
      |   o      * ------ 1 - weight
      | x----+---+---> major, one cell a step

Neighbouring cells of a row take their samples from neighbouring cells of another row. So the
innermost loop runs along a row, eight or sixteen cells to a machine instruction.

Every cell's answer depends on its own samples alone, by the same operations in the same order
wherever the map was cut: a tile gives the very bits of the whole.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import parallel_chunksize, prange, types
from numba.extending import intrinsic
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel

MISSING_GROUND = np.float32(-1e30)
"""Elevation that stands in for a missing cell.

So low that ground interpolated with it, by however small a weight, stays far below any real ground
and is never an obstacle; yet finite, since a NaN would need a test in the innermost loop.
"""

NOTHING_SEEN = np.float32(-1e9)
"""Tangents as low as this come from missing ground; no real slope comes near."""

ROWS_PER_TASK = 64
COLUMNS_PER_TASK = 512
"""A task's ground, its own rows and those it looks at, should stay in a core's second cache."""

DEGREES = np.float32(180.0 / np.pi)
_A0, _A1, _A2, _A3 = (np.float32(a) for a in (0.99999934, -0.33329861, 0.19946565, -0.13908629))
_A4, _A5, _A6, _A7 = (np.float32(a) for a in (0.09642195, -0.05591230, 0.02186294, -0.00405456))


@intrinsic
def multiply_add(typing_context: Any, a: Any, b: Any, c: Any) -> Any:
    """``a * b + c`` rounded once.

    Asked for by name instead of allowed by a compiler flag: a flag may be used in one loop and not
    in its twin, and then tiles differ from the whole in the last bit.
    """

    def _code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.fma(*arguments)

    return types.float32(types.float32, types.float32, types.float32), _code


@kernel(inline="always")
def _tangent(near, far, weight, here, per_metre):  # type: ignore[no-untyped-def]
    """Tangent up to a sample between two cells.

    By differences, so that level ground gives nought whatever its elevation.
    """
    return multiply_add(weight, far - near, near - here) * per_metre


@kernel(inline="always")
def larger(a, b):  # type: ignore[no-untyped-def]
    """The larger of two; not max(), whose care for NaN keeps a loop from many cells at a time."""
    return a if a > b else b


def march_steps(
    column_step: float, row_step: float, cell_m: float, count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]:
    """Samples along a line of sight, one for each row or column it crosses.

    Parameters
    ----------
    column_step, row_step : float
        Unit step along the line, columns and rows.
    cell_m : float
        Side of a cell, m.
    count : int
        Number of samples.

    Returns
    -------
    near, far : (n, 2) int64
        Row and column offsets of the two cells each sample lies between; the same cell twice where
        the line meets its centre.
    weight : (n,) float32
        Weight of the far one.
    per_metre : (n,) float32
        One over the distance of the sample, 1/m.
    """
    along_columns = abs(column_step) >= abs(row_step)
    major, minor = (column_step, row_step) if along_columns else (row_step, column_step)
    stride_m = cell_m / abs(major)
    steps = np.arange(1, count + 1)
    # Rounded so that exact diagonals land on cells and not a hair beside them.
    drift = np.round(steps * (minor / abs(major)), 9)
    low = np.floor(drift).astype(np.int64)
    high = np.ceil(drift).astype(np.int64)
    ahead = steps * (1 if major > 0 else -1)
    near, far = (
        np.column_stack([side, ahead] if along_columns else [ahead, side]) for side in (low, high)
    )
    return near, far, (drift - low).astype(np.float32), (1.0 / (steps * stride_m)).astype("f4")


@kernel(parallel=True)
def known_ground(elevation, out):  # type: ignore[no-untyped-def]
    """Elevation as float32 with `MISSING_GROUND` where it is NaN or infinite."""
    for row in prange(elevation.shape[0]):
        source, filled = elevation[row], out[row]
        for col in range(elevation.shape[1]):
            z = np.float32(source[col])
            filled[col] = z if abs(z) < np.float32(1e29) else MISSING_GROUND


@kernel(inline="always")
def _single_step(ground, row, first, last, near, far, weight, per_metre, best):  # type: ignore[no-untyped-def]
    """One step for the columns from `first` to `last` whose sample lies on the map."""
    rows, cols = ground.shape
    row_a, row_b = row + near[0], row + far[0]
    if min(row_a, row_b) < 0 or max(row_a, row_b) >= rows:
        return
    start = max(first, -min(near[1], far[1]))
    count = min(last, cols - max(near[1], far[1])) - start
    if count <= 0:
        return
    a = ground[row_a, start + near[1] : start + near[1] + count]
    b = ground[row_b, start + far[1] : start + far[1] + count]
    here, found = ground[row, start : start + count], best[start - first : start - first + count]
    for j in range(count):
        found[j] = larger(_tangent(a[j], b[j], weight, here[j], per_metre), found[j])


@kernel(inline="always")
def _four_steps(ground, row, first, last, k, near, far, weight, per_metre, best):  # type: ignore[no-untyped-def]
    """Four steps at once, all on the map: the cells' own values are read and written once."""
    n = last - first
    a0 = ground[row + near[k, 0], first + near[k, 1] : first + near[k, 1] + n]
    b0 = ground[row + far[k, 0], first + far[k, 1] : first + far[k, 1] + n]
    a1 = ground[row + near[k + 1, 0], first + near[k + 1, 1] : first + near[k + 1, 1] + n]
    b1 = ground[row + far[k + 1, 0], first + far[k + 1, 1] : first + far[k + 1, 1] + n]
    a2 = ground[row + near[k + 2, 0], first + near[k + 2, 1] : first + near[k + 2, 1] + n]
    b2 = ground[row + far[k + 2, 0], first + far[k + 2, 1] : first + far[k + 2, 1] + n]
    a3 = ground[row + near[k + 3, 0], first + near[k + 3, 1] : first + near[k + 3, 1] + n]
    b3 = ground[row + far[k + 3, 0], first + far[k + 3, 1] : first + far[k + 3, 1] + n]
    w0, w1, w2, w3 = weight[k], weight[k + 1], weight[k + 2], weight[k + 3]
    i0, i1, i2, i3 = per_metre[k], per_metre[k + 1], per_metre[k + 2], per_metre[k + 3]
    here = ground[row, first:last]
    for j in range(n):
        z = here[j]
        nearer = larger(_tangent(a0[j], b0[j], w0, z, i0), _tangent(a1[j], b1[j], w1, z, i1))
        farther = larger(_tangent(a2[j], b2[j], w2, z, i2), _tangent(a3[j], b3[j], w3, z, i3))
        best[j] = larger(larger(nearer, farther), best[j])


@kernel(inline="always")
def _all_on_map(shape, row, first, last, k, near, far):  # type: ignore[no-untyped-def]
    """Whether steps k to k+3 stay on the map; they lie between the first and the last of them."""
    for step in (k, k + 3):
        low_row = row + min(near[step, 0], far[step, 0])
        high_row = row + max(near[step, 0], far[step, 0])
        low_col = first + min(near[step, 1], far[step, 1])
        high_col = last + max(near[step, 1], far[step, 1])
        if low_row < 0 or high_row >= shape[0] or low_col < 0 or high_col > shape[1]:
            return False
    return True


@kernel(parallel=True)
def _march(ground, near, far, weight, per_metre, out):  # type: ignore[no-untyped-def]
    rows, cols = ground.shape
    strips = (cols + COLUMNS_PER_TASK - 1) // COLUMNS_PER_TASK
    bands = (rows + ROWS_PER_TASK - 1) // ROWS_PER_TASK
    for task in prange(bands * strips):
        first = task % strips * COLUMNS_PER_TASK
        last = min(cols, first + COLUMNS_PER_TASK)
        top = task // strips * ROWS_PER_TASK
        for row in range(top, min(rows, top + ROWS_PER_TASK)):
            best = out[row, first:last]
            best[:] = MISSING_GROUND
            k = 0
            while k < weight.size:
                if k + 4 <= weight.size and _all_on_map(
                    ground.shape, row, first, last, k, near, far
                ):
                    _four_steps(ground, row, first, last, k, near, far, weight, per_metre, best)
                    k += 4
                else:
                    _single_step(
                        ground, row, first, last, near[k], far[k], weight[k], per_metre[k], best
                    )
                    k += 1


def march(ground, near, far, weight, per_metre, out):  # type: ignore[no-untyped-def]
    """Largest tangent of the elevation angle over all samples of each cell.

    Parameters
    ----------
    ground : (rows, cols) float32
        As `known_ground` gives it.
    near, far, weight, per_metre
        As `march_steps` gives them.
    out : (rows, cols) float32
        Filled with the tangent; below `NOTHING_SEEN` where no sample lies on known ground.
    """
    # Small shares, handed out as threads come free: steps near an edge of the map cost less.
    with parallel_chunksize(4):
        _march(ground, near, far, weight, per_metre, out)


@kernel(inline="always")
def _arctangent(t):  # type: ignore[no-untyped-def]
    """Degrees, within 5e-6; odd polynomial of least error on [0, 1], the rest by reflection."""
    size = abs(t)
    steep = size > np.float32(1)
    x = np.float32(1) / size if steep else size
    u = x * x
    p = _A0 + u * (_A1 + u * (_A2 + u * (_A3 + u * (_A4 + u * (_A5 + u * (_A6 + u * _A7))))))
    angle = DEGREES * (x * p)
    angle = np.float32(90) - angle if steep else angle
    return -angle if t < np.float32(0) else angle


@kernel(parallel=True)
def to_angles(ground, tangent):  # type: ignore[no-untyped-def]
    """Turn tangents into degrees in place; NaN where ground is missing or nothing was seen."""
    for row in prange(tangent.shape[0]):
        here, values = ground[row], tangent[row]
        for col in range(tangent.shape[1]):
            angle = _arctangent(values[col])
            known = (here[col] > MISSING_GROUND) & (values[col] > NOTHING_SEEN)
            values[col] = angle if known else np.float32(np.nan)
