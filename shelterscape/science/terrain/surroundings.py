"""The land around a map from a coarser model: levelled, joined without a step, and seen."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.errors import InputError
from shelterscape.grid import Grid, toward
from shelterscape.kernels.enlarge import Surface
from shelterscape.kernels.gaps import filled
from shelterscape.kernels.horizon import MISSING_GROUND
from shelterscape.kernels.horizon_beyond import Beyond
from shelterscape.science.terrain.ground import Ground
from shelterscape.science.terrain.validity import averaged, mask_cells
from shelterscape.terms import TERMS

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

WIDTH_M = 5000.0
"""Least width of the land around a map that is read, m: twice the length of the waves that the
calculation of terrain wind treats as long (assumed value)."""

BLOCKS_TOGETHER = 12
"""The width of the land around a map is a multiple of this many blocks, so that coarse cells of 2,
3 or 4 blocks begin at the first cell of the map."""

FADE_M = 500.0
"""Distance from the map over which the difference of both models at the seam fades, m (assumed
value)."""

MOST_OFFSET_M = 10.0
"""Largest difference of level between both models that is corrected, m: more means another unit or
another datum (assumed value)."""

LEAST_SHARED = 4
"""Fewest blocks that both models must have in common to be levelled."""

READ_ROWS = 512
"""Approximate number of rows of the map that are averaged at a time."""


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
        padded = np.pad(self.known, 1)
        return padded[np.ix_(places[0] + 1, places[1] + 1)]

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


def joined(ground: Ground, outer: Field, width_m: float) -> tuple[Surroundings, float, float]:
    """Join a map and a model of the land around it.

    The other model is raised or lowered by the median difference over blocks that the map covers
    in full; what differs at the seam fades with distance from it.

    Parameters
    ----------
    ground : Ground
        The map, read once in strips.
    outer : (rows, cols) float32
        The other model on `blocks_around`, m; NaN where unknown.
    width_m : float
        As for `blocks_around`.

    Returns
    -------
    surroundings : Surroundings
    offset_m : float
        What was added to the other model, m.
    spread_m : float
        Median of what then differs between both, m.

    Raises
    ------
    InputError
        ``surroundings-bad`` when both share too few blocks, differ by more than `MOST_OFFSET_M`,
        or an elevation is out of range.
    """
    term = TERMS["elevation_m"]
    if ((outer < term.low) | (outer > term.high)).any():
        raise _misfit("The surroundings have values that are no elevations.", "values")
    cells, margin = mask_cells(ground.grid.cell_m), margin_blocks(ground.grid, width_m)
    inner = np.full(outer.shape, np.nan, np.float32)
    means = _full_blocks(ground, cells)
    inner[margin : margin + means.shape[0], margin : margin + means.shape[1]] = means
    full = np.isfinite(inner)
    shared = full & np.isfinite(outer)
    if shared.sum() < LEAST_SHARED:
        raise _misfit("The surroundings do not cover the terrain model.", "cover")
    offset_m = float(np.median((inner - outer)[shared]))
    if abs(offset_m) > MOST_OFFSET_M:
        found = f"{offset_m:+.1f} m, median over ground they share"
        what = "The surroundings have another level than the terrain model."
        raise _misfit(what, "level", found)
    rest = np.where(shared, inner - outer - np.float32(offset_m), np.float32(0))
    away_m = ndimage.distance_transform_edt(~shared) * (cells * ground.grid.cell_m)
    ramp = np.clip(1 - away_m / FADE_M, 0, 1)
    fading = (ramp * ramp * (3 - 2 * ramp)).astype(np.float32) * filled(rest, shared)
    heights = np.where(full, inner, outer + np.float32(offset_m) + fading)
    spread_m = float(np.median(np.abs(rest[shared])))
    return restored(heights, ground.grid, width_m), offset_m, spread_m


def restored(heights: Field, grid: Grid, width_m: float) -> Surroundings:
    """Surroundings from their heights, as `joined` made them.

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


def _misfit(what: str, reason: str, value: str | None = None) -> InputError:
    return InputError(
        "surroundings-bad", what, where="surroundings", value=value, hint=_HINTS[reason]
    )


_HINTS = {
    "values": "Set the value that marks missing cells as the nodata value of the file.",
    "cover": "Use a terrain model that covers the map and the land around it.",
    "level": "Use a model in metres with the datum of the terrain model; convert heights above the "
    "ellipsoid in your GIS.",
}


def _full_blocks(ground: Ground, cells: int) -> Field:
    """Mean elevation of blocks; NaN where a cell is missing or off the map."""
    parts = []
    for part in ground.strips(cells * max(1, READ_ROWS // cells)):
        found = averaged(ground.elevation(part), cells)
        if part.shape[0] % cells:
            found[-1] = np.nan
        if part.shape[1] % cells:
            found[:, -1] = np.nan
        parts.append(found)
    return np.concatenate(parts)


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
