"""Run kernels that release the GIL on several threads.

A kernel compiled with ``nogil=True`` receives the first row of its strip and the one after the
last, and writes only to its strip. It compiles in a fraction of the time of ``parallel=True``. The
division into strips depends on the number of rows only, so results do not depend on the number of
threads or the order in which strips end.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

import numba

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")

STRIP_ROWS = 64
"""Rows in a strip by default."""


def map_threads(work: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """Results of `work` for each item, in the order of the items.

    Parameters
    ----------
    work : callable
        Function of one item. It must release the GIL to run in parallel, and must not write to
        memory that the call for another item reads or writes.
    items : iterable

    Returns
    -------
    list

    Raises
    ------
    Exception
        Any exception of `work`; no further item is started then.
    """
    results: list[Any] = list(items)
    threads = min(numba.get_num_threads(), len(results))
    if threads < 2:
        return [work(item) for item in results]
    # Threads share one iterator: a queued task for each item takes longer than a short kernel.
    waiting = enumerate(list(results))

    def _run() -> None:
        try:
            for place, item in waiting:
                results[place] = work(item)
        finally:
            deque(waiting, maxlen=0)  # already empty unless there was an error

    # This thread works too: to start a thread takes longer than a short kernel.
    with ThreadPoolExecutor(threads - 1) as pool:
        others = [pool.submit(_run) for _ in range(threads - 1)]
        _run()
    for other in others:
        other.result()
    return results


def over_strips(
    kernel: Callable[..., _Result], rows: int, *args: Any, strip_rows: int = STRIP_ROWS
) -> list[_Result]:
    """Call ``kernel(first, last, *args)`` for every strip of rows.

    Parameters
    ----------
    kernel : callable
        Compiled with ``nogil=True``; works on rows `first` to `last` − 1.
    rows : int
        Number of rows, 0 or more.
    *args
        Passed to every call.
    strip_rows : int
        Rows in a strip, 1 or more; the last strip may have fewer.

    Returns
    -------
    list
        Results of the kernel, strip by strip from the first row on.
    """
    return map_threads(
        lambda first: kernel(first, min(first + strip_rows, rows), *args),
        range(0, rows, strip_rows),
    )
