"""The inputs that all holdings of a batch share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shelterscape.batch.holdings import Holding
from shelterscape.batch.state import WHOLE_MAP, BatchFolder
from shelterscape.batch.tasks import Task
from shelterscape.errors import NOTICES, InputError, Notice
from shelterscape.files.terrain_models import grid_of
from shelterscape.files.unchanged import InputWatch
from shelterscape.grid import Grid
from shelterscape.process import Layer
from shelterscape.process.area import Area
from shelterscape.process.inputs import TerrainInputs, columns_by_layer, named_in
from shelterscape.process.shared import Shared
from shelterscape.process.stages import USUAL_MARGIN_M
from shelterscape.runs import STEP_PREFIX, FilesRead, Step, files_read, key_of
from shelterscape.runs.steps import fed_inputs
from shelterscape.science.holdings import READ_COLUMNS


@dataclass(frozen=True)
class Job:
    """The steps of a plan, and what they read.

    Parameters
    ----------
    steps : tuple of Step
    read : list
        What `runs.files_read` returns for the steps.
    watch : InputWatch
        Watches every file read.
    grid : Grid
        Grid of the terrain model.
    holding_columns : dict
        Name of a column of the layer of holdings by the name used here, where they differ.
    pictures : bool
    """

    steps: tuple[Step, ...]
    read: FilesRead
    watch: InputWatch
    grid: Grid
    holding_columns: dict[str, str]
    pictures: bool

    def shared(self, folder: BatchFolder) -> Path:
        """Folder of the work over the whole map, named by the checksum of its inputs."""
        # With an empty area the key depends on the steps alone.
        key = key_of(self.steps, self.read, Area("", b"", 0.0, ""))
        return folder.root / WHOLE_MAP / key[:16]

    def notices(self, folder: BatchFolder) -> list[Notice]:
        """What the work over the whole map noticed, the most serious first."""
        serious = list(NOTICES)
        found = Shared(self.shared(folder)).notices()
        return sorted(found, key=lambda notice: serious.index(notice.code))

    def margins(self, folder: BatchFolder) -> list[float | None]:
        """The margin of each step, m; None before its work over the whole map is done."""
        shared = Shared(self.shared(folder))
        return [shared.margin_m(step.name) for step in self.steps]

    def stated_margin(self, folder: BatchFolder) -> float:
        """The largest margin of the steps, m; the usual one for steps that have none yet."""
        return max(USUAL_MARGIN_M if margin is None else margin for margin in self.margins(folder))

    def area(self, holding: Holding, margin_m: float, shared: str = "") -> Area:
        """The part of the map that a holding covers."""
        return Area(holding.label, holding.outline, margin_m, shared, holding.holding_id)

    def key(self, holding: Holding, margin_m: float) -> str:
        """Checksum of everything the results of a holding follow from."""
        return key_of(self.steps, self.read, self.area(holding, margin_m), self.pictures)

    def task(self, holding: Holding, margin_m: float, folder: BatchFolder, threads: int) -> Task:
        """The task that runs a holding."""
        area = self.area(holding, margin_m, str(self.shared(folder)))
        path = str(folder.run_folder(holding))
        return Task(self.steps, self.read, self.watch, area, path, threads, self.pictures)


def job_of(steps: Sequence[Step], pictures: bool) -> Job:
    """Check that a plan can run as a batch, and read what its holdings share.

    Raises
    ------
    InputError
        ``plan-bad``: the steps do not use one terrain model, or one takes features that end at the
        edge of each holding from an earlier step.
    """
    _check_links(steps)
    params = [step.params for step in steps if isinstance(step.params, TerrainInputs)]
    # A raster of canopy height has cells of its own, and need not be that of other steps.
    params = [one for one in params if one.map_raster == one.dem] or params
    terrain = {(one.map_raster, one.crs, one.to_crs, one.z_unit) for one in params}
    if len(terrain) != 1:
        raise InputError(
            "plan-bad",
            "All steps of a batch must use the same terrain model.",
            value=f"{len(terrain)} terrain models",
            hint="Give dem once, in the section [inputs] of the plan.",
        )
    watch = InputWatch()
    read = files_read(steps, watch)
    grid, _ = grid_of(params[0].map_raster, crs=params[0].crs, to_crs=params[0].to_crs)
    return Job(tuple(steps), read, watch, grid, _holding_columns(steps), pictures)


def _check_links(steps: Sequence[Step]) -> None:
    """Refuse steps that would lack what is beside their part of the map."""
    cut = {
        f"{STEP_PREFIX}{step.name}/{output.name}"
        for step in steps
        for output in step.process.outputs
        if isinstance(output, Layer) and output.ends_at_parts
    }
    for step in steps:
        for field in sorted(fed_inputs(step)):
            for text in named_in(getattr(step.params, field)):
                if text in cut:
                    raise InputError(
                        "plan-bad",
                        "In a batch these features end at the edge of each holding or tile, so "
                        "that those beside it would be missing.",
                        where=f"step {step.name}, {field}",
                        value=text,
                        hint="Run the earlier step in a batch of its own, and give its layer in "
                        "combined/combined.gpkg.",
                    )


def _holding_columns(steps: Sequence[Step]) -> dict[str, str]:
    """Columns of the layer of holdings that the plan names differently."""
    named: dict[str, Any] = {}
    for step in steps:
        for name, column in getattr(step.params, "fields", {}).items():
            if name.startswith("holdings."):
                named[name] = column
    return columns_by_layer(named, {"holdings": READ_COLUMNS})["holdings"]
