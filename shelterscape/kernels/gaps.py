"""Fill gaps in a map smoothly, without effect on the ground around them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

SMOOTHINGS = 6
"""Iterations of averaging over neighbours at each cell size."""


def filled(values: NDArray[np.floating], known: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The map with its gaps filled by a smooth surface through their edges.

    Coarse cells, averages of known values, fill gaps first; each finer cell size then smooths
    within the gaps only. Far from known ground the surface has the mean of its surroundings.

    Parameters
    ----------
    values : (rows, cols) array
        Arbitrary where unknown.
    known : (rows, cols) bool
        Where `values` is valid; if nowhere, the result is zero.
    """
    out = np.where(known, values, 0).astype(np.float32)
    if known.all() or not known.any():
        return out
    rows, cols = (n + n % 2 for n in known.shape)
    pad = [(0, rows - known.shape[0]), (0, cols - known.shape[1])]
    fours = (rows // 2, 2, cols // 2, 2)
    count = np.pad(known, pad).reshape(fours).sum(axis=(1, 3))
    total = np.pad(out, pad).reshape(fours).sum(axis=(1, 3))
    coarse = filled(total / np.maximum(count, 1), count > 0)
    guess = np.repeat(np.repeat(coarse, 2, axis=0), 2, axis=1)
    gaps = ~known
    out[gaps] = guess[: out.shape[0], : out.shape[1]][gaps]
    for _ in range(SMOOTHINGS):
        out[gaps] = ndimage.uniform_filter(out, 3, mode="nearest")[gaps]
    return out
