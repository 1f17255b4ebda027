"""How a run reports to a person on a terminal, or to a program in JSON lines."""

from __future__ import annotations

import json
import signal
import sys
import threading
from collections import Counter
from collections.abc import Callable
from types import FrameType
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from shelterscape.cli.plain import plain
from shelterscape.runs import Result
from shelterscape.runs.events import OnEvent
from shelterscape.runs.summary import SUMMARY

if TYPE_CHECKING:
    from shelterscape.batch import BatchResult


class StopRequest:
    """Records Ctrl-C and a termination signal, for the run to read between pieces of work.

    A second Ctrl-C stops at once; staged files are removed in both cases.
    """

    def __init__(self) -> None:
        self.number = 0
        self._before: dict[int, Any] = {}

    def __call__(self) -> int:
        return self.number

    def __enter__(self) -> StopRequest:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, number: int, frame: FrameType | None) -> None:
        if self.number:
            raise KeyboardInterrupt
        self.number = number


def run_and_report(
    work: Callable[[OnEvent, Callable[[], int]], Result], *, as_json: bool, verbose: bool = False
) -> None:
    """Run some work, show its progress, and end with its summary."""
    with StopRequest() as stop:
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
    with StopRequest() as stop:
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
    sys.stdout.write(json.dumps(event, ensure_ascii=False) + "\n")
    sys.stdout.flush()


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
