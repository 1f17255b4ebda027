"""A plan run over many holdings, each in a folder of its own, and put together in the end.

What is finished stays finished: a batch that was broken off, however, goes on where it was.
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

from shelterscape.batch.holdings import Holding, chosen, read_holdings, tiles_of
from shelterscape.batch.job import Job, job_of
from shelterscape.batch.local import LocalPool
from shelterscape.batch.merge import merge
from shelterscape.batch.schedule import Pool, Schedule, Sized
from shelterscape.batch.sizes import Sizer, seconds_of, seconds_taken
from shelterscape.batch.state import CATCHMENT, DONE, FAILED, BatchFolder, Row, counted
from shelterscape.batch.tasks import prepare_steps
from shelterscape.errors import InternalError, Stopped
from shelterscape.kernels.compiled import all_compiled
from shelterscape.plan import read_plan
from shelterscape.process.memory import MIB
from shelterscape.runs.events import Tell, machine_notices, never, tell_nobody
from shelterscape.runs.memory import allowed

T = TypeVar("T")

ATTEMPTS = 2
"""So often is the work over the whole map begun when workers die of it."""

SOME_FAILED = 5
"""Exit code when some holdings failed and the others are done."""


@dataclass(frozen=True)
class How:
    """How a batch is run.

    Parameters
    ----------
    workers : int or None
        Processes at once; by default as many as there are cores.
    only : tuple of str
        Holdings to run, by holding_id, name or folder; all by default.
    retry_failed : bool
        Also begin anew holdings whose inputs were refused; other failures always are.
    cluster : str or None
        Address of a Dask scheduler to work on instead of this machine.
    pictures : bool
        Whether every holding gets preview pictures.
    memory_limit_gib : float or None
        What all workers together may take by estimate, GiB; by default four fifths of the
        machine's memory.
    """

    workers: int | None = None
    only: tuple[str, ...] = ()
    retry_failed: bool = False
    cluster: str | None = None
    pictures: bool = False
    memory_limit_gib: float | None = None


@dataclass(frozen=True)
class BatchResult:
    """What a batch left behind.

    Parameters
    ----------
    folder : Path
    catchment : Path
        Folder of what was put together.
    rows : tuple of Row
        How things stand with each holding.
    holdings : GeoDataFrame
        The layer of holdings.
    """

    folder: Path
    catchment: Path
    rows: tuple[Row, ...]
    holdings: gpd.GeoDataFrame

    @property
    def exit_code(self) -> int:
        """0, or `SOME_FAILED`."""
        return SOME_FAILED if counted(self.rows)[FAILED] else 0


@dataclass(frozen=True)
class Planned:
    """What a batch would do with one holding.

    Parameters
    ----------
    row : Row
    runs : bool
        Whether it would be run.
    cells : int
        With the margin.
    memory_mib, seconds : float
        Estimates.
    """

    row: Row
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
    how: How = How(),
    progress: Tell = tell_nobody,
    cancelled: Callable[[], int] = never,
) -> BatchResult:
    """Run a plan over many holdings, or over the tiles of a large map.

    Parameters
    ----------
    plan : path
    out : path
        Folder of the batch; one that was broken off is gone on with.
    holdings : str, optional
        ``PATH`` or ``PATH:LAYER`` of their outlines, with ``holding_id`` and ``name``.
    tiles : int, optional
        Instead of holdings: cells a side of the squares the whole map is cut into.
    how : How
    progress : callable
        Takes events as dictionaries.
    cancelled : callable
        Answers 0, or the number of the signal that asks the batch to stop.

    Returns
    -------
    BatchResult

    Raises
    ------
    InputError, WriteError, UsageError, Stopped
        For what concerns all holdings; what concerns one is in its row.
    """
    allowed(how.memory_limit_gib)  # refused before any work when it is no limit
    job, found = _job(plan, holdings, tiles, how, progress)
    folder = BatchFolder(Path(out))
    sizer = Sizer(job.steps, job.grid)
    with folder.held(), _pool(how) as pool:
        if how.cluster is None:
            _compile(pool, progress, cancelled)
        margin_m = _prepared(job, folder, pool, progress, cancelled)
        rows = _run_all(job, found, folder, pool, margin_m, how, sizer, progress, cancelled)
        _clear_stale(folder, job)
        table = merge(
            folder, rows, job.steps, job.grid, progress, lambda: _stop_if_asked(cancelled)
        )
    return BatchResult(folder.root, folder.root / CATCHMENT, tuple(rows), table)


def plan_batch(
    plan: str | Path,
    out: str | Path,
    *,
    holdings: str | None = None,
    tiles: int | None = None,
    how: How = How(),
    progress: Tell = tell_nobody,
) -> tuple[Planned, ...]:
    """What `run_batch` would do; nothing is written."""
    job, found = _job(plan, holdings, tiles, how, progress)
    folder, sizer = BatchFolder(Path(out)), Sizer(job.steps, job.grid)
    margin_m = job.margin_told(folder)
    rows = [folder.row(h, job.key(h, margin_m)) for h in found]
    sizes = {h.folder: sizer.size_of(h, margin_m) for h in found}
    done = [row for row in rows if row.status == DONE]
    earlier = [
        (sizes[row.holding.folder].cells, seconds)
        for row in done
        if (seconds := seconds_taken(folder.of(row.holding))) is not None
    ]
    wanted = {h.folder for h in chosen(found, how.only)}
    planned = []
    for row in rows:
        size = sizes[row.holding.folder]
        runs = row.holding.folder in wanted and _runs(row, folder, how)
        seconds = seconds_of(size.cells, earlier)
        planned.append(Planned(row, runs, size.cells, size.memory / MIB, seconds))
    return tuple(planned)


def _job(
    plan: str | Path, holdings: str | None, tiles: int | None, how: How, tell: Tell
) -> tuple[Job, list[Holding]]:
    job = job_of(read_plan(plan), how.pictures)
    if tiles is not None:
        return job, tiles_of(job.grid, tiles)
    found, notices = read_holdings(holdings or "", job.grid.crs, job.holding_columns)
    for notice in notices:
        tell({"event": "notice", **notice.fields()})
    chosen(found, how.only)  # a name nobody bears is told before any work
    return job, found


def _pool(how: How) -> Any:
    if how.cluster:
        from shelterscape.batch.cluster import ClusterPool

        return ClusterPool(how.cluster)
    return LocalPool(how.workers or os.cpu_count() or 1)


def _stop_if_asked(cancelled: Callable[[], int]) -> None:
    if signal_number := cancelled():
        raise Stopped(signal_number)


def _compile(pool: Pool, tell: Tell, cancelled: Callable[[], int]) -> None:
    """Compile kernels once; otherwise every worker would, at the same time."""
    compiled = all_compiled()
    for notice in machine_notices():
        tell({"event": "notice", **notice.fields()})
    if compiled or pool.at_once < 2:
        return
    from shelterscape.science.warm import compile_all  # much to import, and seldom needed

    for future in compile_all(pool.executor()):
        tell({"event": "progress", "share": 0.0, "text": "compiling kernels"})
        try:
            _waited(future, pool, cancelled)
        except BrokenExecutor:  # then workers compile what they need
            pool.renew()
            return


def _waited(future: Future[T], pool: Pool, cancelled: Callable[[], int]) -> T:
    """What a piece of work returns, unless somebody asks to stop."""
    while not future.done():
        if signal_number := cancelled():
            pool.stop()
            raise Stopped(signal_number)
        time.sleep(0.05)
    return future.result()


def _prepared(
    job: Job, folder: BatchFolder, pool: Pool, tell: Tell, cancelled: Callable[[], int]
) -> float:
    """Have what all holdings share done, all cores at it; the margin they need."""
    if None not in job.margins(folder):
        return job.margin_told(folder)
    tell({"event": "progress", "share": 0.0, "text": "work over the whole map"})
    place = str(job.shared(folder))
    for _ in range(ATTEMPTS):
        future = pool.executor().submit(prepare_steps, job.steps, place)
        try:
            return max(_waited(future, pool, cancelled).values())
        except BrokenExecutor:
            pool.renew()  # steps whose part was done are not done again
    raise InternalError(
        "worker-died",
        "The process that worked over the whole map ended in the middle of it, each time.",
        value=f"{ATTEMPTS} times",
        mend="Often a lack of memory: cut the terrain model, or use coarser cells.",
    )


def _runs(row: Row, folder: BatchFolder, how: How) -> bool:
    """Whether a holding is to be run: not what is done, nor what would fail again."""
    if row.status == FAILED:
        return how.retry_failed or not folder.would_fail_again(row.holding)
    return row.status != DONE


def _run_all(
    job: Job,
    found: Sequence[Holding],
    folder: BatchFolder,
    pool: Pool,
    margin_m: float,
    how: How,
    sizer: Sizer,
    tell: Tell,
    cancelled: Callable[[], int],
) -> list[Row]:
    """Run what is to be run; how things stand with each holding afterwards."""
    rows = {h.folder: folder.row(h, job.key(h, margin_m)) for h in found}
    wanted = [h for h in chosen(found, how.only) if _runs(rows[h.folder], folder, how)]
    threads = 1 if how.cluster else max(1, (os.cpu_count() or 1) // pool.at_once)
    sized = [
        Sized(
            job.task(h, margin_m, folder, threads),
            sizer.size_of(h, margin_m).memory,
        )
        for h in wanted
    ]
    # The largest first, so that none is left to run by itself in the end.
    sized.sort(key=lambda one: -one.size)
    by_path = {str(folder.of(h)): h for h in wanted}
    budget = allowed(how.memory_limit_gib)[0]
    if how.cluster and how.memory_limit_gib is None:
        budget = float("inf")  # of other machines than this one
    begun = time.monotonic()
    text = f"{len(sized)} of {len(found)} holdings to be run"
    tell({"event": "progress", "share": 0.05, "text": text})
    for count, outcome in enumerate(Schedule(pool, budget, cancelled).run(sized), start=1):
        holding = by_path[outcome.folder]
        key = rows[holding.folder].key
        folder.note(holding, key, outcome)
        status = DONE if outcome.error is None else FAILED
        rows[holding.folder] = Row(holding, key, status, outcome.error)
        _tell_progress(tell, count, len(sized), time.monotonic() - begun, rows[holding.folder])
    return list(rows.values())


def _tell_progress(tell: Tell, count: int, whole: int, seconds: float, row: Row) -> None:
    left = seconds / count * (whole - count)
    told = f"{left / 60:.0f} min" if left >= 90 else f"{left:.0f} s"
    if row.error is not None:
        fields = {"holding": row.holding.label, **row.error}
        tell({"event": "holding-failed", **fields})
    text = f"{count} of {whole} holdings, about {told} left"
    tell({"event": "progress", "share": round(0.05 + 0.9 * count / whole, 4), "text": text})


def _clear_stale(folder: BatchFolder, job: Job) -> None:
    """Drop work over the whole map that other inputs left behind."""
    kept = job.shared(folder)
    for one in kept.parent.iterdir():
        if one != kept:
            shutil.rmtree(one, ignore_errors=True)


__all__ = [
    "SOME_FAILED",
    "BatchResult",
    "How",
    "Planned",
    "Row",
    "plan_batch",
    "run_batch",
]
