"""Work over the whole map, done once before its parts are run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from shelterscape.files.record import is_intact, read_record
from shelterscape.files.terrain_models import can_be_cut
from shelterscape.process.inputs import TerrainInputs, sources
from shelterscape.process.reading import Reader
from shelterscape.process.shared import Shared
from shelterscape.process.stages import USUAL_MARGIN_M, stages_of
from shelterscape.runs import run
from shelterscape.runs.events import Monitor, OnEvent, ignore_event, never
from shelterscape.runs.staging import unwritable
from shelterscape.runs.steps import STEP_PREFIX, Step, fed_inputs, without_references


def prepare(
    step: Step,
    folder: Path,
    progress: OnEvent = ignore_event,
    cancelled: Callable[[], int] = never,
    *,
    earlier: Sequence[Step] = (),
    check_inputs: Callable[[], None] = lambda: None,
) -> float:
    """Do the work of one step that all parts of the map share.

    Parameters
    ----------
    step : Step
    folder : Path
        Where its results are kept; finished work is not done again.
    progress, cancelled : callable
        As for `runs.run`.
    earlier : sequence of Step
        Steps before it. One that reads no map and makes its wind set is run here.
    check_inputs : callable
        Called before and after the work; raises where an input has changed.

    Returns
    -------
    float
        Width of the margin around a part that its results depend on, m.

    Raises
    ------
    InputError, WriteError, Stopped
    """
    shared = Shared(folder)
    known = shared.margin_m(step.name)
    if known is not None:
        return known
    monitor = Monitor(progress, cancelled)
    check_inputs()
    try:
        if is_resampled(step) and not shared.has_terrain:
            reader = Reader(monitor.notice, monitor.check_stop)
            elevation, grid, _ = reader.terrain(step.params)  # type: ignore[arg-type]
            shared.keep_terrain(elevation, grid)
        margin_m = _whole_map(_with_winds(step, earlier, folder, cancelled), shared, monitor)
        check_inputs()
        shared.keep_margin(step.name, margin_m, monitor.notices)
    except OSError as error:
        raise unwritable(folder, error) from error
    return margin_m


def _with_winds(
    step: Step, earlier: Sequence[Step], folder: Path, cancelled: Callable[[], int]
) -> Step:
    """The step with its wind set as a file, and without all else it takes from earlier steps."""
    found = {}
    for field, source in sources(type(step.params)).items():
        text = getattr(step.params, field)
        if source.kind != "winds" or not text or not text.startswith(STEP_PREFIX):
            continue
        name, _, output = text.removeprefix(STEP_PREFIX).partition("/")
        maker = next((one for one in earlier if one.name == name), None)
        if maker is None or isinstance(maker.params, TerrainInputs) or fed_inputs(maker):
            continue
        made = folder / "steps" / name
        record = read_record(made)
        if record is None or not is_intact(made, record):
            run([maker], made, overwrite=True, cancelled=cancelled, pictures=False)
        found[field] = str(made / "tables" / f"{output}.csv")
    alone = without_references(step)
    return Step(alone.process, alone.params.model_copy(update=found), alone.id)


def _whole_map(step: Step, shared: Shared, monitor: Monitor) -> float:
    whole_map = stages_of(step.process).whole_map
    if whole_map is None:
        return USUAL_MARGIN_M
    found = whole_map(step.params, Reader(monitor.notice, monitor.check_stop, shared=shared))
    if found.terrain_wind is not None:
        shared.keep_terrain_wind(found.terrain_wind, monitor.check_stop, monitor.progress)
    return found.margin_m


def is_resampled(step: Step) -> bool:
    """Whether the terrain model of a step must be resampled as a whole before it is divided."""
    params = step.params
    if not isinstance(params, TerrainInputs) or params.map_raster != params.dem:
        return False
    return not can_be_cut(params.dem, crs=params.crs, to_crs=params.to_crs)
