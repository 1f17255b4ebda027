"""Terrain wind by linear theory: wind speed relative to that over flat, open terrain.

The theory is for low hills. Where it is not valid, its result is kept and marked as not valid.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.grid import downwind as downwind_of
from shelterscape.kernels.gaps import filled
from shelterscape.science.terrain.ground import Ground, held
from shelterscape.science.terrain.linear_theory import (
    USUAL_EDGES,
    Edges,
    LinearTheory,
    Mask,
    TerrainWind,
    finished,
)
from shelterscape.science.terrain.roughness import RoughnessClasses, classes_of, within_reach
from shelterscape.science.terrain.surroundings import Surroundings
from shelterscape.science.terrain.validity import MODELLED, TOO_ROUGH, Blocks
from shelterscape.science.terrain.wind_over_terrain_tile import OnlyTile
from shelterscape.science.terrain.wind_over_terrain_tiles import STRIP_ROWS, Tiles

Field = NDArray[np.float32]

WHOLE_CELLS = 4096
"""Longest side of a map processed as a whole; longer maps are in tiles, to save memory."""

TILE_CELLS = 3072
"""Side of those tiles: larger tiles have relatively smaller margins but use more memory."""


def speed_up(
    elevation: NDArray[np.floating],
    grid: Grid,
    direction_deg: float,
    *,
    height_m: float = 10.0,
    roughness_m: float | NDArray[np.floating] = 0.03,
    base_m: float | None = None,
    theory: str = "full",
    edges: Edges = USUAL_EDGES,
    tile_cells: int | None = None,
) -> TerrainWind:
    """Speed-up and turning of the wind by the terrain for one wind direction, without belts.

    Parameters
    ----------
    elevation : (rows, cols) array
        Ground elevation, m; NaN where missing.
    grid : Grid
        Grid of the elevation.
    direction_deg : float
        Wind direction, degrees clockwise from grid north.
    height_m : float
        Height above ground, m; at least 5 roughness lengths.
    roughness_m : float or (rows, cols) array
        Roughness length z0, m: one for the whole map, or one for each cell. In the latter case,
        the theory is applied for a few uniform roughnesses and interpolated for each cell. This
        approximation neglects how rougher ground itself slows the wind. Cells too rough for the
        height are not valid.
    base_m : float, optional
        Elevation of the flat terrain around, m, to which the ground past the edges descends. By
        default the best-fitting plane is subtracted and opposite edges are joined.
    theory : str
        One of `THEORIES`.
    edges : Edges
        Continuation of the terrain past the edges.
    tile_cells : int, optional
        Maps with a longer side are processed in overlapping tiles of this size, to save memory; by
        default maps longer than `WHOLE_CELLS`, in tiles of `TILE_CELLS`.

    Returns
    -------
    TerrainWind

    Raises
    ------
    InputError
        ``input-refused`` when the height is too low for the roughness.
    ValueError
        When shapes differ, a number is out of range or `theory` is unknown.

    Notes
    -----
    With ``h^`` the spectrum of the ground, k and m the wavenumbers along and across the wind,
    ``K = sqrt(k² + m²)``, ``L = 1/K`` and l from ``l ln(l/z0) = 2 κ² L``::

        u^ = k²/K  h^ exp(-K z) F          v^ = k m/K  h^ exp(-K z) F
        F = ln²(L/z0) / [ln(max(z, l)/z0) ln(z/z0)]
            · [1 - K0(2 sqrt(i |k| L z/l)) / K0(2 sqrt(i |k| L z0/l))]
        speed-up = sqrt((1 + u)² + v²) - 1

    K0 is the modified Bessel function; its ratio is conjugated for k < 0. The short form is ``F =
    ln²(L/z0) / ln²(z/z0)``, for z at or above l: for features up to
    `guidelines.short_form_reach_m`.
    Neutral air, low hills. Channelling by valleys and wakes are not modelled.

    References
    ----------
    Structure of Jackson and Hunt 1975, Quarterly Journal of the Royal Meteorological Society
    101:929-955, and Mason and Sykes 1979, the same journal 105:383-395 (status M, both; the form
    above is assembled from them, status D). Compared with one measured hill, Askervein: Taylor and
    Teunissen 1987, Boundary-Layer Meteorology 39:15-39; see ``docs/askervein.md``.
    """
    found = speed_ups(
        elevation,
        grid,
        [direction_deg],
        height_m=height_m,
        roughness_m=roughness_m,
        base_m=base_m,
        theory=theory,
        edges=edges,
        tile_cells=tile_cells,
    )
    return next(found)


def speed_ups(
    elevation: NDArray[np.floating],
    grid: Grid,
    directions_deg: Sequence[float],
    *,
    height_m: float = 10.0,
    roughness_m: float | NDArray[np.floating] = 0.03,
    base_m: float | None = None,
    theory: str = "full",
    edges: Edges = USUAL_EDGES,
    tile_cells: int | None = None,
    turning: bool = True,
    surroundings: Surroundings | None = None,
) -> Iterator[TerrainWind]:
    """Terrain wind as by `speed_up`, for many directions in turn.

    The ground is transformed once, unless it is processed in tiles.

    Parameters
    ----------
    elevation, grid, height_m, roughness_m, base_m, theory, edges, tile_cells
        As for `speed_up`.
    directions_deg : sequence of float
        Wind directions, degrees clockwise from grid north.
    turning : bool
        Whether the turning of the wind is calculated too, which takes more time and one more
        array.
    surroundings : Surroundings, optional
        The land around the map: its long waves, and the short ones close to the map, change the
        wind on the map.

    Returns
    -------
    iterator of TerrainWind
        One for each direction, in their order.

    Raises
    ------
    InputError, ValueError
        As for `speed_up`, before the first direction is calculated.

    References
    ----------
    As for `speed_up`.
    """
    if tile_cells is not None and tile_cells < 16:
        raise ValueError("tile_cells must be 16 or more")
    ground = replace(held(elevation, grid, roughness_m), surroundings=surroundings)
    options = _Options(height_m, base_m, theory, edges, turning)
    is_whole = max(grid.shape) <= (tile_cells or WHOLE_CELLS)
    if is_whole and surroundings is None:
        return _whole(ground, directions_deg, options)
    # With surroundings, long and short waves are separate even if there is only one tile.
    tiles = options.tiles(ground, max(grid.shape) if is_whole else tile_cells or TILE_CELLS)
    if is_whole:
        return map(OnlyTile(tiles).wind, directions_deg)
    return (_together(tiles.strips(d), grid.shape, turning) for d in directions_deg)


def speed_ups_in_strips(
    ground: Ground,
    directions_deg: Sequence[float],
    *,
    height_m: float = 10.0,
    turning: bool = True,
) -> Iterator[Iterator[tuple[int, TerrainWind]]]:
    """Terrain wind with the values of `speed_ups`, for terrain that need not be in memory.

    Parameters
    ----------
    ground : Ground
        The map, read in parts.
    directions_deg : sequence of float
        Wind directions, degrees clockwise from grid north.
    height_m : float
        Height above ground, m.
    turning : bool
        As for `speed_ups`.

    Returns
    -------
    iterator of iterator
        For each direction: the first row of each strip of the map, and the terrain wind on it.

    Raises
    ------
    InputError, ValueError
        As `speed_up`.

    References
    ----------
    As for `speed_up`.
    """
    options = _Options(height_m, turning=turning)
    grid = ground.grid
    is_whole = max(grid.shape) <= WHOLE_CELLS
    if not is_whole or ground.surroundings is not None:
        tiles = options.tiles(ground, max(grid.shape) if is_whole else TILE_CELLS)
        if is_whole:
            return (iter([(0, wind)]) for wind in map(OnlyTile(tiles).wind, directions_deg))
        return (tiles.strips(direction) for direction in directions_deg)
    here = held(ground.elevation(grid), grid, ground.roughness_on(grid))
    return (iter([(0, wind)]) for wind in _whole(here, directions_deg, options))


def work_bytes(grid: Grid) -> float:
    """Memory that `speed_ups` uses, bytes.

    It excludes the elevation (single precision) and the results: 10 bytes per cell and direction, 6
    without turning; a loop over directions holds the results of two.

    Parameters
    ----------
    grid : Grid
        Grid of the map.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    For a map processed as a whole, the peak has the padded ground, its spectrum and the same in
    blocks (4 bytes per padded cell each), the ground with filled gaps and a mask of known cells (5
    bytes per cell). Each direction then requires no more: the blocks and a complex array of 8 bytes
    per padded cell. A map in tiles has this for one tile, with the long waves of the tile and the
    change of the wind over it (16 bytes per cell), and for a row of tiles two arrays of change and
    two masks.
    """
    pad = np.ceil(USUAL_EDGES.pad_m / grid.cell_m)
    if max(grid.shape) <= WHOLE_CELLS:
        return _whole_bytes(grid.shape, pad)
    tile = min(grid.shape[0], TILE_CELLS), min(grid.shape[1], TILE_CELLS)
    row = 10.0 * (tile[0] + STRIP_ROWS) * grid.shape[1]
    return _whole_bytes(tile, pad) + 16.0 * float(np.prod(tile)) + row


def surrounded_bytes(grid: Grid) -> float:
    """Memory that `speed_ups` uses with surroundings, beyond `work_bytes` and the surroundings.

    Parameters
    ----------
    grid : Grid
        Grid of the map.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    A map processed as a whole is then a single tile; its ground without long waves is there while
    it is joined to the land around it: 4 bytes per cell. Larger maps are in tiles in any case.
    """
    return 4.0 * float(np.prod(grid.shape)) if max(grid.shape) <= WHOLE_CELLS else 0.0


def _whole_bytes(shape: tuple[int, int], pad: float) -> float:
    padded = float(np.prod([n + pad for n in shape]))
    return 12.0 * padded + 5.0 * float(np.prod(shape))


@dataclass(frozen=True)
class _Options:
    """Parameters other than terrain and wind direction."""

    height_m: float
    base_m: float | None = None
    theory: str = "full"
    edges: Edges = USUAL_EDGES
    turning: bool = True

    def tiles(self, ground: Ground, tile_cells: int) -> Tiles:
        """The map in tiles."""
        tiles = Tiles.of(ground, self.height_m, self.theory, self.base_m, self.edges, tile_cells)
        return replace(tiles, turning=self.turning)

    def over(self, cell_m: float, classes: RoughnessClasses) -> LinearTheory:
        """The theory for a map processed as a whole."""
        return LinearTheory(cell_m, self.height_m, classes, self.theory, self.base_m, self.edges)


def _whole(
    ground: Ground, directions_deg: Sequence[float], options: _Options
) -> Iterator[TerrainWind]:
    """Process a map as a whole; errors are raised before the first direction."""
    grid = ground.grid
    lengths, smooth = within_reach(ground.roughness_on(grid), options.height_m)
    classes = classes_of(float(np.min(lengths)), float(np.max(lengths)))
    theory = options.over(grid.cell_m, classes)
    elevation = ground.elevation(grid)
    known = np.isfinite(elevation)
    heights = elevation if known.all() else filled(elevation, known)
    blocks = Blocks.of(heights, known, grid.cell_m)
    at = classes.at(lengths)
    return _winds(heights, known, blocks, smooth, theory, at, directions_deg, options.turning)


def _winds(
    heights: Field,
    known: Mask,
    blocks: Blocks,
    smooth: Mask | None,
    theory: LinearTheory,
    at: Field | None,
    directions_deg: Sequence[float],
    turning: bool,
) -> Iterator[TerrainWind]:
    waves = theory.waves(heights)
    crop = heights.shape
    del heights  # only its waves are required from here on
    tables = theory.tables(max(waves.shape))
    work = np.empty((crop[0], waves.shape[1]), np.complex64)
    for direction in directions_deg:
        wind = downwind_of(direction)
        change = theory.change(waves, crop, wind, tables, at, work)
        reason = blocks.on_cells(blocks.reasons(wind), 0, crop[0])
        if smooth is not None:
            rough = np.where(smooth, MODELLED, TOO_ROUGH).astype(np.uint8)
            np.maximum(reason, rough, out=reason)
        yield finished(change, known, reason, turning)


def _together(
    strips: Iterator[tuple[int, TerrainWind]], shape: tuple[int, int], turning: bool
) -> TerrainWind:
    """Join the strips of a map."""
    speed = np.empty(shape, np.float32)
    angle = np.empty(shape, np.float32) if turning else None
    valid = np.empty(shape, np.bool_)
    reason = np.zeros(shape, np.uint8)
    for row, strip in strips:
        here = slice(row, row + strip.valid.shape[0])
        speed[here], valid[here] = strip.speed_up, strip.valid
        if strip.reason is not None:
            reason[here] = strip.reason
        if angle is not None:
            angle[here] = strip.turning_deg
    return TerrainWind(speed, angle, valid, reason)
