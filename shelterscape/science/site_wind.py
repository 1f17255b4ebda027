"""Site wind: what hills leave of the wind, and belts of that, wind by wind."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.terrain.open_wind import OpenWind
from shelterscape.science.terrain.validity import MODELLED_SHARE

Field = NDArray[np.float32]


class SiteWind:
    """Gathers wind over hills and behind belts, one wind at a time.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the map.
    cases : int
        States of the belts.
    power : float
        Power by which winds count: 1 wind run, 2 force, 3 erosion.

    Notes
    -----
    With f⟨U^p⟩ the weight of a wind, T what hills make of it and r what belts leave of it::

        site wind        [Σ f⟨U^p⟩ (T r)^p / Σ f⟨U^p⟩]^(1/p)
        relative wind    [Σ f⟨U^p⟩ (T r)^p / Σ f⟨U^p⟩ T^p]^(1/p)

    so that on level ground the latter is the mean that belts alone give, and a wind that hills
    hold off a place counts for little there.
    """

    def __init__(self, shape: tuple[int, int], cases: int, power: float) -> None:
        self._power = np.float32(power)
        self._with_belts = np.zeros((cases, *shape), np.float32)
        self._without = np.zeros((cases, *shape), np.float32)
        self._modelled = np.zeros((cases, *shape), np.float32)

    def add(self, weights: list[float], hills: OpenWind, field: Field) -> None:
        """Take one wind: its weight in each case, what hills make of it, and what belts leave.

        Parameters
        ----------
        weights : list of float
            They sum to 1 over the winds of a case.
        hills : OpenWind
        field : (cases, rows, cols) float32
            Relative wind.
        """
        over = 1 + hills.speed_up
        for case, weight in enumerate(weights):
            if weight > 0:
                share = np.float32(weight)
                self._without[case] += share * self._to_power(over)
                self._with_belts[case] += share * self._to_power(over * field[case])
                self._modelled[case] += share * hills.valid

    def site(self, case: int) -> Field:
        """Wind with hills and belts over that over the open plain; NaN where ground is missing."""
        return self._root(self._with_belts[case])

    def relative(self, case: int) -> Field:
        """Relative wind, each wind counting by what hills make of it here."""
        without = self._without[case]
        out = np.ones_like(without)
        share = np.divide(self._with_belts[case], without, out=out, where=without != 0)
        return self._root(share)

    def not_modelled(self, case: int) -> NDArray[np.bool_]:
        """Ground on which the theory of hills fails for half of the wind or more."""
        known = np.isfinite(self._without[case])
        return known & (self._modelled[case] < MODELLED_SHARE)

    def _to_power(self, field: Field) -> Field:
        return field if self._power == 1 else field**self._power

    def _root(self, field: Field) -> Field:
        return field if self._power == 1 else field ** (1 / self._power)


def where_modelled(
    hills: Iterable[OpenWind], count: int, shape: tuple[int, int]
) -> tuple[Field, Field]:
    """Wind over hills relative to the plain, and 1 as on the plain where the theory fails.

    Parameters
    ----------
    hills : iterable of OpenWind
        One for each of `count` winds.
    count : int
    shape : tuple of int

    Returns
    -------
    relative : (count, rows, cols) float32
    lost : (rows, cols) float32
        Share of the winds for which it fails.
    """
    relative = np.ones((count, *shape), np.float32)
    lost = np.zeros(shape, np.float32)
    for layer, over in zip(relative, hills, strict=True):
        layer[over.valid] += over.speed_up[over.valid]
        lost += ~over.valid
    return relative, lost / np.float32(count)
