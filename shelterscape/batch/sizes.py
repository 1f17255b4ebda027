"""How large the work on a holding is: cells, memory, disk, time.

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
from shelterscape.process.disk import PLANE_BYTES, Space
from shelterscape.process.memory import LIBRARIES_BYTES, Sizes, sizes_of
from shelterscape.runs import Step
from shelterscape.runs.disk import RUN_BYTES, space_of
from shelterscape.runs.prepare import is_laid_out_anew
from shelterscape.runs.steps import without_references

BELTS_CROWD = 4.0
"""How much denser than on the whole map features may lie by a holding."""

CATCHMENT_BYTES = 500_000.0
"""What the catchment takes besides: the map of holdings, heads and indexes."""

SECONDS_EACH, SECONDS_PER_CELL = 2.0, 2e-5
"""Time for a holding and for each of its cells, until some have been run in this folder."""


@dataclass(frozen=True)
class Size:
    """Size of the work on one holding.

    Parameters
    ----------
    cells : int
        Cells read, margin and all; 0 off the terrain model.
    inside : int
        Cells of the holding itself, at most.
    memory : float
        Bytes.
    disk : Space
    """

    cells: int
    inside: int
    memory: float
    disk: Space


class Sizer:
    """Tells the size of work on parts of a map by that on the whole.

    Parameters
    ----------
    steps : sequence of Step
    grid : Grid
        Of the terrain model.
    pictures : bool
        Whether holdings get pictures.
    """

    def __init__(self, steps: Sequence[Step], grid: Grid, pictures: bool = False) -> None:
        self._grid, self._pictures = grid, pictures
        alone = [without_references(step) for step in steps]
        self._works = [(step, sizes_of(step.asked)) for step in alone]

    def size_of(self, holding: Holding, margin_m: float) -> Size:
        """What the window of a holding comes to."""
        shape = holding.geometry
        window = None if shape.is_empty else self._grid.around(shape.bounds, margin_m)
        if window is None:
            return Size(0, 0, float(LIBRARIES_BYTES), Space())
        cells = window.shape[0] * window.shape[1]
        # Cells on the outline may count or not.
        sides = shape.length / self._grid.cell_m
        inside = min(cells, math.ceil(shape.area / self._grid.cell_m**2 + sides))
        here = [(step, self._part(sizes, window, inside)) for step, sizes in self._works]
        most = max(max(s.reading_bytes, step.process.memory(step.asked, s)) for step, s in here)
        disk = self._together(here, Space(RUN_BYTES))
        if not self._pictures:
            disk = replace(disk, pictures=0.0)
        return Size(cells, inside, LIBRARIES_BYTES + most, disk)

    def catchment(self, parts: Sequence[Size]) -> Space:
        """Room for parts put together: what they hold, on the map they are spread over."""
        inside = min(sum(part.inside for part in parts), self._grid.shape[0] * self._grid.shape[1])
        whole = [(step, replace(sizes, inside=inside)) for step, sizes in self._works]
        blank = [(step, replace(sizes, inside=0, layers={})) for step, sizes in self._works]
        # Pictures of holdings are not put together.
        held = sum(part.disk.kept for part in parts)
        kept = self._together(blank, Space(held + CATCHMENT_BYTES)).kept
        # The file a mosaic is made from is not packed where parts take up half of it or more.
        return Space(kept, 2 * self._together(whole, Space()).passing)

    def whole_map(self, steps: Sequence[bool], *, terrain: bool) -> float:
        """Bytes that work over the whole map keeps.

        Parameters
        ----------
        steps : sequence of bool
            For each step whether its part is still to be done.
        terrain : bool
            Whether a terrain model laid out anew would be kept too.
        """
        wanted = [work for work, is_wanted in zip(self._works, steps, strict=True) if is_wanted]
        kept = sum(step.process.disk(step.asked, sizes).whole_map for step, sizes in wanted)
        if terrain and any(is_laid_out_anew(step) for step, _ in wanted):
            kept += PLANE_BYTES * self._grid.shape[0] * self._grid.shape[1]
        return kept

    @staticmethod
    def _together(works: Sequence[tuple[Step, Sizes]], first: Space) -> Space:
        return sum((space_of(step.process, step.asked, sizes) for step, sizes in works), first)

    @staticmethod
    def _part(whole: Sizes, window: Grid, inside: int) -> Sizes:
        """Sizes of what a window of the whole holds."""
        cells = window.shape[0] * window.shape[1]
        share = min(1.0, BELTS_CROWD * cells / max(whole.cells, 1))
        layers = {
            name: LayerSize(
                *(math.ceil(share * n) for n in (one.features, one.vertices, one.read_features))
            )
            for name, one in whole.layers.items()
        }
        return replace(whole, grid=window, read_cells=cells, layers=layers, inside=inside)


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
