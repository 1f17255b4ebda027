"""The folder of the user for machine code.

Anyone who can write to it can run code as the user. So a folder is used only if it belongs to the
user, gives no access to others and is not a link.
"""

from __future__ import annotations

import atexit
import contextlib
import errno
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

from shelterscape.errors import SetupError

FREE_BYTES = 32 * 2**20
"""Free disk space required; all compiled kernels of `shelter` have 4 MB (measured)."""

MOST_BYTES = 64 * 2**20
"""Size above which a file is taken as damaged; the largest kernel has 0.5 MB."""

BINARY = getattr(os, "O_BINARY", 0)
"""Flag that Windows needs for files that are not text."""

_REFUSED: dict[str, str] = {}
_PRIVATE: list[Path] = []


def cache_folder() -> Path:
    """The folder for machine code: in the cache of the user, or else in the temporary folder.

    If neither can be used, it is a private folder that is removed when the process ends.

    Raises
    ------
    SetupError
        ``setup-cache`` when no folder is writable and has enough free space.
    """
    _REFUSED.clear()
    tried = []
    for folder in _places():
        tried.append(str(folder))
        with contextlib.suppress(OSError):
            if fault := _fault(folder):
                _REFUSED[str(folder)] = fault
            elif _usable(folder):
                return folder
    with contextlib.suppress(OSError):
        if _usable(folder := _private_folder()):
            return folder
    raise SetupError(
        "setup-cache",
        "There is no folder with enough space for compiled kernels.",
        where=", ".join(tried),
        hint=f"Set XDG_CACHE_HOME to a folder you may write to, with {FREE_BYTES // 2**20} MB "
        "of free space.",
    )


def cache_notice() -> str:
    """Notice about the folder that `cache_folder` last returned.

    Returns
    -------
    str
        Reason why the usual folder is not used, and what to do; empty if it is used.
    """
    return " ".join(
        f"Compiled kernels are not kept in {folder}, because it {fault}. Remove it, or set "
        "XDG_CACHE_HOME to a folder of your own."
        for folder, fault in _REFUSED.items()
    )


def is_private(folder: Path) -> bool:
    """Whether a folder that `cache_folder` returned is removed when the process ends."""
    return folder in _PRIVATE


def _places() -> Iterator[Path]:
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    home = os.path.expanduser("~")
    if base:
        yield Path(base) / "shelterscape" / "kernels"
    elif os.path.isabs(home):  # without a home folder the tilde remains
        yield Path(home) / ".cache" / "shelterscape" / "kernels"
    with contextlib.suppress(OSError):
        # The name is easy to guess: the check of owner and mode protects the folder.
        yield Path(tempfile.gettempdir()) / f"shelterscape-kernels-{_user()}"


def _user() -> int:
    return os.geteuid() if hasattr(os, "geteuid") else 0


def _usable(folder: Path) -> bool:
    return os.access(folder, os.W_OK) and shutil.disk_usage(folder).free >= FREE_BYTES


def _fault(folder: Path) -> str:
    """Create a folder if it is missing; the reason not to use it, empty if there is none."""
    if not folder.parent.is_dir():
        folder.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=0o700)
    if os.name == "nt":  # user profiles are private, and modes have no meaning
        return ""
    if fault := fault_of(folder):
        return fault
    around = folder.parent.stat()
    # A user who may rename the folder may replace it.
    if around.st_uid not in (0, _user()) or around.st_mode & 0o1002 == 0o002:
        return "is in a folder that another user may change"
    return ""


def fault_of(folder: Path) -> str:
    """The reason why other users may have changed a folder; empty if there is none.

    Raises
    ------
    OSError
        There is no such folder.
    """
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        return "is not a folder but a link or a file"
    if os.name == "nt":
        return ""
    if found.st_uid != _user():
        return "belongs to another user"
    if stat.S_IMODE(found.st_mode) & 0o077:
        return "is open to other users"
    return ""


def read_own(path: Path) -> bytes:
    """The content of a file that only the user can have written, in such a folder.

    Raises
    ------
    OSError
        It is missing, of another user, writable for others, a link, not a file, or too large.
    """
    if fault := fault_of(path.parent):
        raise PermissionError(errno.EPERM, fault, str(path.parent))
    # Opening a pipe would wait for a writer.
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    with os.fdopen(os.open(path, flags | BINARY), "rb") as stream:
        found = os.fstat(stream.fileno())
        mine = os.name == "nt" or (found.st_uid == _user() and not found.st_mode & 0o022)
        if not (stat.S_ISREG(found.st_mode) and mine and found.st_size <= MOST_BYTES):
            raise PermissionError(errno.EPERM, "not a file of this user", str(path))
        return stream.read()


def _private_folder() -> Path:
    if not _PRIVATE:
        _PRIVATE.append(Path(tempfile.mkdtemp(prefix="shelterscape-kernels-")))
        atexit.register(shutil.rmtree, _PRIVATE[0], ignore_errors=True)
    return _PRIVATE[0]
