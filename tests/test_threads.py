"""Kernels on several threads: strips cover all rows once, and results keep their order."""

from __future__ import annotations

import threading
import time

import numba
import numpy as np
import pytest

from shelterscape.kernels.threads import map_threads, over_strips


@pytest.fixture(params=[1, numba.config.NUMBA_NUM_THREADS])
def threads(request):
    """The number of threads in use."""
    before = numba.get_num_threads()
    numba.set_num_threads(request.param)
    yield request.param
    numba.set_num_threads(before)


@pytest.mark.parametrize(("rows", "strip_rows"), [(0, 4), (1, 4), (4, 4), (9, 4), (300, 64)])
def test_every_row_is_in_one_strip(threads, rows, strip_rows):
    seen = np.zeros(rows, np.int64)

    def count(first, last, add):
        seen[first:last] += add
        return first, last

    strips = over_strips(count, rows, 2, strip_rows=strip_rows)
    assert (seen == 2).all()
    assert strips == [(n, min(n + strip_rows, rows)) for n in range(0, rows, strip_rows)]


def test_results_keep_the_order_of_the_items(threads):
    def slow_first(item):
        time.sleep(0.05 if item == 0 else 0)
        return item

    assert map_threads(slow_first, range(6)) == list(range(6))


def test_the_number_of_threads_is_that_set_in_numba(threads):
    """Each call waits for all threads: with one thread fewer the barrier breaks."""
    together = threading.Barrier(threads)
    map_threads(lambda _: together.wait(timeout=20), range(2 * threads))
    names = set(map_threads(lambda _: threading.current_thread().name, range(20)))
    assert len(names) <= threads


def test_an_error_is_raised_and_no_further_item_is_started(threads):
    started = []

    def fail(item):
        started.append(item)
        if item == 1:
            raise ValueError(item)
        time.sleep(0.05)

    with pytest.raises(ValueError, match="1"):
        map_threads(fail, range(40))
    assert len(started) < 10
