"""Share of sky in each pixel of a photograph, by colour and brightness.

Light from sky and vegetation mixes linearly within a pixel, so the share of sky is the position of
a pixel between the light of pure vegetation (0) and that of pure sky (1). Both are found in the
photograph itself: first by the blue channel, in which leaves and bark are darkest; then from pixels
well inside either, along the direction in colour that separates them best. The light of the sky
may vary over the photograph. No pixel is forced to one class: twigs thinner than a pixel count with
the share that they cover.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter, uniform_filter, zoom

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

SAMPLE = 100_000
"""Most pixels of a class from which its light is found."""

ROUNDS = 4
"""Times that classes and their light are found again."""

SKY_BLUE, SKY_BLUE_TO_GREEN, SKY_LUMINANCE = 0.12, 0.85, 0.5
"""Light is that of sky if it has this much blue and this ratio of blue to green, or this luminance
(assumed). Leaves have a ratio below 0.6."""

ALL_SKY_BLUE_TO_GREEN, ALL_SKY_CONTRAST = 0.97, 6.0
"""Where even the darkest light has this ratio of blue to green, and the brightest at most this many
times its blue, all is sky (assumed)."""

DARKEST, BRIGHTEST = 0.25, 0.1
"""Shares of the two classes that decide whether both are sky, or both vegetation."""

DIM = 0.01
"""Light added before logarithms are taken, so that noise in the dark does not count (assumed)."""

FEWEST = 0.0005
"""Share of pixels below which a class is not one (assumed)."""

SURROUNDINGS, ENOUGH = (11, 9, 7, 5, 3), 0.005
"""Sides of the squares, pixels, around a pixel well inside its class, and the share of pixels from
which a size is used: compression spreads colour over several pixels."""

PURE = 0.22
"""A pixel well inside a class, and those around it, differ from the light of the class by less than
this share of the difference between the two (assumed)."""

BLOCK, BLOCKS_AROUND = 16, 3.0
"""Pixels on a side of blocks in which the light of the sky is averaged, and the standard deviation
in blocks of the weights with which blocks around count."""

MOST_BLOCK_WEIGHT = 60.0
"""Most pixels of pure sky that count in a block (assumed)."""

PRIOR_PIXELS = 30.0
"""Pixels of pure sky in and around a block that weigh as much as the smooth surface fitted to the
sky of the whole photograph (assumed)."""

STIFFNESS = (0.0, 0.005, 0.005, 0.02, 0.02, 0.02)
"""Penalties of the coefficients of that surface (1, x, y, x², xy, y²): it hardly bends where there
is no sky (assumed)."""

SKY_WEIGHTS, EVEN, SKY_LEAST = {7: 1.0, 5: 1.0, 3: 0.2}, 0.8, 0.35
"""Weights of pixels inside the sky by the side of the square around them, pixels; the lowest
divided by the highest share in it, and the lowest share (assumed)."""

BOUNDS = (-0.5, 1.5)
"""Positions beyond these, such as glints, are set to these."""


@dataclass(frozen=True)
class SkyShare:
    """Share of sky in the pixels of a photograph.

    Parameters
    ----------
    share : (rows, cols) float32
        0 for vegetation, 1 for sky. Single pixels may be outside these because light varies; means
        over many pixels are not biased by that.
    light : (rows, cols, 3) float32
        Linear light.
    contrast : float
        Light of the sky divided by that of vegetation, in the blue channel; NaN with only one.
    """

    share: Field
    light: Field
    contrast: float


def linear_light(encoded: NDArray[np.uint8]) -> Field:
    """Linear light of encoded values, 0 to 1.

    Parameters
    ----------
    encoded : array of uint8
        Values with the transfer curve of sRGB.

    Returns
    -------
    array of float32

    References
    ----------
    IEC 61966-2-1 (status M).
    """
    value = np.arange(256) / 255
    table = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(table.astype(np.float32)[encoded])


def sky_share(rgb: NDArray[np.uint8], inside: Mask) -> SkyShare:
    """Share of sky in each pixel.

    Parameters
    ----------
    rgb : (rows, cols, 3) uint8
    inside : (rows, cols) bool
        Pixels in which sky and vegetation are found: those of the belt, and of the sky above it.

    Returns
    -------
    SkyShare
    """
    light = linear_light(rgb)
    blue = light[..., 2]
    sky = blue > _two_classes(_sampled(blue[inside]))
    one = _only_one(light, sky, inside)
    if one is not None:
        return SkyShare(np.full(sky.shape, one, np.float32), light, np.nan)
    share = sky.astype(np.float32)
    for _ in range(ROUNDS):
        weight, pure_belt = _pure_sky(share, inside), _pure_belt(share, inside)
        position = _position(light, weight, pure_belt)
        share = position / _sky_around(position, weight)
    pure_sky = weight > 0
    contrast = float(blue[pure_sky].mean() / max(float(blue[pure_belt].mean()), 1e-3))
    return SkyShare(np.clip(share, *BOUNDS), light, contrast)


def _sampled(values: NDArray[np.floating]) -> NDArray[np.floating]:
    return values[:: max(1, len(values) // SAMPLE)]


def _pure_belt(share: Field, inside: Mask) -> Mask:
    """Pixels well inside vegetation, with the widest surroundings that enough of them have."""
    for size in SURROUNDINGS:
        found = (maximum_filter(share, size, mode="nearest") < PURE) & inside
        if np.count_nonzero(found) >= ENOUGH * np.count_nonzero(inside):
            return np.asarray(found)
    return (share <= np.quantile(share[inside], ENOUGH)) & inside


def _pure_sky(share: Field, inside: Mask) -> Field:
    """Weights of pixels well inside the sky; 0 for all others."""
    smooth = uniform_filter(share, 3, mode="nearest")
    weight = np.zeros(share.shape, np.float32)
    for size, each in SKY_WEIGHTS.items():
        low = minimum_filter(smooth, size, mode="nearest")
        even = low > EVEN * maximum_filter(smooth, size, mode="nearest")
        weight += np.float32(each) * (even & (low > SKY_LEAST) & inside)
    if weight.any():
        return weight
    return ((share >= np.quantile(share[inside], 1 - ENOUGH)) & inside).astype(np.float32)


def _position(light: Field, weight: Field, pure_belt: Mask) -> Field:
    """Position of light between pure vegetation and pure sky, along the line between both."""
    chosen = weight > 0
    sky = np.average(
        _sampled(light[chosen]).astype(float), axis=0, weights=_sampled(weight[chosen])
    )
    belt = _sampled(light[pure_belt]).mean(axis=0, dtype=float)
    weights = (sky - belt) / ((sky - belt) @ (sky - belt))
    return np.asarray(light @ weights.astype(np.float32) - np.float32(weights @ belt))


def _sky_around(position: Field, sky: Field) -> Field:
    """Position of the sky around each pixel: of blocks nearby, else of a smooth surface."""
    rows, cols = position.shape
    down, across = -(-rows // BLOCK), -(-cols // BLOCK)
    padding = ((0, down * BLOCK - rows), (0, across * BLOCK - cols))
    blocks = (down, BLOCK, across, BLOCK)
    weight = np.pad(sky, padding).reshape(blocks).sum(axis=(1, 3), dtype=float)
    total = np.pad(sky * position, padding).reshape(blocks).sum(axis=(1, 3), dtype=float)
    y, x = np.meshgrid(*(np.linspace(-1, 1, n) if n > 1 else [0.0] for n in (down, across)),
                       indexing="ij")  # fmt: skip
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    # Open sky above a belt must not outweigh the sky in its gaps, which may be brighter.
    reduced = np.minimum(1.0, MOST_BLOCK_WEIGHT / np.maximum(weight, 1e-9))
    weight, total = weight * reduced, total * reduced
    known = weight > 0
    share = weight[known] / weight.sum()
    normal = (terms[known] * share[:, None]).T @ terms[known] + np.diag(STIFFNESS)
    right = terms[known].T @ (total[known] / weight.sum())
    surface = terms @ np.linalg.solve(normal, right)
    surface = np.clip(surface, 0.4, 1.6)
    # A Gaussian of blocks with a sum of weights of 1 would make pixels count less when far.
    spread = 2 * np.pi * BLOCKS_AROUND**2
    near = spread * gaussian_filter(weight, BLOCKS_AROUND, mode="constant")
    near_total = spread * gaussian_filter(total, BLOCKS_AROUND, mode="constant")
    blended = (near_total + PRIOR_PIXELS * surface) / (near + PRIOR_PIXELS)
    fine = zoom(blended, BLOCK, order=1, mode="nearest", grid_mode=True)
    return np.asarray(np.maximum(fine[:rows, :cols], 0.2), np.float32)


def _only_one(light: Field, sky: Mask, inside: Mask) -> float | None:
    """1 or 0 if both classes are sky or both are vegetation; else None."""
    bright, dark = (_sampled(light[mask & inside]).astype(float) for mask in (sky, ~sky))
    fewest = FEWEST * (len(bright) + len(dark))
    if len(bright) < max(fewest, 10) or not _is_sky(_part(bright, 1 - BRIGHTEST, 1.0)):
        # With too few bright pixels the darker class may still be sky alone.
        return 1.0 if len(dark) and _is_sky(_part(dark, 0.0, DARKEST)) else 0.0
    if len(dark) < max(fewest, 10):
        return 1.0
    darkest, brightest = _part(dark, 0.0, DARKEST), _part(bright, 1 - BRIGHTEST, 1.0)
    both = _is_sky(darkest) and darkest[2] >= ALL_SKY_BLUE_TO_GREEN * darkest[1]
    return 1.0 if both and brightest[2] < ALL_SKY_CONTRAST * darkest[2] else None


def _part(light: Array, low: float, high: float) -> Array:
    """Mean light of the pixels between two quantiles of brightness."""
    total = light.sum(axis=1)
    first, last = np.quantile(total, [low, high])
    return np.asarray(light[(total >= first) & (total <= last)].mean(axis=0))


def _is_sky(light: Array) -> bool:
    coloured = light[2] >= SKY_BLUE and light[2] >= SKY_BLUE_TO_GREEN * light[1]
    return bool(coloured or light @ np.array([0.2126, 0.7152, 0.0722]) >= SKY_LUMINANCE)


def _two_classes(values: NDArray[np.floating]) -> float:
    """Threshold with the largest variance between the classes it separates.

    References
    ----------
    Otsu 1979, IEEE Transactions on Systems, Man and Cybernetics 9:62-66 (status M).
    """
    counts, edges = np.histogram(
        np.log(values + DIM), bins=256, range=(float(np.log(DIM)), float(np.log(1 + DIM)))
    )
    middles = (edges[1:] + edges[:-1]) / 2
    below = np.cumsum(counts).astype(float)
    above = len(values) - below
    total = np.cumsum(counts * middles)
    apart = (total[-1] - total) / np.maximum(above, 1) - total / np.maximum(below, 1)
    between = below * above * apart**2
    best = np.flatnonzero(between >= between.max() * (1 - 1e-12))
    return float(np.exp(edges[1:][best].mean()) - DIM)
