"""Paths a person names: local files that are there, and layers inside them."""

from __future__ import annotations

import difflib
import os
import re
import unicodedata
from pathlib import Path

from shelterscape.errors import InputError

_REMOTE = re.compile(r"^(/vsi|[a-z][a-z0-9+.-]+:/|//|\\\\)", re.IGNORECASE)
"""Beginnings of addresses: virtual paths, schemes, machines in a network."""


def existing_file(text: str, what: str) -> Path:
    """A path as an existing local file.

    Raises
    ------
    InputError
        ``not-local`` for network and virtual paths, ``file-unreadable`` for names that no reader
        takes, ``file-missing`` otherwise.
    """
    if _REMOTE.match(text):
        raise InputError(
            "not-local",
            f"The {what} must be a file on this machine.",
            where=text,
            mend="Copy it here first and name the copy.",
        )
    # One reader takes the mark ! for the way into an archive; records and events are UTF-8.
    if "!" in text or any(unicodedata.category(c) in ("Cc", "Cs") for c in text):
        raise InputError(
            "file-unreadable",
            f"The name of the {what} holds a character that cannot be used here.",
            where=what,
            value=ascii(text),
            mend="Rename the file or its folder without it, and name that.",
        )
    # Unlike that of Path, this one leaves a name alone that only looks like a person's home.
    path = Path(os.path.expanduser(text))
    # Unlike those of Path, these take names too long for the system, and folders closed to us.
    if not os.path.isfile(path):
        kind = "is not there"
        if not text.strip():
            kind = "is named by an empty word"
        elif os.path.isdir(path):
            kind = "is a folder, not a file"
        elif os.path.exists(path):
            kind = "is no file but a device or a pipe"
        raise InputError(
            "file-missing",
            f"The {what} {kind}.",
            where=str(path) if text.strip() else what,
            mend=_nearest(path) or "Check the path and the spelling.",
        )
    return path


def _nearest(path: Path) -> str:
    if not os.path.isdir(path.parent):
        return f"There is no folder {path.parent}; check the path."
    try:
        names = os.listdir(path.parent)
    except OSError:  # of a folder closed to us
        return ""
    near = difflib.get_close_matches(path.name, names, n=1)
    return f"Did you mean {near[0]}?" if near else ""


def split_layer(text: str) -> tuple[str, str]:
    """``PATH:LAYER`` as its two parts; the last colon counts, and only if the whole is no file."""
    path, colon, layer = text.rpartition(":")
    # A drive letter is not a path with a layer behind it.
    if (
        _REMOTE.match(text)
        or not colon
        or os.path.exists(os.path.expanduser(text))
        or len(path) < 2
    ):
        return text, ""
    return path, layer
