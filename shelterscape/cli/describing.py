"""Commands that list and describe processes."""

from __future__ import annotations

import json

import click

from shelterscape import registry
from shelterscape.errors import ShelterscapeError
from shelterscape.process import Process


def _list(as_json: bool) -> None:
    if not as_json:
        for process_id in registry.ids():
            click.echo(f"{process_id:<16} {title_of(process_id)}")
        return
    rows = []
    for process_id in registry.ids():
        try:
            version = registry.find(process_id).version
        except ShelterscapeError:
            version = ""
        rows.append({"id": process_id, "version": version, "title": title_of(process_id)})
    click.echo(json.dumps({"processes": rows}, indent=1, ensure_ascii=False))


def title_of(process_id: str) -> str:
    """Title of a process, or why it cannot be loaded."""
    try:
        return registry.title(process_id)
    except ShelterscapeError as error:
        return f"cannot be loaded: {error}"


list_command = click.Command(
    "list",
    callback=_list,
    params=[click.Option(["--json", "as_json"], is_flag=True, help="As JSON.")],
    help="List the processes.",
)


def _describe(process_id: str | None, as_json: bool) -> None:
    chosen = [process_id] if process_id else registry.ids()
    processes = [registry.find(one) for one in chosen]
    if as_json:
        described = [registry.describe(process) for process in processes]
        content = described[0] if process_id else {"processes": described}
        click.echo(json.dumps(content, indent=1, ensure_ascii=False))
        return
    click.echo("\n\n".join(in_words(process) for process in processes))


def in_words(process: Process) -> str:
    """A description as text."""
    described = registry.describe(process)
    lines = [f"{process.id} {process.version} - {process.title}", process.summary, "", "Inputs"]
    for name, part in described["inputs"].items():
        need = "required" if part["minOccurs"] else "optional"
        lines.append(f"  {name} ({need}): {part['description']}")
    lines += ["", "Outputs"]
    for output in process.outputs:
        lines.append(f"  {', '.join(output.files)}: {output.title}")
    lines += ["", *(f"Caution: {text}" for text in process.all_cautions)]
    lines += ["", *(f"Source: {text}" for text in process.sources)]
    return "\n".join(lines)


describe_command = click.Command(
    "describe",
    callback=_describe,
    params=[
        click.Argument(["process_id"], required=False, metavar="[ID]"),
        click.Option(
            ["--json", "as_json"],
            is_flag=True,
            help="As an OGC API - Processes description, inputs in JSON Schema.",
        ),
    ],
    help="Describe the inputs and outputs of one process, or of all.",
)
