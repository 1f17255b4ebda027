"""The order of tasks, with workers that die on purpose; no process is started."""

from __future__ import annotations

from concurrent.futures import BrokenExecutor, Executor, Future

import pytest

from shelterscape.batch.schedule import Schedule, SizedTask
from shelterscape.batch.tasks import Outcome, Task
from shelterscape.errors import Stopped
from shelterscape.process.area import Area

pytestmark = pytest.mark.slow


def sized(name, size=1.0):
    """A task by its name."""
    return SizedTask(Task((), [], {}, Area(name, b"", 0.0, ""), name, 1, False), size)


class DyingPool:
    """Tasks end when `settle` is called; a deadly task breaks all that are running.

    Parameters
    ----------
    at_once : int
    deadly : dict
        How often the worker dies in a task.
    """

    def __init__(self, at_once, deadly=()):
        self.at_once, self.deadly = at_once, dict(deadly)
        self.together, self.renewed, self.stopped = [], 0, False
        self._open = []

    def executor(self):
        """The executor of this pool."""
        return _Executor(self)

    def renew(self):
        """Count the calls."""
        self.renewed += 1
        self._open = []

    def stop(self):
        """Record the call."""
        self.stopped = True

    def submit(self, task):
        """Accept a task; `settle` decides how it ends."""
        future = Future()
        self._open.append((future, task))
        return future

    def settle(self):
        """End all running tasks, as a real pool does while one waits."""
        self.together.append([task.folder for _, task in self._open])
        dead = [task.folder for _, task in self._open if self.deadly.get(task.folder, 0) > 0]
        for name in dead:
            self.deadly[name] -= 1
        for future, task in self._open:
            if dead:
                future.set_exception(BrokenExecutor())
            else:
                future.set_result(Outcome(task.folder))
        self._open = []


class _Executor(Executor):
    def __init__(self, pool):
        self._pool = pool

    def submit(self, fn, /, *args, **kwargs):
        return self._pool.submit(*args)


def outcomes(pool, tasks, budget=float("inf"), cancelled=lambda: 0):
    """Error code by task, in a pool that settles at every check for a stop."""
    schedule = Schedule(pool, budget, lambda: pool.settle() or cancelled())
    found = {}
    for outcome in schedule.run(tasks):
        assert outcome.folder not in found, "two outcomes for one task"
        found[outcome.folder] = (outcome.error or {}).get("code")
    return found


@pytest.mark.parametrize("at_once", [1, 2, 4])
def test_every_task_is_done_once(at_once):
    pool = DyingPool(at_once)
    tasks = [sized(f"t{n}") for n in range(7)]
    assert outcomes(pool, tasks) == {f"t{n}": None for n in range(7)}
    assert max(len(names) for names in pool.together) == at_once
    assert sorted(name for names in pool.together for name in names) == sorted(
        f"t{n}" for n in range(7)
    )


def test_running_tasks_fit_into_memory_together():
    pool = DyingPool(4)
    sizes = {"a": 6.0, "b": 5.0, "c": 4.0, "d": 40.0, "e": 1.0}
    found = outcomes(pool, [sized(*one) for one in sizes.items()], 10.0)
    assert found == {"a": None, "b": None, "c": None, "d": "memory-short", "e": None}
    for names in pool.together:
        assert sum(sizes[name] for name in names) <= 10.0
    assert max(len(names) for names in pool.together) > 1


def test_after_a_worker_dies_once_every_task_is_done():
    pool = DyingPool(2, {"t1": 1})
    assert outcomes(pool, [sized(f"t{n}") for n in range(5)]) == {f"t{n}": None for n in range(5)}
    assert pool.renewed == 1


def test_a_task_that_kills_workers_fails_and_the_others_are_done():
    pool = DyingPool(2, {"t1": 99})
    found = outcomes(pool, [sized(f"t{n}") for n in range(5)])
    assert found == {f"t{n}": "worker-died" if n == 1 else None for n in range(5)}


def test_each_of_several_tasks_that_kill_workers_fails():
    pool = DyingPool(3, {"t0": 99, "t1": 99, "t4": 99})
    found = outcomes(pool, [sized(f"t{n}") for n in range(6)])
    assert [name for name, code in sorted(found.items()) if code] == ["t0", "t1", "t4"]


def test_all_tasks_kill_workers():
    pool = DyingPool(2, {f"t{n}": 99 for n in range(4)})
    found = outcomes(pool, [sized(f"t{n}") for n in range(4)])
    assert {*found.values()} == {"worker-died"} and len(found) == 4


def test_a_stop_request_stops_the_pool():
    pool = DyingPool(2)
    with pytest.raises(Stopped) as caught:
        outcomes(pool, [sized(f"t{n}") for n in range(5)], cancelled=lambda: 15)
    assert caught.value.signal_number == 15 and pool.stopped
