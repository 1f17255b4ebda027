"""An evaluator that evaluates no candidate twice beside the same planted ones."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.siting.search import Evaluator

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]


class LocalEvaluator(Evaluator, Protocol):
    """An evaluator that knows which candidates can change the benefit of each other."""

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


class KnownGains:
    """Benefits by another evaluator, each kept with the planted candidates it depends on.

    The benefit of a candidate depends on the planted ones that act on the same ground, in any
    order (sums over places to rounding). A search evaluates few candidates whose surroundings
    changed, and plants and removes lines only where it evaluates.

    Parameters
    ----------
    ground : LocalEvaluator
        With nothing planted.

    Attributes
    ----------
    planted : list of int
        Planted candidates, in order; the other evaluator may hold others meanwhile.
    """

    def __init__(self, ground: LocalEvaluator) -> None:
        self._ground = ground
        self.planted: list[int] = []
        self._near: dict[int, NDArray[np.bool_]] = {}
        self._known: dict[tuple[int, bytes], float] = {}

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
        if one not in self._near:
            self._near[one] = self._ground.near(one)
        return self._near[one]

    def gains(self, which: Sequence[int] | Numbers) -> Array:
        """Benefit each of some candidates would add to the planted ones.

        Parameters
        ----------
        which : (w,) int
            Rows of candidates.

        Returns
        -------
        (w,) float64
            ha eq.
        """
        rows = np.asarray(which, dtype=np.int64)
        keys = self._keys(rows)
        unknown = np.array([key not in self._known for key in keys], dtype=bool)
        if unknown.any():
            self._prepare(rows[unknown])
            found = self._ground.gains(rows[unknown])
            new = [key for key, is_new in zip(keys, unknown, strict=True) if is_new]
            self._known.update(zip(new, found.tolist(), strict=True))
        return np.array([self._known[key] for key in keys])

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
        gain = float(self.gains([one])[0])
        self.planted.append(one)
        return gain

    def remove_last(self) -> int:
        """Remove the candidate planted last and return its row."""
        return self.planted.pop()

    def clear(self) -> None:
        """Remove all candidates, also from the other evaluator."""
        self.planted.clear()
        while self._ground.planted:
            self._ground.remove_last()

    def _keys(self, rows: Numbers) -> list[tuple[int, bytes]]:
        """Each candidate with the planted ones near it."""
        planted = np.array(sorted(self.planted), dtype=np.int64)
        if not len(planted):
            return [(int(row), b"") for row in rows]
        near = np.stack([self.near(int(one))[rows] for one in planted], axis=1)
        return [
            (int(row), planted[beside].tobytes()) for row, beside in zip(rows, near, strict=True)
        ]

    def _prepare(self, rows: Numbers) -> None:
        """Let the other evaluator hold the candidates near these rows that are planted."""
        wanted = {one for one in self.planted if self.near(one)[rows].any()}
        removed = {one for one in self._ground.planted if self.near(one)[rows].any()} - wanted
        while removed:
            removed.discard(self._ground.remove_last())
        for one in self.planted:
            if one in wanted and one not in self._ground.planted:
                self._ground.plant(one)
