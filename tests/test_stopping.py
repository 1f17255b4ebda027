"""Ctrl-C and a termination signal on a large map: the run ends within 3 s and leaves nothing."""

from __future__ import annotations

import signal
import sys

import pytest
from run_helpers import command
from signal_helpers import stop_when
from test_memory import belts, ground

SIDE = 2500


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """A terrain model of six million cells and a layer of many belts."""
    folder = tmp_path_factory.mktemp("large")
    return ground(folder, SIDE), belts(folder, SIDE)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize(
    ("process", "when"),
    [
        ("exposure", "terrain wind from 120°"),
        ("exposure", "horizon 3 of"),
        ("exposure", "writing layers and tables"),
        ("shelter", "wind direction 1 of"),
        ("shelter", "zones, belts and places"),
        ("shelter", "picture "),
    ],
)
def test_a_run_over_a_large_map_stops_in_time(large, tmp_path, process, when, number):
    dem, lines = large
    words = ["--dem", dem, "--winds", "30,120,240", "--out", tmp_path / "out", "--json"]
    if process == "shelter":
        words += ["--belts", lines]
    stopped = stop_when(command(process, *words), when, number)
    assert stopped.code == 128 + number, stopped
    assert stopped.seconds < 3.0
    assert list(tmp_path.iterdir()) == []


SLEEPER = """
import signal, sys, time
signal.signal(signal.SIGTERM, lambda *_: (time.sleep(0.5), sys.exit(7)))
print("ready", flush=True)
time.sleep(60)
"""


def test_a_command_that_sleeps_before_it_ends_is_not_quick():
    """The clock of the tests above leaves out only the time waiting for a processor."""
    stopped = stop_when([sys.executable, "-c", SLEEPER], "ready", signal.SIGTERM)
    assert stopped.code == 7
    assert 0.5 <= stopped.seconds < 3.0
