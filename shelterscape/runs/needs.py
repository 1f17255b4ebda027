"""What a run needs of its machine, told from the heads of its files and judged before it begins."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from shelterscape.process import Inputs
from shelterscape.process.disk import Space
from shelterscape.process.memory import MIB, sizes_of
from shelterscape.runs.disk import RUN_BYTES, checked_limit, refuse_short, space_of
from shelterscape.runs.memory import MemoryEstimate
from shelterscape.runs.steps import Step, is_fed, without_references


class Needs:
    """Memory and disk that the steps of a run take.

    Parameters
    ----------
    out : Path
        The output folder.
    memory_limit_gib : float or None
        Most memory a step may take, GiB.
    disk_limit_gib : float or None
        Most disk all steps may take, GiB; what is free by default.

    Raises
    ------
    UsageError
        For a limit that is no number above 0.
    """

    def __init__(
        self, out: Path, memory_limit_gib: float | None, disk_limit_gib: float | None
    ) -> None:
        self._out = out
        self._memory = MemoryEstimate(memory_limit_gib)
        self._disk_limit = checked_limit(disk_limit_gib)
        self._spaces: dict[str, Space] = {}

    def judge(self, steps: Sequence[Step]) -> None:
        """Judge all steps before the first; what one takes from another counts in its turn.

        Raises
        ------
        InputError
            ``memory-short``; and as the readers of their files.
        WriteError
            ``disk-short``.
        """
        for step in steps:
            known = without_references(step)
            sizes = sizes_of(known.asked)
            if not is_fed(step):
                self._memory.take(step.process, step.asked, sizes, step.name)
            self._spaces[step.name] = space_of(step.process, known.asked, sizes)
        self._refuse_short_disk([step.name for step in steps])

    def judge_in_turn(self, step: Step, resolved: Inputs) -> None:
        """Judge a step that takes something from another, now that it is there.

        Raises
        ------
        InputError, WriteError
            As `judge`.
        """
        sizes = sizes_of(resolved)
        self._memory.take(step.process, resolved, sizes, step.name)
        self._spaces[step.name] = space_of(step.process, resolved, sizes)
        names = list(self._spaces)
        # What earlier steps wrote is no longer free, but counts where a limit was set.
        done = names.index(step.name) if self._disk_limit is None else 0
        self._refuse_short_disk(names[done:])

    def _refuse_short_disk(self, names: Sequence[str]) -> None:
        refuse_short(
            _together([self._spaces[name] for name in names]).most,
            self._out,
            self._disk_limit,
            of_what="" if len(names) == 1 else f"{len(names)} steps",
            mend="ask for fewer winds, seasons and years, or use coarser cells; ",
        )

    @property
    def fields(self) -> dict[str, float]:
        """What was told, for the timings; nothing where nothing was judged."""
        if not self._spaces:
            return {}
        stays = _together(list(self._spaces.values())).stays
        return {
            "estimated_memory_mib": self._memory.mib,
            "estimated_disk_mib": round(stays / MIB, 1),
        }


def _together(spaces: Sequence[Space]) -> Space:
    return sum(spaces, Space(RUN_BYTES))
