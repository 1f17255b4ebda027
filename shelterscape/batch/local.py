"""Worker processes on this machine."""

from __future__ import annotations

import ctypes
import multiprocessing
from concurrent.futures import Executor, ProcessPoolExecutor

from shelterscape.batch.tasks import init_worker


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
        self._executor: ProcessPoolExecutor | None = None

    def executor(self) -> Executor:
        """The executor of the pool; created on first use."""
        if self._executor is None:
            self._executor = ProcessPoolExecutor(
                self.at_once, self._context, initializer=init_worker, initargs=(self._stop,)
            )
        return self._executor

    def renew(self) -> None:
        """Discard a pool in which a worker died; the next executor has new workers."""
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None

    def stop(self) -> None:
        """Have all running work end the next time it checks for a stop."""
        self._stop.value = True
        self.renew()

    def __enter__(self) -> LocalPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
