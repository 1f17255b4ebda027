"""Two evaluators of the same candidates, whose benefits are added."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.siting.known_gains import LocalEvaluator
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


class TwoLocalGrounds(TwoGrounds):
    """The same of evaluators that know which candidates can change the benefit of each other.

    Parameters
    ----------
    first, second : LocalEvaluator
    """

    def __init__(self, first: LocalEvaluator, second: LocalEvaluator) -> None:
        super().__init__(first, second)
        self._near = first.near, second.near

    def near(self, one: int) -> NDArray[np.bool_]:
        """Candidates whose benefit can depend on whether another one is planted.

        Parameters
        ----------
        one : int
            Row of the other.

        Returns
        -------
        (n,) bool
        """
        found: NDArray[np.bool_] = np.logical_or(*(near(one) for near in self._near))
        return found
