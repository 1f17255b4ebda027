"""Load matplotlib with its own settings; imported before any of its modules.

Pictures are written without a window, so the backend of the environment has no effect on them, but
an unknown name would make the import fail.
"""

from __future__ import annotations

import contextlib
import os
import sys

if "matplotlib" not in sys.modules:
    backend = os.environ.pop("MPLBACKEND", None)
    import matplotlib

    if backend is not None:
        os.environ["MPLBACKEND"] = backend
        with contextlib.suppress(ValueError):
            matplotlib.rcParams["backend"] = backend
