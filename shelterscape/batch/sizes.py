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
from shelterscape.runs.memory import work_bytes
from shelterscape.runs.steps import without_references

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
        self._works = [(step, sizes_of(step.params)) for step in alone]

    def size_of(self, holding: Holding, margin_m: float) -> Size:
        """What the window of a holding comes to."""
        shape = holding.geometry
        window = None if shape.is_empty else self._grid.around(shape.bounds, margin_m)
        if window is None:
            return Size(0, float(LIBRARIES_BYTES))
        cells = window.shape[0] * window.shape[1]
        here = [(step, self._part(sizes, window)) for step, sizes in self._works]
        most = max(work_bytes(step.process, step.params, s) for step, s in here)
        return Size(cells, LIBRARIES_BYTES + most)

    @staticmethod
    def _part(whole: Sizes, window: Grid) -> Sizes:
        """Sizes of what a window of the whole holds."""
        cells = window.shape[0] * window.shape[1]
        share = min(1.0, BELTS_CROWD * cells / max(whole.cells, 1))
        layers = {
            name: LayerSize(
                *(math.ceil(share * n) for n in (one.features, one.vertices, one.read_features))
            )
            for name, one in whole.layers.items()
        }
        return replace(whole, grid=window, read_cells=cells, layers=layers)


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
