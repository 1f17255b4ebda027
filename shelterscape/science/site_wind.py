"""Site wind: terrain wind times relative wind, summed over wind directions."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.kernels.weighted_sums import SiteSums, add_site_wind, add_weighted
from shelterscape.science.terrain.linear_theory import TerrainWind
from shelterscape.science.terrain.validity import MODELLED_SHARE, reasons_where

Field = NDArray[np.float32]


class SiteWind:
    """Sums of terrain wind and relative wind, added up one wind direction at a time.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the map.
    cases : int
        Number of cases (season, year).
    speed_exponent : float
        Wind-speed exponent: 1 wind run, 2 force, 3 erosion.

    Notes
    -----
    For each wind direction, f⟨U^p⟩ is its weight, T the terrain wind ratio and r the relative
    wind::

        site wind ratio  [Σ f⟨U^p⟩ (T r)^p / Σ f⟨U^p⟩]^(1/p)
        relative wind    [Σ f⟨U^p⟩ (T r)^p / Σ f⟨U^p⟩ T^p]^(1/p)

    On level ground the relative wind is therefore that of the belts alone. On other ground a
    direction from which terrain shelters a cell has little weight there. An instance holds three
    sums and a reason for each case and cell (`work_bytes`).
    """

    def __init__(self, shape: tuple[int, int], cases: int, speed_exponent: float) -> None:
        self._exponent = np.float32(speed_exponent)
        self._with_belts = np.zeros((cases, *shape), np.float32)
        self._without = np.zeros((cases, *shape), np.float32)
        self._modelled = np.zeros((cases, *shape), np.float32)
        self._reason = np.zeros((cases, *shape), np.uint8)

    def add(self, weights: list[float], terrain: TerrainWind, field: Field) -> None:
        """Add one wind direction.

        Parameters
        ----------
        weights : list of float
            Its weight in each case; the weights of a case sum to 1.
        terrain : TerrainWind
            Terrain wind from that direction.
        field : (cases, rows, cols) float32
            Relative wind.
        """
        for case, weight in enumerate(weights):
            if weight > 0:
                if terrain.reason is not None:
                    np.maximum(self._reason[case], terrain.reason, out=self._reason[case])
                sums = SiteSums(self._with_belts[case], self._without[case], self._modelled[case])
                if self._exponent == 1:
                    add_site_wind(terrain.speed_up, terrain.valid, field[case], weight, sums)
                else:
                    ratio = 1 + terrain.speed_up
                    add_weighted(ratio**self._exponent, weight, sums.without)
                    add_weighted((ratio * field[case]) ** self._exponent, weight, sums.with_belts)
                    add_weighted(terrain.valid, weight, sums.modelled)

    def site_wind_ratio(self, case: int) -> Field:
        """Site wind ratio: site wind divided by the wind over flat, open terrain.

        Parameters
        ----------
        case : int
            Number of the case.

        Returns
        -------
        (rows, cols) float32
            NaN where the elevation is missing.
        """
        return self._root(self._with_belts[case])

    def relative_wind(self, case: int) -> Field:
        """Mean relative wind, each direction weighted by the terrain wind at the cell.

        Parameters
        ----------
        case : int
            Number of the case.

        Returns
        -------
        (rows, cols) float32
            NaN where the elevation is missing.
        """
        without = self._without[case]
        out = np.ones_like(without)
        share = np.divide(self._with_belts[case], without, out=out, where=without != 0)
        return self._root(share)

    def not_modelled(self, case: int) -> NDArray[np.bool_]:
        """Cells on which the theory of terrain wind is not valid for half of the wind or more.

        Parameters
        ----------
        case : int
            Number of the case.

        Returns
        -------
        (rows, cols) bool
        """
        known = np.isfinite(self._without[case])
        return known & (self._modelled[case] < MODELLED_SHARE)

    def reasons(self, case: int) -> NDArray[np.uint8]:
        """Why terrain wind is not modelled for half of the wind or more.

        Parameters
        ----------
        case : int
            Number of the case.

        Returns
        -------
        (rows, cols) uint8
            One of `validity.REASONS`; 255 where the elevation is missing.
        """
        known = np.isfinite(self._without[case])
        return reasons_where(self.not_modelled(case), self._reason[case], known)

    def _root(self, field: Field) -> Field:
        return field if self._exponent == 1 else field ** (1 / self._exponent)


def work_bytes(grid: Grid, cases: int, speed_exponent: float = 1.0) -> float:
    """Memory that a `SiteWind` holds, plus what adding a direction takes, bytes.

    Parameters
    ----------
    grid : Grid
        Of the map.
    cases : int
        Number of cases.
    speed_exponent : float
        Wind-speed exponent.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    Single precision: three sums for each case; and a reason of one byte. With an exponent of 1 a
    direction is added without temporary arrays. Otherwise there are four: the terrain wind ratio,
    its product with relative wind, that raised to the exponent, and one in reserve.
    """
    work = 0 if speed_exponent == 1 else 4
    return (13.0 * cases + 4.0 * work) * float(np.prod(grid.shape))


def where_modelled(
    winds: Iterable[TerrainWind], count: int, shape: tuple[int, int]
) -> tuple[Field, Field]:
    """Terrain wind ratio; 1, as over flat terrain, where the theory is not valid.

    Parameters
    ----------
    winds : iterable of TerrainWind
        One for each of `count` wind directions.
    count : int
        Number of wind directions.
    shape : tuple of int
        Rows and columns.

    Returns
    -------
    ratio : (count, rows, cols) float32
    not_modelled : (rows, cols) float32
        Share of the wind directions for which it is not valid.

    Raises
    ------
    ValueError
        When there are not `count` directions.
    """
    ratio = np.ones((count, *shape), np.float32)
    not_modelled = np.zeros(shape, np.float32)
    for layer, terrain in zip(ratio, winds, strict=True):
        layer[terrain.valid] += terrain.speed_up[terrain.valid]
        not_modelled += ~terrain.valid
    return ratio, not_modelled / np.float32(count)
