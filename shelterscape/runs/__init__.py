"""Run processes into one folder: check, lock, compute, write, verify, record, move into place.

Nothing else in the package calls ``compute``.
"""

from __future__ import annotations

import functools
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from shelterscape.address_space import MIB
from shelterscape.errors import InputError, InternalError, Notice
from shelterscape.files.geopackages import describe_columns, verify_layers, write_styles
from shelterscape.files.html_page import scripts_installed
from shelterscape.files.libraries import refuse_lost_coordinates
from shelterscape.files.record import (
    RECORD,
    TIMINGS,
    described,
    listed,
    sha256_of,
    write_json,
)
from shelterscape.files.unchanged import InputWatch
from shelterscape.process import (
    Inputs,
    Layer,
    Output,
    Picture,
    Process,
    Raster,
    Table,
    Waypoints,
    Workbook,
)
from shelterscape.process.area import Area
from shelterscape.process.inputs import (
    Source,
    each_changed,
    named_in,
    nearest,
    sources,
)
from shelterscape.runs.events import Monitor, OnEvent, ignore_event, machine_notices, never
from shelterscape.runs.holding_sheets import HOLDING_SHEETS, print_holdings
from shelterscape.runs.memory import MemoryEstimate
from shelterscape.runs.report import write_report
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
from shelterscape.runs.summary import SUMMARY, RunSummary, StepAnswer, full_text, summary_of
from shelterscape.runs.writing import REPORT_IT

GEOPACKAGE, REPORT = "layers.gpkg", "report.html"


@dataclass(frozen=True)
class Result:
    """The result of a run.

    Parameters
    ----------
    folder : Path
    rasters, tables, pictures, workbooks, waypoints : dict
        Path by name.
    layers : dict
        ``PATH:LAYER`` by name.
    summary : RunSummary
        The answer, how sure it is, and what to check.
    notices : tuple of Notice
        Notices of the steps, then those about this machine.
    record : dict
        The content of ``record.json``.
    """

    folder: Path
    rasters: dict[str, Path]
    layers: dict[str, str]
    tables: dict[str, Path]
    pictures: dict[str, Path]
    workbooks: dict[str, Path]
    waypoints: dict[str, Path]
    summary: RunSummary
    notices: tuple[Notice, ...]
    record: dict[str, Any]


def run(
    steps: list[Step],
    out: str | Path,
    *,
    overwrite: bool = False,
    progress: OnEvent = ignore_event,
    cancelled: Callable[[], int] = never,
    area: Area | None = None,
    read: FilesRead | None = None,
    watch: InputWatch | None = None,
    memory_limit_gib: float | None = None,
    pictures: bool = True,
    report: bool = False,
    title: str = "",
) -> Result:
    """Run steps one after the other, and write their outputs into one folder.

    Parameters
    ----------
    steps : list of Step
    out : path
        The output folder; it is created in full at the end, or not at all.
    overwrite : bool
        Replace the folder of an earlier run, unless it holds other files too.
    progress : callable
        Takes events as dictionaries: ``progress`` and ``notice``.
    cancelled : callable
        Returns 0, or the number of the signal that requests a stop.
    area : Area, optional
        The part of the map to calculate; the whole map by default.
    read : list, optional
        What `files_read` returns for the steps; read from the files by default.
    watch : InputWatch, optional
        Watches the files in `read`; the run fails where one changes.
    memory_limit_gib : float, optional
        Refuse work estimated to need more than this, GiB; 80 % of the machine's by default.
    pictures : bool
        Whether pictures are drawn.
    report : bool
        Whether the page `REPORT` is written.
    title : str
        The question of a plan; that of its deciding step by default.

    Returns
    -------
    Result

    Raises
    ------
    InputError, UsageError, WriteError, SetupError, Stopped, InternalError
    """
    refuse_lost_coordinates()
    _check_names(steps)
    watch = InputWatch() if watch is None else watch
    read = files_read(steps, watch) if read is None else read
    started = time.time()
    with Staging(Path(out), overwrite) as stage:
        try:
            memory = MemoryEstimate(memory_limit_gib)
            # A batch has checked the memory of each part already.
            memory_check = memory if area is None else None
            done = _run_steps(
                steps, stage.folder, progress, cancelled, memory_check, area, pictures, watch
            )
            stage.refuse_swapped()
            about_machine = [*machine_notices(), *_without_scripts(report)]
            for notice in about_machine:
                progress({"event": "notice", **notice.fields()})
            _check_files(done, stage.folder)
            _finish_layers(done, stage.folder)
            answers = [
                StepAnswer(step.process, one.summary, one.notices, one.written)
                for step, one in zip(steps, done, strict=True)
            ]
            summary = summary_of(answers, title)
            report = report and scripts_installed()
            if report:
                summary = replace(summary, open_first=REPORT)
            text = full_text(summary, answers)
            (stage.folder / SUMMARY).write_text(text, encoding="utf-8")
            record = _record(steps, done, read) | {"title": title}
            if area is not None:
                record |= {"area": area.fields(), "key": key_of(steps, read, area, pictures)}
            if report:
                processes = [step.process for step in steps]
                page = stage.folder / REPORT
                shown = write_report(stage.folder, record, processes, GEOPACKAGE, page)
                print_holdings(shown, stage.folder / HOLDING_SHEETS)
            record["outputs"] = described(stage.folder, listed(stage.folder))
            write_json(stage.folder / RECORD, record)
            timings = _timings(steps, done, started, stage)
            timings["record_sha256"] = sha256_of(stage.folder / RECORD)
            timings["notices"] = [notice.fields() for notice in about_machine]
            if memory_check is not None:
                timings["estimated_memory_mib"] = memory.mib
            write_json(stage.folder / TIMINGS, timings)
            Monitor(cancelled=cancelled).check_stop()
            watch.check()
            stage.commit()
        except BrokenPipeError:  # the reader of the progress has gone; no file is concerned
            raise
        except OSError as error:
            raise unwritable(stage.target, error) from error
    return _result(stage.target, done, summary, record, about_machine)


def _without_scripts(report: bool) -> list[Notice]:
    """The notice that a wanted page cannot be written on this machine."""
    if not report or scripts_installed():
        return []
    text = f"{REPORT} was not written: its scripts were not built when the package was installed"
    return [Notice("report-left-out", text)]


def _check_names(steps: list[Step]) -> None:
    """Check that names of steps and outputs are unique and references lead to earlier steps."""
    known: dict[str, Process] = {}
    for step in steps:
        for field, source in sources(type(step.params)).items():
            for text in named_in(getattr(step.params, field)):
                if text.startswith(STEP_PREFIX):
                    _check_reference(text, source, known, step)
        if step.name in known:
            raise InputError(
                "plan-bad",
                "Two steps have the same id.",
                value=step.name,
                hint="Give one of the steps another id.",
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
                "Two steps of a run write outputs of the same name.",
                where=step.name,
                value=", ".join(clash),
                hint="Run the two steps in separate plans, each with a folder of its own.",
            )
        known[step.name] = step.process


_KIND_OF: dict[str, tuple[type, ...]] = {
    "raster": (Raster,),
    "layer": (Layer,),
    "cover": (Raster, Layer),
    "winds": (Table,),
    "table": (Table,),
    "photograph": (),
    "file": (),
}
"""Types of output that can be used as an input, by the kind of its source."""


def _fitting(process: Process, source: Source) -> list[Output]:
    """Outputs that can be used as an input; a raster and a picture may share a name."""
    return [o for o in process.outputs if isinstance(o, _KIND_OF[source.kind])]


def _check_reference(text: str, source: Source, known: dict[str, Process], step: Step) -> None:
    name, _, output = text.removeprefix(STEP_PREFIX).partition("/")
    process = known.get(name)
    names = [o.name for o in _fitting(process, source)] if process else list(known)
    if process is None or output not in names:
        raise InputError(
            "plan-bad",
            f"The {source.what} of a step refers to an output that no earlier step writes.",
            where=step.name,
            value=text,
            hint=nearest(output if process else name, names)
            if names
            else "Move the step that writes it before this one.",
        )


def _resolved(step: Step, steps: list[Step], folder: Path) -> Inputs:
    """Inputs of a step, with references to earlier steps replaced by paths."""

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
    progress: OnEvent,
    cancelled: Callable[[], int],
    memory: MemoryEstimate | None,
    area: Area | None,
    pictures: bool,
    watch: InputWatch,
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
                check_inputs=watch.check,
            )
        )
    return done


def _check_files(done: list[StepResult], folder: Path) -> None:
    """Check that the folder holds exactly the declared files: none unfinished, none extra."""
    written = {path for one in done for output in one.written for path in output.files}
    if different := written ^ set(listed(folder)):
        raise InternalError(
            "internal",
            "The files of a run differ from those its processes declare.",
            value=", ".join(sorted(different)),
            hint=REPORT_IT,
        )


def _finish_layers(done: list[StepResult], folder: Path) -> None:
    counts = {name: n for one in done for name, n in one.features.items()}
    if not counts:
        return
    columns = {o.name: o.columns for one in done for o in one.written if isinstance(o, Layer)}
    describe_columns(folder / GEOPACKAGE, columns)
    styles = {name: style for one in done for name, style in one.styles.items()}
    write_styles(folder / GEOPACKAGE, styles)
    verify_layers(folder / GEOPACKAGE, counts)


def _record(
    steps: list[Step], done: list[StepResult], read: list[dict[str, Any]]
) -> dict[str, Any]:
    """Everything the results follow from; no path, date or machine."""
    return program() | {
        "steps": [
            given(step, files)
            | {
                "notices": [n.fields() for n in one.notices],
                "question": one.summary.question,
                "answer": list(one.summary.answer),
                "certainty": list(one.summary.certainty),
                "figures": dict(one.summary.figures),
                "bands": one.bands,
                "features": one.features,
                "cautions": list(step.process.all_cautions),
            }
            for step, one, files in zip(steps, done, read, strict=True)
        ]
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
    """Peak memory of this process, MiB; None where the system does not report it."""
    status = Path("/proc/self/status")
    if status.exists():
        # On Linux getrusage starts a child with the peak of its parent; this value is its own.
        for line in status.read_text(encoding="ascii", errors="replace").splitlines():
            if line.startswith("VmHWM:"):
                return round(int(line.split()[1]) / 1024)
    try:
        import resource
    except ImportError:  # not on every system
        return None
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def _result(
    folder: Path,
    done: list[StepResult],
    summary: RunSummary,
    record: dict[str, Any],
    about_machine: list[Notice],
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
        workbooks=paths(Workbook),
        waypoints=paths(Waypoints),
        summary=summary,
        notices=(*(notice for one in done for notice in one.notices), *about_machine),
        record=record,
    )


__all__ = ["STEP_PREFIX", "FilesRead", "Result", "Step", "files_read", "key_of", "run"]
