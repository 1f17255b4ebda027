"""Work that would not fit on the disk is refused before it begins."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

from shelterscape.errors import UsageError, WriteError
from shelterscape.process import Inputs, Layer, Picture, Process, Raster, Table
from shelterscape.process.disk import Space
from shelterscape.process.memory import MIB, Sizes
from shelterscape.runs.memory import GIB

RUN_BYTES = 16_000.0
"""What a run takes besides: its record, and what a file system rounds up."""

_EACH_BYTES: dict[type, float] = {
    Raster: 8_000.0,
    Layer: 40_000.0,
    Table: 4_000.0,
}
"""What an output takes however little is in it: heads, indexes, a style."""

PICTURE_BYTES = 120_000.0
"""A frame with words; measured: 110 kB for a chart."""


def space_of(process: Process, asked: Inputs, sizes: Sizes) -> Space:
    """Room that a step takes on the disk at most, heads of files and pictures too.

    Parameters
    ----------
    process : Process
    asked : Inputs
    sizes : Sizes
        Of what the step will read.
    """
    least = [_EACH_BYTES[type(o)] for o in process.outputs if not isinstance(o, Picture)]
    frames = [PICTURE_BYTES for o in process.outputs if isinstance(o, Picture)]
    return process.disk(asked, sizes) + Space(sum(least), pictures=sum(frames))


def free_bytes(folder: Path) -> float:
    """What is free on the disk a folder lies on, or will lie on; infinite where nobody tells."""
    for place in (folder, *folder.parents):
        try:
            return float(shutil.disk_usage(place).free)
        except FileNotFoundError:
            continue
        except OSError:
            break
    return math.inf


def checked_limit(limit_gib: float | None) -> float | None:
    """A limit of disk room, bytes; None where none was set.

    Raises
    ------
    UsageError
        For a limit that is no number above 0.
    """
    if limit_gib is None:
        return None
    if not limit_gib > 0:
        raise UsageError("usage", "A disk limit is a number of GiB above 0.", value=limit_gib)
    return limit_gib * GIB


def in_words(size: float) -> str:
    """A number of bytes for a person."""
    return f"{size / GIB:,.1f} GiB" if size >= GIB else f"{size / MIB:,.1f} MiB"


def refuse_short(
    needed: float, folder: Path, limit: float | None, *, of_what: str = "", mend: str = ""
) -> None:
    """Refuse work that would not fit.

    Parameters
    ----------
    needed : float
        Bytes, at most.
    folder : Path
        Where the work goes; it need not be there yet.
    limit : float or None
        Bytes that may be used; what is free by default.
    of_what : str
        What the need is made up of, in words.
    mend : str
        What to do besides choosing another folder.

    Raises
    ------
    WriteError
        ``disk-short``.
    """
    allowed = free_bytes(folder) if limit is None else limit
    if needed <= allowed:
        return
    there = "free" if limit is None else "may be used (as limited)"
    raise WriteError(
        "disk-short",
        "This work needs more room on the disk than there is.",
        where=str(folder),
        value=f"up to {in_words(needed)} needed{of_what and f' ({of_what})'}; "
        f"{in_words(allowed)} {there}",
        mend=f"Write to a folder on another disk, or make room; {mend}or set --disk-limit if you "
        "know better: the need is an upper estimate.",
    )
