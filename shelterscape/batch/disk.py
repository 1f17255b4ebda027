"""Room on the disk that a batch takes for what is still to be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shelterscape.batch.job import Job
from shelterscape.batch.sizes import Size, Sizer
from shelterscape.batch.state import BatchFolder
from shelterscape.process.shared import Shared
from shelterscape.runs.disk import free_bytes, in_words, refuse_short


@dataclass(frozen=True)
class Room:
    """Room a batch takes for what is still to be done, bytes, at most, and what there is.

    Parameters
    ----------
    holdings : float
        For the holdings to be run.
    whole_map : float
        For work over the whole map.
    catchment : float
        For all holdings put together, beside what an earlier batch put together.
    passing : float
        For a moment besides: the largest mosaic once more, while it is finished.
    free : float
        On the disk of the folder; infinite where nobody tells.
    """

    holdings: float
    whole_map: float
    catchment: float
    passing: float
    free: float

    @property
    def needed(self) -> float:
        """All together. Rasters of holdings that are being finished are less than the mosaics."""
        return self.holdings + self.whole_map + self.catchment + self.passing

    def in_words(self) -> str:
        """What it is made up of, for a person."""
        return (
            f"{in_words(self.holdings)} for holdings to be run, {in_words(self.whole_map)} for "
            f"work over the whole map, {in_words(self.catchment + self.passing)} to put all "
            "together"
        )


def room_of(
    job: Job, sizer: Sizer, folder: BatchFolder, to_run: Sequence[Size], done: Sequence[Size]
) -> Room:
    """Room for what is still to be done; what is finished takes none but in the catchment.

    Parameters
    ----------
    job : Job
    sizer : Sizer
    folder : BatchFolder
    to_run, done : sequence of Size
        Holdings to be run, and those that are finished.
    """
    together = sizer.catchment([*to_run, *done])
    shared = Shared(job.shared(folder))
    missing = [margin is None for margin in job.margins(folder)]
    return Room(
        sum(size.disk.stays for size in to_run),
        sizer.whole_map(missing, terrain=not shared.terrain.is_file()),
        together.kept,
        together.passing,
        free_bytes(folder.root),
    )


def refuse_short_room(room: Room, folder: BatchFolder, limit: float | None) -> None:
    """Refuse a batch that would not fit.

    Parameters
    ----------
    room : Room
    folder : BatchFolder
    limit : float or None
        Bytes that may be used; what is free by default.

    Raises
    ------
    WriteError
        ``disk-short``.
    """
    refuse_short(
        room.needed,
        folder.root,
        limit,
        of_what=room.in_words(),
        mend="run a part of the holdings with --only, ask for fewer winds, seasons and years, or "
        "use coarser cells; ",
    )
