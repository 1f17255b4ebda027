"""Checks of canopy heights, and of a surface against a ground model, before belts are traced."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.errors import InputError

Field = NDArray[np.float32]

LARGEST_CELL_M = 5.0
"""Side of a cell above which hedges do not show, m."""
TALLEST_M = 100.0
"""Highest canopy that is believed, m; the tallest trees of Europe have about 70 m (assumed)."""
DEEPEST_M = -20.0
"""Lowest canopy height that noise, a shaft or a bridge explains, m (assumed)."""
OFFSET_M = 0.5
"""Height of open ground above the ground model from which an offset is reported, m (assumed)."""
SHIFT_CELLS, SHIFT_SHARE = 0.75, 0.3
"""A shift is reported from this length, where it explains this share of the differences on open
ground (assumed)."""
DUG_M, DUG_SHARE = 1.0, 0.01
"""Surface below the ground by this much, m, on this share of the cells: the ground changed
(assumed)."""
BLOCK_M = 50.0
"""Side of the blocks in which open ground is searched for, m."""
FEET_PER_M = 1.0 / 0.3048
FEET_TOLERANCE = 0.05
LEAST_RELIEF_M = 5.0
MOST_CELLS = 4_000_000
"""Cells on which the shift is estimated at most."""


class Shift(NamedTuple):
    """Shift of a surface against a ground model.

    Parameters
    ----------
    east_m, north_m : float
    explained : float
        Share of the variance of differences on open ground that it explains.
    """

    east_m: float
    north_m: float
    explained: float


def check_canopy(height: Field, cell_m: float, where: str) -> None:
    """Refuse rasters that are not canopy heights in metres above ground.

    Parameters
    ----------
    height : (rows, cols) float32
        m; NaN where missing.
    cell_m : float
    where : str
        Name in errors.

    Raises
    ------
    InputError
        ``canopy-range``, ``canopy-offset``.
    """
    known = height[np.isfinite(height)]
    if not len(known):
        return
    low, high = float(known.min()), float(known.max())
    if high > TALLEST_M or low < DEEPEST_M:
        raise InputError(
            "canopy-range",
            "This raster does not hold canopy heights above ground in metres.",
            where=where,
            value=f"{low:.1f} to {high:.1f} m",
            hint="Give a surface model with surface and its ground model with dem, or the unit of "
            "the heights with z_unit.",
        )
    # Without values on open ground there is nothing to compare with.
    open_ground = _lowest_level(height, cell_m)
    if open_ground > OFFSET_M and len(known) > height.size / 2:
        raise InputError(
            "canopy-offset",
            "Open ground has a canopy height well above 0: the raster has an offset.",
            where=where,
            value=f"{open_ground:.1f} m on open ground",
            hint="Subtract this offset, or make the raster again from a surface and a ground "
            "model of one survey.",
        )


def _lowest_level(height: Field, cell_m: float) -> float:
    """Height of open ground, m: low values in blocks of 50 m, in the lower quarter of blocks."""
    low = _block_percentile(height, max(2, round(BLOCK_M / cell_m)), 5.0)
    return float(np.percentile(low, 25.0)) if len(low) else 0.0


def _block_percentile(values: Field, side: int, percentile: float) -> NDArray[np.float64]:
    """A percentile of the known values of each block, without blocks that are mostly missing."""
    high, wide = (min(side, n) for n in values.shape)
    rows, cols = values.shape[0] // high, values.shape[1] // wide
    whole = values[: rows * high, : cols * wide].reshape(rows, high, cols, wide)
    blocks = whole.swapaxes(1, 2).reshape(rows * cols, high * wide)
    count = np.isfinite(blocks).sum(axis=1)
    kept = 2 * count > high * wide
    blocks, count = blocks[kept], count[kept]
    if count.min(initial=high * wide) == high * wide:
        return np.percentile(blocks, percentile, axis=1).astype(float)
    # Missing values come last, so that the others can be counted from the smallest.
    ordered = np.sort(np.where(np.isfinite(blocks), blocks, np.nan), axis=1)
    place = (count - 1) * percentile / 100.0
    below = place.astype(np.int64)
    above, row = np.minimum(below + 1, count - 1), np.arange(len(count))
    low, high_values = ordered[row, below].astype(float), ordered[row, above].astype(float)
    return low + (place - below) * (high_values - low)


def check_models(surface: Field, ground: Field, cell_m: float, where: str) -> None:
    """Refuse a surface and a ground model that do not fit each other.

    Parameters
    ----------
    surface, ground : (rows, cols) float32
        Elevation on the same cells, m; NaN where missing.
    cell_m : float
    where : str
        Name in errors.

    Raises
    ------
    InputError
        ``models-differ``, with the evidence: another unit, a vertical offset, a horizontal shift,
        or ground that changed between two surveys.
    """
    above = surface - ground
    if not np.isfinite(above).any():
        raise _differ(
            "The surface and the ground model have no cell in common.",
            where,
            "no common cell",
            "Compare both in your GIS; one may have the wrong coordinate system.",
        )
    _check_unit(surface, ground, cell_m, where)
    offset = _lowest_level(above, cell_m)
    # A shift also raises and lowers slopes, so it is examined before the offset.
    shift = shift_between(surface - offset, ground, cell_m)
    if np.hypot(shift.east_m, shift.north_m) > SHIFT_CELLS * cell_m:
        raise _differ(
            "The surface model is shifted against the ground model.",
            where,
            f"{shift.east_m:+.1f} m east, {shift.north_m:+.1f} m north, which explains "
            f"{100 * shift.explained:.0f} % of the differences on open ground",
            "Check the coordinate systems and the corner of the first cell of both files.",
        )
    if abs(offset) > OFFSET_M:
        raise _differ(
            "Open ground differs in height between the surface and the ground model: they have "
            "different vertical datums, or are from different surveys.",
            where,
            f"open ground {offset:+.1f} m above the ground model",
            "Use two models of one survey, or convert one to the vertical datum of the other.",
        )
    dug = float((above < -DUG_M).sum() / np.isfinite(above).sum())
    if dug > DUG_SHARE:
        raise _differ(
            "The surface is below the ground on part of the map: the ground changed between two "
            "surveys.",
            where,
            f"more than {DUG_M:g} m below the ground on {100 * dug:.1f} % of the cells",
            "Use a surface and a ground model of the same survey.",
        )


def _differ(what: str, where: str, value: str, hint: str) -> InputError:
    return InputError("models-differ", what, where=where, value=value, hint=hint)


def _check_unit(surface: Field, ground: Field, cell_m: float, where: str) -> None:
    """Refuse two models of which one is in feet: all heights then differ by one factor."""
    both = np.isfinite(surface) & np.isfinite(ground)
    side = max(2, round(BLOCK_M / cell_m))
    low = [_block_percentile(np.where(both, v, np.nan), side, 10.0) for v in (surface, ground)]
    if len(low[0]) < 3:
        return
    if np.ptp(low[1]) >= LEAST_RELIEF_M:
        factor = float(np.polyfit(low[1], low[0], 1)[0])
    else:
        factor = float(np.median(low[0]) / max(abs(np.median(low[1])), 1.0))
    for expected, text in ((FEET_PER_M, "surface model"), (1 / FEET_PER_M, "ground model")):
        if abs(factor / expected - 1) < FEET_TOLERANCE:
            raise _differ(
                f"The {text} is in feet, the other one in metres.",
                where,
                f"heights of open ground differ by a factor of {factor:.2f}",
                "Convert both models to metres in your GIS.",
            )


def shift_between(surface: Field, ground: Field, cell_m: float) -> Shift:
    """Horizontal shift of a surface against a ground model, from slopes of open ground.

    Parameters
    ----------
    surface, ground : (rows, cols) float32
        Elevation on the same cells, m.
    cell_m : float

    Returns
    -------
    Shift
        0 where the ground is too even to show a shift.

    Notes
    -----
    A model shifted by (e, n) is too high by −(e, n)·∇z. Differences on open ground are fitted by
    least squares, three times, without what deviates: canopy and buildings.

    References
    ----------
    Nuth and Kääb 2011, The Cryosphere 5:271-290, in a linear form (status M).
    """
    every = max(1, int(np.ceil(np.sqrt(surface.size / MOST_CELLS))))
    smooth = ndimage.uniform_filter(ground, 3, mode="nearest")
    down, east = (g[::every, ::every].ravel() for g in np.gradient(smooth, cell_m))
    above = (surface - ground)[::every, ::every].ravel()
    good = np.isfinite(above) & np.isfinite(down) & np.isfinite(east) & (np.abs(above) < 5.0)
    terms = np.stack([-east, down, np.ones_like(down)], axis=1).astype(float)
    fit = np.zeros(3)
    for _ in range(3):
        if good.sum() < 100:
            return Shift(0.0, 0.0, 0.0)
        fit = np.linalg.lstsq(terms[good], above[good].astype(float), rcond=None)[0]
        rest = above - terms @ fit
        middle = np.median(rest[good])
        spread = 1.48 * np.median(np.abs(rest[good] - middle))
        good &= np.abs(rest - middle) <= 2.5 * max(float(spread), 0.02)
    rest = above[good] - terms[good] @ fit
    total = float(np.var(above[good]))
    explained = 1.0 - float(np.var(rest)) / total if total > 0 else 0.0
    if explained < SHIFT_SHARE:
        return Shift(0.0, 0.0, max(explained, 0.0))
    return Shift(float(fit[0]), float(fit[1]), explained)
