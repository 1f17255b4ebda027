"""The command that runs a plan over many holdings."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from shelterscape.cli.process_command import MEMORY_LIMIT
from shelterscape.errors import UsageError

if TYPE_CHECKING:
    from shelterscape.batch import Planned


def _batch(
    plan: str,
    holdings: str | None,
    tiles: int | None,
    out: str,
    dry_run: bool,
    as_json: bool,
    **words: Any,
) -> None:
    from shelterscape.batch import How, plan_batch, run_batch
    from shelterscape.cli.talk import run_and_tell_batch

    if (holdings is None) == (tiles is None):
        raise UsageError(
            "usage",
            "A batch runs over holdings or over tiles: name one of them.",
            where="--holdings, --tiles",
        )
    how = How(**words)
    if dry_run:
        _tell_plan(plan_batch(plan, out, holdings=holdings, tiles=tiles, how=how), as_json)
        return
    result = run_and_tell_batch(
        lambda tell, stop: run_batch(
            plan, out, holdings=holdings, tiles=tiles, how=how, progress=tell, cancelled=stop
        ),
        as_json,
    )
    if result.exit_code:
        raise click.exceptions.Exit(result.exit_code)


def _tell_plan(holdings: Sequence[Planned], as_json: bool) -> None:
    """What would run, a line for each holding."""
    rows: list[dict[str, Any]] = [
        {
            "holding": one.row.holding.label,
            "folder": one.row.holding.folder,
            "status": one.row.status,
            "runs": one.runs,
            "cells": one.cells,
            "memory_mib": round(one.memory_mib),
            "seconds": round(one.seconds, 1),
        }
        for one in holdings
    ]
    if as_json:
        told = {"event": "result", "holdings": rows}
        click.echo(json.dumps(told, ensure_ascii=False))
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
        f"{sum(row['seconds'] for row in runs):,.0f} s of one worker's time; nothing was written. "
        "Estimates; the margin is the usual one until a batch has begun here."
    )


batch_command = click.Command(
    "batch",
    callback=_batch,
    params=[
        click.Argument(["plan"], metavar="PLAN.toml"),
        click.Option(
            ["--holdings"],
            metavar="PATH[:LAYER]",
            help="Outlines of holdings, with holding_id and name; each is run by itself.",
        ),
        click.Option(
            ["--tiles"],
            type=int,
            metavar="CELLS",
            help="Instead of holdings: cut the whole map into squares of so many cells a side.",
        ),
        click.Option(
            ["--out"],
            required=True,
            metavar="DIR",
            help="Folder of the batch; one that was broken off is gone on with.",
        ),
        click.Option(
            ["--workers"],
            type=click.IntRange(1, 256),
            help="Processes at once; by default as many as there are cores.",
        ),
        click.Option(
            ["--only"],
            multiple=True,
            metavar="TEXT",
            help="Run this holding alone, by holding_id, name or folder. May be given several "
            "times.",
        ),
        click.Option(
            ["--retry-failed"],
            is_flag=True,
            help="Also begin anew holdings whose inputs were refused; other failures always are.",
        ),
        click.Option(["--dry-run"], is_flag=True, help="Say what would run, and write nothing."),
        click.Option(
            ["--cluster"],
            metavar="ADDRESS",
            help="Work on the workers of this Dask scheduler, as tcp://HOST:8786.",
        ),
        click.Option(["--pictures"], is_flag=True, help="Preview pictures of every holding too."),
        MEMORY_LIMIT,
        click.Option(
            ["--json", "as_json"], is_flag=True, help="Report progress and results as JSON lines."
        ),
    ],
    help="Run a plan over many holdings, each in a folder of its own, and put them together.\n\n"
    "What is finished is not run again. Leaves with 5 when some holdings failed.",
)
