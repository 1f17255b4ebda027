"""Ground in the lee of steep crests, by one walk down the wind along each line of cells."""

from __future__ import annotations

import numpy as np
from numba import prange
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel


def lee_of_crests(
    ground: NDArray[np.float32],
    cell_m: float,
    downwind: tuple[float, float],
    begins: float,
    ends: float,
) -> NDArray[np.bool_]:
    r"""Cells hidden from the wind behind crests with a steep lee.

    A line falling at `begins` from any ground upwind must pass over a cell for a lee to begin
    there; the lee goes on until a flatter line, falling at `ends`, meets the ground::

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
    One line passes each cell within half of it; ground under a line is interpolated, for stepping
    from cell to cell would make slopes met aslant look steeper than they are.
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
    falls = np.array([begins * step_m, ends * step_m], np.float32)
    _walk(np.ascontiguousarray(ground), drift, falls, found)
    if major < 0:
        found = found[::-1]
    return np.ascontiguousarray(found.T if across else found)


@kernel(parallel=True)
def _walk(ground, drift, falls, found):  # type: ignore[no-untyped-def]
    """Walk down the rows along every line, `drift` columns aside by each row."""
    rows, cols = ground.shape
    nearest = np.floor(drift + 0.5).astype(np.int64)
    first = -max(nearest[rows - 1], 0)
    last = cols - min(nearest[rows - 1], 0)
    for line in prange(first, last):
        steep = flat = np.float32(-1e9)
        hidden = False
        for row in range(rows):
            col = line + nearest[row]
            if 0 <= col < cols:
                off = drift[row] - nearest[row]
                beside = min(max(col + (1 if off > 0 else -1), 0), cols - 1)
                share = np.float32(abs(off))
                here = (np.float32(1) - share) * ground[row, col] + share * ground[row, beside]
                steep -= falls[0]
                flat -= falls[1]
                hidden = steep > here or (hidden and flat > here)
                found[row, col] = hidden
                steep = max(steep, here)
                flat = max(flat, here)
