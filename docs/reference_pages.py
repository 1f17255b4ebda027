"""Reference pages of what people write: columns of input layers, and files of text."""

from __future__ import annotations

import re
import typing
from importlib import resources
from typing import Any

from page_parts import allowed_of, bullets, kind_of, rows, value_in_words
from pydantic import BaseModel

from shelterscape import data
from shelterscape.process.calendar_files import PACKAGED as TASKS
from shelterscape.process.calendar_files import CalendarFile
from shelterscape.process.design_files import DesignsFile
from shelterscape.process.grant_files import SchemeFile, ThresholdFile

LAYERS = {
    "record": "Weather record: a CSV table, also gzip, of hourly or 10-minute readings "
    "(`wind-set`). Any column can be named with `--field record.NAME=COLUMN`.",
    "readings": "Anemometer readings beside belts: a CSV table with a row for each instrument and "
    "time (`field-check`).",
    "belts": "Belts: lines or polygons. Required by `shelter`; existing belts in `siting` and, as "
    "`existing_belts`, in `planting`; in `exposure` only removed from the map of roughness.",
    "hedge_lines": "Existing hedge lines to be measured in a raster (`trace-belts`).",
    "compare_with": "Surveyed belts as lines, with which traced ones are compared (`trace-belts`).",
    "woods": "Woods: polygons, with the columns of belts (`siting`). They shelter, and no "
    "candidate crosses them.",
    "places": "Places to be sheltered: polygons or points (`exposure`, `shelter`, `siting`, "
    "`planting`).",
    "holdings": "Holdings: polygons (`exposure`, `siting`, `grant-overlay`, `batch`). `siting` "
    "plants no belt outside them.",
    "parcels": "Parcels: polygons. `siting` places lines along their edges and across them; "
    "`planting` takes their `parcel_id` for belts beside them; `side-effects` reports the share of "
    "their runoff that meets a belt.",
    "candidate_lines": "Candidate lines drawn by the planner (`siting`).",
    "keep_clear": "Keep-clear areas: features of any kind (`siting`, `planting`, `side-effects`).",
    "open_water": "Sea and lakes where the terrain model has no values: polygons (`exposure`, "
    "`shelter`, `siting`).",
    "water": "Streams, ditches and ponds: features of any kind (`siting`).",
    "openings": "Gateways, tracks and streams that belts leave open: features of any kind "
    "(`siting`, `planting`).",
    "constraints": "Constraints on planting: features of any kind, one or several layers "
    "(`siting`).",
    "grant_areas": "Grant areas: polygons, one or several layers (`grant-overlay`, `siting`).",
    "agreements": "Ground already under a grant: polygons (`grant-overlay`, `siting`).",
    "grant-overlay belts": "Belts to be planted: lines or polygons (`grant-overlay`). The layer "
    "`chosen_belts` of `siting` fits.",
    "neighbours": "Belts planted or planned nearby, with the columns of belts to be planted "
    "(`grant-overlay`). They count towards thresholds alone.",
    "as_planted": "Belts as they were planted: lines, such as GPX tracks (`grant-overlay`). They "
    "take the place of the planned lines of the same names.",
    "as_planted_table": "CSV table of belts as they were planted (`grant-overlay`): a row for each "
    "belt, or for each point of its line in order.",
    "belt_porosity": "CSV table of porosity from photographs (input `belt_porosity` of `shelter` "
    "and `siting`), as `photo-porosity` writes it.",
    "survey": "CSV table of a survey on foot (input `survey` of `shelter` and `siting`).",
    "surveyed_belts": "Belts to survey: lines or polygons (input `belts` of `belt-survey`).",
    "photographs": "CSV table of photographs (input `photograph_table` of `photo-porosity`).",
    "planting belts": "Lines to plant: the centre of each belt (`planting`). The layer "
    "`chosen_belts` of `siting` fits.",
    "height_limits": "Ground with a height limit, such as under power lines: features of any kind "
    "(`planting`).",
    "veteran_trees": "Veteran trees: points or canopies (`planting`).",
    "side-effects belts": "Belts whose side effects are examined: lines or polygons "
    "(`side-effects`). The layer `chosen_belts` of `siting` fits.",
    "roads": "Roads: lines (`side-effects`).",
    "buildings": "Buildings: features of any kind (`side-effects`).",
    "power_lines": "Overhead lines: lines (`side-effects`).",
    "paths": "Paths: lines (`side-effects`).",
    "drains": "Drains and pipes: lines (`side-effects`).",
    "roughness areas": "Map of roughness as polygons (input `roughness`).",
    "roughness table": "CSV table from land cover to roughness length (input `roughness_table`).",
    "winds": "CSV table of wind directions (input `winds`). Header lines: "
    "[file reference](file_reference.md#wind-set).",
}
"""Every layer and table that people give, with what it holds."""

COLUMNS = ["column", "type", "unit", "allowed values", "when missing", "effect"]


def layer_rows(layer: str) -> list[list[str]]:
    """Columns of an input layer or table, one a row."""
    return [
        [f"`{row['column']}`", row["type"], row["unit"] or "–", row["allowed"], row["default"],
         row["effect"]]
        for row in data.rows("input_columns.csv")
        if row["layer"] == layer
    ]  # fmt: skip


def input_columns() -> str:
    """Every column of every input layer and table."""
    text = [
        "# Columns of input layers and tables",
        "Every column that is read, by layer. Other columns are ignored. A column is optional "
        "unless “when missing” says that its absence is an error. The defaults that matter most "
        "are reported in `summary.txt`, and by belt in the column `assumed` of the results.",
        bullets(
            [
                "A column with another name: `--field LAYER.NAME=COLUMN`, for example "
                "`--field belts.height_m=HGT`; in a plan file `[fields.LAYER]`.",
                "Layers have any coordinate system that they state; they are transformed to that "
                "of the terrain model.",
                "Numbers have a decimal point. An empty cell counts as missing.",
                "Shares are from 0 to 1: 0.4 means 40 %.",
            ]
        ),
    ]
    for layer, what in LAYERS.items():
        text += [f"## {layer}", what, rows(COLUMNS, layer_rows(layer))]
    return "\n\n".join(text)


def file_reference() -> str:
    """Every file of text that people write, key by key."""
    return "\n\n".join(
        [
            "# File reference",
            "Files that you write yourself, as text in UTF-8, and packaged tables that results "
            "depend on. In a TOML file an unknown key is an error that names the nearest known "
            "one.",
            rows(
                ["file", "used by", "described in"],
                [
                    ["plan file (TOML)", "`run`, `batch`", "[plan file](plan_file.md)"],
                    ["wind set (CSV)", "`winds`", "[below](#wind-set)"],
                    ["scheme file (TOML)", "`schemes`", "[below](#scheme-file)"],
                    ["threshold file (TOML)", "`thresholds`", "[below](#threshold-file)"],
                    ["file of designs (TOML)", "`designs`", "[below](#file-of-designs)"],
                    ["file of tasks (TOML)", "`calendar`", "[below](#file-of-tasks)"],
                    ["table of roughness (CSV)", "`roughness_table`",
                     "[input columns](input_columns.md#roughness-table)"],
                    ["purposes (packaged)", "`purpose`", "[below](#purposes)"],
                    ["table of species (packaged)", "growth", "[below](#table-of-species)"],
                ],
            ),
            *_winds(),
            *_model_section("Scheme file", SchemeFile, "How payments are calculated, with an "
                            "example: [grants](grants.md)."),
            *_model_section("Threshold file", ThresholdFile, "Thresholds of environmental "
                            "assessment. Without this file the packaged ones are used, "
                            "shown below."),
            *_packaged("assessment_thresholds.toml", "Packaged thresholds",
                       ["country", "name", "effect", "area_ha", "status"], "threshold"),
            *_designs(),
            *_model_section("File of tasks", CalendarFile, "Tasks of planting and months in which "
                            "work is restricted. Without this file the packaged one is used, "
                            "shown below. Years count from planting."),
            *_packaged(TASKS, "Packaged tasks", ["name", "kind", "first_month", "last_month",
                       "first_year", "last_year", "source", "status"], "task"),
            *_purposes(),
            *_species(),
        ]
    )  # fmt: skip


def _winds() -> list[str]:
    return [
        "## Wind set",
        "A CSV table with commas, one row for each wind direction, and one with the word `calm`.",
        rows(COLUMNS, layer_rows("winds")),
        "Lines before the table that start with `#` state how the wind was measured, as "
        "`# key: value`:",
        rows(
            ["key", "meaning", "when missing"],
            [
                ["`measured_height_m`", "height of the measurement above ground, m", "10 m"],
                ["`roughness_m`", "roughness length at the site of the measurement, m", "0.03 m"],
                ["`north`", "`true`: directions count from true north", "`true`"],
            ],
        ),
        "Other keys are kept for your own notes. In place of a table `winds` also takes bare "
        "directions, such as `210,240,270`, each with the same weight.",
        "```\n# measured_height_m: 10\n# roughness_m: 0.03\ndirection_deg,frequency,mean_speed_ms\n"
        "0,0.05,4.1\n225,0.40,6.2\n270,0.45,5.8\ncalm,0.10,\n```",
    ]


def _model_section(title: str, model: type[BaseModel], text: str) -> list[str]:
    """Every key of a file, part by part, from the model that checks it."""
    made = [f"## {title}", text]
    schema = model.model_json_schema()
    for heading, part in _parts(model):
        if heading:
            made.append(f"### `{heading}`")
        made.append(rows(["key", "meaning", "allowed values", "default"],
                         _key_rows(part, schema)))  # fmt: skip
    return made


def _parts(model: type[BaseModel]) -> list[tuple[str, type[BaseModel]]]:
    """The model of a file and those of its parts, with their headings in TOML."""
    return [("", model), *_parts_within(model, "")]


def _parts_within(model: type[BaseModel], place: str) -> list[tuple[str, type[BaseModel]]]:
    found: list[tuple[str, type[BaseModel]]] = []
    for name, field in model.model_fields.items():
        if part := _model_in(field.annotation):
            several = typing.get_origin(field.annotation) in (tuple, list)
            by_name = "dict[" in str(field.annotation)
            here = f"{place}{name}{'.NAME' if by_name else ''}"
            found.append((f"[[{here}]]" if several else f"[{here}]", part))
            found += _parts_within(part, f"{here}.")
    return found


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model that an annotation holds, however deep."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model_in(part) for part in typing.get_args(annotation))
    return next((model for model in found if model), None)


def _key_rows(model: type[BaseModel], whole: dict[str, Any]) -> list[list[str]]:
    schema = model.model_json_schema(ref_template="{model}")
    found = []
    for name, field in model.model_fields.items():
        if _model_in(field.annotation):
            continue
        part = _without_null(schema["properties"][name])
        allowed = allowed_of(part) or kind_of(part)
        value = None if field.is_required() else field.get_default(call_default_factory=True)
        default = "**required**" if field.is_required() else value_in_words(value) or "–"
        if part.get("type") == "array":
            allowed = "list"
        found.append([f"`{name}`", field.description or "", allowed, default])
    return sorted(found, key=lambda row: row[-1] != "**required**")


def _without_null(part: dict[str, Any]) -> dict[str, Any]:
    """A schema without its null; of numbers that may also be written as text the number alone."""
    kinds = [kind for kind in part.get("anyOf", []) if kind.get("type") != "null"]
    numbers = [kind for kind in kinds if kind.get("type") in ("number", "integer")]
    return (numbers or kinds or [part])[0]


def _comments(name: str) -> str:
    """The comments at the head of a packaged file, which describe its keys."""
    file = resources.files(data).joinpath(name)
    lines = []
    for line in file.read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            break
        lines.append(re.sub(r"^# ?", "", line))
    return "```text\n" + "\n".join(lines) + "\n```"


def _packaged(name: str, title: str, keys: list[str], part: str) -> list[str]:
    """The content of a packaged file that holds a list of parts."""
    body = [[str(row.get(key, "")) for key in keys] for row in data.toml(name)[part]]
    return [f"### {title}", rows(keys, body)]


def _designs() -> list[str]:
    content = data.toml("designs/belts.toml")
    parts = []
    for part, title in (("design", "Packaged designs"), ("restoration", "Packaged restoration")):
        # Rows and prices are too long for a table; the file shows them.
        found = {
            name: {k: v for k, v in row.items() if k not in ("row", "prices")}
            for name, row in content[part].items()
        }
        keys = list(dict.fromkeys(key for row in found.values() for key in row))
        body = [
            [f"`{name}`", *(value_in_words(row[key]) if key in row else "" for key in keys)]
            for name, row in found.items()
        ]
        parts += [f"### {title}", rows(["name", *keys], body)]
    return [
        *_model_section(
            "File of designs",
            DesignsFile,
            "Designs of new belts, row by row, and works of restoration, with prices. NAME is a "
            "name of your own or, for restoration, one of gap up, lay, coppice, underplant, thin. "
            "The packaged file `designs/belts.toml` can be copied and edited. Its comments:\n\n"
            + _comments("designs/belts.toml"),
        ),
        *parts,
    ]


def _purposes() -> list[str]:
    content = data.toml("purposes.toml")
    keys = list(dict.fromkeys(key for row in content.values() for key in row))
    body = [
        [f"`{name}`", *(value_in_words(row[key]["value"]) if key in row else "–" for key in keys)]
        for name, row in content.items()
    ]
    return [
        "## Purposes",
        "A purpose sets the options that are not given. The comments of the packaged file "
        "`purposes.toml`, which also states the source of each value:",
        _comments("purposes.toml"),
        rows(["purpose", *keys], body),
    ]


def _species() -> list[str]:
    shown = ["species", "latin", "winter", "curve"]
    frame = data.table("species.csv")[shown].astype(object).fillna("")
    body = [[str(row[key]) for key in shown] for row in frame.to_dict("records")]
    return [
        "## Table of species",
        "Species whose growth and leaf state are known. The comments of the packaged file "
        "`species.csv`:",
        _comments("species.csv"),
        rows(shown, body),
    ]
