"""Estimates of the work on a holding: cells, memory, time.

Constants are assumed values unless stated otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from shelterscape.address_space import LIBRARIES_BYTES
from shelterscape.batch.holdings import Holding
from shelterscape.files.record import TIMINGS, read_json
from shelterscape.files.vectors import LayerSize
from shelterscape.grid import Grid
from shelterscape.process.memory import InputSizes, input_sizes
from shelterscape.runs import Step
from shelterscape.runs.memory import work_bytes
from shelterscape.runs.steps import without_references

DENSITY_FACTOR = 4.0
"""How many times denser features may be near a holding than on the whole map."""

SECONDS_EACH, SECONDS_PER_CELL = 2.0, 2e-5
"""Time for each holding and for each of its cells, s, before any was run in this folder."""

MOST_SECONDS = 1e9


@dataclass(frozen=True)
class WorkSize:
    """Size of the work on one holding.

    Parameters
    ----------
    cells : int
        Cells read, margin included; 0 outside the terrain model.
    memory : float
        Memory needed, bytes.
    """

    cells: int
    memory: float


class SizeEstimator:
    """Estimates the work on parts of a map from the sizes of the whole inputs.

    Parameters
    ----------
    steps : sequence of Step
    grid : Grid
        Grid of the terrain model.
    """

    def __init__(self, steps: Sequence[Step], grid: Grid) -> None:
        self._grid = grid
        alone = [without_references(step) for step in steps]
        self._works = [(step, input_sizes(step.params)) for step in alone]

    def size_of(self, holding: Holding, margin_m: float) -> WorkSize:
        """The work on a holding with a margin."""
        shape = holding.geometry
        window = None if shape.is_empty else self._grid.around(shape.bounds, margin_m)
        if window is None:
            return WorkSize(0, float(LIBRARIES_BYTES))
        cells = window.shape[0] * window.shape[1]
        here = [(step, self._part(sizes, window)) for step, sizes in self._works]
        most = max(work_bytes(step.process, step.params, s) for step, s in here)
        return WorkSize(cells, LIBRARIES_BYTES + most)

    @staticmethod
    def _part(whole: InputSizes, window: Grid) -> InputSizes:
        """The share of the inputs in a window."""
        cells = window.shape[0] * window.shape[1]
        share = min(1.0, DENSITY_FACTOR * cells / max(whole.cells, 1))
        layers = {
            name: LayerSize(
                *(math.ceil(share * n) for n in (one.features, one.vertices, one.read_features))
            )
            for name, one in whole.layers.items()
        }
        return replace(whole, grid=window, read_cells=cells, layers=layers)


def seconds_of(cells: int, earlier: Sequence[tuple[int, float]]) -> float:
    """Estimated time of a holding, s; based on earlier ones (cells, seconds) where known."""
    if not earlier:
        return SECONDS_EACH + SECONDS_PER_CELL * cells
    return cells * median(seconds / max(size, 1) for size, seconds in earlier)


def seconds_taken(folder: Path) -> float | None:
    """Time that the run in a folder took, s; None where it is not recorded."""
    seconds = (read_json(folder / TIMINGS) or {}).get("seconds")
    # A file of any content: a number too large for a float compares without an error.
    if isinstance(seconds, int | float) and 0 <= seconds <= MOST_SECONDS:
        return float(seconds)
    return None
