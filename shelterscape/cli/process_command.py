"""A command made from the description of a process."""

from __future__ import annotations

import typing
from collections.abc import Callable
from typing import Any

import click
from pydantic.fields import FieldInfo

from shelterscape.errors import ShelterscapeError, UsageError
from shelterscape.process import Process
from shelterscape.process.inputs import ask, source_of

MEMORY_LIMIT = click.Option(
    ["--memory-limit", "memory_limit_gib"],
    type=float,
    metavar="GIB",
    help="Refuse work estimated to need more memory than this; four fifths of the machine's "
    "by default.",
)

OUT_OPTIONS = (
    click.Option(["--out"], required=True, metavar="DIR", help="Folder for the results."),
    click.Option(
        ["--overwrite"], is_flag=True, help="Replace the folder of an earlier run, nothing else."
    ),
    click.Option(
        ["--json", "as_json"], is_flag=True, help="Report progress and results as JSON lines."
    ),
    MEMORY_LIMIT,
    click.Option(["--pictures/--no-pictures"], default=True, help="Draw pictures; on by default."),
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
}


def command_of(process: Process) -> click.Command:
    """The command line form of a process."""
    options = [_option(name, field) for name, field in process.inputs.model_fields.items()]
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
    """The command of a process that cannot be loaded; it must not hide the others from help."""

    def callback(**_: Any) -> None:
        raise error

    return click.Command(
        process_id,
        callback=callback,
        context_settings={"ignore_unknown_options": True, "allow_extra_args": True},
        help=f"Broken. {error}",
        short_help="broken; run it to see why",
    )


def _option(name: str, field: FieldInfo) -> click.Option:
    if field.annotation is bool:
        option = option_name(name)
        # None when not given, so that the model's own default rules.
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


def _metavar(field: FieldInfo) -> str:
    if typing.get_origin(field.annotation) is dict:
        return "LAYER.NAME=COLUMN"
    extra = field.json_schema_extra
    unit = extra.get("unit") if isinstance(extra, dict) else None
    return str(unit).upper() if unit else "TEXT"


def _help(field: FieldInfo) -> str:
    default = None if field.is_required() else field.get_default(call_default_factory=True)
    words = _choices(field.annotation)
    shown = [f"One of: {', '.join(words)}."] if words else []
    if _is_many(field):
        shown.append(
            "May be given several times or, for a list, with commas."
            if typing.get_origin(field.annotation) is not dict and not source_of(field)
            else "May be given several times."
        )
    if default not in (None, "", {}):
        text = ", ".join(default) if isinstance(default, tuple) else f"{default}"
        shown.append(f"Default: {text}.")
    return " ".join([field.description or "", *shown])


def _choices(annotation: Any) -> list[str]:
    """Words of a Literal, however deep it stands in an annotation."""
    if typing.get_origin(annotation) is typing.Literal:
        return [str(word) for word in typing.get_args(annotation)]
    return [word for part in typing.get_args(annotation) for word in _choices(part)]


def _callback(process: Process) -> Callable[..., None]:
    def callback(
        out: str,
        overwrite: bool,
        as_json: bool,
        memory_limit_gib: float | None,
        pictures: bool,
        **words: Any,
    ) -> None:
        from shelterscape.cli.talk import run_and_tell
        from shelterscape.runs import Step, run

        fields = process.inputs.model_fields
        raw = {n: _raw(fields[n], v) for n, v in words.items() if v not in (None, ())}
        step = Step(process, ask(process.inputs, raw, process.id))
        run_and_tell(
            lambda tell, stop: run(
                [step],
                out,
                overwrite=overwrite,
                progress=tell,
                cancelled=stop,
                memory_limit_gib=memory_limit_gib,
                pictures=pictures,
            ),
            as_json,
        )

    return callback


def _raw(field: FieldInfo, value: Any) -> Any:
    """What a model takes for the words of an option."""
    if typing.get_origin(field.annotation) is dict:
        return dict(_pair(text) for text in value)
    if source_of(field):  # a comma may belong to the name of a file
        return value
    if _is_many(field):
        return tuple(part.strip() for text in value for part in text.split(","))
    return value


def _pair(text: str) -> tuple[str, str]:
    name, equals, column = text.partition("=")
    if not equals or "." not in name:
        raise UsageError(
            "usage",
            "A column is named as LAYER.NAME=COLUMN.",
            where="--field",
            value=text,
            mend="Write it as belts.height_m=HGT.",
        )
    return name, column
