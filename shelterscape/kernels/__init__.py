"""Numbers in, numbers out: the fast inner loops.

Kernels assume good input and never raise; science checks once before calling them. Compiled code
is kept between sessions in a folder of our own, since a package folder may be read-only.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numba

from shelterscape.errors import SetupError

ROOM_BYTES = 32 * 2**20
"""Room to ask for; all kernels of `shelter` once compiled take 4 MB (measured)."""


def cache_folder() -> Path:
    """The folder for compiled kernels: the user's cache, or the temporary folder failing that.

    Raises
    ------
    SetupError
        ``setup-cache`` when neither can be written to or has room.
    """
    tried = []
    for root in _cache_roots():
        folder = root / "shelterscape" / f"kernels-numba-{numba.__version__}"
        tried.append(str(folder))
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if os.access(folder, os.W_OK) and shutil.disk_usage(folder).free >= ROOM_BYTES:
                return folder
        except OSError:
            continue
    raise SetupError(
        "setup-cache",
        "There is no folder with room for compiled kernels.",
        where=", ".join(tried),
        mend=f"Set XDG_CACHE_HOME to a folder you may write to, with {ROOM_BYTES // 2**20} MB "
        "of room.",
    )


def _cache_roots() -> Iterator[Path]:
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    home = os.path.expanduser("~")
    if base:
        yield Path(base)
    elif os.path.isabs(home):  # a user without a home keeps the tilde
        yield Path(home) / ".cache"
    try:
        yield Path(tempfile.gettempdir())
    except OSError:
        return


if not numba.config.CACHE_DIR:
    numba.config.CACHE_DIR = str(cache_folder())
