"""A list of the files of compiled kernels, to check that all kernels are compiled."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

from shelterscape.kernels.cache import SUFFIX, write_whole
from shelterscape.kernels.cache_folder import cache_folder, is_private, read_own
from shelterscape.kernels.cache_key import module_key, modules_of, package_key

PACKAGE = "shelterscape.kernels"
LIST = "compiled.json"
"""File name of the list in the folder for machine code."""


def all_compiled() -> bool:
    """Whether all kernels in their present state are compiled and their files exist.

    Also True if machine code is not kept: compiling in advance would have no effect.

    Raises
    ------
    SetupError
        ``setup-cache`` when there is no folder for machine code.
    """
    folder = cache_folder()
    if is_private(folder):
        return True
    try:
        known = json.loads(read_own(folder / LIST))
        files = [folder / name for name in known["files"]]
        return known["key"] == package_key(PACKAGE) and all(map(Path.is_file, files))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return False


def note_all_compiled() -> None:
    """Write the list after all kernels have been compiled."""
    folder = cache_folder()
    modules = [f"{m.rpartition('.')[2]}-{module_key(m)}" for m in modules_of(PACKAGE)]
    files = [f"{p.parent.name}/{p.name}" for m in modules for p in folder.glob(f"{m}/*{SUFFIX}")]
    content = {"key": package_key(PACKAGE), "files": sorted(files)}
    with contextlib.suppress(OSError):  # with a full disk the next session compiles again
        write_whole(folder / LIST, json.dumps(content).encode())
