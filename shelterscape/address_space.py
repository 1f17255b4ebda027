"""The limit on the address space of this process, such as that of ``ulimit -v``.

Libraries reserve more address space than the memory they use. Where the limit leaves too little of
it, some of them wait for ever or end the process instead of reporting it: work is refused before.
"""

from __future__ import annotations

import math
import os

from shelterscape.errors import SetupError

MIB = 2**20
LIBRARIES_BYTES = 620 * MIB
"""Memory of Python, the libraries and the compiler of kernels; measured: 390 MiB in use, and up to
590 MiB when all kernels are compiled again."""

_RESERVED_BYTES = 640 * MIB
_RESERVED_BYTES_OF_A_THREAD = 72 * MIB
_RESERVED_BYTES_OF_A_LINEAR_ALGEBRA_THREAD = 80 * MIB
"""Address space in excess of memory; measured on Linux with one thread of linear algebra: 530 MiB
with one thread of kernels, 690 to 790 MiB with 2, 1470 MiB with 16; 80 MiB more for each further
thread of linear algebra. A thread may reserve 64 MiB for allocation and 8 MiB for its stack."""


def usable_bytes() -> float:
    """Memory of this process, libraries included, that its address space has room for, bytes.

    Returns
    -------
    float
        0 or more; infinite where the address space has no limit.
    """
    return max(0, _limit_bytes() - _reserved_bytes())


def limit_for(memory_bytes: int) -> str:
    """The limit that leaves room for some memory, as ``ulimit -v`` takes it, with its unit.

    Parameters
    ----------
    memory_bytes : int
        Libraries included.

    Returns
    -------
    str
    """
    return f"{-(-(memory_bytes + _reserved_bytes()) // 1024)} KiB"


def refuse_too_little() -> None:
    """Refuse to work where libraries alone need more than the limit allows.

    Raises
    ------
    SetupError
        ``setup-memory``.
    """
    if usable_bytes() < LIBRARIES_BYTES:
        raise SetupError(
            "setup-memory",
            "The address space of this process is limited to less than any work needs.",
            value=f"limit {_limit_bytes() / 1024:.0f} KiB; at least {limit_for(LIBRARIES_BYTES)} "
            f"needed (threads of kernels: {_threads()})",
            hint="Raise the limit (ulimit -v), or use fewer threads (NUMBA_NUM_THREADS=1, "
            "OPENBLAS_NUM_THREADS=1).",
        )


def _limit_bytes() -> float:
    try:
        import resource

        limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    except (ImportError, AttributeError):  # not on every system
        return math.inf
    return math.inf if limit == resource.RLIM_INFINITY else limit


def _reserved_bytes() -> int:
    return (
        _RESERVED_BYTES
        + _threads() * _RESERVED_BYTES_OF_A_THREAD
        + _linear_algebra_threads() * _RESERVED_BYTES_OF_A_LINEAR_ALGEBRA_THREAD
    )


def _threads() -> int:
    """Threads that kernels will use."""
    return _setting("NUMBA_NUM_THREADS") or _processors()


def _linear_algebra_threads() -> int:
    """Threads that numpy and scipy start when they are imported."""
    return min(_setting("OPENBLAS_NUM_THREADS") or _processors(), _processors())


def _setting(name: str) -> int:
    """A number of threads in the environment; 0 for none."""
    given = os.environ.get(name, "")
    return int(given) if given.isascii() and given.isdecimal() else 0


def _processors() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1
