"""Send a signal to a command while it runs, and measure how long it takes to end."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from run_helpers import environment

TIMEOUT_S = 120.0


@dataclass(frozen=True)
class StoppedCommand:
    """A command that ended after a signal.

    Parameters
    ----------
    code : int
        Its exit code.
    lines : str
        What it wrote to standard output; its errors too unless its events are JSON.
    errors : str or None
        What it wrote to standard error where the two are separate.
    seconds : float
        From the signal to its end, on its own clock: see `_Clock`.
    """

    code: int
    lines: str
    errors: str | None
    seconds: float


class _Clock:
    """Measures the time of a process, without the time in which it waits for a processor.

    Time in which it works, sleeps or waits for a disk counts. Time in which it is ready to work
    but no processor is free does not, as far as the system reports it.
    """

    def __init__(self, process: subprocess.Popen[Any]) -> None:
        self._process = process
        self._before = _seconds_ready(process.pid)
        self._after = dict(self._before)
        self._started = time.monotonic()

    def wait(self) -> float:
        """Wait for the end of the process; return the seconds it took."""
        while self._process.poll() is None:
            # A thread that has ended keeps the last time that was read.
            self._after |= _seconds_ready(self._process.pid)
            time.sleep(0.01)
            assert time.monotonic() - self._started < TIMEOUT_S, "it does not end"
        elapsed = time.monotonic() - self._started
        ready = [seconds - self._before.get(n, 0.0) for n, seconds in self._after.items()]
        # Threads wait at the same time; the sum would subtract the same second twice.
        return elapsed - max(ready, default=0.0)


def _seconds_ready(pid: int) -> dict[str, float]:
    """Time each thread of a process waited for a processor, s; empty where not reported."""
    try:
        return {
            path.parent.name: int(path.read_text("ascii").split()[1]) / 1e9
            for path in Path(f"/proc/{pid}/task").glob("*/schedstat")
        }
    except OSError:  # a thread has just ended, or another system
        return {}


def stop_when(words: list[str], text: str, number: signal.Signals) -> StoppedCommand:
    """Run a command, and send it a signal once a line of its output holds the text."""
    errors = subprocess.PIPE if "--json" in words else subprocess.STDOUT
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=errors, env=environment(), text=True
    ) as process:
        try:
            lines = []
            for line in process.stdout:
                lines.append(line)
                if text in line:
                    break
            else:
                pytest.fail(f"ended before it wrote {text!r}: {process.communicate()}")
            rest: list[tuple[str, str | None]] = []
            # Keep reading: a full pipe would block the command.
            reader = threading.Thread(target=lambda: rest.append(process.communicate()))
            clock = _Clock(process)
            process.send_signal(number)
            reader.start()
            seconds = clock.wait()
            reader.join(TIMEOUT_S)
            ((more, reported),) = rest
            return StoppedCommand(process.returncode, "".join(lines) + more, reported, seconds)
        finally:
            process.kill()


@dataclass(frozen=True)
class Attack:
    """A signal at a moment of a command.

    Parameters
    ----------
    seconds : float
        Time from its start.
    number : Signals
    to_all : bool
        Whether its child processes receive the signal too, as from a terminal.
    """

    seconds: float
    number: signal.Signals
    to_all: bool


def stop_at(words: list[str], attack: Attack, folder: Path) -> StoppedCommand | None:
    """Run a command with a temporary folder of its own, and send it a signal at a moment.

    Returns None where it ended before. Fails where a process of it remains.
    """
    output, errors, temporary = (folder / name for name in ("stdout", "stderr", "tmp"))
    temporary.mkdir(parents=True)
    with output.open("wb") as out, errors.open("wb") as err:
        # A session of its own: all its processes can be found, and signalled.
        process = subprocess.Popen(
            words,
            stdout=out,
            stderr=err,
            env=environment(TMPDIR=str(temporary)),
            start_new_session=True,
        )
    try:
        try:
            process.wait(attack.seconds)
            return None
        except subprocess.TimeoutExpired:
            pass
        clock = _Clock(process)
        (os.killpg if attack.to_all else os.kill)(process.pid, attack.number)
        seconds = clock.wait()
        wait_for_end_of(process.pid)
    finally:
        for pid in session_members(process.pid):
            os.kill(pid, signal.SIGKILL)
        process.wait()
    text = output.read_text("utf-8"), errors.read_text("utf-8")
    return StoppedCommand(process.returncode, *text, seconds)


def session_members(session: int) -> list[int]:
    """Processes of a session that have not ended."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text("ascii", errors="replace").rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] not in "ZX":
            found.append(int(path.parent.name))
    return found


def wait_for_end_of(session: int, seconds: float = 3.0) -> None:
    """Wait until no process of a session is left; fail where one remains."""
    until = time.monotonic() + seconds
    while left := session_members(session):
        if time.monotonic() > until:
            names = [Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ") for pid in left]
            pytest.fail(f"processes remain: {names}")
        time.sleep(0.02)
