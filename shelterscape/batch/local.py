"""Workers on this machine: processes of their own, started clean."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import Executor, ProcessPoolExecutor

from shelterscape.batch.tasks import begin


class LocalPool:
    """Some worker processes.

    Parameters
    ----------
    workers : int
    """

    def __init__(self, workers: int) -> None:
        self.at_once = workers
        # Started clean: a forked copy of a process with threads may hang.
        self._context = multiprocessing.get_context("spawn")
        self._stop = self._context.Event()
        self._executor: ProcessPoolExecutor | None = None

    def executor(self) -> Executor:
        """The pool of processes, started when first asked for."""
        if self._executor is None:
            self._executor = ProcessPoolExecutor(
                self.at_once, self._context, initializer=begin, initargs=(self._stop,)
            )
        return self._executor

    def renew(self) -> None:
        """Let go of workers of which one died; the next are new."""
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None

    def stop(self) -> None:
        """Have all work at hand end at its next question."""
        self._stop.set()
        self.renew()

    def __enter__(self) -> LocalPool:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self.renew()
