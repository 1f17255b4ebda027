"""Terrain that is read in pieces, so that a map need not be in memory as a whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid

Field = NDArray[np.float32]


@dataclass(frozen=True)
class Ground:
    """A map of elevation, and of roughness where there is one.

    Parameters
    ----------
    grid : Grid
        Of the whole map.
    elevation : callable
        From a cut-out of the grid to its elevation, (rows, cols) float32, m; NaN where missing.
    roughness_m : float or callable
        Roughness length z0, m: one for all ground, or from a cut-out of the grid to those of its
        cells, (rows, cols) float32.
    """

    grid: Grid
    elevation: Callable[[Grid], Field]
    roughness_m: float | Callable[[Grid], Field]

    def roughness_on(self, part: Grid) -> float | Field:
        """Roughness length on a cut-out of the grid.

        Parameters
        ----------
        part : Grid
            The cut-out.

        Returns
        -------
        float or (rows, cols) float32
            m.
        """
        return self.roughness_m(part) if callable(self.roughness_m) else self.roughness_m

    def strips(self, rows: int) -> Iterator[Grid]:
        """Cut-outs of the grid that cover the map from its first row on.

        Parameters
        ----------
        rows : int
            Rows in each; the last one may have fewer.

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
    """Terrain that is in memory.

    Parameters
    ----------
    elevation : (rows, cols) array
        Elevation, m; NaN where missing.
    grid : Grid
        Where its cells are.
    roughness_m : float or (rows, cols) array
        Roughness length z0, m.

    Returns
    -------
    Ground

    Raises
    ------
    ValueError
        When the arrays are not of the shape of the grid.
    """
    heights = np.asarray(elevation, np.float32)
    lengths = np.asarray(roughness_m, np.float32)
    for name, array in (("elevation", heights), ("roughness_m", lengths)):
        if array.shape != grid.shape and (name == "elevation" or array.ndim):
            raise ValueError(f"{name} is {array.shape}, the grid {grid.shape}")

    def cut(array: Field) -> Callable[[Grid], Field]:
        """Reads pieces of an array."""

        def piece(part: Grid) -> Field:
            """The piece on a cut-out of the grid."""
            row, col = part.row0 - grid.row0, part.col0 - grid.col0
            return array[row : row + part.shape[0], col : col + part.shape[1]]

        return piece

    return Ground(grid, cut(heights), cut(lengths) if lengths.ndim else float(roughness_m))
