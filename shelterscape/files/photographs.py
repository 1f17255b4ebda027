"""Read photographs, upright and with their size checked before they are unpacked."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file

FORMATS = ("JPEG", "PNG", "TIFF")
"""Formats that are read; a photograph of another one has to be exported."""

MOST_PIXELS = 120_000_000
"""Most pixels of a photograph (assumed): 360 MB unpacked."""

MOST_BYTES = 500_000_000
"""Largest file of a photograph (assumed)."""

_DEEP_MODES = ("I", "F", "I;16", "I;16B", "I;16L", "I;16N")
_TURNED = (5, 6, 7, 8)
"""EXIF orientations in which rows are stored as columns (EXIF 2.32, tag 274; status M)."""


def photograph_size(source: str) -> tuple[int, int]:
    """Rows and columns of a photograph as it is shown; reads the header only.

    Parameters
    ----------
    source : str

    Returns
    -------
    tuple of int

    Raises
    ------
    InputError
        ``file-missing``, ``not-local``, ``file-unreadable``.
    """
    with _opened(source) as image:
        across, down = image.size
        try:
            turned = image.getexif().get(ExifTags.Base.Orientation) in _TURNED
        except Exception:
            turned = False
        return (across, down) if turned else (down, across)


def read_photograph(source: str) -> NDArray[np.uint8]:
    """Read a photograph as people see it: turned as its EXIF data state.

    Parameters
    ----------
    source : str

    Returns
    -------
    (rows, cols, 3) uint8
        Red, green and blue.

    Raises
    ------
    InputError
        ``file-missing``, ``not-local``, ``file-unreadable``.
    """
    with _opened(source) as image:
        image.load()
        # Without readable EXIF data the photograph stays as it is stored.
        with contextlib.suppress(Exception):
            ImageOps.exif_transpose(image, in_place=True)
        return np.asarray(image.convert("RGB"))


@contextlib.contextmanager
def _opened(source: str) -> Iterator[Image.Image]:
    """A photograph with a size that can be unpacked; every fault of its file is an `InputError`."""
    path = existing_file(source, "photograph")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise _too_large(path, f"{path.stat().st_size:,} bytes")
        with warnings.catch_warnings():
            # The limit of the library is lower than ours, and only a warning at first.
            warnings.simplefilter("ignore")
            with Image.open(path, formats=FORMATS) as image:
                across, down = image.size
                if across * down > MOST_PIXELS:
                    raise _too_large(path, f"{across:,} × {down:,} pixels")
                if image.mode in _DEEP_MODES:
                    raise _unreadable(path, f"colours of mode {image.mode}")
                # Telephones keep a second view within a JPEG file: only its first one is meant.
                frames = getattr(image, "n_frames", 1)
                if image.format in ("PNG", "TIFF") and frames > 1:
                    raise _unreadable(path, f"{frames} pictures in one file")
                yield image
    except InputError:
        raise
    except Image.DecompressionBombError as error:
        raise _too_large(path, str(error)) from error
    except Image.UnidentifiedImageError as error:
        raise _unreadable(path, "not a JPEG, PNG or TIFF picture") from error
    except Exception as error:  # decoders meet malformed bytes in many ways
        raise _unreadable(path, f"{type(error).__name__}: {error}") from error


def _too_large(path: Path, value: str) -> InputError:
    return InputError(
        "file-unreadable",
        "The photograph is too large to unpack safely.",
        where=str(path),
        value=value,
        hint=f"Save it with fewer than {MOST_PIXELS / 1e6:.0f} million pixels.",
    )


def _unreadable(path: Path, value: str) -> InputError:
    return InputError(
        "file-unreadable",
        "The photograph could not be read.",
        where=str(path),
        value=value,
        hint="Open it in a picture viewer and export it as JPEG with 8 bits for each colour.",
    )
