r"""Horizon beyond the edge of a map, on coarse cells around it.

The line of sight is sampled once for a small square of cells, at steps of about one coarse cell,
from where it leaves the map. The sample that is highest for the lowest cell of the square, and that
for its highest cell, are then compared for each of its cells, from its own position and height::

     map  | around
    [#]-----o--------o--------o        # square of cells, o samples
          |
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.horizon import MISSING_GROUND
from shelterscape.kernels.threads import over_strips


class Beyond(NamedTuple):
    """Lines of sight that leave the map, and the coarse cells around it.

    Parameters
    ----------
    around : (rows, cols) float32
        Elevation of coarse cells, m; `MISSING_GROUND` where unknown.
    cells : int
        Map cells along the side of a coarse cell.
    row, col : int
        Coarse row and column of the first cell of the map.
    side : int
        Map cells along the side of a square with common samples.
    row0, col0 : int
        Row and column, in the whole map, of the first cell of the part that is calculated.
    map_rows, map_cols : int
        Size of the whole map, cells.
    east, south : float
        Unit step of the line of sight, columns and rows.
    stride : float
        Distance of samples, map cells.
    samples : int
        Number of samples up to the limit distance.
    cell_m : float
        Side of a map cell, m.
    """

    around: NDArray[np.float32]
    cells: int
    row: int
    col: int
    side: int
    row0: int
    col0: int
    map_rows: int
    map_cols: int
    east: float
    south: float
    stride: float
    samples: int
    cell_m: float


@kernel(inline="always")
def _to_edge(at, step, size):  # type: ignore[no-untyped-def]
    """Distance from a row (or column) to the edge of the map along a step, cells."""
    if step > 0:
        return (size - 0.5 - at) / step
    if step < 0:
        return (at + 0.5) / -step
    return 1e18


@kernel(inline="always")
def _between(around, y, x):  # type: ignore[no-untyped-def]
    """Elevation between four coarse cells; `MISSING_GROUND` off them."""
    # Rounding must not move a line along cell centres off the last row or onto missing ground.
    i, j = int(np.floor(y + 1e-6)), int(np.floor(x + 1e-6))
    v, u = np.float32(max(y - i, 0.0)), np.float32(max(x - j, 0.0))
    k, m = i + (1 if v > 1e-6 else 0), j + (1 if u > 1e-6 else 0)
    one = np.float32(1)
    above = (one - u) * around[i, j] + u * around[i, m]
    below = (one - u) * around[k, j] + u * around[k, m]
    return (one - v) * above + v * below


@kernel(inline="always")
def _first_sample(sight, row, col):  # type: ignore[no-untyped-def]
    """Number of the first sample beyond the edge of the map, from one point."""
    down = _to_edge(row, sight.south, sight.map_rows)
    # The centre of a square that extends past the edge may itself be off the map.
    edge = max(min(down, _to_edge(col, sight.east, sight.map_cols)), 0.0)
    return int(min(edge / sight.stride, 1e9)) + 1


@kernel(inline="always")
def _highest(sight, row, col, low, high, first):  # type: ignore[no-untyped-def]
    """The highest samples from one point, as height and distance, for two heights of the eye."""
    steepest_low = steepest_high = np.float32(-1e29)
    z_low = z_high = MISSING_GROUND
    t_low = t_high = 1.0
    rows, cols = sight.around.shape
    for k in range(first, sight.samples + 1):
        t = k * sight.stride
        y = (row + t * sight.south + 0.5) / sight.cells - 0.5 + sight.row
        x = (col + t * sight.east + 0.5) / sight.cells - 0.5 + sight.col
        if y < 0 or x < 0 or y > rows - 1 or x > cols - 1:
            break
        z = _between(sight.around, y, x)
        slope = (z - low) / np.float32(t)
        if slope > steepest_low:
            steepest_low, z_low, t_low = slope, z, t
        slope = (z - high) / np.float32(t)
        if slope > steepest_high:
            steepest_high, z_high, t_high = slope, z, t
    return z_low, t_low, z_high, t_high


@kernel(inline="always")
def _lowest_and_highest(ground, top, left, side):  # type: ignore[no-untyped-def]
    """Of the known cells of a square; the lowest is above the highest where there are none."""
    low, high = np.float32(1e30), np.float32(-1e30)
    for i in range(max(top, 0), min(top + side, ground.shape[0])):
        for j in range(max(left, 0), min(left + side, ground.shape[1])):
            z = ground[i, j]
            if z > MISSING_GROUND:
                low, high = min(low, z), max(high, z)
    return low, high


@kernel(nogil=True)
def _beyond_strip(first, last, ground, sight, out):  # type: ignore[no-untyped-def]
    """Squares in rows `first` to `last` − 1 of squares, counted from those of the part."""
    rows, cols = ground.shape
    side = sight.side
    for n in range(first, last):
        top = (sight.row0 // side + n) * side - sight.row0
        y = sight.row0 + top + 0.5 * (side - 1)
        for left in range(-(sight.col0 % side), cols, side):
            x = sight.col0 + left + 0.5 * (side - 1)
            sample = _first_sample(sight, y, x)
            if sample > sight.samples:  # the view ends on the map
                continue
            low, high = _lowest_and_highest(ground, top, left, side)
            if low > high:
                continue
            z_low, t_low, z_high, t_high = _highest(sight, y, x, low, high, sample)
            if z_low <= np.float32(-1e29) and z_high <= np.float32(-1e29):
                continue
            for i in range(max(top, 0), min(top + side, rows)):
                down = (sight.row0 + i - y) * sight.south
                for j in range(max(left, 0), min(left + side, cols)):
                    ahead = down + (sight.col0 + j - x) * sight.east
                    z = ground[i, j]
                    a = (z_low - z) / np.float32((t_low - ahead) * sight.cell_m)
                    b = (z_high - z) / np.float32((t_high - ahead) * sight.cell_m)
                    out[i, j] = max(out[i, j], max(a, b))


def horizon_beyond(ground: NDArray[np.float32], sight: Beyond, out: NDArray[np.float32]) -> None:
    """Raise tangents of the horizon to those of ground beyond the edge of the map.

    Parameters
    ----------
    ground : (rows, cols) float32
        As `horizon.known_ground` returns it.
    sight : Beyond
    out : (rows, cols) float32
        Tangents, as `horizon.march` fills them.
    """
    rows = ground.shape[0]
    squares = (sight.row0 + rows - 1) // sight.side - sight.row0 // sight.side + 1
    over_strips(_beyond_strip, squares, ground, sight, out, strip_rows=4)
