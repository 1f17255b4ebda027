"""Site wind: terrain wind times relative wind, summed over wind directions."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.kernels.weighted_sums import SiteSums, add_site_wind, add_weighted
from shelterscape.science.terrain.linear_theory import TerrainWind
from shelterscape.science.terrain.validity import MODELLED_SHARE

Field = NDArray[np.float32]


class SiteWind:
    """Gathers terrain wind and relative wind, one wind direction at a time.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the map.
    cases : int
        Number of cases (season, year).
    power : float
        Wind-speed exponent: 1 wind run, 2 force, 3 erosion.

    Notes
    -----
    With f⟨U^p⟩ the weight of a wind direction, T its terrain wind ratio and r its relative wind::

        site wind        [Σ f⟨U^p⟩ (T r)^p / Σ f⟨U^p⟩]^(1/p)
        relative wind    [Σ f⟨U^p⟩ (T r)^p / Σ f⟨U^p⟩ T^p]^(1/p)

    so that on level ground the latter is the mean of the belts alone, and a direction from which
    terrain shelters a cell counts for little there. It holds three arrays of the map for each case
    (`work_bytes`).
    """

    def __init__(self, shape: tuple[int, int], cases: int, power: float) -> None:
        self._power = np.float32(power)
        self._with_belts = np.zeros((cases, *shape), np.float32)
        self._without = np.zeros((cases, *shape), np.float32)
        self._modelled = np.zeros((cases, *shape), np.float32)

    def add(self, weights: list[float], hills: TerrainWind, field: Field) -> None:
        """Add one wind direction.

        Parameters
        ----------
        weights : list of float
            Its weight in each case; they sum to 1 over the directions of a case.
        hills : TerrainWind
            Terrain wind from that direction.
        field : (cases, rows, cols) float32
            Relative wind.
        """
        for case, weight in enumerate(weights):
            if weight > 0:
                sums = SiteSums(self._with_belts[case], self._without[case], self._modelled[case])
                if self._power == 1:
                    add_site_wind(hills.speed_up, hills.valid, field[case], weight, sums)
                else:
                    over = 1 + hills.speed_up
                    add_weighted(over**self._power, weight, sums.without)
                    add_weighted((over * field[case]) ** self._power, weight, sums.with_belts)
                    add_weighted(hills.valid, weight, sums.modelled)

    def site(self, case: int) -> Field:
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

    def relative(self, case: int) -> Field:
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
        """Cells on which the theory of terrain wind fails for half of the wind or more.

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

    def _root(self, field: Field) -> Field:
        return field if self._power == 1 else field ** (1 / self._power)


def work_bytes(grid: Grid, cases: int, power: float = 1.0) -> float:
    """Memory that a `SiteWind` holds and takes while it adds a direction, bytes.

    Parameters
    ----------
    grid : Grid
        Of the map.
    cases : int
        Number of cases.
    power : float
        Wind-speed exponent.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    Single precision throughout: three sums for each case. With a power of 1 a direction is added
    without arrays in between; otherwise there are the terrain wind ratio, its product with the
    relative wind, and the same raised to the power; one array more covers what is held meanwhile.
    """
    work = 0 if power == 1 else 4
    return 4.0 * (3 * cases + work) * float(np.prod(grid.shape))


def where_modelled(
    hills: Iterable[TerrainWind], count: int, shape: tuple[int, int]
) -> tuple[Field, Field]:
    """Terrain wind ratio, and 1 as over flat terrain where the theory fails.

    Parameters
    ----------
    hills : iterable of TerrainWind
        One for each of `count` wind directions.
    count : int
        Number of wind directions.
    shape : tuple of int
        Rows and columns.

    Returns
    -------
    relative : (count, rows, cols) float32
    lost : (rows, cols) float32
        Share of the wind directions for which it fails.

    Raises
    ------
    ValueError
        When there are not `count` directions.
    """
    relative = np.ones((count, *shape), np.float32)
    lost = np.zeros(shape, np.float32)
    for layer, over in zip(relative, hills, strict=True):
        layer[over.valid] += over.speed_up[over.valid]
        lost += ~over.valid
    return relative, lost / np.float32(count)
