"""Ground in the lee of steep crests, found by following each line of cells downwind."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips


def lee_of_crests(
    ground: NDArray[np.float32],
    cell_m: float,
    downwind: tuple[float, float],
    begins: float,
    ends: float,
) -> NDArray[np.bool_]:
    r"""Cells hidden from the wind behind crests with a steep lee.

    A lee begins at a cell below a line that falls at slope `begins` from any ground upwind. It ends
    where a flatter line, falling at slope `ends`, meets the ground::

        wind ->    _.-^-._ . .               begins: the first line clears the slope
               _.-'       \    ` . .  ends
        ______/            \_______` ______

    Parameters
    ----------
    ground : (rows, cols) float32
        Finite everywhere.
    cell_m : float
        Side of a cell, m.
    downwind : tuple of float
        Unit step (columns, rows) in which the wind blows.
    begins, ends : float
        Slopes of the two lines, metre per metre.

    Returns
    -------
    (rows, cols) bool

    Notes
    -----
    One line passes within half a cell of each cell centre. Ground under a line is interpolated,
    because steps from cell to cell would make oblique slopes too steep.
    """
    major, minor = downwind[1], downwind[0]
    across = abs(minor) > abs(major)
    if across:
        ground, major, minor = ground.T, minor, major
    if major < 0:
        ground = ground[::-1]
    drift = np.round(np.arange(ground.shape[0]) * (minor / abs(major)), 9)
    step_m = cell_m / abs(major)
    found = np.zeros(ground.shape, np.bool_)
    nearest = np.floor(drift + 0.5).astype(np.int64)
    walk = Walk(
        -max(int(nearest[-1]), 0),
        nearest,
        drift - nearest,
        np.float32(begins * step_m),
        np.float32(ends * step_m),
    )
    lines = ground.shape[1] - min(int(nearest[-1]), 0) - walk.first
    over_strips(_walk_lines, lines, walk, np.ascontiguousarray(ground), found)
    if major < 0:
        found = found[::-1]
    return np.ascontiguousarray(found.T if across else found)


class Walk(NamedTuple):
    """Lines down the rows of a rotated map.

    ``first`` is the number of the first line, its column in row 0. ``nearest`` and ``off`` are the
    lateral shift of lines at each row, in whole columns and the remainder. ``begins`` and ``ends``
    are the fall of the two lines for each row, m.
    """

    first: int
    nearest: NDArray[np.int64]
    off: NDArray[np.float64]
    begins: np.float32
    ends: np.float32


@kernel(nogil=True)
def _walk_lines(start, stop, walk, ground, found):  # type: ignore[no-untyped-def]
    """Follow lines `start` to `stop` down the rows, counted from the first line."""
    rows, cols = ground.shape
    for line in range(walk.first + start, walk.first + stop):
        steep = flat = np.float32(-1e9)
        hidden = False
        for row in range(rows):
            col = line + walk.nearest[row]
            if 0 <= col < cols:
                off = walk.off[row]
                beside = min(max(col + (1 if off > 0 else -1), 0), cols - 1)
                share = np.float32(abs(off))
                here = (np.float32(1) - share) * ground[row, col] + share * ground[row, beside]
                steep -= walk.begins
                flat -= walk.ends
                hidden = steep > here or (hidden and flat > here)
                found[row, col] = hidden
                steep = max(steep, here)
                flat = max(flat, here)
