r"""Horizon of every cell in one direction, from samples along the line of sight.

The line advances along one axis (the major one) in whole cells; ground is interpolated linearly
between the two cells it passes on the other axis::

    minor        * ------ weight
      ^      o   |
      |   o      * ------ 1 - weight
      | x----+---+---> major, one cell a step

Samples of neighbouring cells of a row are neighbouring cells of another row. So the innermost loop
runs along a row, with eight or sixteen cells per machine instruction.

The result of a cell depends only on its own samples, with the same operations in the same order
in any window: a tile has exactly the values of the whole.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips

MISSING_GROUND = np.float32(-1e30)
"""Elevation that replaces that of a missing cell.

Ground interpolated with it, by however small a weight, is far below any real ground and is never an
obstacle. It is finite, because NaN would require a test in the innermost loop.
"""

NOTHING_SEEN = np.float32(-1e9)
"""Tangents as low as this come from missing ground; no real slope is as low."""

STRIP_ROWS = 64
BLOCK_COLUMNS = 512
"""The ground within view of a block of cells should fit the level-2 cache of a core."""

DEGREES = np.float32(180.0 / np.pi)
_A0, _A1, _A2, _A3 = (np.float32(a) for a in (0.99999934, -0.33329861, 0.19946565, -0.13908629))
_A4, _A5, _A6, _A7 = (np.float32(a) for a in (0.09642195, -0.05591230, 0.02186294, -0.00405456))


@intrinsic
def multiply_add(typing_context: Any, a: Any, b: Any, c: Any) -> Any:
    """``a * b + c`` rounded once.

    This is an explicit instruction. With a compiler flag, one loop may use it and another may not,
    and tiles would differ from the whole in the last bit.
    """

    def _code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.fma(*arguments)

    return types.float32(types.float32, types.float32, types.float32), _code


@kernel(inline="always")
def _tangent(near, far, weight, here, per_metre):  # type: ignore[no-untyped-def]
    """Tangent up to a sample between two cells.

    It uses differences, so that level ground gives 0 at any elevation.
    """
    return multiply_add(weight, far - near, near - here) * per_metre


@kernel(inline="always")
def larger(a, b):  # type: ignore[no-untyped-def]
    """The larger of two; max() handles NaN and so prevents vector instructions."""
    return a if a > b else b


class MarchSteps(NamedTuple):
    """Samples along a line of sight, one for each row or column it crosses.

    Parameters
    ----------
    near, far : (n, 2) int64
        Row and column offsets of the two cells each sample is between; the same cell twice where
        the line passes through its centre.
    weight : (n,) float32
        Weight of the far cell, 0 to 1.
    per_metre : (n,) float32
        1 divided by the distance of the sample, 1/m.
    """

    near: NDArray[np.int64]
    far: NDArray[np.int64]
    weight: NDArray[np.float32]
    per_metre: NDArray[np.float32]


def march_steps(column_step: float, row_step: float, cell_m: float, count: int) -> MarchSteps:
    """Samples along a line of sight.

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
    MarchSteps
    """
    along_columns = abs(column_step) >= abs(row_step)
    major, minor = (column_step, row_step) if along_columns else (row_step, column_step)
    stride_m = cell_m / abs(major)
    steps = np.arange(1, count + 1)
    # Rounded so that exact diagonals pass through cell centres, not slightly beside them.
    drift = np.round(steps * (minor / abs(major)), 9)
    low = np.floor(drift).astype(np.int64)
    high = np.ceil(drift).astype(np.int64)
    ahead = steps * (1 if major > 0 else -1)
    near, far = (
        np.column_stack([side, ahead] if along_columns else [ahead, side]) for side in (low, high)
    )
    weight = (drift - low).astype(np.float32)
    return MarchSteps(near, far, weight, (1.0 / (steps * stride_m)).astype(np.float32))


@kernel(nogil=True)
def _known_strip(top, bottom, elevation, out):  # type: ignore[no-untyped-def]
    for row in range(top, bottom):
        for col in range(elevation.shape[1]):
            z = elevation[row, col]
            out[row, col] = z if abs(z) < np.float32(1e29) else MISSING_GROUND


def known_ground(elevation: NDArray[np.float32], out: NDArray[np.float32]) -> None:
    """Elevation with `MISSING_GROUND` where it is NaN or infinite.

    Parameters
    ----------
    elevation, out : (rows, cols) float32
        In C order.
    """
    over_strips(_known_strip, elevation.shape[0], elevation, out)


@kernel(inline="always")
def _columns_on_map(step, shape, row, first, last):  # type: ignore[no-untyped-def]
    """First column whose sample is on the map and the one after the last; none without a row."""
    near, far = step
    row_a, row_b = row + near[0], row + far[0]
    if min(row_a, row_b) < 0 or max(row_a, row_b) >= shape[0]:
        return first, first
    return max(first, -min(near[1], far[1])), min(last, shape[1] - max(near[1], far[1]))


@kernel(inline="always")
def _single_step(ground, row, first, last, k, steps, out):  # type: ignore[no-untyped-def]
    """One step, for columns whose sample is on the map."""
    a_row, a_col = np.uint64(row + steps.near[k, 0]), np.uint64(first + steps.near[k, 1])
    b_row, b_col = np.uint64(row + steps.far[k, 0]), np.uint64(first + steps.far[k, 1])
    own_row, own_col = np.uint64(row), np.uint64(first)
    weight, per_metre = steps.weight[k], steps.per_metre[k]
    for n in range(last - first):
        # Unsigned indices spare numba the test for negative ones in the loop.
        j = np.uint64(n)
        here, best = ground[own_row, own_col + j], out[own_row, own_col + j]
        a, b = ground[a_row, a_col + j], ground[b_row, b_col + j]
        out[own_row, own_col + j] = larger(_tangent(a, b, weight, here, per_metre), best)


@kernel(inline="always")
def _four_steps(ground, row, first, last, k, steps, out):  # type: ignore[no-untyped-def]
    """Four steps at once, all on the map: the values of the cells are read and written once."""
    near, far = steps.near, steps.far
    a0, p0 = np.uint64(row + near[k, 0]), np.uint64(first + near[k, 1])
    b0, q0 = np.uint64(row + far[k, 0]), np.uint64(first + far[k, 1])
    a1, p1 = np.uint64(row + near[k + 1, 0]), np.uint64(first + near[k + 1, 1])
    b1, q1 = np.uint64(row + far[k + 1, 0]), np.uint64(first + far[k + 1, 1])
    a2, p2 = np.uint64(row + near[k + 2, 0]), np.uint64(first + near[k + 2, 1])
    b2, q2 = np.uint64(row + far[k + 2, 0]), np.uint64(first + far[k + 2, 1])
    a3, p3 = np.uint64(row + near[k + 3, 0]), np.uint64(first + near[k + 3, 1])
    b3, q3 = np.uint64(row + far[k + 3, 0]), np.uint64(first + far[k + 3, 1])
    w0, w1, w2, w3 = (
        steps.weight[k],
        steps.weight[k + 1],
        steps.weight[k + 2],
        steps.weight[k + 3],
    )
    i0, i1 = steps.per_metre[k], steps.per_metre[k + 1]
    i2, i3 = steps.per_metre[k + 2], steps.per_metre[k + 3]
    own, col = np.uint64(row), np.uint64(first)
    for n in range(last - first):
        j = np.uint64(n)
        z = ground[own, col + j]
        t0 = _tangent(ground[a0, p0 + j], ground[b0, q0 + j], w0, z, i0)
        t1 = _tangent(ground[a1, p1 + j], ground[b1, q1 + j], w1, z, i1)
        t2 = _tangent(ground[a2, p2 + j], ground[b2, q2 + j], w2, z, i2)
        t3 = _tangent(ground[a3, p3 + j], ground[b3, q3 + j], w3, z, i3)
        best = larger(larger(t0, t1), larger(t2, t3))
        out[own, col + j] = larger(best, out[own, col + j])


@kernel(nogil=True)
def _march_strip(top, bottom, ground, steps, out):  # type: ignore[no-untyped-def]
    shape = ground.shape
    count = steps.weight.size
    for first in range(0, shape[1], BLOCK_COLUMNS):
        last = min(shape[1], first + BLOCK_COLUMNS)
        for row in range(top, bottom):
            for col in range(first, last):
                out[row, col] = MISSING_GROUND
            k = 0
            while k < count:
                step = steps.near[k], steps.far[k]
                start, stop = _columns_on_map(step, shape, row, first, last)
                # If the first and the last of four steps are on the map, so are those between.
                many = k + 4 <= count and start == first and stop == last
                if many:
                    step = steps.near[k + 3], steps.far[k + 3]
                    many = _columns_on_map(step, shape, row, first, last) == (first, last)
                if many:
                    _four_steps(ground, row, first, last, k, steps, out)
                    k += 4
                else:
                    _single_step(ground, row, start, max(start, stop), k, steps, out)
                    k += 1


def march(ground: NDArray[np.float32], steps: MarchSteps, out: NDArray[np.float32]) -> None:
    """Largest tangent of the elevation angle over all samples of each cell.

    Parameters
    ----------
    ground : (rows, cols) float32
        As `known_ground` returns it; in C order.
    steps : MarchSteps
    out : (rows, cols) float32
        Filled with the tangent; below `NOTHING_SEEN` where no sample is on known ground. In C
        order.
    """
    over_strips(_march_strip, ground.shape[0], ground, steps, out, strip_rows=STRIP_ROWS)


@kernel(inline="always")
def _arctangent(t):  # type: ignore[no-untyped-def]
    """Arctangent in degrees, error below 5e-6: odd polynomial on [0, 1], else by reflection."""
    size = abs(t)
    steep = size > np.float32(1)
    x = np.float32(1) / size if steep else size
    u = x * x
    p = _A0 + u * (_A1 + u * (_A2 + u * (_A3 + u * (_A4 + u * (_A5 + u * (_A6 + u * _A7))))))
    angle = DEGREES * (x * p)
    angle = np.float32(90) - angle if steep else angle
    return -angle if t < np.float32(0) else angle


@kernel(nogil=True)
def _angles_strip(top, bottom, ground, tangent):  # type: ignore[no-untyped-def]
    for row in range(top, bottom):
        here, values = ground[row], tangent[row]
        for col in range(tangent.shape[1]):
            angle = _arctangent(values[col])
            known = (here[col] > MISSING_GROUND) & (values[col] > NOTHING_SEEN)
            values[col] = angle if known else np.float32(np.nan)


def to_angles(ground: NDArray[np.float32], tangent: NDArray[np.float32]) -> None:
    """Convert tangents to degrees in place; NaN where ground is missing or there is no sample.

    Parameters
    ----------
    ground : (rows, cols) float32
        As `known_ground` returns it; in C order.
    tangent : (rows, cols) float32
        As `march` fills it.
    """
    over_strips(_angles_strip, ground.shape[0], ground, tangent)
