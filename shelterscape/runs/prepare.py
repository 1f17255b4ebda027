"""Work over the whole map, done once before its parts are run.

Only this calls ``prepare`` of a process.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from shelterscape.files.terrain_models import can_be_cut
from shelterscape.process import USUAL_MARGIN_M, Files, Run
from shelterscape.process.inputs import TerrainInputs
from shelterscape.process.run import Tell, never, tell_nobody
from shelterscape.process.shared import Shared
from shelterscape.runs.staging import unwritable
from shelterscape.runs.steps import Step, without_references


def prepare(
    step: Step,
    folder: Path,
    progress: Tell = tell_nobody,
    cancelled: Callable[[], int] = never,
) -> float:
    """Do the part of one step that is the same for all parts of the map.

    Parameters
    ----------
    step : Step
    folder : Path
        Where it is kept; what is there already is not done again.
    progress, cancelled : callable
        As for `runs.run`.

    Returns
    -------
    float
        Width of the ground around a part that results in it depend on, m.

    Raises
    ------
    InputError, WriteError, Stopped
    """
    shared = Shared(folder)
    known = shared.margin_m(step.name)
    if known is not None:
        return known
    try:
        run = Run(step.process.outputs, folder, progress, cancelled)
        files = Files(run, shared)
        if is_laid_out_anew(step) and not shared.terrain.is_file():
            elevation, grid, _ = files.terrain(step.asked)  # type: ignore[arg-type]
            shared.keep_terrain(elevation, grid)
        margin_m = USUAL_MARGIN_M
        if step.process.prepare is not None:
            margin_m = step.process.prepare(without_references(step).asked, files, run)
        shared.keep_margin(step.name, margin_m)
    except OSError as error:
        raise unwritable(folder, error) from error
    return margin_m


def is_laid_out_anew(step: Step) -> bool:
    """Whether the terrain model of a step cannot be cut as it is, and is kept whole for parts."""
    asked = step.asked
    if not isinstance(asked, TerrainInputs):
        return False
    return not can_be_cut(asked.dem, crs=asked.crs, to_crs=asked.to_crs)
