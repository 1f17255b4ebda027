"""The command that writes the report of a finished run."""

from __future__ import annotations

from pathlib import Path

import click

from shelterscape.errors import WriteError


def _report(folder: str, out: str, overwrite: bool) -> None:
    from shelterscape.runs.staging import unwritable

    path = Path(out)
    if path.exists() and not overwrite:
        raise WriteError(
            "output-exists",
            "The file exists already.",
            where=str(path),
            hint="Name another file, or add --overwrite.",
        )
    try:
        _write(Path(folder), path)
    except OSError as error:
        raise unwritable(path, error) from error
    click.echo(f"Open: {path}")


def _write(folder: Path, path: Path) -> None:
    """Write the report of a batch, or of one run."""
    from shelterscape import registry
    from shelterscape.batch.report import write_batch_report
    from shelterscape.batch.state import BatchFolder
    from shelterscape.runs import GEOPACKAGE
    from shelterscape.runs.report import finished_record, write_report

    if BatchFolder(folder).is_batch:
        write_batch_report(folder, path)
        return
    record = finished_record(folder)
    processes = [registry.find(step["process"]) for step in record["steps"]]
    write_report(folder, record, processes, GEOPACKAGE, path)


report_command = click.Command(
    "report",
    callback=_report,
    params=[
        click.Argument(["folder"], metavar="RUNDIR"),
        click.Option(
            ["--out"], required=True, metavar="FILE", help="The page to write, FILE.html."
        ),
        click.Option(["--overwrite"], is_flag=True, help="Replace the file."),
    ],
    help="Write the report of a finished run, of a batch (BATCHDIR), or of one holding of it "
    "(BATCHDIR/holdings/NAME) as one page that needs no network.",
)
