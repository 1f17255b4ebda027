"""Numbers in, numbers out: the fast inner loops.

Kernels assume good input and never raise; science checks once before calling them. Compiled code
is kept between sessions in a folder of our own, since a package folder may be read-only.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import numba


def cache_folder() -> Path:
    """The folder for compiled kernels: the user's cache, or the temporary folder failing that."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    home = Path(base) if base else Path(os.path.expanduser("~")) / ".cache"
    for root in (home, Path(tempfile.gettempdir())):
        folder = root / "shelterscape" / f"kernels-numba-{numba.__version__}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return folder
    return Path(tempfile.mkdtemp(prefix="shelterscape-kernels-"))


if not numba.config.CACHE_DIR:
    numba.config.CACHE_DIR = str(cache_folder())
