"""What makes the porosity in a photograph doubtful."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, maximum_filter, minimum_filter, uniform_filter

from shelterscape.science.sky_share import SkyShare

FEW_PIXELS = 150
"""Width or height of a belt in a photograph below which it is called small (assumed)."""

SATURATED, OVEREXPOSED_SHARE = 252, 0.3
"""Value from which a colour is saturated, and the share of the sky with saturated blue from which a
photograph is overexposed (assumed)."""

SUN_SHARE, SUN_FILL = (0.0003, 0.15), 0.5
"""Share of the examined pixels in the largest saturated spot, from and to, and the part of the
square around it that it fills, for which the sun is suspected (assumed)."""

DARK_LUMINANCE, LOW_CONTRAST = 0.12, 3.0
"""Luminance of the sky and ratio of sky to vegetation in the blue channel below which a photograph
is too dark, or without contrast (assumed)."""

SHARP_STEP = 0.2
"""Change of the share of sky from pixel to pixel that one in a hundred exceeds in a sharp
photograph (assumed)."""

BETWEEN, BETWEEN_EVEN, BETWEEN_SIDE, BETWEEN_SHARE = (0.2, 0.75), 0.25, 7, 0.015
"""An even surface between sky and vegetation: its share of sky, how much that varies in a square of
pixels, the side of the square, and the share of the belt from which it is reported (assumed). In a
smaller square, twigs finer than a pixel would be even too."""

MIXED, MIXED_SHARE = (0.2, 0.8), 0.4
"""Share of sky of pixels that are neither clearly sky nor vegetation, and the share of the belt
from which they are reported (assumed). Of 160 invented pictures, it was above in 48 % of those with
an error above 0.05, and in 5 % of all others."""

CLOSED, OPEN = 0.005, 0.05
"""Porosity of the lowest tenths of height that show no sky, and of the whole belt for which that is
reported (assumed)."""

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)


def faults_of(
    rgb: NDArray[np.uint8],
    found: SkyShare,
    belt: NDArray[np.bool_],
    examined: NDArray[np.bool_],
    by_height: NDArray[np.float64],
    size: tuple[int, int],
) -> list[str]:
    """Faults of a photograph, in words.

    Parameters
    ----------
    rgb : (rows, cols, 3) uint8
    found : SkyShare
    belt, examined : (rows, cols) bool
        Pixels of the belt, and those together with the sky above it.
    by_height : (10,) float64
        Porosity of tenths of height, from the ground.
    size : tuple of int
        Rows and columns of the belt in the photograph.

    Returns
    -------
    list of str
        Most serious first.
    """
    parts = [
        _only_one(found),
        _light(found, examined),
        _saturated(rgb, found, examined),
        _blur(found, belt),
        _behind(found, belt),
        _mixed(found, belt),
        _closed_below(by_height),
    ]
    if min(size) < FEW_PIXELS:
        parts.append(f"the belt is small, {size[1]} × {size[0]} pixels")
    return [text for text in parts if text]


def _only_one(found: SkyShare) -> str:
    if not np.isnan(found.contrast):
        return ""
    which = "sky" if found.share.flat[0] > 0.5 else "vegetation"
    return f"only {which} was found: check the outline and the picture"


def _light(found: SkyShare, examined: NDArray[np.bool_]) -> str:
    sky = found.light[examined & (found.share > 0.8)]
    if len(sky) and float((sky @ LUMINANCE).mean()) < DARK_LUMINANCE:
        return "the photograph is too dark"
    if found.contrast < LOW_CONTRAST:
        return "little contrast between sky and vegetation"
    return ""


def _saturated(rgb: NDArray[np.uint8], found: SkyShare, examined: NDArray[np.bool_]) -> str:
    bright = (rgb.min(axis=2) >= SATURATED) & examined
    count = np.count_nonzero(bright)
    sky = np.count_nonzero((found.share > 0.8) & examined)
    # Blue is saturated first: light that mixes with it is then too near to that of the sky.
    if sky and np.count_nonzero((rgb[..., 2] >= SATURATED) & examined) > OVEREXPOSED_SHARE * sky:
        return "the sky is overexposed: twigs may be lost in it, and porosity is then too high"
    low, high = (share * np.count_nonzero(examined) for share in SUN_SHARE)
    if count < low:
        return ""
    spots, _ = label(bright)
    sizes = np.bincount(spots.ravel())[1:]
    largest = int(sizes.argmax())
    row, col = np.nonzero(spots == largest + 1)
    square = max(np.ptp(row), np.ptp(col)) + 1
    if low <= sizes[largest] <= high and sizes[largest] > SUN_FILL * square**2:
        return "the sun, or its glare, seems to be in the photograph"
    return ""


def _blur(found: SkyShare, belt: NDArray[np.bool_]) -> str:
    """Blur: no sharp step between sky and vegetation."""
    if np.isnan(found.contrast):
        return ""
    share = np.clip(found.share, 0, 1)
    if not OPEN < float(share[belt].mean()) < 1 - OPEN:
        return ""  # too few edges
    steps = np.abs(np.diff(share, axis=1))[belt[:, 1:] & belt[:, :-1]]
    # Of steps at edges alone: a belt with few twigs may be sharp.
    steps = steps[steps > 0.03]
    if len(steps) < 100 or np.quantile(steps, 0.99) >= SHARP_STEP:
        return ""
    return "the photograph is blurred"


def _behind(found: SkyShare, belt: NDArray[np.bool_]) -> str:
    """Even surfaces that are neither sky nor vegetation, such as a hill behind the belt."""
    if np.isnan(found.contrast):
        return ""
    share = uniform_filter(found.share, 3, mode="nearest")
    range_around = maximum_filter(share, BETWEEN_SIDE) - minimum_filter(share, BETWEEN_SIDE)
    even = range_around < BETWEEN_EVEN
    between = even & (share > BETWEEN[0]) & (share < BETWEEN[1]) & belt
    part = float(between.sum()) / max(float(belt.sum()), 1.0)
    if part < BETWEEN_SHARE:
        return ""
    return (
        f"{100 * part:.0f} % of the belt is neither sky nor vegetation: a hill or building behind, "
        "or haze"
    )


def _mixed(found: SkyShare, belt: NDArray[np.bool_]) -> str:
    """Vegetation nearly as bright as the sky, which no threshold separates from it."""
    share = found.share[belt]
    part = float(np.mean((share > MIXED[0]) & (share < MIXED[1])))
    if part < MIXED_SHARE:
        return ""
    return (
        f"{100 * part:.0f} % of the belt is neither clearly sky nor clearly vegetation: sunlit or "
        "coloured leaves, flowers, snow, pale bark, or twigs finer than a pixel"
    )


def _closed_below(by_height: NDArray[np.float64]) -> str:
    closed = 0
    while closed < len(by_height) and by_height[closed] < CLOSED:
        closed += 1
    if not closed or closed > 7 or by_height[closed:].mean() < OPEN:
        return ""
    share = f"the lowest {closed * 10} % of the height shows no sky"
    return f"{share}: if a hill or the ground is behind it, raise the lower edge of the outline"
