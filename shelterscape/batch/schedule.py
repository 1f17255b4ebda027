"""Which piece of work is done when: as many at once as fit, and none lost when a worker dies."""

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

TOGETHER_DEATHS = 2
"""So often may a piece of work be at hand when a worker dies before it must go by itself; when a
worker dies then, it is to blame."""

WAIT_SECONDS = 0.5


class Pool(Protocol):
    """Somewhere work can be given to."""

    at_once: int

    def executor(self) -> Executor:
        """Where to submit; a new one after `renew`."""

    def renew(self) -> None:
        """Replace workers of which one died."""

    def stop(self) -> None:
        """Have all work at hand end."""


@dataclass(frozen=True)
class Sized:
    """A task and the memory it is thought to take, bytes."""

    task: Task
    size: float


class Schedule:
    """Runs tasks in a pool.

    Parameters
    ----------
    pool : Pool
    budget : float
        Memory that all tasks at hand may take together, bytes; what is more by itself is refused.
    cancelled : callable
        Answers 0, or the number of the signal that asks to stop.
    """

    def __init__(self, pool: Pool, budget: float, cancelled: Callable[[], int]) -> None:
        self._pool, self._budget, self._cancelled = pool, budget, cancelled
        self._waiting: deque[Sized] = deque()
        self._alone: deque[Sized] = deque()
        self._at_hand: dict[Future[Outcome], Sized] = {}
        self._deaths: Counter[str] = Counter()
        self._one_alone = False

    def run(self, tasks: Sequence[Sized]) -> Iterator[Outcome]:
        """Do the tasks; outcomes as they come.

        Raises
        ------
        Stopped
        """
        for one in tasks:
            if one.size > self._budget:
                yield _too_large(one, self._budget)
            else:
                self._waiting.append(one)
        while self._waiting or self._alone or self._at_hand:
            if signal_number := self._cancelled():
                self._pool.stop()
                raise Stopped(signal_number)
            self._fill()
            done, _ = concurrent.futures.wait(
                self._at_hand, WAIT_SECONDS, concurrent.futures.FIRST_COMPLETED
            )
            yield from self._take(done)

    def _fill(self) -> None:
        """Give out work while there is room for it."""
        if self._one_alone and self._at_hand:
            return
        self._one_alone = False
        while self._waiting and len(self._at_hand) < self._pool.at_once:
            used = sum(one.size for one in self._at_hand.values())
            if self._at_hand and used + self._waiting[0].size > self._budget:
                return
            if not self._submit(self._waiting.popleft()):
                return
        if not self._at_hand and self._alone:
            self._one_alone = True
            self._submit(self._alone.popleft())

    def _submit(self, one: Sized) -> bool:
        try:
            self._at_hand[self._pool.executor().submit(work, one.task)] = one
        except BrokenExecutor:
            # A worker died since: those at hand will tell, and this one was not begun.
            self._waiting.appendleft(one)
            if not self._at_hand:
                self._pool.renew()
            return False
        return True

    def _take(self, done: set[Future[Outcome]]) -> Iterator[Outcome]:
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
                # A cluster gives up on work that its workers died of.
                outcome = died(self._at_hand[future].task, str(error))
            del self._at_hand[future]
            yield outcome
        if broken:
            yield from self._after_death()

    def _after_death(self) -> Iterator[Outcome]:
        """Begin anew what was at hand when a worker died."""
        lost, self._at_hand = list(self._at_hand.values()), {}
        self._pool.renew()
        for one in lost:
            self._deaths[one.task.folder] += 1
            if self._one_alone:
                yield died(one.task, None)
            elif self._deaths[one.task.folder] < TOGETHER_DEATHS:
                self._waiting.appendleft(one)
            else:
                self._alone.append(one)


def _too_large(one: Sized, budget: float) -> Outcome:
    """The outcome of work that is not begun, for it would not fit."""
    error = {
        "code": "memory-short",
        "what": "The work on this holding needs more memory than it may use.",
        "where": one.task.area.name,
        "value": f"about {one.size / GIB:.1f} GiB needed; {budget / GIB:.1f} GiB may be used",
        "mend": "Cut the holding up, use coarser cells, or set --memory-limit if you know better.",
    }
    # A fault of the machine, not of the inputs: looked at anew each time.
    return Outcome(one.task.folder, error, 1)


def died(task: Task, value: Any) -> Outcome:
    """The outcome of work that a worker ended in."""
    error = {
        "code": "worker-died",
        "what": "The process that worked on this holding ended in the middle of it, each time.",
        "where": task.area.name,
        "value": value,
        "mend": "Often a lack of memory: give it more, use fewer workers, or cut the holding up.",
    }
    return Outcome(task.folder, error, 1)
