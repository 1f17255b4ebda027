"""Where the linear theory does not hold: steep ground, the lee of crests, unknown ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.kernels.lee import lee_of_crests

NOT_MODELLED = "steep ground, the lee of steep crests, or too near unknown ground"
"""Why a cell is not valid, in words."""

MODELLED_SHARE = 0.5
"""Share of the wind for which the theory must hold for ground to count as modelled over a wind set
(assumed value)."""

MASK_CELL_M = 25.0
"""Ground is judged on cells of about this size, so that banks and ditches do not count
(assumed value)."""

STEEP = float(np.tan(np.radians(17.0)))
STEEP_OVER_M = 75.0
"""Slope above which ground is too steep for the theory, of ground blurred by a bell of this
standard deviation: the theory's limit is the slope of the hill, not of a cell (assumed
value)."""

LEE_BEGINS = 0.2
LEE_ENDS = 0.175
"""A lee begins where a line falling 1 in 5 from ground upwind passes overhead, and ends where one
falling 10 degrees meets the ground. On a bell-shaped hill the steepest line of sight from the top
down falls three quarters as steeply as the ground at its steepest, so 1 in 5 means a lee slope
of 15 degrees. Assumed value, made on Askervein: 10 degrees below its crest the theory still
does well, 12 degrees below it fails."""

UNKNOWN_WITHIN_M = 500.0
UNKNOWN_SHARE = 0.25
"""A cell is not valid where more than this share of the ground around, to this distance along rows
and columns, is unknown: 250 m along a straight edge, more in corners (assumed value)."""


@dataclass(frozen=True)
class Blocks:
    """Ground averaged over square blocks of cells, on which validity is judged.

    Parameters
    ----------
    ground : (rows, cols) float32
        Mean heights of blocks, m.
    open : (rows, cols) bool
        Blocks neither steep nor too near unknown ground.
    cells : int
        Cells along the side of a block.
    block_m : float
        Side of a block, m.
    shape : tuple of int
        Rows and columns of cells.
    """

    ground: NDArray[np.float32]
    open: NDArray[np.bool_]
    cells: int
    block_m: float
    shape: tuple[int, int]

    @classmethod
    def of(cls, ground: NDArray[np.float32], known: NDArray[np.bool_], cell_m: float) -> Blocks:
        """Blocks of terrain whose gaps are filled.

        Parameters
        ----------
        ground : (rows, cols) float32
            Elevation, m; finite everywhere.
        known : (rows, cols) bool
            Where it was given.
        cell_m : float
            Side of a cell, m.
        """
        cells = mask_cells(cell_m)
        means, seen = averaged(ground, cells), averaged(known, cells)
        return cls.of_means(means, seen, cells, cell_m, ground.shape)

    @classmethod
    def of_means(
        cls,
        means: NDArray[np.float32],
        seen: NDArray[np.float32],
        cells: int,
        cell_m: float,
        shape: tuple[int, int],
    ) -> Blocks:
        """Blocks by their mean heights and the share of them that is known.

        Parameters
        ----------
        means : (block rows, block cols) float32
            Mean heights, m.
        seen : (block rows, block cols) float32
            Share of each block that is known, 0 to 1.
        cells : int
            Cells along the side of a block.
        cell_m : float
            Side of a cell, m.
        shape : tuple of int
            Rows and columns of cells.

        Returns
        -------
        Blocks
        """
        block_m = cells * cell_m
        blur = STEEP_OVER_M / block_m
        blurred = [ndimage.gaussian_filter1d(means, blur, axis=a) for a in (0, 1)]
        across = ndimage.gaussian_filter1d(blurred[0], blur, axis=1, order=1)
        down = ndimage.gaussian_filter1d(blurred[1], blur, axis=0, order=1)
        flat = np.hypot(down, across) <= STEEP * block_m
        window = 2 * max(1, round(UNKNOWN_WITHIN_M / block_m)) + 1
        around = ndimage.uniform_filter(seen, window, mode="constant", cval=0.0)
        return cls(means, flat & (around >= 1.0 - UNKNOWN_SHARE), cells, block_m, shape)

    def holds(self, wind: tuple[float, float]) -> NDArray[np.bool_]:
        """Blocks on which the theory holds for a wind direction.

        Parameters
        ----------
        wind : tuple of float
            Unit step (columns, rows) in which the wind blows.

        Returns
        -------
        bool array
            One value for each block.

        References
        ----------
        Athanassiadou and Castro 2001, Boundary-Layer Meteorology 101:1-30 (status S): flow over
        hills of maximum slope 10 degrees stays attached, over those of 20 degrees it separates.
        The limits used here between the two are assumed values.
        """
        return self.open & ~lee_of_crests(self.ground, self.block_m, wind, LEE_BEGINS, LEE_ENDS)

    def on_cells(self, blocks: NDArray[np.bool_], row: int, rows: int) -> NDArray[np.bool_]:
        """Values of blocks on some rows of cells.

        Parameters
        ----------
        blocks : bool array
            One value for each block.
        row, rows : int
            First row of cells, and how many.

        Returns
        -------
        (rows, cols) bool
        """
        first = row // self.cells
        touched = blocks[first : -(-(row + rows) // self.cells)]
        # Columns first: whole rows are then copied, faster than single cells.
        cells = np.repeat(np.repeat(touched, self.cells, axis=1), self.cells, axis=0)
        begin = row - first * self.cells
        return np.ascontiguousarray(cells[begin : begin + rows, : self.shape[1]])


def mask_cells(cell_m: float) -> int:
    """Cells along the side of a block.

    Parameters
    ----------
    cell_m : float
        Side of a cell, m.

    Returns
    -------
    int
    """
    return max(1, round(MASK_CELL_M / cell_m))


def averaged(values: NDArray[np.generic], cells: int) -> NDArray[np.float32]:
    """Means over square blocks; those cut by the edge of the map have fewer cells.

    Parameters
    ----------
    values : (rows, cols) array
    cells : int
        Cells along the side of a block.

    Returns
    -------
    (block rows, block cols) float32
        In the unit of `values`.
    """
    if cells == 1:
        return values.astype(np.float32)
    starts = [np.arange(0, n, cells) for n in values.shape]
    sums = np.add.reduceat(values, starts[1], axis=1, dtype=np.float32)
    sums = np.add.reduceat(sums, starts[0], axis=0, dtype=np.float32)
    sizes = [np.minimum(s + cells, n) - s for s, n in zip(starts, values.shape, strict=True)]
    return (sums / (sizes[0][:, None] * sizes[1])).astype(np.float32)
