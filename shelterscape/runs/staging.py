"""Replace an output folder in full, or not at all.

A run writes into a folder beside its target. Once everything has been read back, that folder is
renamed to the target. After a crash at any point either the old folder or the new one is complete,
and the next run removes the rest. Only folders with a mark or a record of ours are removed.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import socket
import stat
import time
from pathlib import Path
from types import TracebackType
from typing import Any

from shelterscape.errors import WriteError
from shelterscape.files.local import refuse_unusable_name
from shelterscape.files.record import (
    RECORD,
    STAGING_MARK,
    flush,
    flush_to_disk,
    listed,
    read_record,
    recorded_files,
)
from shelterscape.runs.stopping import uninterrupted

MOST_LOCK_BYTES = 4096
RESERVE_BYTES = 2**20
RESERVE_FILES = 4
"""Memory and open files kept back to remove the new folder after either has run out."""


class Staging:
    """Locks an output folder and provides the new folder that replaces it.

    Parameters
    ----------
    target : Path
        The output folder.
    overwrite : bool
        Whether a folder of an earlier run may be replaced.

    Raises
    ------
    WriteError
        On entering: ``output-protected``, ``output-busy``, ``output-exists``,
        ``output-foreign``, ``output-unwritable``.
    """

    def __init__(self, target: Path, overwrite: bool) -> None:
        self.target = Path(os.path.abspath(os.path.expanduser(target)))
        self._overwrite = overwrite
        self.folder = self._beside("new")
        self._old = self._beside("old")
        self._lock = Lock(self._beside("lock"))
        self._reserve = bytes(RESERVE_BYTES)
        self._reserve_files: list[int] = []
        self._identity: tuple[int, int] | None = None

    def _beside(self, kind: str) -> Path:
        # Not with_name: it breaks on the root of a disk before we can refuse that.
        return self.target.parent / f".{self.target.name}.shelterscape-{kind}"

    @uninterrupted()
    def __enter__(self) -> Staging:
        refuse_unusable_name(self.target)
        try:
            refuse_protected(self.target)
            self.target.parent.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
        except OSError as error:
            raise unwritable(self.target.parent, error) from error
        try:
            self._recover()
            refuse_occupied(self.target, self._overwrite)
            self.folder.mkdir()
            self._identity = identity_of(self.folder)
            for _ in range(RESERVE_FILES):
                self._reserve_files.append(os.open(os.devnull, os.O_RDONLY))
            (self.folder / STAGING_MARK).touch(exist_ok=False)
        except BaseException as error:
            self.__exit__(None, None, None)
            if isinstance(error, OSError):
                raise unwritable(self.target.parent, error) from error
            raise
        return self

    def _recover(self) -> None:
        """Repair the state after a crash: restore the old folder, or finish its removal."""
        for folder in (self._old, self.folder):
            _refuse_foreign_folder(folder)
        if self._old.exists():
            if self.target.is_dir() and not any(self.target.iterdir()):
                self.target.rmdir()
            if not self.target.exists():
                self._old.rename(self.target)
            elif read_record(self.target):
                # If the target is not a run, the old folder is the only copy: keep it.
                _remove(self._old)
        if self.folder.exists():
            _remove(self.folder)

    def refuse_swapped(self) -> None:
        """Refuse a new folder that was replaced during the run, or in which there are links.

        Raises
        ------
        WriteError
            ``output-foreign``.
        """
        fault = ""
        if identity_of(self.folder) != self._identity:
            fault = str(self.folder)
        elif links := [path for path in self.folder.rglob("*") if path.is_symlink()]:
            fault = str(links[0])
        if fault:
            raise swapped(fault)

    @uninterrupted()
    def commit(self) -> None:
        """Replace the target by the new folder, or leave the target unchanged."""
        self.refuse_swapped()
        (self.folder / STAGING_MARK).unlink(missing_ok=True)  # now the record shows it is ours
        flush_to_disk(self.folder)
        # A user may have added a file during the run.
        refuse_protected(self.target)
        refuse_occupied(self.target, self._overwrite)
        try:
            if self.target.exists():
                self.target.rename(self._old)
            self.folder.rename(self.target)
        except BaseException:
            if self._old.exists() and not self.target.exists():
                self._old.rename(self.target)
            raise
        # Flush the new name before the old folder is removed: a power cut could lose both.
        flush(self.target.parent)
        with contextlib.suppress(OSError):
            _remove(self._old)

    @uninterrupted()
    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._release_reserve()
        if self._identity is not None and identity_of(self.folder) == self._identity:
            with contextlib.suppress(OSError):
                _remove(self.folder)
        self._lock.release()

    def _release_reserve(self) -> None:
        self._reserve = b""
        while self._reserve_files:
            os.close(self._reserve_files.pop())


def swapped(where: str) -> WriteError:
    """The error for a folder or file of a run that was replaced while the run was writing."""
    return WriteError(
        "output-foreign",
        "Another program replaced a folder or file that this run was writing.",
        where=where,
        hint="Name a folder that no other program or user writes to, and run again.",
    )


def identity_of(folder: Path) -> tuple[int, int] | None:
    """Device and inode of a folder, or of the link in its place; None where there is nothing."""
    try:
        found = os.lstat(folder)
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _refuse_foreign_folder(folder: Path) -> None:
    """Refuse anything at the place of a temporary folder except an empty folder and one of ours."""
    if not os.path.lexists(folder):
        return
    if not folder.is_symlink() and folder.is_dir():
        files = [p.name for p in folder.iterdir()]
        record = read_record(folder)
        if not files or _is_file(folder / STAGING_MARK):
            return
        if record is not None and not _foreign(folder, record):
            return
    raise WriteError(
        "output-foreign",
        "The name of a temporary folder of the output is in use for something else.",
        where=str(folder),
        value="a link" if folder.is_symlink() else "files not created by shelterscape",
        hint="Move it away, or name another output folder.",
    )


def _is_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def _foreign(folder: Path, record: dict[str, Any]) -> list[str]:
    """Files in a run folder that its record does not list, and all links."""
    there = listed(folder)
    links = {name for name in there if (folder / name).is_symlink()}
    return sorted(set(there) - recorded_files(record) | links)


def _remove(folder: Path) -> None:
    """Remove a folder of ours; what shows that it is ours is removed last."""
    if not folder.is_dir() or folder.is_symlink():
        return
    last = [folder / name for name in (RECORD, STAGING_MARK)]
    for path in folder.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path not in last:
            path.unlink()
    for path in last:
        path.unlink(missing_ok=True)
    folder.rmdir()


def unwritable(folder: Path, error: OSError) -> WriteError:
    """The error for a folder that cannot be written to."""
    return WriteError(
        "output-unwritable",
        "The output could not be written.",
        where=str(folder),
        value=error.strerror or str(error),
        hint="Name a folder you may write to, on a disk with enough free space.",
    )


def refuse_protected(target: Path) -> None:
    """Refuse folders that must never be replaced, even with ``overwrite``.

    Raises
    ------
    WriteError
        ``output-protected``.
    """
    # A link in the path may hide which folder it is.
    real, here = Path(os.path.realpath(target)), Path.cwd()
    reasons = {
        "the root of a disk": real == Path(real.anchor),
        "your home folder": real == _home(),
        "the working folder or one above it": real == here or real in here.parents,
        "a symbolic link": target.is_symlink(),
        "the mount point of a disk": target.is_mount(),
        "a file": target.exists() and not target.is_dir(),
    }
    for reason, holds in reasons.items():
        if holds:
            raise WriteError(
                "output-protected",
                f"The output folder is {reason}.",
                where=str(target),
                hint="Name a new folder for the results.",
            )


def _home() -> Path | None:
    """The home folder; users in containers may have none."""
    try:
        return Path.home().resolve()
    except RuntimeError:
        return None


def refuse_occupied(target: Path, overwrite: bool) -> None:
    """Refuse a folder with anything in it except an earlier run that may be replaced.

    Raises
    ------
    WriteError
        ``output-exists`` or ``output-foreign``.
    """
    existing = listed(target) if target.is_dir() else []
    if not existing:
        return
    record = read_record(target)
    foreign = _foreign(target, record) if record else existing
    if foreign and (overwrite or record is None):
        raise WriteError(
            "output-foreign",
            "The output folder holds files not created by shelterscape.",
            where=str(target),
            value=", ".join(foreign[:5]) + (" …" if len(foreign) > 5 else ""),
            hint="Move these files away, or name a new folder.",
        )
    if not overwrite:
        raise WriteError(
            "output-exists",
            "The output folder already holds a run.",
            where=str(target),
            hint="Add --overwrite to replace it, or name a new folder.",
        )


class Lock:
    """A lock file that names the process and machine holding it, and since when.

    The system locks the file until the process ends, so a crash releases it. The text in the file
    shows users and other machines on a shared disk which process is running.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle: int | None = None

    def acquire(self) -> None:
        """Acquire the lock.

        Raises
        ------
        WriteError
            ``output-busy``: another run holds it.
        """
        handle = _opened_lock(self.path)
        holder = _holder(handle)
        elsewhere = holder.get("host", socket.gethostname()) != socket.gethostname()
        if elsewhere or not _lock_file(handle):
            os.close(handle)
            raise WriteError(
                "output-busy",
                "Another run is using this output folder.",
                where=str(self.path),
                value=f"process {holder.get('pid')} on {holder.get('host')} "
                f"since {holder.get('start')}",
                hint="Wait until it ends. If it no longer runs, delete the lock file.",
            )
        if not self.path.exists() or os.stat(self.path).st_ino != os.fstat(handle).st_ino:
            # Its holder removed the file after we opened it: start again.
            os.close(handle)
            self.acquire()
            return
        self._handle = handle
        text = json.dumps(
            {
                "pid": os.getpid(),
                "host": socket.gethostname(),
                "start": time.strftime("%Y-%m-%d %H:%M:%S"),
            }
        )
        os.truncate(handle, 0)
        # Reading the previous holder moved the file position.
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, text.encode())

    def release(self) -> None:
        """Release the lock; do nothing when it is not held."""
        if self._handle is not None:
            self.path.unlink(missing_ok=True)
            os.close(self._handle)
            self._handle = None


def _opened_lock(path: Path) -> int:
    """A handle of a lock file; refuses all but an empty file and a lock of ours."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    if path.is_symlink():
        raise _not_a_lock(path, "a link")
    try:
        handle = os.open(path, flags, 0o644)
    except OSError as error:
        if error.errno == errno.ELOOP:  # replaced by a link just now
            raise _not_a_lock(path, "a link") from error
        if error.errno == errno.EISDIR:
            raise _not_a_lock(path, "a folder") from error
        raise
    found = os.fstat(handle)
    fault = ""
    if not stat.S_ISREG(found.st_mode):
        fault = "not a file"
    elif found.st_nlink > 1:
        fault = "a file with a second name"
    elif not _is_ours(os.read(handle, MOST_LOCK_BYTES + 1)):
        fault = "a file with other content"
    if fault:
        os.close(handle)
        raise _not_a_lock(path, fault)
    return handle


def _is_ours(content: bytes) -> bool:
    # After a power cut a file may hold null bytes.
    empty = not content.strip(b"\0")
    return empty or (content.startswith(b'{"pid": ') and len(content) <= MOST_LOCK_BYTES)


def _not_a_lock(path: Path, found: str) -> WriteError:
    return WriteError(
        "output-foreign",
        "The name of the lock file of the output folder is in use for something else.",
        where=str(path),
        value=found,
        hint="Move it away, or name another output folder.",
    )


def _holder(handle: int) -> dict[str, str]:
    os.lseek(handle, 0, os.SEEK_SET)
    try:
        found = json.loads(os.read(handle, MOST_LOCK_BYTES).strip(b"\0") or b"{}")
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _lock_file(handle: int) -> bool:
    """Whether the system granted an exclusive lock."""
    try:
        if os.name == "nt":  # pragma: no cover - other systems
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
