"""Work that would not fit into memory is refused before it begins."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path

from shelterscape.errors import InputError, UsageError
from shelterscape.process import Inputs, Process
from shelterscape.process.memory import LIBRARIES_BYTES, MIB, Sizes, sizes_of, usual_bytes
from shelterscape.process.stages import stages_of
from shelterscape.runs.steps import Step, is_fed

GIB = 2**30
MACHINE_SHARE = 0.8
"""Share of a machine's memory that a run may use unless stated otherwise."""

_GROUP_LIMITS = ("memory.max", "memory/memory.limit_in_bytes")
"""Where Linux states the limit of a container, in its newer and its older layout."""


def machine_bytes(groups: Path = Path("/sys/fs/cgroup")) -> int | None:
    """Memory of this machine, or of the container we are in; None where the system is silent."""
    try:
        found = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return None
    for name in _GROUP_LIMITS:
        try:
            found = min(found, int((groups / name).read_text(encoding="ascii")))
        except (OSError, ValueError):
            # No such file, or the word max.
            continue
    return found


def estimated_bytes(process: Process, params: Inputs) -> int:
    """Most memory a step is expected to hold, libraries included.

    Raises
    ------
    InputError
        As the readers of its files.
    """
    return _estimate(process, params, sizes_of(params))


def work_bytes(process: Process, params: Inputs, sizes: Sizes) -> float:
    """Memory a step holds while it works, by what its process declares, bytes."""
    declared = stages_of(process).work_bytes or usual_bytes
    return max(sizes.reading_bytes, declared(params, sizes))


def _estimate(process: Process, params: Inputs, sizes: Sizes) -> int:
    return LIBRARIES_BYTES + round(work_bytes(process, params, sizes))


class MemoryEstimate:
    """The largest estimate over the steps of a run, none of which may pass what is allowed.

    Parameters
    ----------
    limit_gib : float or None
        Most memory a step may take, GiB; None for `MACHINE_SHARE` of the machine's.

    Raises
    ------
    UsageError
        For a limit that is no number above 0.
    """

    def __init__(self, limit_gib: float | None) -> None:
        self._allowed, self._why = allowed(limit_gib)
        self._most = 0

    @property
    def mib(self) -> int:
        """The largest so far, MiB."""
        return round(self._most / MIB)

    def check_all(self, steps: Sequence[Step]) -> None:
        """Check every step that reads nothing from an earlier one, before the first begins."""
        for step in steps:
            if not is_fed(step):
                self.check(step, step.params)

    def check(self, step: Step, params: Inputs) -> None:
        """Check one step.

        Parameters
        ----------
        step : Step
        params : Inputs
            With references to earlier steps turned into paths.

        Raises
        ------
        InputError
            ``memory-short``; and as the readers of its files.
        """
        sizes = sizes_of(params)
        needed = _estimate(step.process, params, sizes)
        self._most = max(self._most, needed)
        if needed > self._allowed:
            raise InputError(
                "memory-short",
                "This work needs more memory than it may use.",
                where=step.name,
                value=f"about {needed / GIB:.1f} GiB needed for {sizes.in_words()}; "
                f"{self._allowed / GIB:.1f} GiB may be used ({self._why})",
                mend="Cut the terrain model to the area of interest, use coarser cells, choose "
                "fewer seasons and years at a time, or run a plan in tiles (shelterscape batch "
                "--tiles); or set --memory-limit if you know better.",
            )


def allowed(limit_gib: float | None) -> tuple[float, str]:
    """Bytes that may be used, and why so many.

    Parameters
    ----------
    limit_gib : float or None
        GiB; None for `MACHINE_SHARE` of the machine's memory.

    Raises
    ------
    UsageError
        For a limit that is no number above 0.
    """
    if limit_gib is not None:
        if not limit_gib > 0:
            raise UsageError("usage", "A memory limit is a number of GiB above 0.", value=limit_gib)
        return limit_gib * GIB, "as limited"
    machine = machine_bytes()
    if machine is None:
        return math.inf, "this system does not tell its memory"
    return (
        MACHINE_SHARE * machine,
        f"{MACHINE_SHARE:.0%} of the {machine / GIB:.1f} GiB of this machine",
    )
