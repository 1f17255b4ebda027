"""The Python front door: functions that run a process, prepare one, or run a plan file."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

from shelterscape import registry
from shelterscape.errors import Notice
from shelterscape.plan import read_plan
from shelterscape.process import Process
from shelterscape.process.inputs import validated
from shelterscape.process.reading import Reader
from shelterscape.process.stages import stages_of
from shelterscape.runs import Result, Step, run
from shelterscape.runs.events import OnEvent, ignore_event, never

PREPARE = "prepare_"
"""Prefix of functions that read the inputs of a process once, for repeated use."""


def run_plan(
    path: str | Path,
    *,
    out: str | Path,
    overwrite: bool = False,
    progress: OnEvent = ignore_event,
    cancelled: Callable[[], int] = never,
    memory_limit_gib: float | None = None,
    pictures: bool = True,
    report: bool = True,
) -> Result:
    """Run all steps of a plan file into one folder; see `shelterscape.runs.run`."""
    plan = read_plan(path)
    return run(
        plan.steps,
        out,
        title=plan.title,
        overwrite=overwrite,
        progress=progress,
        cancelled=cancelled,
        memory_limit_gib=memory_limit_gib,
        pictures=pictures,
        report=report,
    )


def names() -> list[str]:
    """Names of all functions."""
    prepared = (f"{PREPARE}{process_id}".replace("-", "_") for process_id in registry.PREPARED)
    return ["run_plan", *prepared, *(name.replace("-", "_") for name in registry.ids())]


def find(name: str) -> Callable[..., Any]:
    """The function of a name.

    Raises
    ------
    AttributeError
    """
    if name == "run_plan":
        return run_plan
    process_id = name.removeprefix(PREPARE).replace("_", "-")
    if name.startswith(PREPARE) and process_id in registry.PREPARED:
        return prepare_function_of(registry.find(process_id))
    process_id = name.replace("_", "-")
    if name.startswith("_") or process_id not in registry.ids():
        raise AttributeError(f"module 'shelterscape' has no attribute {name!r}")
    return function_of(registry.find(process_id))


def function_of(process: Process) -> Callable[..., Result]:
    """A process as a Python function of keyword inputs."""

    def call(**given: Any) -> Result:
        bound = signature.bind(**given).arguments
        options = {name: default for name, (default, *_) in _RUN_OPTIONS.items()}
        options |= {k: bound.pop(k) for k in list(bound) if k in _RUN_OPTIONS}
        bound = {k: str(v) if isinstance(v, Path) else v for k, v in bound.items()}
        return run([Step(process, validated(process.inputs, bound, process.id))], **options)

    signature = _signature(process)
    call.__name__ = call.__qualname__ = process.function_name
    call.__doc__ = _docstring(process)
    call.__signature__ = signature  # type: ignore[attr-defined]
    return call


def prepare_function_of(process: Process) -> Callable[..., Any]:
    """A function that reads the inputs of a process once, for repeated use from Python."""

    def call(**given: Any) -> Any:
        bound = {
            name: str(value) if isinstance(value, Path) else value
            for name, value in signature.bind(**given).arguments.items()
        }
        stages = stages_of(process)
        assert stages.prepare is not None
        notices: list[Notice] = []
        data = stages.load(validated(process.inputs, bound, process.id), Reader(notices.append))
        return stages.prepare(data, notices)

    signature = inspect.Signature(_input_parameters(process))
    call.__name__ = call.__qualname__ = f"{PREPARE}{process.function_name}"
    call.__doc__ = "\n".join(
        [
            f"Read the inputs of `{process.id}` once, to evaluate drawn lines again and again.",
            "",
            "Parameters",
            "----------",
            *_input_lines(process),
            "",
            "Returns",
            "-------",
            "Object with a method ``evaluate``, and ``notices``: what was assumed or left out",
        ]
    )
    call.__signature__ = signature  # type: ignore[attr-defined]
    return call


_RUN_OPTIONS: dict[str, tuple[Any, Any, str]] = {
    "out": (inspect.Parameter.empty, "str | Path", "The output folder."),
    "overwrite": (False, bool, "Replace the folder of an earlier run."),
    "progress": (ignore_event, OnEvent, "Takes events as dictionaries."),
    "cancelled": (never, Callable[[], int], "Returns 0, or the number of a signal to stop."),
    "memory_limit_gib": (
        None,
        "float | None",
        "Refuse work estimated to need more memory than this, GiB; by default 80 % of the "
        "machine's memory.",
    ),
    "pictures": (True, bool, "Draw pictures."),
    "report": (True, bool, "Write the page report.html."),
}
"""Parameters every process function has besides its inputs: default, type, meaning."""


def _signature(process: Process) -> inspect.Signature:
    options = [
        inspect.Parameter(
            name, inspect.Parameter.KEYWORD_ONLY, annotation=annotation, default=default
        )
        for name, (default, annotation, _) in _RUN_OPTIONS.items()
    ]
    return inspect.Signature([*_input_parameters(process), *options], return_annotation=Result)


def _input_parameters(process: Process) -> list[inspect.Parameter]:
    empty, kind = inspect.Parameter.empty, inspect.Parameter.KEYWORD_ONLY
    return [
        inspect.Parameter(
            name,
            kind,
            annotation=field.annotation,
            default=empty if field.is_required() else field.get_default(call_default_factory=True),
        )
        for name, field in process.inputs.model_fields.items()
    ]


def _docstring(process: Process) -> str:
    lines = [f"{process.title}.", "", process.summary, "", "Parameters", "----------"]
    lines += _input_lines(process)
    for name, (_, _, meaning) in _RUN_OPTIONS.items():
        lines += [name, f"    {meaning}"]
    return "\n".join([*lines, "", "Returns", "-------", "Result"])


def _input_lines(process: Process) -> list[str]:
    fields = process.inputs.model_fields.items()
    return [line for name, field in fields for line in (name, f"    {field.description}")]
