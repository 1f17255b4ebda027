"""What all holdings of a batch have in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shelterscape.batch.holdings import Holding
from shelterscape.batch.state import WHOLE_MAP, BatchFolder
from shelterscape.batch.tasks import Task, stamps_of
from shelterscape.errors import InputError
from shelterscape.files.local import existing_file, split_layer
from shelterscape.files.record import files_of
from shelterscape.files.tables import directions_in
from shelterscape.files.terrain_models import grid_of
from shelterscape.grid import Grid
from shelterscape.process.area import Area
from shelterscape.process.inputs import (
    WITH_LAYERS,
    TerrainInputs,
    columns_by_layer,
    named_in,
    sources,
)
from shelterscape.process.shared import Shared
from shelterscape.process.stages import USUAL_MARGIN_M
from shelterscape.runs import STEP_PREFIX, FilesRead, Step, files_read, key_of
from shelterscape.science.holdings import READ_COLUMNS


@dataclass(frozen=True)
class Job:
    """The steps of a plan, and what they read.

    Parameters
    ----------
    steps : tuple of Step
    read : list
        What `runs.files_read` tells of them.
    stamps : dict
        Size and time of change of every file read, by path.
    grid : Grid
        Of the terrain model.
    holding_columns : dict
        Columns of the layer of holdings by the names wanted, where they differ.
    pictures : bool
    """

    steps: tuple[Step, ...]
    read: FilesRead
    stamps: dict[str, tuple[int, int]]
    grid: Grid
    holding_columns: dict[str, str]
    pictures: bool

    def shared(self, folder: BatchFolder) -> Path:
        """Folder of the work over the whole map, named after all it follows from."""
        # An area without extent: what is left of the key is that of the steps alone.
        key = key_of(self.steps, self.read, Area("", b"", 0.0, ""))
        return folder.root / WHOLE_MAP / key[:16]

    def margins(self, folder: BatchFolder) -> list[float | None]:
        """The margin of each step, m; None where its work over the whole map is not done yet."""
        shared = Shared(self.shared(folder))
        return [shared.margin_m(step.name) for step in self.steps]

    def margin_told(self, folder: BatchFolder) -> float:
        """The margin as far as the steps have told it already; else the usual one."""
        return max(USUAL_MARGIN_M if told is None else told for told in self.margins(folder))

    def area(self, holding: Holding, margin_m: float, shared: str = "") -> Area:
        """The part of the map a holding is."""
        return Area(holding.label, holding.outline, margin_m, shared, holding.holding_id)

    def key(self, holding: Holding, margin_m: float) -> str:
        """What the results of a holding follow from."""
        return key_of(self.steps, self.read, self.area(holding, margin_m), self.pictures)

    def task(self, holding: Holding, margin_m: float, folder: BatchFolder, threads: int) -> Task:
        """The work on a holding."""
        area = self.area(holding, margin_m, str(self.shared(folder)))
        path = str(folder.of(holding))
        return Task(self.steps, self.read, self.stamps, area, path, threads, self.pictures)


def job_of(steps: Sequence[Step], pictures: bool) -> Job:
    """Look over the steps of a plan.

    Raises
    ------
    InputError
        ``plan-bad`` when they do not stand on one terrain model.
    """
    params = [step.params for step in steps if isinstance(step.params, TerrainInputs)]
    grounds = {(one.dem, one.crs, one.to_crs, one.z_unit) for one in params}
    if len(grounds) != 1:
        raise InputError(
            "plan-bad",
            "The steps of a batch stand on one terrain model.",
            value=f"{len(grounds)} of them",
            mend="Give dem once, in the part [inputs] of the plan.",
        )
    grid, _ = grid_of(params[0].dem, crs=params[0].crs, to_crs=params[0].to_crs)
    stamps = stamps_of(_files(steps))
    return Job(tuple(steps), files_read(steps), stamps, grid, _holding_columns(steps), pictures)


def _files(steps: Sequence[Step]) -> list[Path]:
    """Every file the steps read."""
    found: list[Path] = []
    for step in steps:
        for field, source in sources(type(step.params)).items():
            for text in named_in(getattr(step.params, field)):
                if text.startswith(STEP_PREFIX):
                    continue
                if source.kind == "winds" and directions_in(text) is not None:
                    continue
                path = split_layer(text)[0] if source.kind in WITH_LAYERS else text
                found += files_of(existing_file(path, source.what))
    return list(dict.fromkeys(found))


def _holding_columns(steps: Sequence[Step]) -> dict[str, str]:
    """Columns of the layer of holdings as the plan names them."""
    named: dict[str, Any] = {}
    for step in steps:
        for name, column in getattr(step.params, "fields", {}).items():
            if name.startswith("holdings."):
                named[name] = column
    return columns_by_layer(named, {"holdings": READ_COLUMNS})["holdings"]
