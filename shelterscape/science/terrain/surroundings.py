"""The land around a map, on coarse blocks, as views and terrain wind see it."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from shelterscape.grid import Grid, toward
from shelterscape.kernels.enlarge import Surface
from shelterscape.kernels.gaps import filled
from shelterscape.kernels.horizon import MISSING_GROUND
from shelterscape.kernels.horizon_beyond import Beyond
from shelterscape.science.terrain.validity import mask_cells

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

WIDTH_M = 5000.0
"""Least width of the land around a map that is read, m: twice the length of the waves that the
calculation of terrain wind treats as long (assumed value)."""

BLOCKS_TOGETHER = 12
"""The width of the land around a map is a multiple of this many blocks, so that coarse cells of 2,
3 or 4 blocks begin at the first cell of the map."""


@dataclass(frozen=True, eq=False)
class Surroundings:
    """A map and the land around it, on blocks of about 25 m.

    Parameters
    ----------
    heights : (rows, cols) float32
        Elevation of blocks, m; NaN where unknown.
    cells : int
        Cells of the map along the side of a block.
    margin : tuple of int
        Rows and columns of blocks before those of the map; multiples of `BLOCKS_TOGETHER`.
    whole : Grid
        Grid of the whole map.
    """

    heights: Field
    cells: int
    margin: tuple[int, int]
    whole: Grid

    @functools.cached_property
    def known(self) -> Mask:
        """Blocks with known elevation."""
        return np.isfinite(self.heights)

    @functools.cached_property
    def ground(self) -> Field:
        """Elevation of all blocks, with gaps filled smoothly."""
        return filled(np.nan_to_num(self.heights), self.known)

    @functools.cached_property
    def surface(self) -> Surface:
        """A smooth surface through the blocks."""
        return Surface.through(self.ground, self.cells)

    @functools.cached_property
    def _seen(self) -> Field:
        return np.where(self.known, self.heights, MISSING_GROUND)

    @property
    def margin_cells(self) -> tuple[int, int]:
        """Rows and columns of cells of the map from the first block to the first cell."""
        return self.margin[0] * self.cells, self.margin[1] * self.cells

    def on(self, part: Grid) -> Field:
        """Elevation on a window of the map.

        Parameters
        ----------
        part : Grid

        Returns
        -------
        (rows, cols) float32
            m; NaN where unknown.
        """
        down, along = self.margin_cells
        at = part.row0 + down, part.col0 + along
        heights = self.surface.on(*at, part.shape)
        heights[~self.knows(part, (0.0, 0.0))] = np.nan
        return heights

    def knows(self, part: Grid, away_m: tuple[float, float]) -> Mask:
        """Whether the elevation is known at some distance from each cell.

        Parameters
        ----------
        part : Grid
            Window of the map.
        away_m : tuple of float
            Distance to the east and to the south, m.

        Returns
        -------
        (rows, cols) bool
        """
        places = []
        down, along = self.margin_cells
        firsts = part.row0 + down, part.col0 + along
        for n, first, metres, size in zip(
            part.shape, firsts, away_m[::-1], self.known.shape, strict=True
        ):
            cell = first + np.arange(n) + round(metres / part.cell_m)
            places.append(np.clip(cell // self.cells, -1, size))
        # Whole rows are copied last, which is faster than single cells.
        wide = np.pad(self.known, 1)[:, places[1] + 1]
        return np.asarray(wide[places[0] + 1])

    def sight(self, part: Grid, direction_deg: float, limit_m: float | None) -> Beyond:
        """Lines of sight that leave the map in one direction.

        Parameters
        ----------
        part : Grid
            Window of the map.
        direction_deg : float
            Direction of the view, degrees clockwise from grid north.
        limit_m : float or None
            Limit distance, m; None for all blocks.

        Returns
        -------
        Beyond
        """
        east, south = toward(direction_deg)
        stride = self.cells / max(abs(east), abs(south))
        stride_m = stride * part.cell_m
        far_m = math.hypot(*self.heights.shape) * self.cells * part.cell_m
        return Beyond(
            self._seen,
            self.cells,
            *self.margin,
            (self.cells + 1) // 2,
            part.row0,
            part.col0,
            *self.whole.shape,
            east,
            south,
            stride,
            int((far_m if limit_m is None else limit_m) / stride_m + 1e-9),
            part.cell_m,
        )


def margin_blocks(grid: Grid, width_m: float) -> int:
    """Blocks on each side of a map for a width of the land around it.

    Parameters
    ----------
    grid : Grid
    width_m : float
        m.

    Returns
    -------
    int
        A multiple of `BLOCKS_TOGETHER`.
    """
    block_m = mask_cells(grid.cell_m) * grid.cell_m
    return BLOCKS_TOGETHER * math.ceil(width_m / (block_m * BLOCKS_TOGETHER))


def blocks_around(grid: Grid, width_m: float) -> Grid:
    """Grid of the blocks of a map and of the land around it.

    Parameters
    ----------
    grid : Grid
        The map, or a window of it.
    width_m : float
        Least width of the land around the map, m.

    Returns
    -------
    Grid
    """
    whole, cells = grid.whole, mask_cells(grid.cell_m)
    margin = margin_blocks(grid, width_m)
    shape = tuple(-(-n // cells) + 2 * margin for n in whole.shape)
    corner = whole.affine * Affine.translation(-margin * cells, -margin * cells)
    return Grid((shape[0], shape[1]), corner * Affine.scale(cells), whole.crs)


def restored(heights: Field, grid: Grid, width_m: float) -> Surroundings:
    """Surroundings from their heights, as `land_around.joined` made them.

    Parameters
    ----------
    heights : (rows, cols) float32
        On `blocks_around`, m; NaN where unknown.
    grid : Grid
        The map, or a window of it.
    width_m : float
        As for `blocks_around`.

    Returns
    -------
    Surroundings
    """
    cells, margin = mask_cells(grid.cell_m), margin_blocks(grid, width_m)
    rows, cols = (
        _reach(np.isfinite(heights), axis, margin, -(-n // cells))
        for axis, n in enumerate(grid.whole.shape)
    )
    before = margin - rows.start, margin - cols.start
    return Surroundings(np.ascontiguousarray(heights[rows, cols]), cells, before, grid.whole)


def _reach(known: Mask, axis: int, margin: int, count: int) -> slice:
    """Rows (or columns) from the first to the last with known blocks, and those of the map.

    What is not covered must not look like ground: terrain wind would see its edge as a slope.
    """
    places = np.nonzero(known)[axis]
    before = margin - min(int(places.min()), margin)
    first = margin - before // BLOCKS_TOGETHER * BLOCKS_TOGETHER
    return slice(first, max(int(places.max()) + 1, margin + count))


def work_bytes(grid: Grid, width_m: float = WIDTH_M) -> float:
    """Memory of the surroundings of a map, bytes.

    Parameters
    ----------
    grid : Grid
    width_m : float
        As for `blocks_around`.

    Returns
    -------
    float

    Notes
    -----
    Arrays of 4 or 8 bytes for each block while both models are joined: 60 bytes.
    """
    return 60.0 * float(np.prod(blocks_around(grid, width_m).shape))
