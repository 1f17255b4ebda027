"""Find processes and describe them."""

from __future__ import annotations

import importlib
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from shelterscape.errors import InputError, InternalError
from shelterscape.process import Layer, Picture, Process, Raster, Table, Waypoints, Workbook
from shelterscape.process.inputs import nearest
from shelterscape.process.outputs import Output
from shelterscape.terms import TERMS

BUILT_IN = {
    "belt-survey": "shelterscape.processes.belt_survey.spec:PROCESS",
    "exposure": "shelterscape.processes.exposure.spec:PROCESS",
    "field-check": "shelterscape.processes.field_check.spec:PROCESS",
    "grant-overlay": "shelterscape.processes.grant_overlay.spec:PROCESS",
    "photo-porosity": "shelterscape.processes.photo_porosity.spec:PROCESS",
    "planting": "shelterscape.processes.planting.spec:PROCESS",
    "shelter": "shelterscape.processes.shelter.spec:PROCESS",
    "side-effects": "shelterscape.processes.side_effects.spec:PROCESS",
    "siting": "shelterscape.processes.siting.spec:PROCESS",
    "trace-belts": "shelterscape.processes.trace_belts.spec:PROCESS",
    "wind-set": "shelterscape.processes.wind_set.spec:PROCESS",
}
"""Built-in processes: where each is found, loaded on first use."""

TITLES = {
    "belt-survey": "Form for a survey of belts on foot",
    "exposure": "Exposure of the ground, and from where",
    "field-check": "Your own wind readings against the shelter curve",
    "grant-overlay": "Grant payments for new belts",
    "photo-porosity": "Optical porosity of belts from photographs",
    "planting": "Rows, plants, costs and tasks of new belts",
    "shelter": "Shelter by belts: where, and how much",
    "side-effects": "What belts may harm beside them",
    "siting": "Where new or restored belts protect most",
    "trace-belts": "Belts from a raster of canopy height",
    "wind-set": "Wind set from records: from where, how often, how fast",
}
"""Titles of built-in processes, so that a list of them loads none."""

PREPARED = ("siting",)
"""Processes that can be prepared once and asked again and again from Python."""

GROUP = "shelterscape.processes"
"""Entry-point group by which other packages add processes."""

MEDIA_TYPES = {
    Raster: "image/tiff; application=geotiff; profile=cloud-optimized",
    Layer: "application/geopackage+sqlite3",
    Table: "text/csv",
    Picture: "image/png",
    Workbook: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    Waypoints: "application/gpx+xml",
}


def _places() -> dict[str, EntryPoint]:
    built_in = {name: EntryPoint(name, place, GROUP) for name, place in BUILT_IN.items()}
    # A built-in name always means the built-in process.
    return {**{e.name: e for e in entry_points(group=GROUP)}, **built_in}


def ids() -> list[str]:
    """Ids of all processes, in order of name."""
    return sorted(_places())


def title(process_id: str) -> str:
    """Title of a process, without loading it where it is built in.

    Raises
    ------
    InputError, InternalError
        As `find`.
    """
    return TITLES.get(process_id) or find(process_id).title


def find(process_id: str) -> Process:
    """The process of an id.

    Raises
    ------
    InputError
        ``name-unknown``.
    InternalError
        When it is there but cannot be loaded.
    """
    places = _places()
    if process_id not in places:
        raise InputError(
            "name-unknown",
            "There is no process of this name.",
            value=process_id,
            hint=nearest(process_id, list(places)),
        )
    place = places[process_id]
    module, _, attribute = place.value.partition(":")
    try:
        found = getattr(importlib.import_module(module), attribute)
    except Exception as error:
        raise InternalError(
            "internal",
            f"The process {process_id} could not be loaded.",
            where=place.value,
            value=f"{type(error).__name__}: {error}",
            hint="Update or remove the package it comes from.",
        ) from error
    if not isinstance(found, Process):
        raise InternalError(
            "internal",
            f"{process_id} is not a process.",
            where=place.value,
            value=type(found),
            hint="Update or remove the package it comes from.",
        )
    return found


def describe(process: Process) -> dict[str, Any]:
    """Description of a process in the terms of OGC API - Processes, part 1, with JSON Schema."""
    schema = process.inputs.model_json_schema()
    required = set(schema.get("required", []))
    definitions = schema.get("$defs", {})
    return {
        "id": process.id,
        "version": process.version,
        "title": process.title,
        "description": process.summary,
        "keywords": ["wind", "shelter", "terrain", "tree belt"],
        "jobControlOptions": ["async-execute"],
        "outputTransmission": ["reference"],
        "inputs": {
            name: _described_input(name, part, name in required, definitions)
            for name, part in schema["properties"].items()
        },
        "outputs": {_output_key(o): _described_output(o) for o in process.outputs},
        "metadata": [
            *({"title": "caution", "value": text} for text in process.all_cautions),
            *({"title": "source", "value": text} for text in process.sources),
        ],
    }


def _described_input(
    name: str, part: dict[str, Any], required: bool, definitions: dict[str, Any]
) -> dict[str, Any]:
    schema = {k: v for k, v in _without_null(part).items() if k not in ("title", "description")}
    if definitions and "$ref" in str(schema):
        schema["$defs"] = definitions
    return {
        "title": name,
        "description": part.get("description", ""),
        "minOccurs": int(required),
        "maxOccurs": 1,
        "schema": schema,
    }


def _without_null(part: dict[str, Any]) -> dict[str, Any]:
    """A schema without its null: there an input is left out, and ``minOccurs`` says so."""
    kinds = [kind for kind in part.get("anyOf", []) if kind != {"type": "null"}]
    if len(kinds) == len(part.get("anyOf", [])):
        return part
    rest = {k: v for k, v in part.items() if k not in ("anyOf", "default")}
    return rest | (kinds[0] if len(kinds) == 1 else {"anyOf": kinds})


def _output_key(output: Output) -> str:
    if isinstance(output, (Workbook, Waypoints)):
        return output.files[0]
    return f"preview-{output.name}" if isinstance(output, Picture) else output.name


def _media_type(output: Output) -> str:
    is_form = isinstance(output, Picture) and output.printed
    return "application/pdf" if is_form else MEDIA_TYPES[type(output)]


def _described_output(output: Output) -> dict[str, Any]:
    described: dict[str, Any] = {
        "title": _output_key(output),
        "description": output.title,
        "schema": {"type": "string", "contentMediaType": _media_type(output)},
    }
    if isinstance(output, Raster):
        described["metadata"] = [{"title": "unit", "value": output.quantity.unit}]
    if isinstance(output, (Layer, Table)):
        described["metadata"] = [
            {"title": f"column {name}", "value": TERMS[name].label} for name in output.columns
        ]
    return described
