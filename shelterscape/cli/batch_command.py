"""The command that runs a plan over many holdings."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from shelterscape.cli.process_command import JSON_OPTION, MEMORY_LIMIT, VERBOSE_OPTION
from shelterscape.errors import UsageError

if TYPE_CHECKING:
    from shelterscape.batch import PlannedHolding


def _batch(
    plan: str,
    holdings: str | None,
    tiles: int | None,
    out: str,
    dry_run: bool,
    as_json: bool,
    verbose: bool,
    **words: Any,
) -> None:
    from shelterscape.batch import BatchOptions, plan_batch, run_batch
    from shelterscape.cli.reporting import run_batch_and_report
    from shelterscape.files.local import refuse_unusable_name

    if (holdings is None) == (tiles is None):
        raise UsageError(
            "usage",
            "A batch runs over holdings or over tiles.",
            where="--holdings, --tiles",
            hint="Give one of the two options.",
        )
    refuse_unusable_name(Path(os.path.abspath(os.path.expanduser(out))))
    options = BatchOptions(**words)
    if dry_run:
        _report_plan(
            plan_batch(plan, out, holdings=holdings, tiles=tiles, options=options), as_json
        )
        return
    result = run_batch_and_report(
        lambda on_event, stop: run_batch(
            plan,
            out,
            holdings=holdings,
            tiles=tiles,
            options=options,
            progress=on_event,
            cancelled=stop,
        ),
        as_json=as_json,
        verbose=verbose,
    )
    if result.exit_code:
        raise click.exceptions.Exit(result.exit_code)


def _report_plan(holdings: Sequence[PlannedHolding], as_json: bool) -> None:
    """What would run, a line for each holding."""
    rows: list[dict[str, Any]] = [
        {
            "holding": one.state.holding.label,
            "folder": one.state.holding.folder,
            "status": one.state.status,
            "runs": one.runs,
            "cells": one.cells,
            "memory_mib": round(one.memory_mib),
            "seconds": round(one.seconds, 1),
        }
        for one in holdings
    ]
    if as_json:
        reported = {"event": "result", "holdings": rows}
        click.echo(json.dumps(reported, ensure_ascii=False))
        return
    for row in rows:
        word = "would run" if row["runs"] else row["status"]
        click.echo(
            f"{word:<10} {row['cells']:>12,} cells {row['memory_mib']:>7,} MiB memory "
            f"{row['seconds']:>9,.1f} s  {row['folder']}"
        )
    runs = [row for row in rows if row["runs"]]
    click.echo(
        f"{len(runs)} of {len(rows)} holdings would run, about "
        f"{sum(row['seconds'] for row in runs):,.0f} s of one worker; nothing was written. "
        "Estimates assume the usual margin until a batch has started in this folder."
    )


batch_command = click.Command(
    "batch",
    callback=_batch,
    params=[
        click.Argument(["plan"], metavar="PLAN.toml"),
        click.Option(
            ["--holdings"],
            metavar="PATH[:LAYER]",
            help="Outlines of holdings, with holding_id and name; each is run separately.",
        ),
        click.Option(
            ["--tiles"],
            type=int,
            metavar="CELLS",
            help="Instead of holdings: divide the whole map into squares of this many cells.",
        ),
        click.Option(
            ["--out"],
            required=True,
            metavar="DIR",
            help="Folder of the batch; an interrupted batch is resumed.",
        ),
        click.Option(
            ["--workers"],
            type=click.IntRange(1, 256),
            help="Number of processes; by default the number of cores.",
        ),
        click.Option(
            ["--only"],
            multiple=True,
            metavar="TEXT",
            help="Run this holding only, by holding_id, name or folder. Can be repeated.",
        ),
        click.Option(
            ["--retry-failed"],
            is_flag=True,
            help="Also repeat holdings whose inputs were refused; other failures always are.",
        ),
        click.Option(["--dry-run"], is_flag=True, help="List what would run, and write nothing."),
        click.Option(
            ["--cluster"],
            metavar="ADDRESS",
            help="Use the workers of a Dask scheduler at this address, such as tcp://HOST:8786.",
        ),
        click.Option(["--pictures"], is_flag=True, help="Also draw the pictures of every holding."),
        MEMORY_LIMIT,
        JSON_OPTION,
        VERBOSE_OPTION,
    ],
    help="Run a plan for many holdings, each in a folder of its own, and combine the results.\n\n"
    "Finished holdings are not run again. The exit code is 5 when some holdings failed.",
)
