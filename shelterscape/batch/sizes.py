"""How large the work on a holding is: cells, memory, time.

Estimates before work begins; engineering choices unless said otherwise.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from shelterscape.batch.holdings import Holding
from shelterscape.files.record import TIMINGS
from shelterscape.grid import Grid

MIB = 2**20
LIBRARIES_BYTES = 620 * MIB
"""Python, libraries and the compiler of kernels (measured elsewhere in this project: 590 MiB when
all kernels are compiled anew, 390 MiB otherwise)."""

CELL_BYTES = 200.0
"""Bytes for each cell of a holding with its margin."""

MACHINE_SHARE = 0.8
"""Share of a machine's memory that all workers together may take."""

SECONDS_EACH, SECONDS_PER_CELL = 2.0, 2e-5
"""Time for a holding and for each of its cells, until some have been run in this folder."""

_GROUP_LIMIT = Path("/sys/fs/cgroup/memory.max")


@dataclass(frozen=True)
class Size:
    """Size of the work on one holding.

    Parameters
    ----------
    cells : int
        Cells read, margin and all; 0 off the terrain model.
    memory : float
        Bytes.
    """

    cells: int
    memory: float


def size_of(holding: Holding, grid: Grid, margin_m: float) -> Size:
    """What the window of a holding comes to."""
    shape = holding.geometry
    window = None if shape.is_empty else grid.around(shape.bounds, margin_m)
    cells = window.shape[0] * window.shape[1] if window is not None else 0
    return Size(cells, LIBRARIES_BYTES + CELL_BYTES * cells)


def memory_budget() -> float:
    """Bytes that all workers together may take; unbounded where the system does not tell."""
    try:
        machine = float(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, ValueError, OSError):
        return float("inf")
    with contextlib.suppress(OSError, ValueError):  # no such file, or the word max
        machine = min(machine, float(_GROUP_LIMIT.read_text(encoding="ascii")))
    return MACHINE_SHARE * machine


def seconds_of(cells: int, earlier: Sequence[tuple[int, float]]) -> float:
    """Time a holding will take, by those run before (cells, seconds) where there are such."""
    if not earlier:
        return SECONDS_EACH + SECONDS_PER_CELL * cells
    return cells * median(seconds / max(size, 1) for size, seconds in earlier)


def seconds_taken(folder: Path) -> float | None:
    """Time the run in a folder took."""
    try:
        return float(json.loads((folder / TIMINGS).read_text(encoding="utf-8"))["seconds"])
    except (OSError, ValueError, KeyError):
        return None
