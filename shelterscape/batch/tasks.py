"""One piece of work of a batch, as a process of its own does it, here or on another machine."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import connection, parent_process
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numba

from shelterscape.errors import ShelterscapeError, Stopped, WriteError
from shelterscape.process.area import Area
from shelterscape.runs import FilesRead, Step, run
from shelterscape.runs.prepare import prepare

BUSY_SECONDS = 20.0
"""How long a folder may stay locked by a process that is just ending (engineering choice)."""


@dataclass(frozen=True)
class Task:
    """All that the work on one holding needs; data by path.

    Parameters
    ----------
    steps : tuple of Step
    read : list
        What `runs.files_read` tells of them.
    stamps : dict
        Size and time of change of the files they read, by path.
    area : Area
    folder : str
        Where the run goes.
    threads : int
        Threads of kernels.
    pictures : bool
    """

    steps: tuple[Step, ...]
    read: FilesRead
    stamps: dict[str, tuple[int, int]]
    area: Area
    folder: str
    threads: int
    pictures: bool


@dataclass(frozen=True)
class Outcome:
    """How the work on one holding ended.

    Parameters
    ----------
    folder : str
    error : dict or None
        Fields of the error it failed with.
    exit_code : int
        Of that error; 0 without one.
    """

    folder: str
    error: dict[str, Any] | None = None
    exit_code: int = 0


_stop: Event | None = None


def begin(stop: Event) -> None:
    """Set up a process of workers: it stops when asked, and ends with its parent."""
    global _stop
    _stop = stop
    # Ctrl-C reaches all processes of a terminal; the parent alone decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        # Nobody is left to tell. Locks are the system's and fall with us.
        os._exit(1)


def _asked_to_stop() -> int:
    return int(signal.SIGINT) if _stop is not None and _stop.is_set() else 0


def prepare_steps(steps: tuple[Step, ...], folder: str) -> dict[str, float]:
    """Do what all holdings share, with all cores; the margin of each step, m, by its name."""
    use_threads(numba.config.NUMBA_NUM_THREADS)
    return {step.name: prepare(step, Path(folder), cancelled=_asked_to_stop) for step in steps}


def work(task: Task) -> Outcome:
    """Run the steps on one holding. It never raises: every fault is the outcome of this one."""
    use_threads(task.threads)
    try:
        _check_stamps(task.stamps)
        task.area.checked()
        _when_free(lambda: _run(task))
    except Stopped:
        raise
    except ShelterscapeError as error:
        return Outcome(task.folder, error.fields(), error.exit_code)
    except MemoryError:
        return Outcome(task.folder, _unforeseen("It ran out of memory.", None), 1)
    except Exception as error:
        what = f"Something unexpected happened ({type(error).__name__})."
        return Outcome(task.folder, _unforeseen(what, str(error)), 1)
    return Outcome(task.folder)


def _run(task: Task) -> None:
    run(
        list(task.steps),
        task.folder,
        overwrite=True,
        cancelled=_asked_to_stop,
        area=task.area,
        read=task.read,
        pictures=task.pictures,
    )


def _when_free(act: Callable[[], None]) -> None:
    """Do something in a folder, giving one who is just ending there time to end."""
    until = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            return act()
        except WriteError as error:
            if error.code != "output-busy" or time.monotonic() > until:
                raise
            time.sleep(0.2)


def stamps_of(paths: list[Path]) -> dict[str, tuple[int, int]]:
    """Size and time of change of files, by path."""
    return {str(p): (p.stat().st_size, p.stat().st_mtime_ns) for p in paths}


def _check_stamps(stamps: dict[str, tuple[int, int]]) -> None:
    for path, stamp in stamps.items():
        with contextlib.suppress(OSError):
            if stamps_of([Path(path)])[path] == stamp:
                continue
        raise WriteError(
            "shared-missing",
            "An input changed or went away while the batch ran.",
            where=path,
            mend="Start the batch again, so that all holdings see the same.",
        )


def use_threads(threads: int) -> None:
    """Have kernels use so many threads, as far as there are."""
    numba.set_num_threads(max(1, min(threads, numba.config.NUMBA_NUM_THREADS)))


def _unforeseen(what: str, value: str | None) -> dict[str, Any]:
    mend = "Run this holding by itself, with --only, to see more."
    return {"code": "internal", "what": what, "where": "", "value": value, "mend": mend}
