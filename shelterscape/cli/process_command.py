"""A command made from the description of a process."""

from __future__ import annotations

import typing
from collections.abc import Callable
from typing import Any

import click
from pydantic.fields import FieldInfo

from shelterscape.errors import ShelterscapeError, UsageError
from shelterscape.process import Process
from shelterscape.process.inputs import source_of, validated
from shelterscape.terms import TERMS

MEMORY_LIMIT = click.Option(
    ["--memory-limit", "memory_limit_gib"],
    type=float,
    metavar="GIB",
    help="Refuse work estimated to need more memory than this (GiB). Default: 80 % of the "
    "machine's memory.",
)
JSON_OPTION = click.Option(
    ["--json", "as_json"], is_flag=True, help="Report progress and results as JSON lines."
)
VERBOSE_OPTION = click.Option(
    ["--verbose"], is_flag=True, help="Show every notice and caution, not the summary alone."
)

OUT_OPTIONS = (
    click.Option(["--out"], required=True, metavar="FOLDER", help="Folder for the results."),
    click.Option(
        ["--overwrite"],
        is_flag=True,
        help="Replace the folder of an earlier run, if it holds nothing else.",
    ),
    JSON_OPTION,
    VERBOSE_OPTION,
    MEMORY_LIMIT,
    click.Option(["--pictures/--no-pictures"], default=True, help="Draw pictures. Default: yes."),
    click.Option(
        ["--report/--no-report"], default=True, help="Write the page report.html. Default: yes."
    ),
)


def option_name(field: str) -> str:
    """The option of an input: its name with hyphens; lists and mappings in the singular."""
    return "--" + _SINGULAR.get(field, field).replace("_", "-")


_SINGULAR = {
    "seasons": "season",
    "constraints": "constraint",
    "years": "year",
    "local_heights": "local_height",
    "schemes": "scheme",
    "grant_areas": "grant_area",
    "fields": "field",
    "photographs": "photograph",
    "records": "record",
    "stations": "station",
}


def command_of(process: Process) -> click.Command:
    """The command line form of a process."""
    # Required inputs come first; the order is otherwise that of the description.
    fields = sorted(process.inputs.model_fields.items(), key=lambda f: not f[1].is_required())
    options = [_option(name, field) for name, field in fields]
    cautions = "\n\n".join(process.all_cautions)
    return click.Command(
        process.id,
        callback=_callback(process),
        params=[*options, *OUT_OPTIONS],
        help=f"{process.title}.\n\n{process.summary}",
        short_help=process.title,
        epilog=cautions,
    )


def broken_command(process_id: str, error: ShelterscapeError) -> click.Command:
    """The command of a process that cannot be loaded, so that help still lists the others."""

    def callback(**_: Any) -> None:
        raise error

    return click.Command(
        process_id,
        callback=callback,
        context_settings={"ignore_unknown_options": True, "allow_extra_args": True},
        help=f"This process cannot be loaded. {error}",
        short_help="cannot be loaded; run it to see why",
    )


def _option(name: str, field: FieldInfo) -> click.Option:
    if field.annotation is bool:
        option = option_name(name)
        # None when not given, so that the default of the model applies.
        return click.Option([f"{option}/--no-{option[2:]}", name], default=None, help=_help(field))
    return click.Option(
        [option_name(name), name],
        required=field.is_required(),
        multiple=_is_many(field),
        metavar=_metavar(field),
        help=_help(field),
    )


def _is_many(field: FieldInfo) -> bool:
    kinds = (field.annotation, *typing.get_args(field.annotation))
    return any(typing.get_origin(kind) in (tuple, list, dict) for kind in kinds)


_METAVARS = {
    "raster": "PATH",
    "layer": "PATH[:LAYER]",
    "cover": "PATH[:LAYER]",
    "winds": "PATH|DEGREES",
    "table": "PATH",
    "photograph": "PATH",
    "file": "PATH",
}
"""How the value of an option is shown, by the kind of its source."""

_UNIT_METAVARS = {"1": "NUMBER", "year": "YEAR", "text": "TEXT"}


def _metavar(field: FieldInfo) -> str:
    """What an option takes: a path, a number with its unit, one of some words, or text."""
    if source := source_of(field):
        return _METAVARS[source.kind]
    if typing.get_origin(field.annotation) is dict:
        return "LAYER.NAME=COLUMN"
    extra = field.json_schema_extra
    if isinstance(extra, dict):
        unit = str(extra["unit"])
        return _UNIT_METAVARS.get(unit, TERMS[str(extra["term"])].symbol.upper())
    number = "NUMBER" if _takes_numbers(field.annotation) else ""
    word = "WORD" if _choices(field.annotation) else ""
    return "|".join(filter(None, (number, word))) or "TEXT"


def _help(field: FieldInfo) -> str:
    """Description, allowed values, and the default with its unit."""
    words = _choices(field.annotation)
    parts = [field.description or ""]
    if words:
        also = "A number, or one of" if _takes_numbers(field.annotation) else "One of"
        parts.append(f"{also}: {', '.join(words)}.")
    if typing.get_origin(field.annotation) is dict or (_is_many(field) and source_of(field)):
        parts.append("Can be repeated.")
    elif _is_many(field):
        parts.append("Can be repeated, or given as a list with commas.")
    if default := _default(field):
        parts.append(f"Default: {default}.")
    return " ".join(parts)


def _default(field: FieldInfo) -> str:
    """The default in words, with its unit; empty where there is none."""
    if field.is_required():
        return ""
    value = field.get_default(call_default_factory=True)
    if value in (None, "", (), {}):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = ", ".join(map(str, value)) if isinstance(value, tuple) else f"{value}"
    extra = field.json_schema_extra
    if isinstance(extra, dict) and isinstance(value, (int, float)):
        text = f"{value:g} {TERMS[str(extra['term'])].symbol}".strip()
    return text


def _takes_numbers(annotation: Any) -> bool:
    """Whether a number fits an annotation, however deep."""
    return annotation in (int, float) or any(map(_takes_numbers, typing.get_args(annotation)))


def _choices(annotation: Any) -> list[str]:
    """Words of a Literal, however deep it is in an annotation."""
    if typing.get_origin(annotation) is typing.Literal:
        return [str(word) for word in typing.get_args(annotation)]
    return [word for part in typing.get_args(annotation) for word in _choices(part)]


def _callback(process: Process) -> Callable[..., None]:
    def callback(
        out: str,
        overwrite: bool,
        as_json: bool,
        verbose: bool,
        memory_limit_gib: float | None,
        pictures: bool,
        report: bool,
        **words: Any,
    ) -> None:
        from shelterscape.cli.reporting import run_and_report
        from shelterscape.runs import Step, run

        fields = process.inputs.model_fields
        raw = {n: _raw(fields[n], v) for n, v in words.items() if v not in (None, ())}
        step = Step(process, validated(process.inputs, raw, process.id))
        run_and_report(
            lambda on_event, stop: run(
                [step],
                out,
                overwrite=overwrite,
                progress=on_event,
                cancelled=stop,
                memory_limit_gib=memory_limit_gib,
                pictures=pictures,
                report=report,
            ),
            as_json=as_json,
            verbose=verbose,
        )

    return callback


def _raw(field: FieldInfo, value: Any) -> Any:
    """The value of an option as the model takes it."""
    if typing.get_origin(field.annotation) is dict:
        return dict(_pair(text) for text in value)
    if source_of(field):  # a file name may hold a comma
        return value
    if _is_many(field):
        return tuple(part.strip() for text in value for part in text.split(","))
    return value


def _pair(text: str) -> tuple[str, str]:
    name, equals, column = text.partition("=")
    if not equals or "." not in name:
        raise UsageError(
            "usage",
            "A column must be given as LAYER.NAME=COLUMN.",
            where="--field",
            value=text,
            hint="Write it like belts.height_m=HGT.",
        )
    return name, column
