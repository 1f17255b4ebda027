"""The record of a run: inputs, parameters and outputs, files with their checksums."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from shelterscape.files.guards import sources_of

RECORD = "record.json"
TIMINGS = "timings.json"
STAGING_MARK = ".shelterscape-staging"
"""Empty file in a folder that a run is writing into; removed before the folder gets its name."""

PROGRAM = "shelterscape"

_FLUSH_NEEDS_WRITE = os.name == "nt"

_COMPANIONS = {
    ".shp": (".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx"),
    ".asc": (".prj",),
    ".tif": (".tfw", ".prj"),
    ".tiff": (".tfw", ".prj"),
    ".img": (".hdr",),
    ".bsq": (".hdr",),
    ".bil": (".hdr",),
    ".dat": (".hdr",),
}
"""Suffixes of the other files of a data set, by the suffix of its main file."""


def sha256_of(path: Path) -> str:
    """Checksum of a file's bytes.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Hexadecimal digits.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def files_of(path: Path) -> list[Path]:
    """Every file of a data set: the main file, its companions of the same name, and its sources.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of Path
    """
    companions = _COMPANIONS.get(path.suffix.lower(), ())
    # The same drivers read suffixes in capitals.
    beside = [path.with_suffix(s) for suffix in companions for s in (suffix, suffix.upper())]
    there = {p.stat().st_ino: p for p in beside if p.is_file()}
    drawn_on = [part for source in sources_of(path) for part in files_of(source)]
    return list(dict.fromkeys([path, *there.values(), *drawn_on]))


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write JSON in a fixed form, so that equal contents give equal bytes."""
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def replace_file(path: Path, text: str) -> None:
    """Write a small file in full or not at all, and have it written to the disk."""
    part = path.with_name(f".{path.name}.part")
    # What is there was left by a crash; writing into it would follow a link.
    part.unlink(missing_ok=True)
    try:
        with part.open("x", encoding="utf-8") as stream:
            stream.write(text)
        flush(part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    flush(path.parent)


def read_json(path: Path) -> dict[str, Any] | None:
    """The object in a JSON file; None where there is anything else, a link or a pipe too."""
    try:
        if not stat.S_ISREG(os.lstat(path).st_mode):
            return None
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return content if isinstance(content, dict) else None


def read_record(folder: Path) -> dict[str, Any] | None:
    """The record of a run folder; None if shelterscape did not create the folder."""
    content = read_json(folder / RECORD)
    return content if content is not None and content.get("program") == PROGRAM else None


def _entries(record: dict[str, Any]) -> list[dict[str, Any]]:
    """The entries of output files; a record may have been changed by anyone."""
    found = record.get("outputs")
    if not isinstance(found, list):
        return []
    return [one for one in found if isinstance(one, dict) and isinstance(one.get("path"), str)]


def recorded_files(record: dict[str, Any]) -> set[str]:
    """Every file in a run folder according to its record, relative to the folder."""
    return {entry["path"] for entry in _entries(record)} | {RECORD, TIMINGS}


def is_intact(folder: Path, record: dict[str, Any]) -> bool:
    """Whether a run folder holds every file its record lists, with the same bytes, and no link.

    The timings hold the checksum of the record itself.
    """
    entries = _entries(record)
    if not entries or len(entries) != len(record["outputs"]) or folder.is_symlink():
        return False
    own = (read_json(folder / TIMINGS) or {}).get("record_sha256")
    try:
        # Sizes first: most damage shows without reading a byte.
        for one in entries:
            found = os.lstat(folder / one["path"])
            if not stat.S_ISREG(found.st_mode) or found.st_size != one.get("bytes"):
                return False
        if own is not None and own != sha256_of(folder / RECORD):
            return False
        return all(sha256_of(folder / one["path"]) == one.get("sha256") for one in entries)
    except (OSError, ValueError):
        return False


def listed(folder: Path) -> list[str]:
    """Every file and link below a folder, relative to it, with forward slashes."""
    found = (p for p in folder.rglob("*") if p.is_symlink() or not p.is_dir())
    names = {p.relative_to(folder).as_posix() for p in found}
    return sorted(names - {STAGING_MARK})


def flush_to_disk(folder: Path) -> None:
    """Have the system write every file and folder below a folder to the disk."""
    for path in [*folder.rglob("*"), folder]:
        flush(path)


def flush(path: Path) -> None:
    """Have the system write one file, or the names in one folder, to the disk."""
    # Windows flushes files only through a handle that may write.
    writes = _FLUSH_NEEDS_WRITE and path.is_file()
    try:
        handle = os.open(path, os.O_RDWR if writes else os.O_RDONLY)
    except OSError:  # some systems cannot open folders
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def described(folder: Path, paths: Iterable[str]) -> list[dict[str, Any]]:
    """Size and checksum of files in a folder, for the record."""
    return [
        {"path": p, "bytes": (folder / p).stat().st_size, "sha256": sha256_of(folder / p)}
        for p in sorted(paths)
    ]
