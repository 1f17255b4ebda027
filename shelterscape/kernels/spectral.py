"""Terrain wind from the spectrum of the terrain: multiplier tables, and their application.

The linear theory treats each wave of the ground separately: a wave of wavenumber ``k`` along the
wind and ``m`` across it, ``K = sqrt(k² + m²)``, changes the wind by ``A(K) k (k, m) [1 - R]`` times
its height. ``A`` depends only on ``K``, and ``R``, a ratio of Bessel functions, only on
``|k| / (K l)``. So two short tables replace logarithms, roots and Bessel functions for each wave.

The index of a table is formed from the bits of a float32: exponent and leading bits of the
mantissa, read as one whole number, give equal steps within each octave.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft
from scipy.special import kve

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import map_threads

KARMAN = 0.4
"""Von Kármán's constant as used by the authors of the theory."""

SHORTEST_Z0 = 10.0
"""Waves shorter than this number of roughness lengths are treated as that long: below it, the log
law is not valid. Assumed value; such waves have no effect at the heights in use."""

STEP_BITS = 7
"""Steps of a table within one octave: 2 to this power."""

SHIFT = 23 - STEP_BITS
_LOW_BITS = np.int32((1 << SHIFT) - 1)
_TO_SHARE = np.float32(1.0 / (1 << SHIFT))

BLOCK_COLUMNS = 16
"""Columns transformed at a time: with their mirror columns they fit the cache of a core."""

STRIP_ROWS = 64
"""Rows of waves transformed at a time."""


@dataclass(frozen=True)
class WaveTables:
    """The theory at one height over one roughness, as tables.

    Parameters
    ----------
    wave_start, share_start : int
        Bits of the first argument of each table.
    wave : (n, 2) float32
        At ``K²``: ``A(K)``, and ``1 / (K l)``.
    share : (n, 2) float32
        At ``|k| / (K l)``: real and imaginary part of ``1 - R`` for ``k > 0``.
    """

    wave_start: int
    wave: NDArray[np.float32]
    share_start: int
    share: NDArray[np.float32]


def inner_depth(length_m: ArrayLike, roughness_m: float) -> NDArray[np.float64]:
    """Depth of the layer near the ground in which turbulence responds to the hill, m.

    Parameters
    ----------
    length_m : array_like
        Length scale L of the hill, m.
    roughness_m : float
        Roughness length z0, m.

    Returns
    -------
    ndarray
        The l of ``l ln(l / z0) = 2 κ² L``.

    References
    ----------
    Jackson and Hunt 1975, Quarterly Journal of the Royal Meteorological Society 101:929-955 (status
    M).
    """
    goal = 2.0 * KARMAN**2 * np.asarray(length_m, dtype=float) / roughness_m
    x = (
        1.0 + goal
    )  # l in roughness lengths; x ln x is convex, so Newton's method converges from above
    for _ in range(50):
        x = (x + goal) / (np.log(x) + 1.0)
    return x * roughness_m


def _octaves(low: float, high: float) -> tuple[int, NDArray[np.float64]]:
    """Bits of the first node at or below `low`, and all nodes to one past `high`."""
    first = np.float32(2.0 ** np.floor(np.log2(low))).view(np.int32)
    count = (int(np.float32(high).view(np.int32)) - int(first) >> SHIFT) + 3
    bits = int(first) + (np.arange(count, dtype=np.int64) << SHIFT)
    return int(first), bits.astype(np.int32).view(np.float32).astype(float)


def _bessel_share(shift: NDArray[np.float64], height_m: float, z0: float) -> NDArray[np.complex128]:
    """``1 - K0(2 sqrt(i w z)) / K0(2 sqrt(i w z0))``; the scaled functions never underflow."""
    above, ground = (2.0 * np.sqrt(1j * shift * at) for at in (height_m, z0))
    return 1.0 - kve(0, above) / kve(0, ground) * np.exp(ground - above)


def wave_tables(
    cell_m: float,
    cells: int,
    height_m: float,
    roughness_m: float,
    *,
    bessel: bool = True,
    profile: bool = True,
) -> WaveTables:
    """Multiplier of the theory, tabulated for every wave of a map.

    Parameters
    ----------
    cell_m : float
        Side of a cell, m.
    cells : int
        Cells along the longer side of the padded map.
    height_m, roughness_m : float
        Height above ground and roughness length, m.
    bessel : bool
        Whether the factor near the ground is used; otherwise the short form, for heights at or
        above the inner depth.
    profile : bool
        Whether wind speed rises with height by the log law; otherwise potential flow.

    Returns
    -------
    WaveTables

    References
    ----------
    Structure of Jackson and Hunt 1975 and Mason and Sykes 1979 (status M); the formula is written
    out in `science.terrain.wind_over_terrain.speed_up` (status D).
    """
    start, squares = _octaves((2 * np.pi / (cells * cell_m)) ** 2, 2 * (np.pi / cell_m) ** 2)
    wavenumber = np.sqrt(squares)
    length = np.maximum(1.0 / wavenumber, SHORTEST_Z0 * roughness_m)
    depth = inner_depth(length, roughness_m)
    aloft = np.exp(-wavenumber * height_m) / wavenumber
    here = np.log(height_m / roughness_m)
    # The pressure on the hill is that of wind at the height L. Closer to the ground the air is
    # slower, so the same pressure changes its speed more.
    base = np.log(np.maximum(height_m, depth) / roughness_m) if bessel else here
    amplitude = aloft * np.log(length / roughness_m) ** 2 / (base * here) if profile else aloft
    per_wave = 1.0 / (wavenumber * depth)
    # Where k is 0 the result is 0 too, so any value far below that of a real wave is correct.
    share_start, shifts = _octaves(per_wave.min() * 1e-6, (wavenumber * per_wave).max() * 1.01)
    share = np.ones(shifts.size, complex)
    if bessel and profile:
        share = _bessel_share(shifts, height_m, roughness_m)
    return WaveTables(
        start,
        np.column_stack([amplitude, per_wave]).astype(np.float32),
        share_start,
        np.column_stack([share.real, share.imag]).astype(np.float32),
    )


def padded_size(cells: int, pad: int) -> int:
    """A size at least `pad` cells longer than `cells` with a fast transform."""
    return int(fft.next_fast_len(cells + pad, real=True))


def best_plane(ground: NDArray[np.float32]) -> tuple[float, float, float]:
    """Mean height, and rise per row and per column, of the best-fitting plane."""
    row, col = (np.arange(n) - (n - 1) / 2 for n in ground.shape)
    by_row = ground.mean(axis=1, dtype=float)
    by_col = ground.mean(axis=0, dtype=float)
    rises = [float(a @ b / max(a @ a, 1.0)) for a, b in ((row, by_row), (col, by_col))]
    return float(by_row.mean()), rises[0], rises[1]


def padded_ground(
    ground: NDArray[np.float32],
    shape: tuple[int, int],
    plane: tuple[float, float, float],
    taper: int = 0,
    sink: bool = False,
) -> NDArray[np.float32]:
    r"""Ground minus a plane, tapered, and continued to a larger periodic map without a step.

    The map is periodic, so the pad after its last row leads back to its first row. By default the
    pad joins the two edges by a cosine; with `sink`, both edges descend to the plane::

        __/\_|~~~.___.~~|     sink: the pad is on the plane
        __/\_|~~~~--..__|     default: from the last row to the first

    Parameters
    ----------
    ground : (rows, cols) float32
        Finite everywhere.
    shape : tuple of int
        Rows and columns of the padded map.
    plane : tuple of float
        Height at the centre and rise per row and column of the plane that is subtracted.
    taper : int
        Cells inside each edge over which the ground descends to the plane; 0 for no change.
    sink : bool
        Whether the pad descends to the plane.
    """
    rows, cols = ground.shape
    out = np.zeros(shape, np.float32)
    row, col = (np.arange(n) - (n - 1) / 2 for n in ground.shape)
    inside = out[:rows, :cols]
    inside[:] = ground
    inside -= (plane[0] + plane[1] * row).astype(np.float32)[:, None]
    inside -= (plane[2] * col).astype(np.float32)[None, :]
    if taper:
        inside *= _taper(rows, taper)[:, None]
        inside *= _taper(cols, taper)[None, :]
    _lead_back(out[:, :cols], rows, sink)
    _lead_back(out.T, cols, sink)
    return out


def _taper(cells: int, width: int) -> NDArray[np.float32]:
    """Cosine from 0 at both ends to 1 at `width` cells within."""
    edge = np.minimum(np.arange(cells), np.arange(cells)[::-1]) + 0.5
    return (0.5 - 0.5 * np.cos(np.pi * np.minimum(edge / width, 1.0))).astype(np.float32)


def _lead_back(out: NDArray[np.float32], filled: int, sink: bool) -> None:
    """Fill the rows after `filled` so that they lead from the last filled row to the first."""
    pad = out.shape[0] - filled
    if pad:
        at = np.arange(1, pad + 1) / (pad + 1)
        leaving = 0.5 + 0.5 * np.cos(np.pi * np.minimum(at * (2 if sink else 1), 1.0))
        entering = leaving[::-1]
        out[filled:] = leaving[:, None] * out[filled - 1] + entering[:, None] * out[0]


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Waves of a padded map: one half of its symmetric spectrum.

    Parameters
    ----------
    blocks : list of (rows, n) complex64
        Columns in rising order, `BLOCK_COLUMNS` to a block: reading a few columns from whole rows
        would take as long as all arithmetic on them.
    shape : tuple of int
        Rows and columns of the padded map.
    """

    blocks: list[NDArray[np.complex64]]
    shape: tuple[int, int]


def spectrum_of(padded: NDArray[np.float32]) -> Spectrum:
    """Waves of a padded map; `padded` may be overwritten.

    The shortest wave of an even side has no unique direction, so it is set to zero: otherwise a
    rotated map would not give the rotated wind.
    """
    rows, cols = padded.shape
    waves = fft.rfft2(padded, workers=numba.get_num_threads(), overwrite_x=True)
    if rows % 2 == 0:
        waves[rows // 2] = 0
    if cols % 2 == 0:
        waves[:, cols // 2] = 0
    firsts = range(0, waves.shape[1], BLOCK_COLUMNS)
    return Spectrum([waves[:, c : c + BLOCK_COLUMNS].copy() for c in firsts], (rows, cols))


def wavenumbers(shape: tuple[int, int], cell_m: float) -> list[NDArray[np.float32]]:
    """Wavenumbers down the rows (all) and along the columns (those not below 0), 1/m."""
    rows, cols = shape
    turns = fft.fftfreq(rows, cell_m), fft.rfftfreq(cols, cell_m)
    return [(2 * np.pi * f).astype(np.float32) for f in turns]


def apply_wind(
    spectrum: Spectrum,
    crop: tuple[int, int],
    cell_m: float,
    downwind: tuple[float, float],
    tables: WaveTables,
    work: NDArray[np.complex64] | None = None,
) -> NDArray[np.float32]:
    """Change of the wind in one direction, per unit of the wind over flat, open terrain.

    The changes along the wind and to its right are two real maps, so one complex transform gives
    both.

    Parameters
    ----------
    spectrum : Spectrum
        Spectrum of the padded map; not changed.
    crop : tuple of int
        Rows and columns of the padded map to return.
    cell_m : float
        Side of a cell, m.
    downwind : tuple of float
        Unit step (columns, rows) in which the wind blows.
    tables : WaveTables
        The theory at the height required.
    work : (crop rows, padded cols) complex64, optional
        Working array, so that many directions use the same memory; it is overwritten.

    Returns
    -------
    (rows, cols, 2) float32
        Along the wind, and to its right; a view into `work`.
    """
    cols = spectrum.shape[1]
    if work is None:
        work = np.empty((crop[0], cols), np.complex64)
    down, along = wavenumbers(spectrum.shape, cell_m)
    theory = Theory(
        np.float32(downwind[0]),
        np.float32(downwind[1]),
        np.int32(tables.wave_start),
        np.int32(tables.share_start),
        _with_steps(tables.wave),
        _with_steps(tables.share),
    )

    waiting = iter(range(len(spectrum.blocks)))

    def _columns(_: int) -> None:
        """Transform columns, a block at a time; the rows of the pad are not needed afterwards."""
        # Reused for every block: new memory would take as long as the arithmetic.
        buffers = [np.empty_like(spectrum.blocks[0]) for _ in range(2)]
        for number in waiting:
            block = spectrum.blocks[number]
            first, count = number * BLOCK_COLUMNS, block.shape[1]
            here = along[first : first + count]
            direct, mirrored = (_first_columns(buffer, count) for buffer in buffers)
            _pack_columns(pairs(block), down, here, theory, pairs(direct), pairs(mirrored))
            work[:, first : first + count] = _inverse(direct, 0)[: crop[0]]
            # Column 0 and, for an even number, the middle column are their own mirror images.
            low, high = max(first, 1), min(first + count, cols - along.size + 1)
            if high > low:
                images = _inverse(mirrored, 0)[
                    : crop[0], first + count - high : first + count - low
                ]
                work[:, cols - high + 1 : cols - low + 1] = images

    map_threads(_columns, range(numba.get_num_threads()))
    map_threads(
        lambda row: _inverse(work[row : row + STRIP_ROWS], 1), range(0, crop[0], STRIP_ROWS)
    )
    return pairs(work)[:, : crop[1]]


def _first_columns(buffer: NDArray[np.complex64], count: int) -> NDArray[np.complex64]:
    """An array with this number of columns, in C order, in the memory of a buffer."""
    rows = buffer.shape[0]
    return buffer.reshape(-1)[: rows * count].reshape(rows, count)


def _inverse(values: NDArray[np.complex64], axis: int) -> NDArray[np.complex64]:
    """Inverse transform in place, on one thread."""
    return fft.ifft(values, axis=axis, workers=1, overwrite_x=True)


def pairs(values: NDArray[np.complex64]) -> NDArray[np.float32]:
    """The same numbers with real and imaginary part along a third axis, not copied."""
    return values.view(np.float32).reshape(*values.shape, 2)


def _with_steps(table: NDArray[np.float32]) -> NDArray[np.float32]:
    """Each node with the step to the next, so that a look-up reads one memory location."""
    return np.ascontiguousarray(np.hstack([table[:-1], np.diff(table, axis=0)]))


@kernel(inline="always")
def _look_up(table, start, argument):  # type: ignore[no-untyped-def]
    """Both columns of a table at an argument; constant beyond the ends."""
    # 32 bits throughout: wider numbers would prevent vector instructions.
    last = np.int32((table.shape[0] - 1) << SHIFT)
    bits = np.int32(np.float32(argument).view(np.int32) - start)
    bits = np.int32(0) if bits < np.int32(0) else bits
    bits = last if bits > last else bits
    at = np.int32(bits >> SHIFT)
    share = np.float32(np.int32(bits & _LOW_BITS)) * _TO_SHARE
    return table[at, 0] + share * table[at, 2], table[at, 1] + share * table[at, 3]


class Theory(NamedTuple):
    """Wind direction and tables in the form the kernel requires, each node with the step to the
    next.

    ``east, south`` is the unit step downwind; ``wave_start, share_start`` and ``wave, share`` are
    those of `WaveTables`, the tables (n, 4).
    """

    east: np.float32
    south: np.float32
    wave_start: np.int32
    share_start: np.int32
    wave: NDArray[np.float32]
    share: NDArray[np.float32]


@kernel(nogil=True)
def _pack_columns(waves, down, along, theory, direct, mirrored):  # type: ignore[no-untyped-def]
    """Columns of the spectrum whose real and imaginary parts are the change along and to the right.

    Only half of the spectrum of a real map is stored. The other half is its conjugate: row r
    corresponds to row -r and column c to column -c, so the columns also give those on the other
    side (`mirrored`, in rising order). Complex numbers are pairs, and each row is processed in
    short loops, so that the compiler uses vector instructions.
    """
    rows, count = waves.shape[0], waves.shape[1]
    east, south = theory.east, theory.south
    work = np.empty((4, count), np.float32)
    amplitude, per_wave, real, imaginary = work[0], work[1], work[2], work[3]
    for pair in range(rows // 2 + 1):
        for j in range(count):
            squares = along[j] * along[j] + down[pair] * down[pair]
            amplitude[j], per_wave[j] = _look_up(theory.wave, theory.wave_start, squares)
        # Rows r and -r have waves of the same length, so factors of length are the same.
        for side in range(1 if 2 * pair % rows == 0 else 2):
            row = rows - pair if side else pair
            mirror, y = (rows - row) % rows, down[row]
            for j in range(count):
                shift = per_wave[j] * abs(along[j] * east + y * south)
                real[j], imaginary[j] = _look_up(theory.share, theory.share_start, shift)
            for j in range(count):
                k = along[j] * east + y * south
                # For k < 0 the factor is conjugated: k gives the real part its sign, and the
                # imaginary part does not change sign.
                at_once = amplitude[j] * k * real[j]
                late = amplitude[j] * abs(k) * imaginary[j]
                h_real, h_imaginary = waves[row, j, 0], waves[row, j, 1]
                real[j] = h_real * at_once - h_imaginary * late
                imaginary[j] = h_real * late + h_imaginary * at_once
            for j in range(count):
                k, m = along[j] * east + y * south, y * east - along[j] * south
                direct[row, j, 0] = real[j] * k - imaginary[j] * m
                direct[row, j, 1] = imaginary[j] * k + real[j] * m
                mirrored[mirror, count - 1 - j, 0] = real[j] * k + imaginary[j] * m
                mirrored[mirror, count - 1 - j, 1] = real[j] * m - imaginary[j] * k
