"""Input files that must stay the same until the results that follow from them are kept."""

from __future__ import annotations

import contextlib
import os
import time
from dataclasses import dataclass
from pathlib import Path

from shelterscape.errors import InputError
from shelterscape.files.record import sha256_of

SETTLED_SECONDS = 2.0
"""A file changed less than this before it was read may change again without another time stamp, on
systems that store whole seconds (assumed value)."""

State = tuple[int, int, int, int, int]
"""Device, inode, size, time of the last change of content and of the entry, ns."""


@dataclass(frozen=True)
class _Watched:
    state: State
    sha256: str
    settled: bool


_verified: dict[tuple[str, str], State] = {}
"""States at which this process found a checksum again: a worker reads a file once for all parts."""


class InputWatch:
    """The files of a run: their states and checksums when they were first opened."""

    def __init__(self) -> None:
        self._files: dict[str, _Watched] = {}

    def sha256(self, path: Path) -> str:
        """Checksum of a file, calculated at the first call; the file is watched from then on.

        Raises
        ------
        OSError
        """
        name = os.path.abspath(path)
        if name not in self._files:
            self._files[name] = _read(Path(name))
        return self._files[name].sha256

    def check(self) -> None:
        """Check that no watched file has changed; compare checksums where a state has.

        Raises
        ------
        InputError
            ``input-changed``.
        """
        for name, before in self._files.items():
            now: _Watched | None = None
            with contextlib.suppress(OSError):
                if _is_same(name, before):
                    continue
                now = _read(Path(name))
            if now is None or now.sha256 != before.sha256:
                raise InputError(
                    "input-changed",
                    "An input file changed or was removed while it was in use.",
                    where=name,
                    hint="Start again once no other program writes to this file.",
                )
            if now.settled:
                _verified[name, now.sha256] = now.state


def _is_same(name: str, before: _Watched) -> bool:
    """Whether the state of a file shows that it still has the checksum it had."""
    state = _state(Path(name))
    if _verified.get((name, before.sha256)) == state:
        return True
    return before.settled and state == before.state


def _read(path: Path) -> _Watched:
    """State and checksum of a file; the state first, so that a later change shows."""
    state, now = _state(path), time.time_ns()
    settled = now - max(state[3:]) >= SETTLED_SECONDS * 1e9
    return _Watched(state, sha256_of(path), settled)


def _state(path: Path) -> State:
    found = os.stat(path)
    return (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)
