"""Terrain that is read in parts, so that large maps need not be in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.science.terrain.surroundings import Surroundings

Field = NDArray[np.float32]


@dataclass(frozen=True)
class Ground:
    """A map of elevation, with its roughness.

    Parameters
    ----------
    grid : Grid
        Grid of the whole map.
    elevation : callable
        Function from a window of the grid to its elevation, (rows, cols) float32, m; NaN where
        missing.
    roughness_m : float or callable
        Roughness length z0, m: one for all ground, or a function from a window of the grid to the
        values of its cells, (rows, cols) float32.
    surroundings : Surroundings or None
        The land around the map.
    """

    grid: Grid
    elevation: Callable[[Grid], Field]
    roughness_m: float | Callable[[Grid], Field]
    surroundings: Surroundings | None = None

    def roughness_on(self, part: Grid) -> float | Field:
        """Roughness length on a window of the grid.

        Parameters
        ----------
        part : Grid
            The window.

        Returns
        -------
        float or (rows, cols) float32
            m.
        """
        return self.roughness_m(part) if callable(self.roughness_m) else self.roughness_m

    def strips(self, rows: int) -> Iterator[Grid]:
        """Windows of the grid that together cover the map, from the first row on.

        Parameters
        ----------
        rows : int
            Rows of each; the last one may have fewer.

        Yields
        ------
        Grid
        """
        height, width = self.grid.shape
        for row in range(0, height, rows):
            yield self.grid.window(row, 0, (min(rows, height - row), width))


def held(
    elevation: NDArray[np.floating], grid: Grid, roughness_m: float | NDArray[np.floating] = 0.03
) -> Ground:
    """Terrain in memory.

    Parameters
    ----------
    elevation : (rows, cols) array
        Elevation, m; NaN where missing.
    grid : Grid
        Grid of its cells.
    roughness_m : float or (rows, cols) array
        Roughness length z0, m.

    Returns
    -------
    Ground

    Raises
    ------
    ValueError
        When an array does not have the shape of the grid.
    """
    heights = np.asarray(elevation, np.float32)
    lengths = np.asarray(roughness_m, np.float32)
    for name, array in (("elevation", heights), ("roughness_m", lengths)):
        if array.shape != grid.shape and (name == "elevation" or array.ndim):
            raise ValueError(f"{name} has the shape {array.shape}, the grid {grid.shape}")

    def cut(array: Field) -> Callable[[Grid], Field]:
        """Function that returns windows of an array."""

        def piece(part: Grid) -> Field:
            """The part of the array on a window of the grid."""
            row, col = part.row0 - grid.row0, part.col0 - grid.col0
            return array[row : row + part.shape[0], col : col + part.shape[1]]

        return piece

    return Ground(grid, cut(heights), cut(lengths) if lengths.ndim else float(roughness_m))
