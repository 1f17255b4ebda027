"""Means over the wind directions of a set, accumulated direction by direction."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.kernels.weighted_sums import add_weighted


class WindMean:
    """Weighted mean of a field over wind directions.

    Parameters
    ----------
    weights : (n,) array
        Weight of each direction, as `WindSet.weights` returns it; they sum to 1.
    shape : tuple of int
    """

    def __init__(self, weights: ArrayLike, shape: tuple[int, int]) -> None:
        self._weights = np.asarray(weights, float)
        self.mean: NDArray[np.float32] = np.zeros(shape, np.float32)

    def add(self, number: int, field: NDArray[Any], plus: float = 0.0) -> None:
        """Add one wind direction; cells missing in a direction with weight are missing in the mean.

        Parameters
        ----------
        number : int
            Index of the direction in `weights`.
        field : (rows, cols) float32 or bool
        plus : float
            Added to the field: 1 for the terrain wind ratio from a speed-up.
        """
        if self._weights[number] > 0:
            add_weighted(field, float(self._weights[number]), self.mean, plus=plus)
