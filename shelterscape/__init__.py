"""shelterscape: where wind hurts exposed land, and where tree belts help most.

Every process is one function here, named after it: ``shelterscape.exposure(...)``,
``shelterscape.shelter(...)``. ``shelterscape.run_plan(path, out=...)`` runs a plan file.
Heavy modules are imported on first use.
"""

from __future__ import annotations

import importlib
import importlib.util
from typing import Any

from shelterscape import environment as environment  # first, before any other import

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    # Python asks here before it looks for a module of that name; leave those to it.
    if name.startswith("__") or importlib.util.find_spec(f"{__name__}.{name}") is not None:
        raise AttributeError(name)
    return importlib.import_module("shelterscape.calls").find(name)


def __dir__() -> list[str]:
    return sorted([*globals(), *importlib.import_module("shelterscape.calls").names()])
