"""Invented photographs of known porosity, and files of them."""

from __future__ import annotations

import functools
import io

import numpy as np
from PIL import Image

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
