"""Run a plan over many holdings, each in a folder of its own, and combine the results.

Finished holdings are not run again: an interrupted batch resumes where it stopped.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd

from shelterscape.batch.figures import figures_in
from shelterscape.batch.holdings import Holding, read_holdings, select, tiles_of
from shelterscape.batch.job import Job, job_of
from shelterscape.batch.local import LocalPool, end_unguarded_worker
from shelterscape.batch.merge import MAP, PACKAGE, merge
from shelterscape.batch.schedule import Pool, Schedule, SizedTask
from shelterscape.batch.sizes import SizeEstimator, seconds_of, seconds_taken
from shelterscape.batch.state import (
    COMBINED,
    DONE,
    FAILED,
    BatchFolder,
    HoldingState,
    is_shared_folder,
    status_counts,
)
from shelterscape.batch.summary import summary_of
from shelterscape.batch.tasks import prepare_steps
from shelterscape.errors import InternalError, Stopped
from shelterscape.kernels.compiled import all_compiled
from shelterscape.plan import read_plan
from shelterscape.process.memory import MIB
from shelterscape.process.shared import Shared
from shelterscape.runs.events import OnEvent, ignore_event, machine_notices, never
from shelterscape.runs.memory import allowed
from shelterscape.runs.staging import unwritable
from shelterscape.runs.summary import sentence

T = TypeVar("T")

ATTEMPTS = 2
"""How often the work over the whole map is started when workers die in it."""

SOME_FAILED = 5
"""Exit code when some holdings failed and the others are done."""


@dataclass(frozen=True)
class BatchOptions:
    """Options of a batch.

    Parameters
    ----------
    workers : int or None
        Number of worker processes; the number of cores by default.
    only : tuple of str
        Holdings to run, by holding_id, name or folder; all by default.
    retry_failed : bool
        Also run holdings again whose inputs were refused. Holdings that failed for another reason
        are always run again.
    cluster : str or None
        Address of a Dask scheduler whose workers are used instead of this machine.
    pictures : bool
        Whether the pictures of every holding are drawn.
    memory_limit_gib : float or None
        Memory that all workers together may use, by estimate, GiB; 80 % of the machine's memory
        by default.
    """

    workers: int | None = None
    only: tuple[str, ...] = ()
    retry_failed: bool = False
    cluster: str | None = None
    pictures: bool = False
    memory_limit_gib: float | None = None


@dataclass(frozen=True)
class BatchResult:
    """The result of a batch.

    Parameters
    ----------
    folder : Path
    combined : Path
        Folder with the combined results.
    states : tuple of HoldingState
        State of each holding.
    holdings : GeoDataFrame
        The combined layer of holdings.
    summary : tuple of str
        Lines of the summary.
    """

    folder: Path
    combined: Path
    states: tuple[HoldingState, ...]
    holdings: gpd.GeoDataFrame
    summary: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0, or `SOME_FAILED`."""
        return SOME_FAILED if status_counts(self.states)[FAILED] else 0


@dataclass(frozen=True)
class PlannedHolding:
    """What a batch would do with one holding.

    Parameters
    ----------
    state : HoldingState
    runs : bool
        Whether it would be run.
    cells : int
        Cells of its window, margin included.
    memory_mib, seconds : float
        Estimates.
    """

    state: HoldingState
    runs: bool
    cells: int
    memory_mib: float
    seconds: float


def run_batch(
    plan: str | Path,
    out: str | Path,
    *,
    holdings: str | None = None,
    tiles: int | None = None,
    options: BatchOptions = BatchOptions(),
    progress: OnEvent = ignore_event,
    cancelled: Callable[[], int] = never,
) -> BatchResult:
    """Run a plan over many holdings, or over the tiles of a large map.

    Parameters
    ----------
    plan : path
    out : path
        Folder of the batch; an interrupted batch in it is resumed.
    holdings : str, optional
        ``PATH`` or ``PATH:LAYER`` of a layer of outlines with ``holding_id`` and ``name``.
    tiles : int, optional
        Instead of holdings: divide the whole map into squares with sides of this many cells.
    options : BatchOptions
    progress : callable
        Takes events as dictionaries.
    cancelled : callable
        Returns 0, or the number of the signal that requests a stop.

    Returns
    -------
    BatchResult

    Raises
    ------
    InputError, WriteError, UsageError, Stopped
        Errors that concern all holdings; an error of one holding is in its state.
    """
    end_unguarded_worker()
    allowed(options.memory_limit_gib)  # refuse a bad limit before any work
    job, found = _job_and_holdings(plan, holdings, tiles, options, progress)
    folder = BatchFolder(Path(out))
    size_estimator = SizeEstimator(job.steps, job.grid)
    with folder.locked(), _pool(options) as pool:
        if options.cluster is None:
            _compile(pool, progress, cancelled)
        margin_m = _prepare_whole_map(job, folder, pool, progress, cancelled)
        noticed = job.notices(folder)
        for notice in noticed:
            progress({"event": "notice", **notice.fields()})
        states = _run_all(
            job, found, folder, pool, margin_m, options, size_estimator, progress, cancelled
        )
        _remove_stale(folder, job)
        table = merge(
            folder,
            states,
            job.steps,
            job.grid,
            progress,
            lambda: _stop_if_requested(cancelled),
            noticed,
        )
    return BatchResult(
        folder.root,
        folder.root / COMBINED,
        tuple(states),
        table,
        summary_of(
            states,
            table,
            figures_in(job.steps),
            [_main_caution(job), *(sentence(one) for one in noticed)],
            _open_first(folder),
        ),
    )


def _main_caution(job: Job) -> str:
    """The main caution of the step that ranks holdings, else of the last step."""
    ranking = [s for s in job.steps if any(f.role == "benefit" for f in s.process.figures)]
    return (ranking or job.steps)[-1].process.main_caution


def _open_first(folder: BatchFolder) -> str:
    """The map of holdings where one was drawn, else the combined layers."""
    is_drawn = (folder.root / COMBINED / MAP).is_file()
    return f"{COMBINED}/{MAP if is_drawn else PACKAGE}"


def plan_batch(
    plan: str | Path,
    out: str | Path,
    *,
    holdings: str | None = None,
    tiles: int | None = None,
    options: BatchOptions = BatchOptions(),
    progress: OnEvent = ignore_event,
) -> tuple[PlannedHolding, ...]:
    """Estimate what `run_batch` would do; nothing is written."""
    job, found = _job_and_holdings(plan, holdings, tiles, options, progress)
    folder, size_estimator = BatchFolder(Path(out)), SizeEstimator(job.steps, job.grid)
    margin_m = job.stated_margin(folder)
    states = [folder.state_of(h, job.key(h, margin_m)) for h in found]
    sizes = {h.folder: size_estimator.size_of(h, margin_m) for h in found}
    done = [state for state in states if state.status == DONE]
    earlier = [
        (sizes[state.holding.folder].cells, seconds)
        for state in done
        if (seconds := seconds_taken(folder.run_folder(state.holding))) is not None
    ]
    selected = {h.folder for h in select(found, options.only)}
    planned = []
    for state in states:
        size = sizes[state.holding.folder]
        runs = state.holding.folder in selected and _should_run(state, folder, options)
        seconds = seconds_of(size.cells, earlier)
        planned.append(PlannedHolding(state, runs, size.cells, size.memory / MIB, seconds))
    return tuple(planned)


def _job_and_holdings(
    plan: str | Path,
    holdings: str | None,
    tiles: int | None,
    options: BatchOptions,
    on_event: OnEvent,
) -> tuple[Job, list[Holding]]:
    job = job_of(read_plan(plan).steps, options.pictures)
    if tiles is not None:
        return job, tiles_of(job.grid, tiles)
    found, notices = read_holdings(holdings or "", job.grid.crs, job.holding_columns)
    for notice in notices:
        on_event({"event": "notice", **notice.fields()})
    select(found, options.only)  # refuse an unknown name before any work
    return job, found


def _pool(options: BatchOptions) -> Any:
    if options.cluster:
        from shelterscape.batch.cluster import ClusterPool

        return ClusterPool(options.cluster)
    return LocalPool(options.workers or os.cpu_count() or 1)


def _stop_if_requested(cancelled: Callable[[], int]) -> None:
    if signal_number := cancelled():
        raise Stopped(signal_number)


def _compile(pool: Pool, on_event: OnEvent, cancelled: Callable[[], int]) -> None:
    """Compile all kernels once; otherwise every worker would compile them at the same time."""
    compiled = all_compiled()
    for notice in machine_notices():
        on_event({"event": "notice", **notice.fields()})
    if compiled or pool.at_once < 2:
        return
    from shelterscape.science.warm import compile_all  # a slow import, and seldom needed

    for future in compile_all(pool.executor()):
        on_event({"event": "progress", "share": 0.0, "text": "compiling kernels"})
        try:
            _result_of(future, pool, cancelled)
        except BrokenExecutor:  # the workers then compile what they need
            pool.renew()
            return


def _result_of(future: Future[T], pool: Pool, cancelled: Callable[[], int]) -> T:
    """Wait for a result; raise `Stopped` when a stop is requested."""
    while not future.done():
        if signal_number := cancelled():
            pool.stop()
            raise Stopped(signal_number)
        time.sleep(0.05)
    return future.result()


def _prepare_whole_map(
    job: Job, folder: BatchFolder, pool: Pool, on_event: OnEvent, cancelled: Callable[[], int]
) -> float:
    """Do the work that all holdings share, on all cores; return the margin they need, m."""
    try:
        Shared(job.shared(folder)).remove_damaged(lambda: _stop_if_requested(cancelled))
    except OSError as error:
        raise unwritable(folder.root, error) from error
    if None not in job.margins(folder):
        return job.stated_margin(folder)
    on_event({"event": "progress", "share": 0.0, "text": "work over the whole map"})
    shared = str(job.shared(folder))
    for _ in range(ATTEMPTS):
        future = pool.executor().submit(prepare_steps, job.steps, shared, job.watch)
        try:
            return max(_result_of(future, pool, cancelled).values())
        except BrokenExecutor:
            pool.renew()  # steps that have finished are not run again
    raise InternalError(
        "worker-died",
        "The process working over the whole map ended unexpectedly, each time.",
        value=f"{ATTEMPTS} times",
        hint="A lack of memory is the usual cause: clip the terrain model, or use coarser cells.",
    )


def _should_run(state: HoldingState, folder: BatchFolder, options: BatchOptions) -> bool:
    """Whether to run a holding: not if it is done, nor if it would fail again."""
    if state.status == FAILED:
        return options.retry_failed or not folder.would_fail_again(state.holding)
    return state.status != DONE


def _run_all(
    job: Job,
    found: Sequence[Holding],
    folder: BatchFolder,
    pool: Pool,
    margin_m: float,
    options: BatchOptions,
    size_estimator: SizeEstimator,
    on_event: OnEvent,
    cancelled: Callable[[], int],
) -> list[HoldingState]:
    """Run the holdings that are not done; return the state of every holding afterwards."""
    states = {h.folder: folder.state_of(h, job.key(h, margin_m)) for h in found}
    to_run = [
        h for h in select(found, options.only) if _should_run(states[h.folder], folder, options)
    ]
    threads = 1 if options.cluster else max(1, (os.cpu_count() or 1) // pool.at_once)
    sized = [
        SizedTask(
            job.task(h, margin_m, folder, threads),
            size_estimator.size_of(h, margin_m).memory,
        )
        for h in to_run
    ]
    # The largest first, so that no large one runs alone at the end.
    sized.sort(key=lambda one: -one.size)
    by_path = {str(folder.run_folder(h)): h for h in to_run}
    budget = allowed(options.memory_limit_gib)[0]
    if options.cluster and options.memory_limit_gib is None:
        budget = float("inf")  # the memory of this machine is no limit for others
    started = time.monotonic()
    text = f"{len(sized)} of {len(found)} holdings to be run"
    on_event({"event": "progress", "share": 0.05, "text": text})
    for count, outcome in enumerate(Schedule(pool, budget, cancelled).run(sized), start=1):
        holding = by_path[outcome.folder]
        key = states[holding.folder].key
        folder.record_outcome(holding, key, outcome)
        status = DONE if outcome.error is None else FAILED
        state = states[holding.folder] = HoldingState(holding, key, status, outcome.error)
        _report_progress(on_event, count, len(sized), time.monotonic() - started, state)
    return list(states.values())


def _report_progress(
    on_event: OnEvent, count: int, total: int, seconds: float, state: HoldingState
) -> None:
    left = seconds / count * (total - count)
    duration = f"{left / 60:.0f} min" if left >= 90 else f"{left:.0f} s"
    if state.error is not None:
        fields = {"holding": state.holding.label, **state.error}
        on_event({"event": "holding-failed", **fields})
    text = f"{count} of {total} holdings, about {duration} left"
    on_event({"event": "progress", "share": round(0.05 + 0.9 * count / total, 4), "text": text})


def _remove_stale(folder: BatchFolder, job: Job) -> None:
    """Remove the work over the whole map of earlier inputs."""
    kept = job.shared(folder)
    for one in kept.parent.iterdir():
        if one != kept and is_shared_folder(one):
            shutil.rmtree(one, ignore_errors=True)


__all__ = [
    "SOME_FAILED",
    "BatchOptions",
    "BatchResult",
    "HoldingState",
    "PlannedHolding",
    "plan_batch",
    "run_batch",
]
