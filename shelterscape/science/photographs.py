"""Optical porosity of a belt in a photograph: whole, by height, along the belt, and gaps."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from PIL import Image
from rasterio.features import rasterize
from scipy.ndimage import uniform_filter1d

from shelterscape.errors import InputError
from shelterscape.science.photograph_faults import faults_of
from shelterscape.science.sky_share import SkyShare, sky_share

Array = NDArray[np.float64]

TENTHS, PARTS = 10, 20
"""Bands of height, and parts along the belt."""

WHOLE = "whole"
"""Outline of a photograph that is cropped to the belt."""

FEWEST_PIXELS = 20
"""Smallest width and height of a belt in a photograph, pixels."""

MOST_WORK_PIXELS = 8_000_000
"""Pixels of the belt and the sky above it beyond which a photograph is reduced."""

ABOVE_SHARE = 0.3
"""Height of the sky above a belt that is examined too, divided by the height of the belt."""

GAP_POROSITY, GAP_LEAST_H, GAPPED_BELOW = 0.9, 0.2, 0.8
"""A gap is at least this porous from bottom to top, and this wide in heights of the belt, where
half of the belt is less porous than the last (assumed)."""

SHOWN_PIXELS = 900
"""Larger side of the picture that is kept for the overlay."""

METHOD_SPREAD, ONE_SPREAD = 0.03, 0.05
"""Smallest spread; and the spread where one photograph does not show how the belt varies (assumed).
On pictures without a fault that are drawn in another way than those of `belt_pictures`, the error
has a root mean square of 0.02."""


@dataclass(frozen=True)
class Gap:
    """A gap in a belt.

    Parameters
    ----------
    begins_share, ends_share : float
        Position along the belt in the photograph, from its left end, 0 to 1.
    width_h : float
        Width divided by the height of the belt.
    """

    begins_share: float
    ends_share: float
    width_h: float


@dataclass(frozen=True)
class PhotographResult:
    """Porosity of a belt in one photograph.

    Parameters
    ----------
    porosity, porosity_low : float
        Of the whole belt and of its lower half, 0 to 1.
    by_height : (10,) float64
        Porosity of the tenths of height, from the ground.
    along : (20,) float64
        Porosity of parts of equal width, from the left.
    gaps : list of Gap
    rows, cols : int
        Size of the belt in the photograph, pixels.
    faults : list of str
        What makes the result doubtful, in words; empty for none.
    shown : (rows, cols, 3) uint8
        The part of the photograph that was examined, reduced.
    shown_sky : (rows, cols) float32
        Share of sky in it; NaN outside the outline.
    """

    porosity: float
    porosity_low: float
    by_height: Array
    along: Array
    gaps: list[Gap]
    rows: int
    cols: int
    faults: list[str]
    shown: NDArray[np.uint8]
    shown_sky: NDArray[np.float32]


def outline_from(text: str, size: tuple[int, int], where: str) -> Array:
    """Corners of a belt in a photograph.

    Parameters
    ----------
    text : str
        ``x y, x y, …`` in pixels from the upper left corner, or ``whole``.
    size : tuple of int
        Rows and columns of the photograph.
    where : str
        Name of the photograph in errors.

    Returns
    -------
    (n, 2) float64
        x, y; at least three corners.

    Raises
    ------
    InputError
        ``outline-bad``.
    """
    rows, cols = size
    if text.strip().casefold() == WHOLE:
        return np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]], dtype=float)
    corners = [re.split(r"\s+", part.strip()) for part in re.split(r"[,;]", text) if part.strip()]
    try:
        found = np.array([[float(x), float(y)] for x, y in corners]).reshape(-1, 2)
    except ValueError:
        raise _bad_outline("The outline is not a list of corners.", where, text) from None
    if len(found) < 3 or not np.isfinite(found).all():
        raise _bad_outline("The outline has fewer than three corners.", where, text)
    outside = (found < 0).any(axis=1) | (found[:, 0] > cols) | (found[:, 1] > rows)
    if outside.any():
        corner = found[int(np.argmax(outside))]
        what = f"A corner is outside the photograph of {cols} × {rows} pixels."
        raise _bad_outline(what, where, f"{corner[0]:g} {corner[1]:g}")
    if not shapely.Polygon(found).is_valid:
        raise _bad_outline("The sides of the outline cross each other.", where, text)
    if np.ptp(found, axis=0).min() < FEWEST_PIXELS:
        what = f"The belt is less than {FEWEST_PIXELS} pixels wide or high in the photograph."
        raise _bad_outline(what, where, text)
    return found


def _bad_outline(what: str, where: str, value: str) -> InputError:
    return InputError(
        "outline-bad",
        what,
        where=where,
        value=value[:200] or "nothing",
        hint="Give the corners in order around the belt as “x y, x y, x y, x y”, in pixels from "
        "the upper left of the upright photograph, or the word whole.",
    )


def assess(rgb: NDArray[np.uint8], outline: Array) -> PhotographResult:
    """Porosity of the belt within an outline.

    Parameters
    ----------
    rgb : (rows, cols, 3) uint8
    outline : (n, 2) float64
        As `outline_from` returns it.

    Returns
    -------
    PhotographResult

    Notes
    -----
    In each column of pixels the height of the belt is measured between the lower and the upper edge
    of the outline, so that a belt that becomes lower with distance is divided into tenths rightly.
    The sky above the outline, up to 0.3 of its height, helps to find the light of the sky.
    """
    part, corners = _cropped(rgb, outline)
    belt = _mask(part.shape[:2], corners)
    above = _above(belt)
    found = sky_share(part, belt | above)
    sums, counts, columns = _sums(found, belt)
    with np.errstate(invalid="ignore"):
        by_height = _mean(sums.sum(axis=1), counts.sum(axis=1))
        along = _mean(sums.sum(axis=0), counts.sum(axis=0))
    lower = slice(0, TENTHS // 2)
    rows, cols = (int(n) for n in np.ptp(outline, axis=0)[::-1])
    step = max(1, math.ceil(max(part.shape[:2]) / SHOWN_PIXELS))
    sky = np.where(belt, found.share, np.float32(np.nan))[::step, ::step]
    return PhotographResult(
        porosity=float(_mean(sums.sum(), counts.sum())),
        porosity_low=float(_mean(sums[lower].sum(), counts[lower].sum())),
        by_height=by_height,
        along=along,
        gaps=_gaps(*columns),
        rows=rows,
        cols=cols,
        faults=faults_of(part, found, belt, belt | above, by_height, (rows, cols)),
        shown=part[::step, ::step].copy(),
        shown_sky=sky,
    )


def _cropped(rgb: NDArray[np.uint8], outline: Array) -> tuple[NDArray[np.uint8], Array]:
    """The belt with the sky above it, and its outline there; reduced if it is very large."""
    (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    top = max(0.0, top - ABOVE_SHARE * (bottom - top))
    first = np.floor([left, top]).astype(int)
    last = np.ceil([right, bottom]).astype(int)
    part = rgb[first[1] : last[1], first[0] : last[0]]
    factor = math.ceil(math.sqrt(part.shape[0] * part.shape[1] / MOST_WORK_PIXELS))
    if factor > 1:
        part = np.asarray(Image.fromarray(part).reduce(factor))
    return np.ascontiguousarray(part), (outline - first) / factor


def _mask(shape: tuple[int, ...], corners: Array) -> NDArray[np.bool_]:
    """Pixels whose centre is inside an outline."""
    drawn = rasterize([shapely.Polygon(corners)], shape[:2], transform=Affine.identity())
    return np.asarray(drawn > 0)


def _above(belt: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels above the belt, in columns that it has."""
    return ~np.maximum.accumulate(belt, axis=0) & belt.any(axis=0)


def _mean(total: Array, count: Array) -> Array:
    """Means within 0 and 1; NaN where there is no pixel."""
    return np.clip(total / np.where(count > 0, count, np.nan), 0.0, 1.0)


def _sums(found: SkyShare, belt: NDArray[np.bool_]) -> tuple[Array, Array, tuple[Array, Array]]:
    """Sums of sky by tenth of height and part along; pixels in each; and means and heights of
    columns."""
    used = np.flatnonzero(belt.any(axis=0))
    top = belt.argmax(axis=0)
    height = belt.shape[0] - belt[::-1].argmax(axis=0) - top
    row, col = np.nonzero(belt)
    share = found.share[row, col].astype(float)
    from_ground = 1.0 - (row - top[col] + 0.5) / height[col]
    tenth = np.minimum((TENTHS * from_ground).astype(int), TENTHS - 1)
    width = used[-1] - used[0] + 1
    part = np.minimum(PARTS * (col - used[0]) // width, PARTS - 1)
    bins = tenth * PARTS + part
    shape, size = (TENTHS, PARTS), TENTHS * PARTS
    sums = np.bincount(bins, share, size).reshape(shape).astype(float)
    counts = np.bincount(bins, minlength=size).reshape(shape).astype(float)
    by_column: Array = np.bincount(col - used[0], share, width).astype(float)
    in_column = np.bincount(col - used[0], minlength=width)
    columns = (by_column / np.maximum(in_column, 1), height[used[0] : used[-1] + 1].astype(float))
    return sums, counts, columns


def _gaps(porosity: Array, height: Array) -> list[Gap]:
    """Gaps from the mean of each column of pixels, and its height."""
    usual = float(np.median(height))
    smooth = uniform_filter1d(porosity, max(1, round(GAP_LEAST_H * usual / 4)), mode="nearest")
    is_open = np.concatenate([[False], smooth >= GAP_POROSITY, [False]])
    edges = np.flatnonzero(np.diff(is_open.astype(int)))
    width = len(porosity)
    found: list[Gap] = []
    if float(np.median(porosity)) >= GAPPED_BELOW:
        return found  # a belt that is open everywhere has no gap
    for begins, ends in zip(edges[::2], edges[1::2], strict=True):
        width_h = (ends - begins) / max(float(height[begins:ends].mean()), 1.0)
        if width_h >= GAP_LEAST_H:
            found.append(Gap(float(begins / width), float(ends / width), float(width_h)))
    return found


def spread_of(porosity: Array) -> float:
    """Standard deviation with which the porosity of a belt is known.

    Parameters
    ----------
    porosity : (n,) float64
        Of its photographs.

    Returns
    -------
    float
        Standard deviation between photographs, at least `METHOD_SPREAD`; `ONE_SPREAD` for one.
    """
    if len(porosity) < 2:
        return ONE_SPREAD
    return max(METHOD_SPREAD, float(np.std(porosity, ddof=1)))
