"""How a run reports to a person on a terminal, or to a program in JSON lines."""

from __future__ import annotations

import contextlib
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from shelterscape.cli.machine import unreported
from shelterscape.cli.plain import plain
from shelterscape.errors import Stopped
from shelterscape.runs import Result
from shelterscape.runs.events import OnEvent
from shelterscape.runs.stopping import StopRequest
from shelterscape.runs.summary import SUMMARY

if TYPE_CHECKING:
    from shelterscape.batch import BatchResult


@contextlib.contextmanager
def _stoppable() -> Iterator[StopRequest]:
    """A stop request that ends work of any kind with `Stopped`."""
    with StopRequest() as stop:
        try:
            yield stop
        except Stopped:
            raise
        except (Exception, KeyboardInterrupt) as error:
            # Libraries turn an interruption into errors of their own.
            if stop.number:
                raise Stopped(stop.number) from error
            raise


def run_and_report(
    work: Callable[[OnEvent, Callable[[], int]], Result], *, as_json: bool, verbose: bool = False
) -> None:
    """Run some work, show its progress, and end with its summary."""
    with _stoppable() as stop:
        if as_json:
            result = work(_report_json, stop)
            _report_json({"event": "result", **_result_fields(result)})
        else:
            with ProgressOnTerminal(verbose) as on_event:
                result = work(on_event, stop)
            _report_result(result, verbose)


def run_batch_and_report(
    work: Callable[[OnEvent, Callable[[], int]], BatchResult], *, as_json: bool, verbose: bool
) -> BatchResult:
    """The same for a batch."""
    with _stoppable() as stop:
        if as_json:
            result = work(_report_json, stop)
            _report_json({"event": "result", **_batch_fields(result)})
        else:
            with ProgressOnTerminal(verbose) as on_event:
                result = work(on_event, stop)
            _report_batch(result)
    return result


def _batch_fields(result: BatchResult) -> dict[str, Any]:
    return {
        "folder": str(result.folder),
        "combined": str(result.combined),
        "holdings": [
            {
                "holding": state.holding.label,
                "folder": state.holding.folder,
                "status": state.status,
                "code": state.error["code"] if state.error else "",
            }
            for state in result.states
        ],
    }


def _report_batch(result: BatchResult) -> None:
    counts = Counter(state.status for state in result.states)
    states = ", ".join(f"{count} {word}" for word, count in sorted(counts.items()))
    click.echo(f"\nHoldings: {states}.", err=True)
    for text in result.summary:
        click.echo(plain(text), err=True)


def _report_json(event: dict[str, Any]) -> None:
    if sys.stdout is None:
        raise unreported(OSError("standard output is closed"))
    try:
        sys.stdout.write(json.dumps(event, ensure_ascii=False) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:  # not an error of the output folder
        raise unreported(error) from error


class ProgressOnTerminal:
    """A progress bar where there is a terminal; notices as plain lines when they are wanted.

    Parameters
    ----------
    verbose : bool
        Show every notice.
    """

    def __init__(self, verbose: bool = False) -> None:
        self._verbose = verbose
        self._console = Console(stderr=True, highlight=False, soft_wrap=True)
        self._shown: list[dict[str, Any]] = []
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.percentage:3.0f} %"),
            TimeRemainingColumn(),
            console=self._console,
            transient=True,
            disable=not self._console.is_terminal,
        )

    def __enter__(self) -> OnEvent:
        self._bar.start()
        self._task = self._bar.add_task("starting", total=1.0)
        return self._report

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def _report(self, event: dict[str, Any]) -> None:
        if event["event"] == "progress":
            self._bar.update(self._task, completed=event["share"], description=event["text"])
        elif event["event"] == "notice" and self._verbose and event not in self._shown:
            # Steps of one plan read the same inputs; one notice is enough.
            self._shown.append(event)
            times = f" ({event['count']})" if event["count"] > 1 else ""
            self._console.print(f"Note: {plain(event['text'])}{times}", markup=False)
        elif event["event"] == "holding-failed":
            words = f"Failed: {event['holding']}: {event['what']} ({event['code']})"
            self._console.print(plain(words), markup=False)


def _result_fields(result: Result) -> dict[str, Any]:
    return {
        "folder": str(result.folder),
        "rasters": {name: str(path) for name, path in result.rasters.items()},
        "layers": result.layers,
        "tables": {name: str(path) for name, path in result.tables.items()},
        "pictures": {name: str(path) for name, path in result.pictures.items()},
        "summary": result.summary.fields(),
    }


def _report_result(result: Result, verbose: bool) -> None:
    """The summary; with `verbose` all that `SUMMARY` holds instead."""
    if verbose:
        lines = (result.folder / SUMMARY).read_text(encoding="utf-8").splitlines()
    else:
        lines = result.summary.lines(f"{result.folder}/")
    click.echo("", err=True)
    for line in lines:
        click.echo(plain(line), err=True)
    if not verbose:
        click.echo(f"All notices, cautions and files: {result.folder / SUMMARY}", err=True)
