"""Settings of the compiler in the environment, which must not change results.

They are removed when the package is imported, unless the compiler has been imported before; worker
processes inherit the rest.
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


def _is_harmless(name: str, value: str) -> bool:
    if name == "NUMBA_NUM_THREADS":
        return value.isascii() and value.isdecimal() and 1 <= int(value[:6]) <= 1024
    return name == "NUMBA_BOUNDSCHECK" and value in ("0", "1")


if "numba" not in sys.modules:
    drop_compiler_settings(os.environ)
