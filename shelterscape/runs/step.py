"""Run one step: load, compute, write, summarise."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from shelterscape.errors import Notice, WriteError
from shelterscape.files.geopackages import DefaultStyle
from shelterscape.process import Inputs, Output, Process
from shelterscape.process.area import Area
from shelterscape.process.memory import size_text
from shelterscape.process.reading import Reader
from shelterscape.process.shared import Shared
from shelterscape.process.stages import (
    Block,
    Progress,
    Results,
    Stages,
    Summary,
    each,
    stages_of,
)
from shelterscape.runs.events import Monitor
from shelterscape.runs.writing import OutputWriter

COMPUTE_BEGINS, WRITE_BEGINS, DRAW_BEGINS = 0.05, 0.85, 0.93
"""Shares of a step at which its stages start."""


@dataclass(frozen=True)
class StepResult:
    """The result of one step.

    Parameters
    ----------
    written : list of Output
    notices : list of Notice
    summary : Summary
    bands : dict
        Labels of the bands of each raster.
    features : dict
        Number of features of each layer.
    styles : dict
        Style of each layer.
    seconds : float
    """

    written: Sequence[Output]
    notices: Sequence[Notice]
    summary: Summary
    bands: dict[str, list[str]]
    features: dict[str, int]
    styles: dict[str, DefaultStyle]
    seconds: float = 0.0


def run_step(
    process: Process,
    params: Inputs,
    folder: Path,
    monitor: Monitor,
    *,
    area: Area | None = None,
    from_steps: frozenset[str] = frozenset(),
    pictures: bool = True,
    check_inputs: Callable[[], None] = lambda: None,
) -> StepResult:
    """Run one process into a folder.

    Parameters
    ----------
    process : Process
    params : Inputs
        With references to earlier steps replaced by paths.
    folder : Path
    monitor : Monitor
    area : Area, optional
        The part of the map to calculate; the whole map by default.
    from_steps : frozenset of str
        Inputs that an earlier step of the same run wrote.
    pictures : bool
        Whether pictures are drawn.
    check_inputs : callable
        Called once inputs are read; raises where one has changed.

    Returns
    -------
    StepResult
    """
    started = time.perf_counter()
    stages = stages_of(process)
    shared = None if area is None else Shared(Path(area.shared))
    monitor.progress(0.0, "reading inputs")
    reader = Reader(monitor.notice, monitor.check_stop, area, shared, from_steps)
    data = stages.load(params, reader)
    check_inputs()
    with OutputWriter(process, data, folder, monitor.check_stop, area) as writer:
        _refuse_short_space(writer.uncompressed_bytes, folder)
        results = _compute(stages, data, writer, monitor)
        summary = Summary() if stages.summarise is None else stages.summarise(results, params)
        if pictures:
            for i, (name, sheet) in enumerate(summary.pictures.items()):
                share = DRAW_BEGINS + (1 - DRAW_BEGINS) * i / len(summary.pictures)
                monitor.progress(share, f"picture {name}")
                writer.picture(name, sheet)
        writer.finish(pictures=pictures)
    monitor.progress(1.0, f"{process.id} done")
    return StepResult(
        written=writer.written,
        notices=monitor.notices,
        summary=summary,
        bands=writer.bands,
        features=writer.features,
        styles=writer.styles,
        seconds=time.perf_counter() - started,
    )


def _compute(stages: Stages, data: object, writer: OutputWriter, monitor: Monitor) -> Results:
    """Run the calculation; write rasters, layers and tables."""

    def take(item: Block | Progress) -> None:
        """Write a block, or report progress."""
        if isinstance(item, Block):
            writer.block(item)
        else:
            share = COMPUTE_BEGINS + (WRITE_BEGINS - COMPUTE_BEGINS) * item.share
            monitor.progress(share, item.text)

    results: Results = each(stages.compute(data), take)
    for notice in results.notices:
        monitor.notice(notice)
    monitor.progress(WRITE_BEGINS, "writing layers and tables")
    writer.close_rasters()
    for name, frame in results.layers.items():
        writer.layer(name, frame)
    for name, table in results.tables.items():
        writer.table(name, table)
    writer.workbooks(results.tables)
    writer.waypoints(results.layers)
    return results


def _refuse_short_space(needed: int, folder: Path) -> None:
    """Refuse rasters that are larger than the free space of the disk.

    Raises
    ------
    WriteError
        ``disk-short``.
    """
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise WriteError(
            "disk-short",
            "The rasters of this run need more space than the disk has.",
            where=str(folder),
            value=f"{size_text(needed)} before compression; {size_text(free)} free",
            hint="Write to another disk, free some space, choose fewer wind directions, seasons "
            "and years, or use coarser cells.",
        )
