"""The Python front door: one function for each process, and one that runs a plan file."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

from shelterscape import registry
from shelterscape.plan import read_plan
from shelterscape.process import Process
from shelterscape.process.inputs import validated
from shelterscape.runs import Result, Step, run
from shelterscape.runs.events import OnEvent, ignore_event, never


def run_plan(
    path: str | Path,
    *,
    out: str | Path,
    overwrite: bool = False,
    progress: OnEvent = ignore_event,
    cancelled: Callable[[], int] = never,
    memory_limit_gib: float | None = None,
    pictures: bool = True,
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
    )


def names() -> list[str]:
    """Names of all functions."""
    return ["run_plan", *(process_id.replace("-", "_") for process_id in registry.ids())]


def find(name: str) -> Callable[..., Result]:
    """The function of a name.

    Raises
    ------
    AttributeError
    """
    if name == "run_plan":
        return run_plan
    process_id = name.replace("_", "-")
    if name.startswith("_") or process_id not in registry.ids():
        raise AttributeError(f"module 'shelterscape' has no attribute {name!r}")
    return function_of(registry.find(process_id))


def function_of(process: Process) -> Callable[..., Result]:
    """A process as a Python function of keyword inputs."""

    def call(**given: Any) -> Result:
        bound = signature.bind(**given).arguments
        options = {k: bound.pop(k) for k in list(bound) if k in _RUN_OPTIONS}
        bound = {k: str(v) if isinstance(v, Path) else v for k, v in bound.items()}
        return run([Step(process, validated(process.inputs, bound, process.id))], **options)

    signature = _signature(process)
    call.__name__ = call.__qualname__ = process.function_name
    call.__doc__ = _docstring(process)
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
}
"""Parameters every process function has besides its inputs: default, type, meaning."""


def _signature(process: Process) -> inspect.Signature:
    empty, kind = inspect.Parameter.empty, inspect.Parameter.KEYWORD_ONLY
    inputs = [
        inspect.Parameter(
            name,
            kind,
            annotation=field.annotation,
            default=empty if field.is_required() else field.get_default(call_default_factory=True),
        )
        for name, field in process.inputs.model_fields.items()
    ]
    options = [
        inspect.Parameter(name, kind, annotation=annotation, default=default)
        for name, (default, annotation, _) in _RUN_OPTIONS.items()
    ]
    return inspect.Signature([*inputs, *options], return_annotation=Result)


def _docstring(process: Process) -> str:
    lines = [f"{process.title}.", "", process.summary, "", "Parameters", "----------"]
    for name, field in process.inputs.model_fields.items():
        lines += [name, f"    {field.description}"]
    for name, (_, _, meaning) in _RUN_OPTIONS.items():
        lines += [name, f"    {meaning}"]
    return "\n".join([*lines, "", "Returns", "-------", "Result"])
