"""Commands that run plan files, the sample's among them."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import click

import shelterscape.data
from shelterscape.cli.process_command import JSON_OPTION, OUT_OPTIONS, VERBOSE_OPTION


def _run(
    plan: str,
    out: str,
    overwrite: bool,
    as_json: bool,
    verbose: bool = False,
    memory_limit_gib: float | None = None,
    pictures: bool = True,
    report: bool = True,
) -> None:
    from shelterscape.cli.reporting import run_and_report
    from shelterscape.plan import read_plan
    from shelterscape.runs import run

    found = read_plan(plan)
    run_and_report(
        lambda on_event, stop: run(
            found.steps,
            out,
            title=found.title,
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


run_command = click.Command(
    "run",
    callback=_run,
    params=[click.Argument(["plan"], metavar="PLAN.toml"), *OUT_OPTIONS],
    help="Run all steps of a plan file into one folder.",
)


def sample_folder() -> Path:
    """Folder of the sample: in an installed package, or beside the package in a checkout."""
    packaged = resources.files(shelterscape.data).joinpath("sample_gis")
    if isinstance(packaged, Path) and packaged.is_dir():
        return packaged
    return Path(__file__).resolve().parents[2] / "sample_gis"


def _demo(out: str, as_json: bool, verbose: bool) -> None:
    if not as_json:
        click.echo("Running the main job on the sample data, the invented Ostrel valley.", err=True)
    _run(str(sample_folder() / "plan.toml"), out, overwrite=True, as_json=as_json, verbose=verbose)


demo_command = click.Command(
    "demo",
    callback=_demo,
    params=[
        click.Option(
            ["--out"],
            default="demo-output",
            metavar="DIR",
            help="Folder for the results.",
            show_default=True,
        ),
        JSON_OPTION,
        VERBOSE_OPTION,
    ],
    help="Run the main job on the sample data, the invented Ostrel valley.",
)
