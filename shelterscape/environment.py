"""Settings of libraries in the environment, which must not change results.

Those of the compiler are removed when the package is imported, unless the compiler has been
imported before; worker processes inherit the rest.
"""

from __future__ import annotations

import os
import sys
from collections.abc import MutableMapping

_PREFIX = "NUMBA_"


def drop_compiler_settings(settings: MutableMapping[str, str]) -> None:
    """Remove settings of numba, except a valid number of threads and checks of bounds.

    Others would make kernels hundreds of times slower, change digits of results, or print to
    standard output.
    """
    for name in [name for name in settings if name.startswith(_PREFIX)]:
        if not _is_harmless(name, settings[name]):
            del settings[name]


def use_one_linear_algebra_thread(settings: MutableMapping[str, str]) -> None:
    """Let numpy and scipy start no threads of their own, unless a number was set.

    There would be one for each processor, with 80 MiB of address space; kernels have theirs.
    """
    settings.setdefault("OPENBLAS_NUM_THREADS", "1")


def _is_harmless(name: str, value: str) -> bool:
    if name == "NUMBA_NUM_THREADS":
        return value.isascii() and value.isdecimal() and 1 <= int(value[:6]) <= 1024
    return name == "NUMBA_BOUNDSCHECK" and value in ("0", "1")


if "numba" not in sys.modules:
    drop_compiler_settings(os.environ)
