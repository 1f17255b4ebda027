"""Worker processes on this machine."""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from multiprocessing import connection, resource_tracker
from multiprocessing.process import BaseProcess
from typing import Any

from shelterscape.batch.tasks import init_worker
from shelterscape.errors import UsageError
from shelterscape.runs.stopping import SIGNALS

UNGUARDED = 87
"""Exit code of a worker that would start the batch again, since the script of its parent does."""


def end_unguarded_worker() -> None:
    """End this process if it is a worker that is only just importing the script of its parent."""
    if getattr(multiprocessing.current_process(), "_inheriting", False):
        os._exit(UNGUARDED)


END_SECONDS, KILL_SECONDS = 0.7, 8.0
"""How long workers may take to end when they are requested to stop, and then after a signal, s.
Work that checks for a stop ends in the first time; other work is interrupted in the second."""


class _QuietPool(ProcessPoolExecutor):
    """A pool whose workers start with signals held back: `init_worker` lets them through.

    A worker that is interrupted while Python starts prints a traceback.
    """

    def submit(self, *work: Any, **more: Any) -> Future[Any]:
        """Submit a call; a worker may be started for it."""
        with _signals_held():
            return super().submit(*work, **more)


@contextlib.contextmanager
def _signals_held() -> Iterator[None]:
    """A section whose signals are delivered after it, here and in processes started in it."""
    if os.name != "posix":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class LocalPool:
    """A pool of worker processes.

    Parameters
    ----------
    workers : int
    """

    def __init__(self, workers: int) -> None:
        self.at_once = workers
        # Spawned, not forked: a forked copy of a process with threads may hang.
        self._context = multiprocessing.get_context("spawn")
        # Without a lock: a worker that is killed while it holds one would block all others.
        self._stop: ctypes.c_bool = self._context.RawValue(ctypes.c_bool, False)
        # Messages this short are written at once, so that workers need no lock.
        self._ready, self._report = self._context.Pipe(duplex=False)
        self._executor: ProcessPoolExecutor | None = None

    def executor(self) -> Executor:
        """The executor of the pool; created on first use."""
        if self._executor is None:
            _start_resource_tracker()
            self._executor = _QuietPool(
                self.at_once,
                self._context,
                initializer=init_worker,
                initargs=(self._stop, self._report),
            )
        return self._executor

    def renew(self) -> None:
        """Discard a pool in which a worker died; the next executor has new workers.

        Raises
        ------
        UsageError
            Workers start the batch again.
        """
        if self._executor is None:
            return
        # The attribute is None once an executor has ended; other executors have none.
        processes = list((getattr(self._executor, "_processes", None) or {}).values())
        # Not waiting: a worker killed while it holds a lock of the queue would block the others.
        self._executor.shutdown(wait=False, cancel_futures=True)
        self._executor = None
        if self._stop.value:
            self._end_starting(processes)
        _end(processes)
        if any(process.exitcode == UNGUARDED for process in processes):
            raise UsageError(
                "usage",
                "The script calls run_batch while workers import it.",
                where="run_batch",
                hint='Move the call below the line: if __name__ == "__main__":',
            ) from None

    def _end_starting(self, processes: Sequence[BaseProcess]) -> None:
        """Kill workers that still start: they hold signals back, and have written nothing.

        One that is ready only now reads the request to stop before any work.
        """
        ready = set()
        while self._ready.poll():
            ready.add(self._ready.recv())
        for process in processes:
            if process.pid not in ready:
                process.kill()

    def stop(self) -> None:
        """Have all running work end the next time it checks for a stop."""
        self._stop.value = True
        self.renew()

    def __enter__(self) -> LocalPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def _start_resource_tracker() -> None:
    """Start the process that removes semaphores after a crash, deaf to a closing terminal.

    It ignores other signals by itself. If it dies before the workers do, the one that replaces it
    knows nothing of their semaphores, and prints a traceback for each.
    """
    if threading.current_thread() is not threading.main_thread() or os.name != "posix":
        resource_tracker.ensure_running()
        return
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        resource_tracker.ensure_running()
    finally:
        signal.signal(signal.SIGHUP, before)


def _end(processes: Sequence[BaseProcess]) -> None:
    """Wait until processes end; signal those that do not, and in the end kill them."""
    ways: tuple[tuple[float, Callable[[BaseProcess], None]], ...] = (
        (END_SECONDS, lambda process: process.terminate()),
        (KILL_SECONDS, lambda process: process.kill()),
        (KILL_SECONDS, lambda process: None),
    )
    for seconds, act in ways:
        until = time.monotonic() + seconds
        for process in processes:
            connection.wait([process.sentinel], max(0.0, until - time.monotonic()))
        for process in processes:
            if not connection.wait([process.sentinel], 0):
                with contextlib.suppress(OSError):
                    act(process)
