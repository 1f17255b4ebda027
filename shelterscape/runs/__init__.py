"""Run processes into one folder: validate, lock, stage, compute, verify, record, swap.

This is the only caller of ``compute``.
"""

from __future__ import annotations

import functools
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shelterscape.errors import InputError, InternalError, Notice
from shelterscape.files.geopackages import describe_columns, verify_layers
from shelterscape.files.libraries import refuse_lost_coordinates
from shelterscape.files.record import (
    RECORD,
    TIMINGS,
    described,
    listed,
    write_json,
)
from shelterscape.process import Inputs, Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.area import Area
from shelterscape.process.inputs import (
    Source,
    each_changed,
    named_in,
    nearest,
    sources,
)
from shelterscape.process.memory import MIB
from shelterscape.runs.events import Monitor, Tell, machine_notices, never, tell_nobody
from shelterscape.runs.memory import MemoryEstimate
from shelterscape.runs.staging import Staging, unwritable
from shelterscape.runs.step import StepResult, run_step
from shelterscape.runs.steps import (
    STEP_PREFIX,
    FilesRead,
    Step,
    fed_inputs,
    files_read,
    given,
    key_of,
    program,
)

GEOPACKAGE = "layers.gpkg"


@dataclass(frozen=True)
class Result:
    """What a run left behind.

    Parameters
    ----------
    folder : Path
    rasters, tables, pictures : dict
        Path by name.
    layers : dict
        ``PATH:LAYER`` by name.
    findings : tuple of str
        Results in sentences.
    notices : tuple of Notice
        Of the steps, then those about this machine.
    record : dict
        The content of ``record.json``.
    """

    folder: Path
    rasters: dict[str, Path]
    layers: dict[str, str]
    tables: dict[str, Path]
    pictures: dict[str, Path]
    findings: tuple[str, ...]
    notices: tuple[Notice, ...]
    record: dict[str, Any]


def run(
    steps: list[Step],
    out: str | Path,
    *,
    overwrite: bool = False,
    progress: Tell = tell_nobody,
    cancelled: Callable[[], int] = never,
    area: Area | None = None,
    read: FilesRead | None = None,
    memory_limit_gib: float | None = None,
    pictures: bool = True,
) -> Result:
    """Run steps one after the other into one folder.

    Parameters
    ----------
    steps : list of Step
    out : path
        The output folder; it appears whole at the end, or not at all.
    overwrite : bool
        Replace the folder of an earlier run, if it holds nothing else.
    progress : callable
        Takes events as dictionaries: ``progress`` and ``notice``.
    cancelled : callable
        Answers 0, or the number of the signal that asks the run to stop.
    area : Area, optional
        The part of the map on which results are wanted.
    read : list, optional
        What `files_read` returns for the steps, where it is known already.
    memory_limit_gib : float, optional
        Refuse work estimated to need more than this, GiB; 80 % of the machine's by default.
    pictures : bool
        Whether pictures are drawn.

    Returns
    -------
    Result

    Raises
    ------
    InputError, UsageError, WriteError, SetupError, Stopped, InternalError
    """
    refuse_lost_coordinates()
    _check_names(steps)
    read = files_read(steps) if read is None else read
    started = time.time()
    with Staging(Path(out), overwrite) as stage:
        try:
            memory = MemoryEstimate(memory_limit_gib)
            # A batch has judged the part before it began.
            judge = memory if area is None else None
            done = _run_steps(steps, stage.folder, progress, cancelled, judge, area, pictures)
            for notice in (about_machine := machine_notices()):
                progress({"event": "notice", **notice.fields()})
            _check_files(done, stage.folder)
            _finish_layers(done, stage.folder)
            record = _record(steps, done, read, stage.folder)
            if area is not None:
                record |= {"area": area.fields(), "key": key_of(steps, read, area, pictures)}
            write_json(stage.folder / RECORD, record)
            timings = _timings(steps, done, started, stage)
            timings["notices"] = [notice.fields() for notice in about_machine]
            if judge is not None:
                timings["estimated_memory_mib"] = memory.mib
            write_json(stage.folder / TIMINGS, timings)
            stage.commit()
        except BrokenPipeError:  # of whoever listened to the progress, not of a file
            raise
        except OSError as error:
            raise unwritable(stage.target, error) from error
    return _result(stage.target, done, record, about_machine)


def _check_names(steps: list[Step]) -> None:
    """Every step and every output has a name of its own, and references lead backwards."""
    known: dict[str, Process] = {}
    for step in steps:
        for field, source in sources(type(step.params)).items():
            for text in named_in(getattr(step.params, field)):
                if text.startswith(STEP_PREFIX):
                    _check_reference(text, source, known, step)
        if step.name in known:
            raise InputError(
                "plan-bad",
                "Two steps have the same name.",
                value=step.name,
                mend="Give one of them another id.",
            )
        clash = [
            o.name
            for other in known.values()
            for o in other.outputs
            if any(type(o) is type(p) and o.name == p.name for p in step.process.outputs)
        ]
        if clash:
            raise InputError(
                "plan-bad",
                "Two steps of a run write the same outputs.",
                where=step.name,
                value=", ".join(clash),
                mend="Run them into two folders.",
            )
        known[step.name] = step.process


_KIND_OF: dict[str, tuple[type, ...]] = {
    "raster": (Raster,),
    "layer": (Layer,),
    "cover": (Raster, Layer),
    "winds": (Table,),
    "table": (Table,),
    "file": (),
}
"""Kinds of output that can serve as an input, by the kind of its source."""


def _fitting(process: Process, source: Source) -> list[Output]:
    """Outputs that can serve as an input; a raster and a picture may share a name."""
    return [o for o in process.outputs if isinstance(o, _KIND_OF[source.kind])]


def _check_reference(text: str, source: Source, known: dict[str, Process], step: Step) -> None:
    name, _, output = text.removeprefix(STEP_PREFIX).partition("/")
    process = known.get(name)
    names = [o.name for o in _fitting(process, source)] if process else list(known)
    if process is None or output not in names:
        raise InputError(
            "plan-bad",
            f"A step takes its {source.what} from an output that no earlier step writes.",
            where=step.name,
            value=text,
            mend=nearest(output if process else name, names) if names else "Put that step first.",
        )


def _resolved(step: Step, steps: list[Step], folder: Path) -> Inputs:
    """Inputs of a step with references to earlier steps turned into paths."""

    def _as_path(text: str, source: Source) -> str:
        if not text.startswith(STEP_PREFIX):
            return text
        name, _, output = text.removeprefix(STEP_PREFIX).partition("/")
        process = next(s.process for s in steps if s.name == name)
        found = next(o for o in _fitting(process, source) if o.name == output)
        path = str(folder / found.files[0])
        return f"{path}:{output}" if isinstance(found, Layer) else path

    changes = {
        field: each_changed(getattr(step.params, field), functools.partial(_as_path, source=source))
        for field, source in sources(type(step.params)).items()
        if getattr(step.params, field)
    }
    return step.params.model_copy(update=changes)


def _run_steps(
    steps: list[Step],
    folder: Path,
    progress: Tell,
    cancelled: Callable[[], int],
    memory: MemoryEstimate | None,
    area: Area | None,
    pictures: bool,
) -> list[StepResult]:
    if memory is not None:
        memory.check_all(steps)
    done: list[StepResult] = []
    for i, step in enumerate(steps):
        monitor = Monitor(progress, cancelled, (i / len(steps), (i + 1) / len(steps)))
        params = _resolved(step, steps, folder)
        fed = fed_inputs(step)
        if fed and memory is not None:
            memory.check(step, params)
        done.append(
            run_step(
                step.process,
                params,
                folder,
                monitor,
                area=area,
                from_steps=fed,
                pictures=pictures,
            )
        )
    return done


def _check_files(done: list[StepResult], folder: Path) -> None:
    """Hold the folder to what was written: a raster left open, or a scrap, is found here."""
    written = {path for one in done for output in one.written for path in output.files}
    if different := written ^ set(listed(folder)):
        raise InternalError(
            "internal",
            "The files of a run are not those its processes declare.",
            value=", ".join(sorted(different)),
        )


def _finish_layers(done: list[StepResult], folder: Path) -> None:
    counts = {name: n for one in done for name, n in one.features.items()}
    if not counts:
        return
    columns = {o.name: o.columns for one in done for o in one.written if isinstance(o, Layer)}
    describe_columns(folder / GEOPACKAGE, columns)
    verify_layers(folder / GEOPACKAGE, counts)


def _record(
    steps: list[Step], done: list[StepResult], read: list[dict[str, Any]], folder: Path
) -> dict[str, Any]:
    """All that the results follow from and all they are; no path, date or machine."""
    return program() | {
        "steps": [
            given(step, files)
            | {
                "notices": [n.fields() for n in one.notices],
                "findings": one.findings,
                "figures": one.figures,
                "bands": one.bands,
                "features": one.features,
                "cautions": list(step.process.all_cautions),
            }
            for step, one, files in zip(steps, done, read, strict=True)
        ],
        "outputs": described(folder, listed(folder)),
    }


def _timings(
    steps: list[Step], done: list[StepResult], started: float, stage: Staging
) -> dict[str, Any]:
    written = sum((stage.folder / path).stat().st_size for path in listed(stage.folder))
    return {
        "started": time.strftime("%Y-%m-%dT%H:%M:%S%z", time.localtime(started)),
        "seconds": round(time.time() - started, 3),
        "steps": {s.name: round(d.seconds, 3) for s, d in zip(steps, done, strict=True)},
        "peak_memory_mib": _peak_memory_mib(),
        "written_mib": round(written / MIB, 1),
        "host": platform.node(),
        "system": platform.platform(),
        "folder": str(stage.target),
        "inputs": {s.name: s.params.model_dump(mode="json") for s in steps},
    }


def _peak_memory_mib() -> int | None:
    """Most memory this process has held; None where the system does not report it."""
    status = Path("/proc/self/status")
    if status.exists():
        # Linux hands a child its parent's figure in getrusage; this one is its own.
        for line in status.read_text(encoding="ascii", errors="replace").splitlines():
            if line.startswith("VmHWM:"):
                return round(int(line.split()[1]) / 1024)
    try:
        import resource
    except ImportError:  # not on every system
        return None
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def _result(
    folder: Path, done: list[StepResult], record: dict[str, Any], about_machine: list[Notice]
) -> Result:
    outputs = [o for one in done for o in one.written]

    def paths(kind: type) -> dict[str, Path]:
        return {o.name: folder / o.files[0] for o in outputs if isinstance(o, kind)}

    return Result(
        folder=folder,
        rasters=paths(Raster),
        layers={name: f"{path}:{name}" for name, path in paths(Layer).items()},
        tables=paths(Table),
        pictures=paths(Picture),
        findings=tuple(text for one in done for text in one.findings),
        notices=(*(notice for one in done for notice in one.notices), *about_machine),
        record=record,
    )


__all__ = ["STEP_PREFIX", "FilesRead", "Result", "Step", "files_read", "key_of", "run"]
