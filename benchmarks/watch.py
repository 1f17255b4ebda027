"""Run a command and measure the memory of its processes."""

from __future__ import annotations

import contextlib
import json
import os
import statistics
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

MIB = 2**20
PAUSE_SECONDS = 0.1


@dataclass
class Watched:
    """Result of a command.

    Parameters
    ----------
    events : list
        Seconds since the start, and the event, for each line of JSON.
    seconds : float
    exit_code : int
    own_mib, most_mib, together_mib : float
        Peak resident memory of the process itself, of any of the processes it started, and of all
        of them at once, read every tenth of a second.
    """

    events: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    seconds: float = 0.0
    exit_code: int = 0
    own_mib: float = 0.0
    most_mib: float = 0.0
    together_mib: float = 0.0


def watch(command: list[str], **options: Any) -> Watched:
    """Run a command that reports its progress as lines of JSON.

    Parameters
    ----------
    command : list of str
    how
        For `subprocess.Popen`.
    """
    found, started = Watched(), time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, **options) as process:
        looker = threading.Thread(target=_look, args=(process, found))
        looker.start()
        assert process.stdout is not None
        for line in process.stdout:
            with contextlib.suppress(ValueError):
                found.events.append((time.perf_counter() - started, json.loads(line)))
        found.exit_code = process.wait()
        looker.join()
    found.seconds = time.perf_counter() - started
    return found


def _look(process: subprocess.Popen[str], found: Watched) -> None:
    while process.poll() is None:
        sizes = {pid: _resident_mib(pid) for pid in _family(process.pid)}
        found.together_mib = max(found.together_mib, sum(sizes.values()))
        found.own_mib = max(found.own_mib, sizes.pop(process.pid, 0.0))
        found.most_mib = max(found.most_mib, *sizes.values(), 0.0)
        time.sleep(PAUSE_SECONDS)


def _family(pid: int) -> Iterator[int]:
    """A process and all its descendants."""
    yield pid
    for thread in Path(f"/proc/{pid}/task").glob("*"):
        with contextlib.suppress(OSError):
            for child in (thread / "children").read_text(encoding="ascii").split():
                yield from _family(int(child))


def _resident_mib(pid: int) -> float:
    try:
        pages = Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1]
    except OSError:  # it has just ended
        return 0.0
    return int(pages) * os.sysconf("SC_PAGE_SIZE") / MIB


def peak_mib(pid: int | str = "self") -> float:
    """Peak memory of a process itself so far, without that of its parent."""
    with contextlib.suppress(OSError):  # it has just ended
        for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    return 0.0


def load() -> str:
    """Load average over the last minute; above the number of cores, times are unreliable."""
    return f"{os.getloadavg()[0]:.1f}"


def copy_seconds(side: int = 4000, repeats: int = 15) -> float:
    """Median seconds of copying an array of the size of the main job."""
    blank, times = np.zeros((side, side), np.float32), []
    for _ in range(repeats):
        started = time.perf_counter()
        blank.copy()
        times.append(time.perf_counter() - started)
    return statistics.median(times)
