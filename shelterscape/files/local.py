"""Paths a person names: local files that are there, and layers inside them."""

from __future__ import annotations

import difflib
import os
import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree

from shelterscape.errors import InputError

_REMOTE = re.compile(r"^(/vsi|[a-z][a-z0-9+.-]+:/)", re.IGNORECASE)


_POINTERS = (b"<OGRVRT", b"<OGRWFS", b"<OGCAPI", b"gdal_streamed_alg")
"""Beginnings of files that hold no data, only where to fetch or how to make it."""

_HEAD_BYTES = 65_536
MOST_UNPACKED_BYTES = 8 * 1024**3
MOST_UNPACKED_RATIO = 200
"""Bounds on an archive (engineering choice): text packs 10 to 30 times, a bomb 1000 times."""


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
    # Not Path.expanduser: it breaks on a tilde before no user's name.
    path = Path(os.path.expanduser(text))
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


def refuse_pointers(path: Path) -> None:
    """Refuse files that send their reader elsewhere: to a network, a program, another folder.

    Raises
    ------
    InputError
        ``not-local``; ``file-unreadable`` for an archive beyond bounds.
    """
    if path.suffix.lower() == ".zip":
        _refuse_unsafe_archive(path)
        return
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    if b"<VRTDataset" in head:
        _refuse_far_sources(path)
    _refuse_pointing(head, str(path))


def _refuse_pointing(head: bytes, where: str) -> None:
    if any(mark in head for mark in _POINTERS):
        raise InputError(
            "not-local",
            "This file holds no data of its own but tells where to fetch it.",
            where=where,
            mend="Export the data itself, best as GeoPackage, and name that.",
        )


def _refuse_far_sources(path: Path) -> None:
    """Sources of a virtual raster must be real files in its own folder."""
    try:
        nodes = list(ElementTree.parse(path).iter())
    except ElementTree.ParseError:
        return  # no virtual raster, or one its reader refuses too
    for node in nodes:
        name = (node.text or "").strip()
        if not node.tag.startswith("Source") or not node.tag.endswith(("Filename", "Dataset")):
            continue
        source = path.parent / name
        plain = node.get("relativeToVRT") == "1" and Path(name).name == name
        if not plain or not source.is_file() or _is_virtual(source):
            raise InputError(
                "not-local",
                "A virtual raster may only draw on files in its own folder.",
                where=str(path),
                value=name,
                mend="Put the files beside it, or export one GeoTIFF.",
            )


def _is_virtual(path: Path) -> bool:
    with path.open("rb") as stream:
        return b"<VRTDataset" in stream.read(_HEAD_BYTES)


def _refuse_unsafe_archive(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            _refuse_bomb(members, path)
            for member in members:
                with archive.open(member) as stream:
                    _refuse_pointing(stream.read(_HEAD_BYTES), f"{path}, {member.filename}")
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        raise InputError(
            "file-unreadable",
            "The archive could not be opened.",
            where=str(path),
            value=error,
            mend="Unpack it and name the file inside.",
        ) from error


def _refuse_bomb(members: list[zipfile.ZipInfo], path: Path) -> None:
    unpacked = sum(m.file_size for m in members)
    packed = max(sum(m.compress_size for m in members), 1)
    outside = [
        m.filename for m in members if m.filename[:1] == "/" or ".." in m.filename.split("/")
    ]
    if outside or unpacked > MOST_UNPACKED_BYTES or unpacked > MOST_UNPACKED_RATIO * packed:
        raise InputError(
            "file-unreadable",
            "The archive is not a plain one: it unpacks too large or reaches outside itself.",
            where=str(path),
            value=outside[0] if outside else f"{unpacked} bytes unpacked",
            mend="Unpack it yourself, look at what it holds, and name the file inside.",
        )
