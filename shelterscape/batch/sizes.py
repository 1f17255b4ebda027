"""How large the work on a holding is: cells, memory, time.

Estimates before work begins; engineering choices unless said otherwise.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from shelterscape.batch.holdings import Holding
from shelterscape.files.record import TIMINGS
from shelterscape.files.vectors import LayerSize
from shelterscape.grid import Grid
from shelterscape.process.memory import LIBRARIES_BYTES, Sizes, sizes_of
from shelterscape.runs import Step
from shelterscape.runs.memory import MACHINE_SHARE, machine_bytes
from shelterscape.runs.prepare import without_references

BELTS_CROWD = 4.0
"""How much denser than on the whole map features may lie by a holding."""

SECONDS_EACH, SECONDS_PER_CELL = 2.0, 2e-5
"""Time for a holding and for each of its cells, until some have been run in this folder."""


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


class Sizer:
    """Tells the size of work on parts of a map by that on the whole.

    Parameters
    ----------
    steps : sequence of Step
    grid : Grid
        Of the terrain model.
    """

    def __init__(self, steps: Sequence[Step], grid: Grid) -> None:
        self._grid = grid
        alone = [without_references(step) for step in steps]
        self._works = [(step, sizes_of(step.asked)) for step in alone]

    def size_of(self, holding: Holding, margin_m: float) -> Size:
        """What the window of a holding comes to."""
        shape = holding.geometry
        window = None if shape.is_empty else self._grid.around(shape.bounds, margin_m)
        if window is None:
            return Size(0, float(LIBRARIES_BYTES))
        cells = window.shape[0] * window.shape[1]
        whole = self._grid.shape[0] * self._grid.shape[1]
        share = min(1.0, BELTS_CROWD * cells / whole)
        most = max(self._bytes(step, sizes, window, share) for step, sizes in self._works)
        return Size(cells, LIBRARIES_BYTES + most)

    @staticmethod
    def _bytes(step: Step, whole: Sizes, window: Grid, share: float) -> float:
        layers = {
            name: LayerSize(
                *(math.ceil(share * n) for n in (one.features, one.vertices, one.read_features))
            )
            for name, one in whole.layers.items()
        }
        cells = window.shape[0] * window.shape[1]
        here = replace(whole, grid=window, read_cells=cells, layers=layers)
        return max(here.reading_bytes, step.process.memory(step.asked, here))


def memory_budget() -> float:
    """Bytes that all workers together may take; unbounded where the system does not tell."""
    machine = machine_bytes()
    return math.inf if machine is None else MACHINE_SHARE * machine


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
