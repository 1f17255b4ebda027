"""Paths given by users: existing local files, and layers inside them."""

from __future__ import annotations

import difflib
import os
import re
import unicodedata
from pathlib import Path

from shelterscape.errors import InputError, WriteError

_REMOTE = re.compile(r"^(/vsi|[a-z][a-z0-9+.-]+:/|//|\\\\)", re.IGNORECASE)
"""Prefixes of addresses: virtual paths, URL schemes, network shares."""


def existing_file(text: str, what: str) -> Path:
    """A path as an existing local file.

    Raises
    ------
    InputError
        ``not-local`` for network and virtual paths, ``file-unreadable`` for names that readers do
        not accept, ``file-missing`` otherwise.
    """
    if _REMOTE.match(text):
        raise InputError(
            "not-local",
            f"The {what} must be a file on this machine.",
            where=text,
            hint="Copy it to this machine and use the copy.",
        )
    # One reader uses "!" for paths into archives; records and events are UTF-8.
    if "!" in text or any(unicodedata.category(c) in ("Cc", "Cs") for c in text):
        raise InputError(
            "file-unreadable",
            f"The name of the {what} holds a character that is not supported.",
            where=what,
            value=ascii(text),
            hint="Rename the file or its folder without it.",
        )
    # Unlike the method of Path, this does not change names that only resemble a home folder.
    path = Path(os.path.expanduser(text))
    # Unlike the methods of Path, these accept overlong names and folders without permission.
    if not os.path.isfile(path):
        kind = "does not exist"
        if not text.strip():
            kind = "has an empty name"
        elif os.path.isdir(path):
            kind = "is a folder, not a file"
        elif os.path.exists(path):
            kind = "is a device or a pipe, not a file"
        raise InputError(
            "file-missing",
            f"The {what} {kind}.",
            where=str(path) if text.strip() else what,
            hint=_nearest(path) or "Check the path and the spelling.",
        )
    return path


_PLACE = re.compile(
    r"\bline:? \d+(?:,? column:? \d+)?|\bend of document|\boffset \d+|\bX offset \d+, Y offset \d+|"
    r"Expected \d+ fields in line \d+, saw \d+|^a line of \d+ characters$|"
    r"^\d+ bytes, more than \d+$",
    re.IGNORECASE,
)
"""Where a fault is, in the messages of readers."""


def fault_of(error: BaseException) -> str | None:
    """Where a file is damaged, without its content: it may be private, and named by mistake.

    Parameters
    ----------
    error : Exception
        Raised by a reader; its message may quote the file.

    Returns
    -------
    str or None
        None where the message names no place.
    """
    if isinstance(error, UnicodeDecodeError):
        return f"byte {error.start + 1} is not UTF-8"
    if isinstance(error, RecursionError):
        return "brackets within brackets, too deep"
    if isinstance(error, OSError) and error.errno:
        return error.strerror or type(error).__name__
    found = _PLACE.search(str(error)[:1000])
    return found.group() if found else None


def refuse_unusable_name(target: Path) -> None:
    """Refuse a name of an output folder that some library would change, or take for another place.

    Parameters
    ----------
    target : Path
        Absolute path.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    fault = ""
    if any(unicodedata.category(c) in ("Cc", "Cs") for c in str(target)):
        fault = "a character that is not printable or not UTF-8"
    elif any(part.startswith("vsi") for part in target.parts[1:2]):
        fault = "a prefix of virtual files"
    if fault:
        raise WriteError(
            "output-unwritable",
            f"The name of the output folder contains {fault}.",
            where=ascii(str(target)),
            hint="Name another folder.",
        )


def _nearest(path: Path) -> str:
    if not os.path.isdir(path.parent):
        return f"There is no folder {path.parent}; check the path."
    try:
        names = os.listdir(path.parent)
    except OSError:  # of a folder without permission
        return ""
    near = difflib.get_close_matches(path.name, names, n=1)
    return f"Did you mean {near[0]}?" if near else ""


def split_layer(text: str) -> tuple[str, str]:
    """``PATH:LAYER`` as two parts, split at the last colon unless the whole is a file."""
    path, colon, layer = text.rpartition(":")
    # A drive letter before a path is not a path before a layer.
    if (
        _REMOTE.match(text)
        or not colon
        or os.path.exists(os.path.expanduser(text))
        or len(path) < 2
    ):
        return text, ""
    return path, layer
