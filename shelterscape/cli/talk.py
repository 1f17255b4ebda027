"""How a run talks to a person on a terminal, or to a program in JSON lines."""

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
from shelterscape.runs.events import Tell

if TYPE_CHECKING:
    from shelterscape.batch import BatchResult


class StopAsked:
    """Turns Ctrl-C and a termination signal into a question the run asks at every stage.

    A second Ctrl-C stops at once; staged files are cleared all the same.
    """

    def __init__(self) -> None:
        self.number = 0
        self._before: dict[int, Any] = {}

    def __call__(self) -> int:
        return self.number

    def __enter__(self) -> StopAsked:
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


def run_and_tell(work: Callable[[Tell, Callable[[], int]], Result], as_json: bool) -> None:
    """Do some work, showing its progress, its notices and what it made."""
    with StopAsked() as stop:
        if as_json:
            result = work(_tell_json, stop)
            _tell_json({"event": "result", **_result_fields(result)})
        else:
            with ProgressOnTerminal() as tell:
                result = work(tell, stop)
            _tell_result(result)


def run_and_tell_batch(
    work: Callable[[Tell, Callable[[], int]], BatchResult], as_json: bool
) -> BatchResult:
    """The same for a batch."""
    with StopAsked() as stop:
        if as_json:
            result = work(_tell_json, stop)
            _tell_json({"event": "result", **_batch_fields(result)})
        else:
            with ProgressOnTerminal() as tell:
                result = work(tell, stop)
            _tell_batch(result)
    return result


def _batch_fields(result: BatchResult) -> dict[str, Any]:
    return {
        "folder": str(result.folder),
        "catchment": str(result.catchment),
        "holdings": [
            {
                "holding": row.holding.label,
                "folder": row.holding.folder,
                "status": row.status,
                "code": row.error["code"] if row.error else "",
            }
            for row in result.rows
        ],
    }


def _tell_batch(result: BatchResult) -> None:
    counts = Counter(row.status for row in result.rows)
    told = ", ".join(f"{count} {word}" for word, count in sorted(counts.items()))
    click.echo(f"\nHoldings: {told}. Results are in {result.folder}", err=True)
    click.echo(f"  {'catchment/':<24} all holdings together", err=True)
    click.echo(f"  {'holdings/':<24} a folder for each", err=True)


def _tell_json(event: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(event, ensure_ascii=False) + "\n")
    sys.stdout.flush()


class ProgressOnTerminal:
    """A progress bar where there is a terminal, plain lines for notices everywhere."""

    def __init__(self) -> None:
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

    def __enter__(self) -> Tell:
        self._bar.start()
        self._task = self._bar.add_task("starting", total=1.0)
        return self._tell

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def _tell(self, event: dict[str, Any]) -> None:
        if event["event"] == "progress":
            self._bar.update(self._task, completed=event["share"], description=event["text"])
        elif event["event"] == "notice" and event not in self._shown:
            # Steps of one plan read the same inputs; a person need not be told twice.
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
        "findings": list(result.findings),
    }


def _tell_result(result: Result) -> None:
    for text in result.findings:
        click.echo(text, err=True)
    click.echo(f"\nDone. Results are in {result.folder}", err=True)
    rows = [(f"preview-{name}.png", "map to look at") for name in result.pictures]
    rows += [(f"rasters/{name}.tif", "raster") for name in result.rasters]
    if result.layers:
        rows.append(("layers.gpkg", f"layers {', '.join(result.layers)}"))
    rows += [(f"tables/{name}.csv", "table") for name in result.tables]
    rows.append(("record.json", "what went in, what was done, what came out"))
    for name, what in rows:
        click.echo(f"  {name:<32} {what}", err=True)
    cautions = {c for step in result.record["steps"] for c in step["cautions"]}
    for caution in sorted(cautions):
        click.echo(f"Caution: {caution}", err=True)
