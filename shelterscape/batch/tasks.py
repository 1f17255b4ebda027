"""The work on one holding, as a worker process does it on this machine or on another."""

from __future__ import annotations

import ctypes
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import connection, parent_process
from pathlib import Path
from typing import Any

import numba

from shelterscape.errors import InputError, ShelterscapeError, Stopped, WriteError
from shelterscape.files.unchanged import InputWatch
from shelterscape.process.area import Area
from shelterscape.runs import FilesRead, Step, run
from shelterscape.runs.prepare import prepare
from shelterscape.runs.stopping import SIGNALS, WorkerStop

BUSY_SECONDS = 20.0
"""How long to wait for the lock of a process that is just ending (assumed value)."""


@dataclass(frozen=True)
class Task:
    """Everything a worker needs to run one holding; data are passed as paths.

    Parameters
    ----------
    steps : tuple of Step
    read : list
        What `runs.files_read` returns for the steps.
    watch : InputWatch
        Watches the files they read.
    area : Area
    folder : str
        Output folder of the run.
    threads : int
        Number of threads of kernels.
    pictures : bool
    """

    steps: tuple[Step, ...]
    read: FilesRead
    watch: InputWatch
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
        Fields of the error, where it failed.
    exit_code : int
        Exit code of that error; 0 without an error.
    """

    folder: str
    error: dict[str, Any] | None = None
    exit_code: int = 0


_stop: ctypes.c_bool | None = None
_signals = WorkerStop()


def init_worker(stop: ctypes.c_bool, report: connection.Connection) -> None:
    """Set up a worker process: it stops on request or by a signal, and ends with its parent.

    Its number goes to `report` once it is ready.
    """
    global _stop
    _stop = stop
    # Ctrl-C reaches all processes of a terminal; only the parent decides what to do.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _signals.__enter__()
    if os.name == "posix":
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)  # held back while Python started
    threading.Thread(target=_end_with_parent, daemon=True).start()
    report.send(os.getpid())
    if stop.value:
        os._exit(0)


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        # No process is left to report to. The system releases our locks.
        os._exit(1)


def _stop_requested() -> int:
    is_stopped = _stop is not None and _stop.value
    return _signals() or (int(signal.SIGINT) if is_stopped else 0)


def prepare_steps(steps: tuple[Step, ...], folder: str, watch: InputWatch) -> dict[str, float]:
    """Do the work that all holdings share, on all cores; return the margin of each step, m."""
    use_threads(numba.config.NUMBA_NUM_THREADS)
    margins = {}
    try:
        with _signals.working():
            for i, step in enumerate(steps):
                margins[step.name] = prepare(
                    step,
                    Path(folder),
                    cancelled=_stop_requested,
                    earlier=steps[:i],
                    check_inputs=watch.check,
                )
    except InputError as error:
        if error.code == "input-changed":  # the folder is named by the checksums of other inputs
            shutil.rmtree(folder, ignore_errors=True)
        raise
    return margins


def work(task: Task) -> Outcome:
    """Run the steps on one holding. Every error but `Stopped` is returned as an outcome."""
    use_threads(task.threads)
    with _signals.working():
        return _work(task)


def _work(task: Task) -> Outcome:
    try:
        task.watch.check()
        task.area.checked()
        _retry_while_busy(lambda: _run(task))
    except Stopped:
        raise
    except ShelterscapeError as error:
        return Outcome(task.folder, error.fields(), error.exit_code)
    except MemoryError:
        return Outcome(task.folder, _unexpected("The work ran out of memory.", None), 1)
    except Exception as error:
        what = f"An unexpected error occurred ({type(error).__name__})."
        return Outcome(task.folder, _unexpected(what, str(error)), 1)
    return Outcome(task.folder)


def _run(task: Task) -> None:
    run(
        list(task.steps),
        task.folder,
        overwrite=True,
        cancelled=_stop_requested,
        area=task.area,
        read=task.read,
        watch=task.watch,
        pictures=task.pictures,
        report=task.pictures,
    )


def _retry_while_busy(act: Callable[[], None]) -> None:
    """Call `act` again while another process, which may just be ending, locks the folder."""
    until = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            return act()
        except WriteError as error:
            if error.code != "output-busy" or time.monotonic() > until:
                raise
            if signal_number := _stop_requested():
                raise Stopped(signal_number) from error
            time.sleep(0.2)


def use_threads(threads: int) -> None:
    """Set the number of threads of kernels, at most as many as there are."""
    numba.set_num_threads(max(1, min(threads, numba.config.NUMBA_NUM_THREADS)))


def _unexpected(what: str, value: str | None) -> dict[str, Any]:
    hint = "Run this holding alone, with --only, and report the error if it occurs again."
    return {"code": "internal", "what": what, "where": "", "value": value, "hint": hint}
