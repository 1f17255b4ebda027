"""Two evaluators of the same candidates, whose benefits are added."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.siting.search import Evaluator

Array = NDArray[np.float64]


class TwoGrounds:
    """Two evaluators of the same candidates; benefits are added.

    Parameters
    ----------
    first, second : Evaluator

    Attributes
    ----------
    planted : list of int
        Planted candidates, in order.
    """

    def __init__(self, first: Evaluator, second: Evaluator) -> None:
        self._first, self._second, self.planted = first, second, first.planted

    def gains(self, which: NDArray[np.int64]) -> Array:
        """Benefit each would add.

        Parameters
        ----------
        which : (w,) int64
            Rows of candidates.

        Returns
        -------
        (w,) float64
            ha eq.
        """
        return self._first.gains(which) + self._second.gains(which)

    def plant(self, one: int) -> float:
        """Plant a candidate.

        Parameters
        ----------
        one : int
            Row of the candidate.

        Returns
        -------
        float
            Benefit it adds, ha eq.
        """
        return self._first.plant(one) + self._second.plant(one)

    def remove_last(self) -> int:
        """Remove the candidate planted last and return its row."""
        self._second.remove_last()
        return self._first.remove_last()
