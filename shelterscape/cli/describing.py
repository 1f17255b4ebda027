"""Commands that say what there is."""

from __future__ import annotations

import json

import click

from shelterscape import registry
from shelterscape.errors import ShelterscapeError
from shelterscape.process import Process


def _list(as_json: bool) -> None:
    rows = []
    for process_id in registry.ids():
        try:
            process = registry.find(process_id)
            rows.append({"id": process_id, "version": process.version, "title": process.title})
        except ShelterscapeError as error:
            # One broken package must not hide the others.
            rows.append({"id": process_id, "version": "", "title": f"broken: {error}"})
    if as_json:
        click.echo(json.dumps({"processes": rows}, indent=1, ensure_ascii=False))
        return
    for row in rows:
        click.echo(f"{row['id']:<16} {row['title']}")


list_command = click.Command(
    "list",
    callback=_list,
    params=[click.Option(["--json", "as_json"], is_flag=True, help="As JSON.")],
    help="List the processes there are.",
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
    """A description for people."""
    described = registry.describe(process)
    lines = [f"{process.id} {process.version} - {process.title}", process.summary, "", "Inputs"]
    for name, part in described["inputs"].items():
        need = "needed" if part["minOccurs"] else "may be left out"
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
    help="Say what a process asks for and writes; all of them when none is named.",
)
