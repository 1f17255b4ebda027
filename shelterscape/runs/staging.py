"""One output folder, replaced whole or not at all.

A run writes into a folder beside its target. Only when all of it has been read back does it take
the target's place, by renaming. A crash in between leaves either the old folder or the new one
whole, and the next start clears the rest.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import time
from pathlib import Path
from types import TracebackType

from shelterscape.errors import WriteError
from shelterscape.files.record import flush, flush_to_disk, listed, read_record, recorded_files


class Staging:
    """Holds the lock on an output folder and the new one that is to take its place.

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
        ``output-strangers``, ``output-unwritable``.
    """

    def __init__(self, target: Path, overwrite: bool) -> None:
        self.target = Path(os.path.abspath(os.path.expanduser(target)))
        self._overwrite = overwrite
        self.folder = self._beside("new")
        self._old = self._beside("old")
        self._lock = Lock(self._beside("lock"))

    def _beside(self, kind: str) -> Path:
        # Not with_name: it breaks on the root of a disk before we can refuse that.
        return self.target.parent / f".{self.target.name}.shelterscape-{kind}"

    def __enter__(self) -> Staging:
        if "\0" in str(self.target):
            # The system takes no such name and Python raises something of its own.
            raise WriteError(
                "output-unwritable",
                "The name of the output folder holds a character that no name may hold.",
                where=repr(str(self.target)),
                mend="Name another folder.",
            )
        try:
            refuse_protected(self.target)
            self.target.parent.mkdir(parents=True, exist_ok=True)
            self._lock.take()
        except OSError as error:
            raise unwritable(self.target.parent, error) from error
        try:
            self._recover()
            refuse_occupied(self.target, self._overwrite)
            self.folder.mkdir()
        except BaseException as error:
            self._lock.release()
            if isinstance(error, OSError):
                raise unwritable(self.target.parent, error) from error
            raise
        return self

    def _recover(self) -> None:
        """Repair what a crash left: restore the old folder, or finish its removal."""
        if self._old.exists():
            if self.target.is_dir() and not any(self.target.iterdir()):
                self.target.rmdir()
            if not self.target.exists():
                self._old.rename(self.target)
            elif read_record(self.target):
                # Beside anything but a run of ours the old folder is the only copy: it stays.
                shutil.rmtree(self._old)
        if self.folder.exists():
            shutil.rmtree(self.folder)

    def commit(self) -> None:
        """Put the new folder in the target's place, or leave what stood there."""
        flush_to_disk(self.folder)
        # Somebody may have added a file while the run was at work.
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
        # The new name must be on the disk before the old folder goes: a power cut loses the rest.
        flush(self.target.parent)
        shutil.rmtree(self._old, ignore_errors=True)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        self._lock.release()


def unwritable(folder: Path, error: OSError) -> WriteError:
    """The error for a folder that cannot be written to."""
    return WriteError(
        "output-unwritable",
        "The output could not be written.",
        where=str(folder),
        value=error.strerror or str(error),
        mend="Choose a folder you may write to, on a disk with room.",
    )


def refuse_protected(target: Path) -> None:
    """Refuse folders that must never be replaced, in every case.

    Raises
    ------
    WriteError
        ``output-protected``.
    """
    # A link further up may hide what a folder is.
    real, here = Path(os.path.realpath(target)), Path.cwd()
    reasons = {
        "the root of a disk": real == Path(real.anchor),
        "your home folder": real == _home(),
        "the folder you work in": real == here or real in here.parents,
        "a link": target.is_symlink(),
        "where a disk is mounted": target.is_mount(),
        "a file": target.exists() and not target.is_dir(),
    }
    for reason, holds in reasons.items():
        if holds:
            raise WriteError(
                "output-protected",
                f"The output folder is {reason}.",
                where=str(target),
                mend="Name a new folder for the results.",
            )


def _home() -> Path | None:
    """The home folder; a user made up for one container may have none."""
    try:
        return Path.home().resolve()
    except RuntimeError:
        return None


def refuse_occupied(target: Path, overwrite: bool) -> None:
    """Refuse a folder that holds anything but an earlier run that may be replaced.

    Raises
    ------
    WriteError
        ``output-exists`` or ``output-strangers``.
    """
    there = listed(target) if target.is_dir() else []
    if not there:
        return
    record = read_record(target)
    strangers = sorted(set(there) - recorded_files(record)) if record else there
    if strangers and (overwrite or record is None):
        raise WriteError(
            "output-strangers",
            "The output folder holds files that no run of shelterscape wrote.",
            where=str(target),
            value=", ".join(strangers[:5]) + (" …" if len(strangers) > 5 else ""),
            mend="Move them away, or name another folder.",
        )
    if not overwrite:
        raise WriteError(
            "output-exists",
            "The output folder already holds a run.",
            where=str(target),
            mend="Add --overwrite to replace it, or name another folder.",
        )


class Lock:
    """A lock file with the process, machine and time that hold it.

    The file is locked by the system for as long as the process lives, so a crash frees it; the
    text in it shows people, and other machines on a shared disk, who is at work.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle: int | None = None

    def take(self) -> None:
        """Take the lock.

        Raises
        ------
        WriteError
            ``output-busy`` when another run holds it.
        """
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        holder = _holder(handle)
        elsewhere = holder.get("host", socket.gethostname()) != socket.gethostname()
        if elsewhere or not _lock_file(handle):
            os.close(handle)
            raise WriteError(
                "output-busy",
                "Another run is working on this output folder.",
                where=str(self.path),
                value=f"process {holder.get('pid')} on {holder.get('host')} "
                f"since {holder.get('start')}",
                mend="Wait for it to end. If it ended without clearing up, delete the lock file.",
            )
        if not self.path.exists() or os.stat(self.path).st_ino != os.fstat(handle).st_ino:
            # Its holder cleared it away between our opening and locking it: begin again.
            os.close(handle)
            self.take()
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
        # Reading the last holder moved the place to write at.
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, text.encode())

    def release(self) -> None:
        """Give the lock back; harmless when it is not held."""
        if self._handle is not None:
            self.path.unlink(missing_ok=True)
            os.close(self._handle)
            self._handle = None


def _holder(handle: int) -> dict[str, str]:
    os.lseek(handle, 0, os.SEEK_SET)
    try:
        found = json.loads(os.read(handle, 4096) or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _lock_file(handle: int) -> bool:
    """Whether the system gave us the file alone."""
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
