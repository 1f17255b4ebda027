"""The limit on the address space of this process, such as that of ``ulimit -v``.

Libraries reserve more address space than the memory they use. Where the limit leaves too little of
it, some of them wait for ever or end the process instead of reporting it: work is refused before.
"""

from __future__ import annotations

import os

from shelterscape.errors import SetupError

MIB = 2**20
LIBRARIES_BYTES = 620 * MIB
"""Memory of Python, the libraries and the compiler of kernels; measured: 390 MiB in use, and up to
590 MiB when all kernels are compiled again."""

_RESERVED_BYTES = 800 * MIB
_RESERVED_BYTES_OF_A_THREAD = 72 * MIB
"""Address space in excess of memory; measured on Linux: 750 to 870 MiB with 2 threads, 1380 MiB
with 16. A thread may reserve 64 MiB for allocation and 8 MiB for its stack."""


def usable_bytes() -> int | None:
    """Memory of this process, libraries included, that its address space has room for, bytes.

    Returns
    -------
    int or None
        0 or more; None where the address space has no limit.
    """
    try:
        import resource
    except ImportError:  # not on every system
        return None
    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    return None if limit == resource.RLIM_INFINITY else max(0, limit - _reserved_bytes())


def refuse_too_little() -> None:
    """Refuse to work where libraries alone need more than the limit allows.

    Raises
    ------
    SetupError
        ``setup-memory``.
    """
    usable = usable_bytes()
    if usable is not None and usable < LIBRARIES_BYTES:
        raise SetupError(
            "setup-memory",
            "The address space of this process is limited to less than any work needs.",
            value=f"at least {(LIBRARIES_BYTES + _reserved_bytes()) // 1024} KiB are needed with "
            f"{_threads()} threads",
            hint="Raise the limit (ulimit -v), or use fewer threads (NUMBA_NUM_THREADS=1).",
        )


def _reserved_bytes() -> int:
    return _RESERVED_BYTES + _threads() * _RESERVED_BYTES_OF_A_THREAD


def _threads() -> int:
    """Threads that kernels will use."""
    given = os.environ.get("NUMBA_NUM_THREADS")
    if given is not None and given.isdecimal():
        return int(given)
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1
