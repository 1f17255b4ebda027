"""Plan files: several steps over the same inputs, written down once."""

from __future__ import annotations

import functools
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shelterscape import registry
from shelterscape.errors import InputError
from shelterscape.files.local import split_layer
from shelterscape.files.tables import directions_in, read_toml
from shelterscape.process.inputs import WITH_LAYERS, each_changed, nearest, sources, validated
from shelterscape.runs import STEP_PREFIX, Step

MOST_STEPS = 1000
"""Largest number of steps of a plan (assumed): reading them takes a few seconds."""

SECTIONS = ("inputs", "cases", "fields", "step", "title")


@dataclass(frozen=True)
class Plan:
    """The content of a plan file.

    Parameters
    ----------
    title : str
        The question it answers; empty where none is given.
    steps : list of Step
    """

    title: str
    steps: list[Step]


def read_plan(source: str | Path) -> Plan:
    """Read a plan file.

    ``[inputs]`` and ``[cases]`` fill the inputs of the same name in every step, ``[fields.LAYER]``
    names columns, and each ``[[step]]`` names a process and may override any of these. Paths are
    relative to the folder of the plan.

    Parameters
    ----------
    source : path

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        ``plan-bad`` for what cannot be understood; ``name-unknown`` for a key that no step uses.
    """
    path, content = read_toml(str(source), "plan", "plan-bad")
    _check_keys(content, SECTIONS, path.name)
    raw_steps = content.get("step", [])
    if not _all_tables(raw_steps, list) or not raw_steps:
        raise InputError(
            "plan-bad",
            "The plan has no steps.",
            where=str(path),
            hint='Add a part [[step]] with process = "shelter".',
        )
    if len(raw_steps) > MOST_STEPS:
        raise InputError(
            "plan-bad",
            f"The plan has more steps than {MOST_STEPS}.",
            where=str(path),
            value=f"{len(raw_steps)} steps",
            hint="Divide it into several plans.",
        )
    shared = _shared(content, path)
    steps = [_step(raw, shared, path) for raw in raw_steps]
    _check_used(shared, steps, path)
    return Plan(str(content.get("title", "")), steps)


def _check_keys(table: dict[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise InputError(
                "name-unknown",
                "The plan has an unknown part.",
                where=where,
                # A file without any part of a plan may be a private one, named by mistake.
                value=key if table.keys() & set(known) else None,
                hint=nearest(key, list(known)),
            )


def _all_tables(part: Any, kind: type) -> bool:
    """Whether a part is a list or a table of tables."""
    within = part.values() if isinstance(part, dict) else part
    return isinstance(part, kind) and all(isinstance(one, dict) for one in within)


def _shared(content: dict[str, Any], path: Path) -> dict[str, Any]:
    """Inputs stated once for all steps."""
    shared: dict[str, Any] = {}
    for section in ("inputs", "cases"):
        part = content.get(section, {})
        if not isinstance(part, dict):
            raise InputError(
                "plan-bad",
                f"[{section}] must be a table.",
                where=str(path),
                hint=f"Write [{section}] on a line of its own, with one name = value on each "
                "line below it.",
            )
        shared |= part
    layers = content.get("fields", {})
    if not _all_tables(layers, dict):
        raise InputError(
            "plan-bad",
            "Columns must be named by layer.",
            where=str(path),
            hint='Write a part [fields.belts] with lines such as height_m = "HGT".',
        )
    fields = {
        f"{layer}.{name}": column
        for layer, names in layers.items()
        for name, column in names.items()
    }
    return shared | ({"fields": fields} if fields else {})


def _step(raw: dict[str, Any], shared: dict[str, Any], path: Path) -> Step:
    own = dict(raw)
    if "process" not in own:
        raise InputError(
            "plan-bad",
            "A step names no process.",
            where=str(path),
            value=", ".join(own) or None,
            hint=f"Add process = and one of: {', '.join(registry.ids())}.",
        )
    process = registry.find(str(own.pop("process")))
    step_id = str(own.pop("id", process.id))
    fitting = {k: v for k, v in shared.items() if k in process.inputs.model_fields}
    params = validated(process.inputs, fitting | own, f"{path.name}, step {step_id}")
    changes = {
        field: each_changed(
            getattr(params, field), functools.partial(_from_plan, kind=s.kind, folder=path.parent)
        )
        for field, s in sources(process.inputs).items()
        if getattr(params, field)
    }
    return Step(process, params.model_copy(update=changes), step_id)


def _from_plan(text: str, kind: str, folder: Path) -> str:
    """A path of the plan, relative to the folder of the plan."""
    if text.startswith(STEP_PREFIX) or (kind == "winds" and directions_in(text) is not None):
        return text
    # Addresses are refused where files are opened; after a folder they would look like files.
    if "://" in text:
        return text
    # The layer is split off first: after a folder, PATH:LAYER may look like another path.
    path, layer = split_layer(str(folder / os.path.expanduser(text)))
    return f"{path}:{layer}" if layer else path


def _check_used(shared: dict[str, Any], steps: list[Step], path: Path) -> None:
    known = {name for step in steps for name in step.process.inputs.model_fields}
    layers = {
        f"fields.{name}"
        for step in steps
        for name, source in sources(step.process.inputs).items()
        if source.kind in WITH_LAYERS
    }
    named = [f"fields.{key.partition('.')[0]}" for key in shared.get("fields", {})]
    for key, choice in [*((k, known) for k in shared), *((n, layers) for n in named)]:
        if key not in choice:
            raise InputError(
                "name-unknown",
                "No step of the plan uses this input.",
                where=path.name,
                value=key,
                hint=nearest(key, sorted(choice)),
            )
