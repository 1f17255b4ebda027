"""The order of tasks: as many at once as memory allows, and none lost when a worker dies."""

from __future__ import annotations

import concurrent.futures
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass
from typing import Any, Protocol

from shelterscape.batch.tasks import Outcome, Task, work
from shelterscape.errors import Stopped
from shelterscape.runs.memory import GIB

SHARED_DEATHS = 2
"""How often a worker may die while a task is running before the task has to run alone. If a worker
dies then, that task is the cause."""

WAIT_SECONDS = 0.5


class Pool(Protocol):
    """Workers that tasks can be submitted to."""

    at_once: int

    def executor(self) -> Executor:
        """Where to submit tasks; a new one after `renew`."""

    def renew(self) -> None:
        """Replace the workers after one of them died."""

    def stop(self) -> None:
        """Have all running tasks end."""


@dataclass(frozen=True)
class SizedTask:
    """A task and the memory it is estimated to need, bytes."""

    task: Task
    size: float


class Schedule:
    """Runs tasks in a pool.

    Parameters
    ----------
    pool : Pool
    budget : float
        Memory that all running tasks may use together, bytes. A task that needs more is refused.
    cancelled : callable
        Returns 0, or the number of the signal that requests a stop.
    """

    def __init__(self, pool: Pool, budget: float, cancelled: Callable[[], int]) -> None:
        self._pool, self._budget, self._cancelled = pool, budget, cancelled
        self._waiting: deque[SizedTask] = deque()
        self._to_run_alone: deque[SizedTask] = deque()
        self._running: dict[Future[Outcome], SizedTask] = {}
        self._deaths: Counter[str] = Counter()
        self._is_one_alone = False

    def run(self, tasks: Sequence[SizedTask]) -> Iterator[Outcome]:
        """Run the tasks; yield outcomes as they arrive.

        Raises
        ------
        Stopped
        """
        for one in tasks:
            if one.size > self._budget:
                yield _too_large(one, self._budget)
            else:
                self._waiting.append(one)
        while self._waiting or self._to_run_alone or self._running:
            if signal_number := self._cancelled():
                self._pool.stop()
                raise Stopped(signal_number)
            self._submit_waiting()
            done, _ = concurrent.futures.wait(
                self._running, WAIT_SECONDS, concurrent.futures.FIRST_COMPLETED
            )
            yield from self._outcomes(done)

    def _submit_waiting(self) -> None:
        """Submit waiting tasks while there are free workers and memory."""
        if self._is_one_alone and self._running:
            return
        self._is_one_alone = False
        while self._waiting and len(self._running) < self._pool.at_once:
            used = sum(one.size for one in self._running.values())
            if self._running and used + self._waiting[0].size > self._budget:
                return
            if not self._submit(self._waiting.popleft()):
                return
        if not self._running and self._to_run_alone:
            self._is_one_alone = True
            self._submit(self._to_run_alone.popleft())

    def _submit(self, one: SizedTask) -> bool:
        try:
            self._running[self._pool.executor().submit(work, one.task)] = one
        except BrokenExecutor:
            # A worker has died: the running tasks will report it. This task was not started.
            self._waiting.appendleft(one)
            if not self._running:
                self._pool.renew()
            return False
        return True

    def _outcomes(self, done: set[Future[Outcome]]) -> Iterator[Outcome]:
        broken = False
        for future in done:
            try:
                outcome = future.result()
            except BrokenExecutor:
                broken = True
                continue
            except Stopped as error:
                self._pool.stop()
                raise Stopped(self._cancelled() or error.signal_number) from None
            except Exception as error:
                # A cluster gives up a task after several workers died in it.
                outcome = worker_died(self._running[future].task, str(error))
            del self._running[future]
            yield outcome
        if broken:
            yield from self._reschedule()

    def _reschedule(self) -> Iterator[Outcome]:
        """Schedule again the tasks that were running when a worker died."""
        lost, self._running = list(self._running.values()), {}
        self._pool.renew()
        for one in lost:
            self._deaths[one.task.folder] += 1
            if self._is_one_alone:
                yield worker_died(one.task, None)
            elif self._deaths[one.task.folder] < SHARED_DEATHS:
                self._waiting.appendleft(one)
            else:
                self._to_run_alone.append(one)


def _too_large(one: SizedTask, budget: float) -> Outcome:
    """The outcome of a task that is not started because it would not fit into memory."""
    error = {
        "code": "memory-short",
        "what": "The work on this holding needs more memory than may be used.",
        "where": one.task.area.name,
        "value": f"about {one.size / GIB:.1f} GiB needed; {budget / GIB:.1f} GiB may be used",
        "hint": "Divide the holding, use coarser cells, or allow more memory with --memory-limit.",
    }
    # The cause is the machine, not the inputs: the next start tries again.
    return Outcome(one.task.folder, error, 1)


def worker_died(task: Task, value: Any) -> Outcome:
    """The outcome of a task whose worker died each time."""
    error = {
        "code": "worker-died",
        "what": "The process working on this holding ended unexpectedly, each time.",
        "where": task.area.name,
        "value": value,
        "hint": "A lack of memory is the usual cause: free some memory, use fewer workers, or "
        "divide the holding.",
    }
    return Outcome(task.folder, error, 1)
