"""Means over the winds of a set, gathered one wind at a time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


class WindMean:
    """Mean of a field over winds, each counting by its weight.

    Parameters
    ----------
    weights : (n,) array
        How much each wind counts, as `WindSet.weights` gives them; they sum to 1.
    shape : tuple of int
    """

    def __init__(self, weights: ArrayLike, shape: tuple[int, int]) -> None:
        self._weights = np.asarray(weights, float)
        self.mean: NDArray[np.float32] = np.zeros(shape, np.float32)

    def add(self, number: int, field: NDArray[Any]) -> None:
        """Count one wind; what it is missing in, the mean is missing in, if it counts at all."""
        if self._weights[number] > 0:
            self.mean += np.float32(self._weights[number]) * field
