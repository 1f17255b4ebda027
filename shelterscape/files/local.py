"""Paths a person names: local files that are there, and layers inside them."""

from __future__ import annotations

import difflib
import re
from pathlib import Path

from shelterscape.errors import InputError

_REMOTE = re.compile(r"^(/vsi|[a-z][a-z0-9+.-]+:/)", re.IGNORECASE)


def existing_file(text: str, what: str) -> Path:
    """A path as an existing local file.

    Raises
    ------
    InputError
        ``not-local`` for network and virtual paths, ``file-missing`` otherwise.
    """
    if _REMOTE.match(text):
        raise InputError(
            "not-local",
            f"The {what} must be a file on this machine.",
            where=text,
            mend="Copy it here first and name the copy.",
        )
    path = Path(text).expanduser()
    if not path.is_file():
        kind = "is a folder, not a file" if path.is_dir() else "is not there"
        raise InputError(
            "file-missing",
            f"The {what} {kind}.",
            where=str(path),
            mend=_nearest(path) or "Check the path and the spelling.",
        )
    return path


def _nearest(path: Path) -> str:
    if not path.parent.is_dir():
        return f"There is no folder {path.parent}; check the path."
    near = difflib.get_close_matches(path.name, [p.name for p in path.parent.iterdir()], n=1)
    return f"Did you mean {near[0]}?" if near else ""


def split_layer(text: str) -> tuple[str, str]:
    """``PATH:LAYER`` as its two parts; the last colon counts, and only if the whole is no file."""
    path, colon, layer = text.rpartition(":")
    # A drive letter is not a path with a layer behind it.
    if not colon or Path(text).exists() or len(path) < 2:
        return text, ""
    return path, layer
