"""Ctrl-C and a termination signal on large ground: the run ends within 3 s and leaves nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest
from run_helpers import command, environment
from test_memory import belts, ground

SIDE = 2500


def own_seconds(process):
    """Processor time a process has used; None where the system does not tell."""
    path = Path(f"/proc/{process.pid}/stat")
    if not path.exists():
        return None
    words = path.read_text("ascii", "replace").rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def stop_when(words, text, number):
    """Send a signal once a line told holds a text: exit code, lines told, seconds it then took.

    Seconds are those on the clock or those of its own work, whichever is less: others at work on
    the same machine must not count.
    """
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=environment(), text=True
    ) as process:
        try:
            lines = []
            for line in process.stdout:
                lines.append(line)
                if text in line:
                    break
            worked, begun = own_seconds(process), time.monotonic()
            process.send_signal(number)
            used = worked
            while process.poll() is None:
                used = own_seconds(process) or used
                time.sleep(0.01)
                assert time.monotonic() - begun < 120
            seconds = time.monotonic() - begun
            lines += process.stdout.readlines()
            if worked is not None:
                seconds = min(seconds, used - worked)
            return process.returncode, "".join(lines), seconds
        finally:
            process.kill()


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """Six million cells and a hedged plain's belts."""
    folder = tmp_path_factory.mktemp("large")
    return ground(folder, SIDE), belts(folder, SIDE)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize(
    ("process", "when"),
    [
        ("exposure", "open wind from 120°"),
        ("exposure", "topex, view to 45°"),
        ("exposure", "tables, layers and previews"),
        ("shelter", "wind 1 of"),
        ("shelter", "zones, belts and places"),
        ("shelter", "previews"),
    ],
)
def test_a_run_over_large_ground_stops_in_time(large, tmp_path, process, when, number):
    dem, lines = large
    words = ["--dem", dem, "--winds", "30,120,240", "--out", tmp_path / "out", "--json"]
    if process == "shelter":
        words += ["--belts", lines]
    code, told, seconds = stop_when(command(process, *words), when, number)
    assert code == 128 + number, told
    assert seconds < 3.0
    assert list(tmp_path.iterdir()) == []
