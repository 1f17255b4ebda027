"""Estimate the memory of a run, and refuse work that would not fit."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path

from shelterscape.address_space import LIBRARIES_BYTES, MIB, limit_for, usable_bytes
from shelterscape.errors import InputError, UsageError
from shelterscape.process import Inputs, Process
from shelterscape.process.memory import InputSizes, input_sizes, size_text, usual_bytes
from shelterscape.process.stages import stages_of
from shelterscape.runs.steps import Step, is_fed

GIB = 2**30
MACHINE_SHARE = 0.8
"""Share of a machine's memory that a run may use unless stated otherwise."""

_GROUP_LIMITS = ("memory.max", "memory/memory.limit_in_bytes")
"""Files in which Linux states the memory limit of a container, newer and older layout."""


def machine_bytes(groups: Path = Path("/sys/fs/cgroup")) -> int | None:
    """Memory of this machine or container, bytes; None where the system does not report it."""
    try:
        found = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return None
    for name in _GROUP_LIMITS:
        try:
            found = min(found, int((groups / name).read_text(encoding="ascii")))
        except (OSError, ValueError):
            # There is no such file, or it holds the word "max".
            continue
    return found


def estimated_bytes(process: Process, params: Inputs) -> int:
    """Estimated peak memory of a step, libraries included, bytes.

    Raises
    ------
    InputError
        As for reading its files.
    """
    return _estimate(process, params, input_sizes(params))


def work_bytes(process: Process, params: Inputs, sizes: InputSizes) -> float:
    """Estimated memory of a step without libraries, as its process declares, bytes."""
    declared = stages_of(process).work_bytes or usual_bytes
    return max(sizes.reading_bytes, declared(params, sizes))


def _estimate(process: Process, params: Inputs, sizes: InputSizes) -> int:
    return LIBRARIES_BYTES + round(work_bytes(process, params, sizes))


class MemoryEstimate:
    """The largest memory estimate of the steps of a run; each is checked against the limit.

    Parameters
    ----------
    limit_gib : float or None
        Memory that a step may use, GiB; None for `MACHINE_SHARE` of the machine's memory.

    Raises
    ------
    UsageError
        The limit is not a number above 0.
    """

    def __init__(self, limit_gib: float | None) -> None:
        self._allowed, self._why = allowed(limit_gib)
        self._usable = usable_bytes()
        self._most = 0

    @property
    def mib(self) -> int:
        """The largest estimate so far, MiB."""
        return round(self._most / MIB)

    def check_all(self, steps: Sequence[Step]) -> None:
        """Check every step that needs no output of an earlier one, before the first starts."""
        for step in steps:
            if not is_fed(step):
                self.check(step, step.params)

    def check(self, step: Step, params: Inputs) -> None:
        """Check one step.

        Parameters
        ----------
        step : Step
        params : Inputs
            With references to earlier steps replaced by paths.

        Raises
        ------
        InputError
            ``memory-short``; and as for reading its files.
        """
        sizes = input_sizes(params)
        needed = _estimate(step.process, params, sizes)
        self._most = max(self._most, needed)
        if needed > min(self._allowed, self._usable):
            raise self._refusal(step.name, sizes, needed)

    def _refusal(self, where: str, sizes: InputSizes, needed: int) -> InputError:
        may_use, why, remedy = self._allowed, self._why, "allow more memory with --memory-limit"
        if self._usable < self._allowed:
            may_use, why = self._usable, "the limit on address space less what libraries reserve"
            remedy = f"raise the limit on address space (ulimit -v) to {limit_for(needed)} or more"
        work = f" for {sizes.in_words()}" if sizes.in_words() else ""
        return InputError(
            "memory-short",
            "The work needs more memory than may be used.",
            where=where,
            value=f"about {size_text(needed)} needed{work}; {size_text(may_use)} may be used "
            f"({why})",
            hint=f"{_LESS_WORK}, or {remedy}." if sizes.grid else f"To go on, {remedy}.",
        )


_LESS_WORK = (
    "Clip the terrain model to the area of interest, use coarser cells, choose fewer seasons and "
    "years at a time, run the plan in tiles (shelterscape batch --tiles)"
)


def allowed(limit_gib: float | None) -> tuple[float, str]:
    """Memory that may be used, bytes, and the reason for that limit.

    Parameters
    ----------
    limit_gib : float or None
        GiB; None for `MACHINE_SHARE` of the machine's memory.

    Raises
    ------
    UsageError
        The limit is not a number above 0.
    """
    if limit_gib is not None:
        if not limit_gib > 0:
            raise UsageError(
                "usage",
                "The memory limit is not a number above 0.",
                where="--memory-limit",
                value=limit_gib,
                hint="Give the limit in GiB, such as 8.",
            )
        return limit_gib * GIB, "the limit given"
    machine = machine_bytes()
    if machine is None:
        return math.inf, "this system does not report its memory"
    return (
        MACHINE_SHARE * machine,
        f"{100 * MACHINE_SHARE:.0f} % of the {machine / GIB:.1f} GiB of this machine",
    )
