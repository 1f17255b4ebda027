"""Invented belts against the sky with known porosity, drawn leaf by leaf or twig by twig.

They make the comparison chart of the survey form and the sample photograph. Nothing here is used to
assess a photograph.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter, zoom

FINER = 3
"""Drawn pixels on a side of a picture pixel: edges within a pixel are drawn too."""

NEAR_SHARE = 0.002
"""Difference from the wanted porosity at which drawing ends."""


def leafy_belt(
    shape: tuple[int, int], porosity: float, seed: int, *, leaf_pixels: float = 9.0
) -> NDArray[np.float32]:
    """Share of sky in each pixel of a belt in leaf.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns, pixels.
    porosity : float
        Share of sky wanted, 0 to 1.
    seed : int
    leaf_pixels : float
        Length of a leaf, pixels.

    Returns
    -------
    (rows, cols) float32
        0 behind leaves, 1 in the sky; the mean differs from `porosity` by less than 0.01.
    """
    rng = np.random.default_rng(seed)

    def leaf(draw: ImageDraw.ImageDraw, size: tuple[int, int]) -> None:
        """One leaf: a pointed oval at any angle."""
        x, y = rng.uniform(0, size[0]), rng.uniform(0, size[1])
        length = FINER * leaf_pixels * rng.uniform(0.6, 1.5)
        angle = rng.uniform(0, 2 * math.pi)
        half = np.array([math.cos(angle), math.sin(angle)]) * length / 2
        side = np.array([-half[1], half[0]]) * rng.uniform(0.35, 0.6)
        middle = np.array([x, y])
        corners = [middle - half, middle + side, middle + half, middle - side]
        draw.polygon([tuple(corner) for corner in corners], fill=0)

    return _drawn(shape, porosity, leaf)


def twiggy_belt(
    shape: tuple[int, int], porosity: float, seed: int, *, twig_pixels: float = 3.0
) -> NDArray[np.float32]:
    """Share of sky in each pixel of a belt without leaves; parameters as of `leafy_belt`.

    Parameters
    ----------
    shape, porosity, seed
    twig_pixels : float
        Mean thickness of twigs, pixels; a tenth of them are branches four times as thick.

    Returns
    -------
    (rows, cols) float32
        0 behind twigs, 1 in the sky.
    """
    rng = np.random.default_rng(seed)

    def twig(draw: ImageDraw.ImageDraw, size: tuple[int, int]) -> None:
        """One twig with two bends, mostly upwards."""
        thick = FINER * twig_pixels * rng.uniform(0.4, 1.6) * (4.0 if rng.random() < 0.1 else 1.0)
        point = np.array([rng.uniform(0, size[0]), rng.uniform(0, size[1])])
        angle = rng.normal(-math.pi / 2, 0.7)
        points = [tuple(point)]
        for _ in range(3):
            angle += rng.normal(0, 0.25)
            point = point + FINER * rng.uniform(8, 40) * np.array(
                [math.cos(angle), math.sin(angle)]
            )
            points.append(tuple(point))
        draw.line(points, fill=0, width=max(1, round(thick)), joint="curve")

    return _drawn(shape, porosity, twig)


LEAVES = (0.008, 0.014, 0.006), (0.10, 0.19, 0.04)
BARK = (0.014, 0.012, 0.010), (0.16, 0.13, 0.10)
"""Linear light of leaves and bark, red, green and blue: in shade and in the sun (assumed)."""

SKIES = ("blue", "grey", "cloudy")
"""Kinds of sky that `photograph_of` draws."""


def photograph_of(
    sky_share: NDArray[np.float32],
    seed: int,
    *,
    sky: str = "blue",
    leaves: bool = True,
    exposure: float = 1.0,
    noise: float = 0.015,
) -> NDArray[np.uint8]:
    """A picture as a camera would take it of an invented belt.

    Parameters
    ----------
    sky_share : (rows, cols) float32
        Share of sky in each pixel.
    seed : int
    sky : str
        One of `SKIES`.
    leaves : bool
        Whether the belt is green; otherwise it has the colours of bark.
    exposure : float
        Factor of all light.
    noise : float
        Standard deviation of the noise of each channel, as a share of its range.

    Returns
    -------
    (rows, cols, 3) uint8
        Red, green and blue with the transfer curve of sRGB (IEC 61966-2-1).

    Notes
    -----
    Light mixes within a pixel before the transfer curve, as in a lens and on a sensor. Colours of
    skies, leaves and bark are assumed.
    """
    rng = np.random.default_rng(seed)
    rows, cols = sky_share.shape
    down = np.linspace(0, 1, rows)[:, None, None]
    across = np.linspace(-1, 1, cols)[None, :, None]
    zenith, horizon = {
        "blue": ((0.10, 0.24, 0.58), (0.42, 0.60, 0.85)),
        "grey": ((0.48, 0.50, 0.53), (0.66, 0.67, 0.68)),
        "cloudy": ((0.14, 0.28, 0.60), (0.45, 0.60, 0.80)),
    }[sky]
    light = (1 - down) * np.array(zenith) + down * np.array(horizon)
    light = light * (1 + 0.12 * across)
    if sky == "cloudy":
        cloud = np.clip(2.5 * _smooth(rng, (rows, cols), max(rows, cols) / 8) + 0.4, 0, 1)[
            ..., None
        ]
        shade = np.clip(0.65 + 0.15 * _smooth(rng, (rows, cols), max(rows, cols) / 12), 0.35, 1)
        shade = shade[..., None]
        light = light * (1 - cloud) + cloud * shade * np.array((1.0, 1.0, 1.03))
    lit = 0.4 + 0.5 * _smooth(rng, (rows, cols), 4.0) + 0.3 * rng.normal(size=(rows, cols))
    lit = np.clip(lit, 0, 1)[..., None]
    shaded, sunny = LEAVES if leaves else BARK
    belt = (1 - lit) * np.array(shaded) + lit * np.array(sunny)
    share = sky_share[..., None].astype(float)
    mixed = gaussian_filter(share * light + (1 - share) * belt, (0.6, 0.6, 0))
    shown = _transfer(np.clip(exposure * mixed, 0, 1))
    shown += rng.normal(0, noise, (rows, cols, 3))
    return np.round(255 * np.clip(shown, 0, 1)).astype(np.uint8)


def _smooth(rng: np.random.Generator, shape: tuple[int, int], pixels: float) -> NDArray[np.float64]:
    """Smooth random variation of mean 0 and standard deviation 1."""
    coarse = tuple(max(4, round(n / pixels) + 3) for n in shape)
    found = zoom(
        rng.normal(size=coarse), [n / c for n, c in zip(shape, coarse, strict=True)], order=1
    )
    found = found[: shape[0], : shape[1]]
    return np.asarray((found - found.mean()) / max(found.std(), 1e-9))


def _transfer(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Encoded values of linear light, both 0 to 1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def _drawn(
    shape: tuple[int, int],
    porosity: float,
    part: Callable[[ImageDraw.ImageDraw, tuple[int, int]], None],
) -> NDArray[np.float32]:
    """Parts drawn until the wanted share of sky remains."""
    rows, cols = shape
    size = (FINER * cols, FINER * rows)
    if porosity <= 0 or porosity >= 1:
        return np.full(shape, float(porosity >= 1), np.float32)
    image = Image.new("L", size, 255)
    draw = ImageDraw.Draw(image)
    # Few at first on a small picture, where each covers a larger share.
    sky, many = 1.0, int(np.clip(rows * cols // 5000, 1, 50))
    while sky > porosity + NEAR_SHARE:
        before = sky
        for _ in range(many):
            part(draw, size)
        sky = float(np.asarray(image).mean()) / 255
        # As many more as the last ones suggest, fewer than needed so as not to go beyond.
        each = max((before - sky) / many, 1e-9) * sky / before
        many = int(np.clip(0.7 * (sky - porosity) / each, 1, 50_000))
    fine = np.asarray(image, np.float32).reshape(rows, FINER, cols, FINER) / 255
    return fine.mean(axis=(1, 3), dtype=np.float32)
