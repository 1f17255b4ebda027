"""Invented photographs of known porosity, and files of them."""

from __future__ import annotations

import functools
import io

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter, zoom

from shelterscape.science.belt_pictures import leafy_belt, photograph_of, twiggy_belt

ABOVE = 60
"""Rows of sky above the belt."""


@functools.cache
def belt(porosity, leaves, seed=1, shape=(240, 360)):
    """Share of sky in each pixel of an invented belt."""
    return (leafy_belt if leaves else twiggy_belt)(shape, porosity, seed)


def with_sky(share, rows=ABOVE):
    return np.vstack([np.ones((rows, share.shape[1]), np.float32), share])


def compressed(rgb, quality=85):
    """The picture after JPEG compression."""
    content = io.BytesIO()
    Image.fromarray(rgb).save(content, "JPEG", quality=quality)
    return np.asarray(Image.open(io.BytesIO(content.getvalue())))


def outline(share, above=ABOVE):
    """Corners of the belt below the sky."""
    rows, cols = share.shape
    return np.array(
        [[0, above], [cols, above], [cols, rows + above], [0, rows + above]], dtype=float
    )


def text_of(corners):
    return ", ".join(f"{x:g} {y:g}" for x, y in corners)


def photograph_file(path, share, *, leaves=True, sky="blue", seed=3, **options):
    """A JPEG file of a belt with sky above; its outline as text."""
    rgb = photograph_of(with_sky(share), seed, sky=sky, leaves=leaves)
    Image.fromarray(rgb).save(path, quality=85, **options)
    return text_of(outline(share))


CLUMPS = {3: 0.8, 8: 0.8, 25: 0.7, 80: 0.6}
"""Amplitude of variation by its length, pixels, in a belt drawn from noise."""


def picture_from_noise(porosity, sky_top, sky_bottom, shaded, sunny, seed=1, shape=(200, 320)):
    """A picture that shares no code with `science.belt_pictures`, and its true porosity.

    Gaps are where noise of many lengths is high; each pixel is a mean of 4 × 4 finer ones. Light of
    the sky runs from `sky_top` to `sky_bottom`, that of the belt between `shaded` and `sunny`. A
    camera's curve that increases contrast is applied in place of that of sRGB.
    """
    rng = np.random.default_rng(seed)
    rows, cols = shape
    noise = np.zeros((4 * rows, 4 * cols), np.float32)
    for length, amplitude in CLUMPS.items():
        size = 4 * length
        coarse = rng.normal(size=(4 * rows // size + 3, 4 * cols // size + 3))
        noise += amplitude * zoom(coarse.astype(np.float32), size, order=1)[: 4 * rows, : 4 * cols]
    open_sky = noise > np.quantile(noise, 1 - porosity)
    share = with_sky(open_sky.reshape(rows, 4, cols, 4).mean(axis=(1, 3)).astype(np.float32))
    down = np.linspace(0, 1, len(share))[:, None, None]
    sky = (1 - down) * np.array(sky_top) + down * np.array(sky_bottom)
    lit = gaussian_filter(rng.normal(size=share.shape), 1.5)
    lit = np.clip(0.4 + 0.35 * lit / lit.std(), 0, 1)[..., None]
    belt_light = (1 - lit) * np.array(shaded) + lit * np.array(sunny)
    light = share[..., None] * sky + (1 - share[..., None]) * belt_light
    encoded = gaussian_filter(light, (0.6, 0.6, 0)) ** (1 / 2.4)
    encoded = (encoded + encoded**2 * (3 - 2 * encoded)) / 2 + rng.normal(0, 0.01, light.shape)
    rgb = np.round(255 * np.clip(encoded, 0, 1)).astype(np.uint8)
    return compressed(rgb), outline(share[ABOVE:]), float(open_sky.mean())
