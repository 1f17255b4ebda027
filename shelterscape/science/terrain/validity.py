"""Where the linear theory is not valid: steep ground, the lee of crests, unknown ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.kernels.lee import lee_of_crests

NOT_MODELLED = "steep ground, the lee of steep crests, or close to unknown ground"
"""Reasons why a cell is not valid, in words."""

MODELLED, LEE, STEEP_GROUND, TOO_ROUGH, NEAR_UNKNOWN = range(5)
"""Codes of the reasons; of several, the highest applies. All but the lee are the same for every
wind direction."""

REASONS = {
    MODELLED: "modelled",
    LEE: "lee of a steep crest",
    STEEP_GROUND: "steep ground",
    TOO_ROUGH: "ground too rough for the height of the wind",
    NEAR_UNKNOWN: "close to unknown ground",
}
"""Reasons in words, by code."""

MODELLED_SHARE = 0.5
"""Least share of the wind for which the theory must be valid on ground that counts as modelled
(assumed value)."""

MASK_CELL_M = 25.0
"""Size of the blocks on which validity is evaluated, so that banks and ditches have no effect
(assumed value)."""

STEEP = float(np.tan(np.radians(17.0)))
STEEP_OVER_M = 75.0
"""Slope above which ground is too steep for the theory, after Gaussian smoothing with this standard
deviation: the limit of the theory is for the slope of the hill, not of a cell (assumed value)."""

LEE_BEGINS = 0.2
LEE_ENDS = 0.175
"""A lee begins where a line that falls 1 in 5 from ground upwind passes above the ground, and ends
where a line that falls 10 degrees meets it. On a bell-shaped hill, the steepest line of sight down
from the top falls three quarters as steeply as the steepest ground, so 1 in 5 means a lee slope of
15 degrees. Assumed value, from Askervein: 10 degrees below its crest the theory is still accurate,
12 degrees below it is not."""

UNKNOWN_WITHIN_M = 500.0
UNKNOWN_SHARE = 0.25
"""A cell is not valid if more than this share of the ground around it, up to this distance along
rows and columns, is unknown: 250 m along a straight edge, more in corners (assumed value)."""


@dataclass(frozen=True)
class Blocks:
    """Ground averaged over square blocks of cells, on which validity is evaluated.

    Parameters
    ----------
    ground : (rows, cols) float32
        Mean heights of blocks, m.
    reason : (rows, cols) uint8
        `STEEP_GROUND` or `NEAR_UNKNOWN`, else `MODELLED`.
    cells : int
        Cells along the side of a block.
    block_m : float
        Side of a block, m.
    shape : tuple of int
        Rows and columns of cells.
    margin : tuple of int
        Rows and columns of blocks before those of the cells.
    """

    ground: NDArray[np.float32]
    reason: NDArray[np.uint8]
    cells: int
    block_m: float
    shape: tuple[int, int]
    margin: tuple[int, int] = (0, 0)

    @classmethod
    def of(cls, ground: NDArray[np.float32], known: NDArray[np.bool_], cell_m: float) -> Blocks:
        """Blocks of terrain with filled gaps.

        Parameters
        ----------
        ground : (rows, cols) float32
            Elevation, m; finite everywhere.
        known : (rows, cols) bool
            Where the elevation is known.
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
        margin: tuple[int, int] = (0, 0),
    ) -> Blocks:
        """Blocks from their mean heights and known shares.

        Parameters
        ----------
        means : (block rows, block cols) float32
            Mean heights, m.
        seen : (block rows, block cols) float32
            Known share of each block, 0 to 1.
        cells : int
            Cells along the side of a block.
        cell_m : float
            Side of a cell, m.
        shape : tuple of int
            Rows and columns of cells.
        margin : tuple of int
            Rows and columns of blocks before those of the cells.

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
        reason = np.where(flat, MODELLED, STEEP_GROUND).astype(np.uint8)
        reason[around < 1.0 - UNKNOWN_SHARE] = NEAR_UNKNOWN
        return cls(means, reason, cells, block_m, shape, margin)

    def reasons(self, wind: tuple[float, float]) -> NDArray[np.uint8]:
        """Why the theory is not valid on blocks for a wind direction.

        Parameters
        ----------
        wind : tuple of float
            Unit step (columns, rows) in which the wind blows.

        Returns
        -------
        uint8 array
            One of `REASONS` for each block; `MODELLED` where the theory is valid.

        References
        ----------
        Athanassiadou and Castro 2001, Boundary-Layer Meteorology 101:1-30 (status S): flow over
        hills with a maximum slope of 10 degrees stays attached; with 20 degrees it separates. The
        limits used here are assumed values between the two.
        """
        lee = lee_of_crests(self.ground, self.block_m, wind, LEE_BEGINS, LEE_ENDS)
        return np.maximum(self.reason, lee.view(np.uint8) * np.uint8(LEE))

    def on_cells(self, blocks: NDArray[np.uint8], row: int, rows: int) -> NDArray[np.uint8]:
        """Values of blocks on some rows of cells.

        Parameters
        ----------
        blocks : uint8 array
            One value for each block.
        row, rows : int
            First row of cells, and their number.

        Returns
        -------
        (rows, cols) uint8
        """
        first = row // self.cells
        down, along = self.margin
        last = -(-(row + rows) // self.cells)
        touched = blocks[down + first : down + last, along:]
        # Columns first: whole rows are then copied, which is faster than single cells.
        cells = np.repeat(np.repeat(touched, self.cells, axis=1), self.cells, axis=0)
        begin = row - first * self.cells
        return np.ascontiguousarray(cells[begin : begin + rows, : self.shape[1]])


def reasons_where(
    lost: NDArray[np.bool_], highest: NDArray[np.uint8], known: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """Why cells are not modelled, over all wind directions.

    Parameters
    ----------
    lost : (rows, cols) bool
        Cells that are not modelled for half of the wind or more.
    highest : (rows, cols) uint8
        Highest code of the reasons of all wind directions.
    known : (rows, cols) bool
        Cells with results.

    Returns
    -------
    (rows, cols) uint8
        One of `REASONS`; 255 without results. Where the theory alone failed, by reversing the wind,
        the ground is steep.
    """
    why = np.where(highest == MODELLED, STEEP_GROUND, highest)
    found = np.where(lost, why, MODELLED)
    return np.where(known, found, 255).astype(np.uint8)


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
    """Means over square blocks; blocks at the edge of the map may have fewer cells.

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
