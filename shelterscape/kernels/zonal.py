"""Sums over the cells of many areas, with the share of each cell that lies inside."""

from __future__ import annotations

import numpy as np
from numba import njit, prange


@njit(cache=True, parallel=True)
def weighted_sums(values, first, cell, share):  # type: ignore[no-untyped-def]
    """Weight and weighted sum of the known cells of each area.

    Parameters
    ----------
    values : (n,) float32
        A raster laid out row by row, NaN where missing.
    first : (m + 1,) int64
        Where the cells of each area begin.
    cell : (k,) int64
        Place of each cell in `values`.
    share : (k,) float32
        Share of the cell inside the area.

    Returns
    -------
    (m, 2) float64
        Sum of shares over known cells, and of shares times values.
    """
    sums = np.zeros((first.size - 1, 2))
    for i in prange(first.size - 1):
        weight, total = 0.0, 0.0
        for k in range(first[i], first[i + 1]):
            value = values[cell[k]]
            if value == value:  # not missing
                weight += share[k]
                total += share[k] * value
        sums[i, 0], sums[i, 1] = weight, total
    return sums
