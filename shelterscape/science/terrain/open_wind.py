"""Wind over open hills by linear theory: how much faster or slower than over the plain.

The theory is for low hills: where it does not hold its answer is kept and marked as not valid.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import RectBivariateSpline

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.grid import downwind as downwind_of
from shelterscape.kernels import spectral
from shelterscape.kernels.gaps import filled
from shelterscape.science.terrain.roughness import LOWEST_Z0, RoughnessClasses, classes_of
from shelterscape.science.terrain.validity import Blocks, averaged

THEORIES = {
    "full": {},
    "short": {"bessel": False},
    "potential": {"profile": False},
}
"""Rival forms: the whole formula; without its Bessel factor, for heights at or above the inner
depth; and flow without friction or growth of wind with height, for comparison."""

TILE_CELLS = 4096
"""Longest side of a map that is worked whole, to save memory."""

BROAD_M = 200.0
"""Standard deviation of the bell that parts long waves from short ones where a map is worked in
tiles, m."""


@dataclass(frozen=True)
class Edges:
    """How the ground is carried on past the edges of the map.

    Parameters
    ----------
    pad_m : float
        Width of the belt of made-up ground between one edge and the opposite one, m.
    taper_m : float
        Width inside the map over which the ground sinks to the plane or plain, m. By default the
        map itself is left as it is.
    level : bool
        Whether the plane that fits the map best is taken off first; without a stated plain only.
    """

    pad_m: float = 2500.0
    taper_m: float = 0.0
    level: bool = True


@dataclass(frozen=True, eq=False)
class OpenWind:
    """Wind over open ground in one direction, relative to the wind over the plain.

    Parameters
    ----------
    speed_up : (rows, cols) float32
        Speed relative to the plain at the same height, less 1; NaN where the ground is missing.
    turning_deg : (rows, cols) float32
        How far the wind has turned, degrees, positive clockwise; NaN where the ground is missing.
    valid : (rows, cols) bool
        Where the theory holds: not on steep ground, not in the lee of steep crests, not where too
        much of the ground around is unknown, not where ground is missing.
    """

    speed_up: NDArray[np.float32]
    turning_deg: NDArray[np.float32]
    valid: NDArray[np.bool_]


def speed_up(
    elevation: NDArray[np.floating],
    grid: Grid,
    direction_deg: float,
    *,
    height_m: float = 10.0,
    roughness_m: float | NDArray[np.floating] = 0.03,
    base_m: float | None = None,
    theory: str = "full",
    edges: Edges = Edges(),
    tile_cells: int = TILE_CELLS,
) -> OpenWind:
    """How hills speed up, slow down and turn the wind of one direction, without belts.

    Parameters
    ----------
    elevation : (rows, cols) array
        Ground elevation, m; NaN where missing.
    grid : Grid
        Where its cells lie.
    direction_deg : float
        Where the wind comes from, degrees clockwise from grid north.
    height_m : float
        Height above ground, m; at least 5 roughness lengths.
    roughness_m : float or (rows, cols) array
        Roughness length z0 of the ground, m: one for the whole map, or one for each cell. For the
        latter, hills are worked out over a few even roughnesses and each cell takes its own
        between them: an approximation, which leaves out how wind slows over rougher ground itself.
        Cells too rough for the height are not valid.
    base_m : float, optional
        Elevation of the plain around the hills, m, to which the ground past the edges sinks. By
        default the plane that fits best is taken off and opposite edges are led into each other.
    theory : str
        One of `THEORIES`.
    edges : Edges
        How the ground is carried on past the edges.
    tile_cells : int
        Maps longer than this are worked in overlapping tiles of about this size, to save memory.

    Returns
    -------
    OpenWind

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
    ln²(L/z0) / ln²(z/z0)``, for z at or above l: features no longer than
    `guidelines.short_form_reach_m`.
    Neutral air, low hills. Valleys do not channel the wind, wakes are not modelled.

    References
    ----------
    Jackson and Hunt 1975, Quarterly Journal of the Royal Meteorological Society 101:929-955; Mason
    and Sykes 1979, the same journal 105:383-395 (both from memory; the form here is assembled from
    them). Tried on one measured hill, Askervein: Taylor and Teunissen 1987, Boundary-Layer
    Meteorology 39:15-39; see ``docs/askervein.md``.
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
    edges: Edges = Edges(),
    tile_cells: int = TILE_CELLS,
) -> Iterator[OpenWind]:
    """The same as `speed_up` for many directions, one after another, sharing what they share.

    The ground is transformed once, unless it is worked in tiles.
    """
    _check(elevation, grid, theory, tile_cells)
    known = np.isfinite(elevation)
    ground = _finite(elevation, known)
    blocks = Blocks.of(ground, known, grid.cell_m)
    roughest = height_m / LOWEST_Z0
    if np.ndim(roughness_m):
        blocks = blocks.without(np.asarray(roughness_m) > roughest)
        roughness_m = np.minimum(roughness_m, roughest)
    classes = classes_of(roughness_m, grid.shape)
    _check_height(height_m, max(classes.roughness_m))
    air = _Air(grid.cell_m, height_m, classes, theory, base_m, edges)
    longest = max(grid.shape)
    if longest <= tile_cells:
        return _whole(ground, known, blocks, air, directions_deg)
    return _in_tiles(ground, known, blocks, air, directions_deg, tile_cells)


def waves_bytes(grid: Grid) -> float:
    """Memory that the waves of a piece of ground take while `speed_ups` works, bytes.

    Four arrays of the padded map, of single precision (measured).
    """
    pad = np.ceil(Edges().pad_m / grid.cell_m)
    return 16.0 * float(np.prod([min(n, TILE_CELLS) + pad for n in grid.shape]))


def _check(
    elevation: NDArray[np.floating],
    grid: Grid,
    theory: str,
    tile_cells: int,
) -> None:
    if elevation.shape != grid.shape:
        raise ValueError(f"elevation is {elevation.shape}, the grid {grid.shape}")
    if theory not in THEORIES:
        raise ValueError(f"theory is {theory!r}; it is one of {', '.join(THEORIES)}")
    if tile_cells < 16:
        raise ValueError("tile_cells must be 16 at least")


def _check_height(height_m: float, roughness_m: float) -> None:
    if not height_m >= LOWEST_Z0 * roughness_m * (1 - 1e-6):
        raise InputError(
            "input-refused",
            f"{height_m:g} m above ground is too low over a roughness of {roughness_m:g} m.",
            where="height above ground",
            value=height_m,
            mend=f"Ask for {LOWEST_Z0 * roughness_m:g} m or higher.",
        )


def _finite(elevation: NDArray[np.floating], known: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Ground without gaps; the very array given when it has none."""
    if known.all():
        return np.asarray(elevation, np.float32)
    return filled(elevation, known)


@dataclass(frozen=True)
class _Air:
    """What the theory needs to know beside the ground."""

    cell_m: float
    height_m: float
    classes: RoughnessClasses
    theory: str
    base_m: float | None
    edges: Edges

    def waves(self, ground: NDArray[np.float32]) -> tuple[NDArray[np.complex64], tuple[int, int]]:
        """Spectrum of the padded ground, and its padded shape."""
        pad = int(np.ceil(self.edges.pad_m / self.cell_m))
        rows, cols = (spectral.padded_size(n, pad) for n in ground.shape)
        plane = spectral.best_plane(ground)
        if not self.edges.level:
            plane = (plane[0], 0.0, 0.0)
        if self.base_m is not None:
            plane = (self.base_m, 0.0, 0.0)
        padded = spectral.padded_ground(
            ground,
            (rows, cols),
            plane,
            taper=int(self.edges.taper_m / self.cell_m),
            sink=self.base_m is not None,
        )
        return spectral.spectrum_of(padded), (rows, cols)

    def tables(self, cells: int) -> list[spectral.WaveTables]:
        """The theory over each roughness, for maps of up to so many padded cells a side."""
        return [
            spectral.wave_tables(self.cell_m, cells, self.height_m, z0, **THEORIES[self.theory])
            for z0 in self.classes.roughness_m
        ]

    def change(
        self,
        waves: NDArray[np.complex64],
        shape: tuple[int, int],
        place: tuple[slice, slice],
        wind: tuple[float, float],
        tables: list[spectral.WaveTables],
        room: NDArray[np.complex64] | None = None,
    ) -> NDArray[np.float32]:
        """Change of the wind on one part of the map, (rows, cols, 2): along it, to its right."""
        crop = (place[0].stop - place[0].start, place[1].stop - place[1].start)
        changes = (
            spectral.apply_wind(waves, shape, crop, self.cell_m, wind, table, room)
            for table in tables
        )
        return self.classes.blended(changes, place)


def _whole(
    ground: NDArray[np.float32],
    known: NDArray[np.bool_],
    blocks: Blocks,
    air: _Air,
    directions_deg: Sequence[float],
) -> Iterator[OpenWind]:
    waves, shape = air.waves(ground)
    crop = ground.shape
    del ground  # only its waves are needed now
    place = slice(0, crop[0]), slice(0, crop[1])
    tables = air.tables(max(shape))
    room = np.empty(shape, np.complex64)
    for direction in directions_deg:
        wind = downwind_of(direction)
        change = air.change(waves, shape, place, wind, tables, room)
        yield _finished(change[..., 0], change[..., 1], None, known, blocks.valid(wind))


def _in_tiles(
    ground: NDArray[np.float32],
    known: NDArray[np.bool_],
    blocks: Blocks,
    air: _Air,
    directions_deg: Sequence[float],
    tile_cells: int,
) -> Iterator[OpenWind]:
    """The same tile by tile, for what is left of the ground when its long waves are taken off.

    Long waves feel ground far beyond a tile, so they are worked over the whole map on coarse
    cells. The theory is linear: the two answers add.
    """
    broad = _Broad.of(ground, air)
    margin = min(int(np.ceil(air.edges.pad_m / air.cell_m)), tile_cells // 4)
    down, along = (tile_weights(n, tile_cells, margin) for n in ground.shape)
    near = replace(air, base_m=None, edges=replace(air.edges, level=False, taper_m=0.0))
    for direction in directions_deg:
        wind = downwind_of(direction)
        u, v = broad.change(wind, ground.shape)
        for row, by_row in down:
            for col, by_col in along:
                crop = by_row.size, by_col.size
                place = slice(row, row + crop[0]), slice(col, col + crop[1])
                waves, shape = near.waves(ground[place] - broad.ground_at(row, col, crop))
                change = near.change(waves, shape, place, wind, near.tables(max(shape)))
                u[place] += by_row[:, None] * by_col * change[..., 0]
                v[place] += by_row[:, None] * by_col * change[..., 1]
        yield _finished(u, v, (u, v), known, blocks.valid(wind))


@dataclass(frozen=True)
class _Broad:
    """The long waves of the ground, held on coarse cells over the whole map."""

    ground: NDArray[np.float32]
    air: _Air
    cells: int

    @classmethod
    def of(cls, ground: NDArray[np.float32], air: _Air) -> _Broad:
        """Ground blurred by a bell of `BROAD_M` or more, on cells of a third of that."""
        blur_m = max(BROAD_M, 12.0 * air.cell_m)
        cells = int(blur_m / (3.0 * air.cell_m))
        coarse = replace(air, cell_m=air.cell_m * cells)
        blurred = ndimage.gaussian_filter(averaged(ground, cells), blur_m / coarse.cell_m)
        return cls(blurred, coarse, cells)

    def ground_at(self, row: int, col: int, crop: tuple[int, int]) -> NDArray[np.float32]:
        """The long waves on the fine cells of one tile."""
        return self._fine(self.ground, row, col, crop)

    def change(
        self, wind: tuple[float, float], shape: tuple[int, int]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Their change of the wind along its direction and to the right, on fine cells."""
        waves, padded = self.air.waves(self.ground)
        crop, cell_m = self.ground.shape, self.air.cell_m
        coarse = [
            spectral.apply_wind(waves, padded, crop, cell_m, wind, table)
            for table in self.air.tables(max(padded))
        ]
        # One part at a time: on fine cells each is as large as the map.
        along, right = (
            self.air.classes.blended(self._fine(c[..., i], 0, 0, shape) for c in coarse)
            for i in (0, 1)
        )
        return along, right

    def _fine(
        self, coarse: NDArray[np.float32], row: int, col: int, crop: tuple[int, int]
    ) -> NDArray[np.float32]:
        # Smooth to the second derivative: a kink would be a ridge to the theory.
        # Two cells more on every side give the outermost ones a neighbour.
        wider = np.pad(coarse, 2, mode="edge")
        centres = ((np.arange(n) - 1.5) * self.cells - 0.5 for n in wider.shape)
        surface = RectBivariateSpline(*centres, wider)
        out = np.empty(crop, np.float32)
        for top in range(0, crop[0], 256):  # in strips, for it answers in float64
            rows = np.arange(top, min(top + 256, crop[0]))
            out[rows[0] : rows[-1] + 1] = surface(row + rows, col + np.arange(crop[1]))
        return out


def tile_weights(cells: int, tile_cells: int, margin: int) -> list[tuple[int, NDArray[np.float32]]]:
    """First cell of each tile along one axis, and how far each of its cells is trusted.

    Tiles overlap by two margins at least. Trust is nothing within half a margin of a cut edge and
    whole beyond one and a half; over all tiles it adds to 1 in every cell.
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


def _finished(
    along: NDArray[np.float32],
    right: NDArray[np.float32],
    outs: tuple[NDArray[np.float32], NDArray[np.float32]] | None,
    known: NDArray[np.bool_],
    valid: NDArray[np.bool_],
) -> OpenWind:
    """The answer from the wind's change, in new arrays unless some are given.

    New ones belong to the caller alone: a generator that kept them would hold two directions.
    """
    speed, turning = outs or (np.empty(known.shape, np.float32) for _ in range(2))
    spectral.speed_and_turning(along, right, known, speed, turning, valid)
    return OpenWind(speed, turning, valid)
