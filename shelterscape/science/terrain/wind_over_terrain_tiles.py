"""Terrain wind over a large map, in overlapping tiles, returned in strips of rows.

Long waves of the ground extend far beyond a tile, so they are processed over the whole map on
coarse cells; the remaining short waves are processed tile by tile. The theory is linear, so the two
results are added. No more than one row of tiles is in memory at a time.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.grid import Grid
from shelterscape.grid import downwind as downwind_of
from shelterscape.kernels import spectral
from shelterscape.kernels.enlarge import Surface
from shelterscape.kernels.gaps import filled
from shelterscape.kernels.spectral import Spectrum
from shelterscape.kernels.surrounded import surrounded
from shelterscape.science.terrain.ground import Ground
from shelterscape.science.terrain.linear_theory import (
    Edges,
    LinearTheory,
    Mask,
    TerrainWind,
    finished,
)
from shelterscape.science.terrain.roughness import classes_of, within_reach
from shelterscape.science.terrain.surroundings import Surroundings
from shelterscape.science.terrain.validity import MODELLED, TOO_ROUGH, Blocks, averaged, mask_cells

Field = NDArray[np.float32]

BROAD_M = 200.0
"""Standard deviation of the Gaussian that separates long waves from short ones, m."""

STRIP_ROWS = 256
"""Rows of strips are a multiple of this number, except for the last strip."""

READ_ROWS = 512
"""Approximate number of rows that are averaged at a time."""


@dataclass(frozen=True)
class Tiles:
    """A map and its long waves, prepared for any wind direction.

    Parameters
    ----------
    ground : Ground
    theory : LinearTheory
        Theory for the short waves.
    blocks : Blocks
        Where the theory is valid.
    broad : (rows, cols) float32
        The long waves of the ground, on coarse cells.
    broad_theory : LinearTheory
        Theory for the long waves.
    tile_cells : int
        Longest side of a tile.
    turning : bool
        Whether the turning of the wind is calculated too.
    """

    ground: Ground
    theory: LinearTheory
    blocks: Blocks
    broad: Field
    broad_theory: LinearTheory
    tile_cells: int
    turning: bool = True

    @classmethod
    def of(
        cls,
        ground: Ground,
        height_m: float,
        form: str,
        base_m: float | None,
        edges: Edges,
        tile_cells: int,
    ) -> Tiles:
        """Read the whole map once.

        Parameters
        ----------
        ground : Ground
        height_m : float
            Height above ground, m.
        form : str
            One of `THEORIES`.
        base_m : float or None
            Elevation of the flat terrain around, m.
        edges : Edges
        tile_cells : int
            Longest side of a tile.

        Returns
        -------
        Tiles

        Raises
        ------
        InputError, ValueError
            As `LinearTheory`.
        """
        cell_m = ground.grid.cell_m
        blur_m = max(BROAD_M, 12.0 * cell_m)
        small = mask_cells(cell_m)
        # A multiple of the smaller blocks, so that strips can hold whole blocks of both sizes.
        large = small * max(1, int(blur_m / (3.0 * cell_m * small)))
        means, shares, lengths = _block_means(ground, (small, large), height_m)
        margin = (0, 0)
        if ground.surroundings is not None:
            margin = ground.surroundings.margin
            means, shares = _around(ground.surroundings, large // small)
        near = replace(edges, level=False, taper_m=0.0)
        theory = LinearTheory(cell_m, height_m, classes_of(*lengths), form, None, near)
        coarse_m = cell_m * large
        return cls(
            ground,
            theory,
            Blocks.of_means(means[0], shares[0], small, cell_m, ground.grid.shape, margin),
            ndimage.gaussian_filter(means[1], blur_m / coarse_m),
            replace(theory, cell_m=coarse_m, base_m=base_m, edges=edges),
            tile_cells,
        )

    @property
    def large(self) -> int:
        """Number of cells along the side of a coarse cell."""
        return round(self.broad_theory.cell_m / self.theory.cell_m)

    def on_map(self, surface: Surface, row: int, col: int, shape: tuple[int, int]) -> Field:
        """Values of a surface through coarse cells on a part of the map.

        Parameters
        ----------
        surface : Surface
            Through the coarse cells of the map and the land around it.
        row, col : int
            First cell of the part, in cells of the map.
        shape : tuple of int
            Rows and columns of the part.

        Returns
        -------
        (rows, cols) float32
        """
        around = self.ground.surroundings
        down, along = (0, 0) if around is None else around.margin_cells
        return surface.on(row + down, col + along, shape)

    @functools.cached_property
    def long_waves(self) -> Surface:
        """The long waves of the ground on fine cells."""
        return Surface.through(self.broad, self.large)

    @functools.cached_property
    def _short_waves_around(self) -> tuple[Surface, int] | None:
        """The short waves of the map and the land around it, on blocks, and blocks added before."""
        around = self.ground.surroundings
        if around is None:
            return None
        broad = Surface.through(self.broad, self.large // around.cells)
        short = around.ground - broad.on(0, 0, around.ground.shape)
        # What is farther than the land around reaches is level.
        more = 2 + int(self.theory.edges.pad_m / around.cells / self.theory.cell_m)
        return Surface.through(np.pad(short, more, mode="linear_ramp"), around.cells), more

    def short_waves(self, row: int, col: int, shape: tuple[int, int]) -> tuple[Spectrum, Mask]:
        """Spectrum of the short waves of a tile, and its known cells.

        Parameters
        ----------
        row, col : int
            First cell of the tile.
        shape : tuple of int
            Rows and columns of the tile.

        Returns
        -------
        Spectrum, (rows, cols) bool
        """
        heights = self.ground.elevation(self.ground.grid.window(row, col, shape))
        known = np.isfinite(heights)
        # Gaps are filled in the ground without long waves, which is level on average.
        left = filled(heights - self.on_map(self.long_waves, row, col, shape), known)
        if self._short_waves_around is None:
            return self.theory.waves(left), known
        padded = self.theory.padded_shape(shape)
        before = [(n - m) // 2 for n, m in zip(padded, shape, strict=True)]
        surface, more = self._short_waves_around
        at = [n - m + more * surface.cells for n, m in zip((row, col), before, strict=True)]
        fade = 4 * mask_cells(self.theory.cell_m)
        # Without names for the arrays, so that each is freed as early as possible.
        whole = surrounded(left, self.on_map(surface, at[0], at[1], padded), before, fade)
        del left
        return spectral.spectrum_of(whole), known

    @functools.cached_property
    def tables(self) -> list[spectral.WaveTables]:
        """The theory over each roughness for tiles, which all have the same size."""
        side = max(min(n, self.tile_cells) for n in self.ground.grid.shape)
        return self.theory.tables(max(self.theory.padded_shape((side, side))))

    def roughness_on(self, part: Grid) -> tuple[float | Field, Mask | None]:
        """Roughness lengths of a window of the map.

        Parameters
        ----------
        part : Grid

        Returns
        -------
        lengths, smooth
            As `within_reach` returns them.
        """
        return within_reach(self.ground.roughness_on(part), self.theory.height_m)

    def broad_change(self, wind: tuple[float, float]) -> list[tuple[Surface, Surface]]:
        """Change of the wind by long waves over each roughness: along the wind and to the right.

        Parameters
        ----------
        wind : tuple of float
            Unit step (columns, rows) in which the wind blows.

        Returns
        -------
        list of (Surface, Surface)
        """
        theory = self.broad_theory
        waves = theory.waves(self.broad)
        found = []
        for table in theory.tables(max(waves.shape)):
            change = spectral.apply_wind(waves, self.broad.shape, theory.cell_m, wind, table)
            along, right = (Surface.through(change[..., i], self.large) for i in (0, 1))
            found.append((along, right))
        return found

    def strips(self, direction_deg: float) -> Iterator[tuple[int, TerrainWind]]:
        """Terrain wind in one direction, strip by strip.

        Parameters
        ----------
        direction_deg : float
            Wind direction, degrees clockwise from grid north.

        Yields
        ------
        int, TerrainWind
            First row of a strip, and the terrain wind on it.
        """
        wind = downwind_of(direction_deg)
        row_of_tiles = _RowOfTiles(self, wind)
        margin = min(
            int(np.ceil(self.theory.edges.pad_m / self.theory.cell_m)), self.tile_cells // 4
        )
        down, along = (tile_weights(n, self.tile_cells, margin) for n in self.ground.grid.shape)
        for number, (row, by_row) in enumerate(down):
            row_of_tiles.reach(row + by_row.size)
            for col, by_col in along:
                row_of_tiles.add(row, col, by_row, by_col)
            last = number == len(down) - 1
            done = row + by_row.size if last else down[number + 1][0]
            yield from row_of_tiles.finish(done if last else done - done % STRIP_ROWS)


class _RowOfTiles:
    """Rows of the map to which tiles are added."""

    def __init__(self, tiles: Tiles, wind: tuple[float, float]) -> None:
        self._tiles, self._wind = tiles, wind
        self._grid = tiles.ground.grid
        self._broad = tiles.broad_change(wind)
        self._reasons = tiles.blocks.reasons(wind)
        self._first = self._end = 0
        rows, cols = min(tiles.tile_cells + STRIP_ROWS, self._grid.shape[0]), self._grid.shape[1]
        self._change = np.zeros((2, rows, cols), np.float32)
        self._known = np.zeros((rows, cols), np.bool_)
        self._smooth = np.ones((rows, cols), np.bool_)

    def reach(self, end: int) -> None:
        """Add rows up to one, with the effect of long waves."""
        tiles, cols = self._tiles, self._grid.shape[1]
        for row in range(self._end, end, STRIP_ROWS):
            shape = min(STRIP_ROWS, end - row), cols
            here = slice(row - self._first, row - self._first + shape[0])
            lengths, smooth = tiles.roughness_on(self._grid.window(row, 0, shape))
            self._smooth[here] = True if smooth is None else smooth
            at = tiles.theory.classes.at(lengths)
            for i in (0, 1):
                surfaces = (tiles.on_map(pair[i], row, 0, shape) for pair in self._broad)
                self._change[i, here] = tiles.theory.classes.blended(surfaces, at)
            self._end = row + shape[0]

    def add(self, row: int, col: int, by_row: Field, by_col: Field) -> None:
        """Add the effect of the short waves of one tile, each cell with its weight."""
        tiles, theory = self._tiles, self._tiles.theory
        crop = by_row.size, by_col.size
        part = self._grid.window(row, col, crop)
        place = np.s_[row - self._first : row - self._first + crop[0], col : col + crop[1]]
        waves, known = tiles.short_waves(row, col, crop)
        self._known[place] = known
        at = theory.classes.at(tiles.roughness_on(part)[0])
        change = theory.change(waves, crop, self._wind, tiles.tables, at)
        for i in (0, 1):
            self._change[i][place] += by_row[:, None] * by_col * change[..., i]

    def finish(self, end: int) -> Iterator[tuple[int, TerrainWind]]:
        """Return rows up to one, to which no more tiles will be added."""
        blocks = self._tiles.blocks
        for row in range(self._first, end, STRIP_ROWS):
            rows = min(STRIP_ROWS, end - row)
            here = slice(row - self._first, row - self._first + rows)
            reason = blocks.on_cells(self._reasons, row, rows)
            rough = np.where(self._smooth[here], MODELLED, TOO_ROUGH).astype(np.uint8)
            reason = np.maximum(reason, rough)
            change = np.moveaxis(self._change[:, here], 0, -1)
            yield row, finished(change, self._known[here], reason, self._tiles.turning)
        kept, left = self._end - end, end - self._first
        for array in (*self._change, self._known, self._smooth):
            array[:kept] = array[left : left + kept]
        self._first = end


def _around(around: Surroundings, together: int) -> tuple[list[Field], list[Field]]:
    """Mean height and known share of the blocks around a map, of two sizes as in `_block_means`."""
    shares = around.known.astype(np.float32)
    heights, known = around.ground, around.known
    return [heights, averaged(heights, together)], [shares, averaged(known, together)]


def _block_means(
    ground: Ground, sizes: tuple[int, int], height_m: float
) -> tuple[list[Field], list[Field], tuple[float, float]]:
    """Mean height and known share of blocks of two sizes; smallest and largest roughness.

    The second size is a multiple of the first.
    """
    rows = sizes[1] * max(1, READ_ROWS // sizes[1])
    means: list[list[Field]] = [[], []]
    shares: list[list[Field]] = [[], []]
    least, most = np.inf, -np.inf
    for part in ground.strips(rows):
        heights = ground.elevation(part)
        known = np.isfinite(heights)
        heights = np.where(known, heights, np.float32(0))
        for i, cells in enumerate(sizes):
            share = averaged(known, cells)
            divisor = np.where(share > 0, share, np.float32(1))
            means[i].append((averaged(heights, cells) / divisor).astype(np.float32))
            shares[i].append(share)
        lengths, _ = within_reach(ground.roughness_on(part), height_m)
        least, most = min(least, float(np.min(lengths))), max(most, float(np.max(lengths)))
    share_maps = [np.concatenate(some) for some in shares]
    mean_maps = [filled(np.concatenate(m), s > 0) for m, s in zip(means, share_maps, strict=True)]
    return mean_maps, share_maps, (least, most)


def tile_weights(cells: int, tile_cells: int, margin: int) -> list[tuple[int, NDArray[np.float32]]]:
    """First cell of each tile along one axis, and the weights of its cells.

    Parameters
    ----------
    cells, tile_cells : int
        Number of cells of the map and of a tile along the axis.
    margin : int
        Half the smallest overlap of tiles, cells.

    Returns
    -------
    list of (int, (tile cells,) float32)
        Weights rise from 0, within half a margin of an inner edge, to 1, beyond one and a half
        margins, unless more tiles overlap; over all tiles they sum to 1 in every cell.
    """
    if cells <= tile_cells:
        return [(0, np.ones(cells, np.float32))]
    count = int(np.ceil((cells - 2 * margin) / (tile_cells - 2 * margin)))
    starts = np.round(np.linspace(0, cells - tile_cells, count)).astype(int)
    at = np.arange(tile_cells) + 0.5
    trusts = []
    for start in starts:
        before = at if start > 0 else np.full(tile_cells, np.inf)
        after = at[::-1] if start + tile_cells < cells else np.full(tile_cells, np.inf)
        ramp = np.clip((np.minimum(before, after) - margin / 2) / max(margin, 1), 0.0, 1.0)
        trusts.append(ramp * ramp * (3.0 - 2.0 * ramp))
    total = np.zeros(cells)
    for start, trust in zip(starts, trusts, strict=True):
        total[start : start + tile_cells] += trust
    return [
        (int(start), (trust / total[start : start + tile_cells]).astype(np.float32))
        for start, trust in zip(starts, trusts, strict=True)
    ]
