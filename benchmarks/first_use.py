"""Waiting times of a user: help, first run, demo, pictures, Monte Carlo runs on the sample.

Commands run in separate processes. Their processor time is that counted by the system, which
depends little on other load; their peak memory is read every 5 ms.
"""

from __future__ import annotations

import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
from affine import Affine
from watch import copy_seconds, load, peak_mib

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis"
PICTURE_SIDE, RUNS = 1600, 200
HEAD = ["| what | measured | goal | met |", "| --- | --- | --- | --- |"]


class Spent(NamedTuple):
    """Seconds, processor seconds and peak memory (MiB) of a command."""

    wall: float
    cpu: float
    mib: float


def spent(arguments: list[str], repeats: int = 1, **environment: str) -> Spent:
    """Medians over some runs of ``python`` with these arguments."""
    found = []
    for _ in range(repeats):
        started = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, *arguments],
            env=os.environ | environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        mib, done = 0.0, 0
        while not done:
            # The count of the system would include the memory of this process.
            mib = max(mib, peak_mib(process.pid))
            time.sleep(0.005)
            done, status, used = os.wait4(process.pid, os.WNOHANG)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            raise SystemExit(f"{' '.join(arguments)} ended with {process.returncode}")
        cpu = used.ru_utime + used.ru_stime
        found.append(Spent(time.perf_counter() - started, cpu, mib))
    return Spent(*(statistics.median(part) for part in zip(*found, strict=True)))


def command(*words: str) -> list[str]:
    """Arguments of the interpreter for a shelterscape command."""
    return ["-m", "shelterscape", *words]


def row(what: str, measured: str, goal: str, met: bool) -> str:
    """A row that states whether the goal was met."""
    return f"| {what} | {measured} | {goal} | {'yes' if met else '**no**'} |"


def plain_words() -> list[str]:
    """Rows of commands without calculations, compared with an interpreter that does nothing."""
    nothing = spent(["-c", "pass"], 5)
    lines = []
    for words in (("--help",), ("list",), ("describe", "shelter")):
        one = spent(command(*words), 5)
        lines.append(
            row(
                f"`{' '.join(words)}`, median of 5",
                f"{one.cpu:.2f} s CPU, {one.mib:.0f} MiB; {one.cpu / nothing.cpu:.0f} times "
                f"`python -c pass` ({nothing.cpu:.3f} s, {nothing.mib:.0f} MiB)",
                "0.5 s CPU, 80 MB",
                one.cpu <= 0.5 and one.mib * 1.048576 <= 80,
            )
        )
    return lines


def first_run(folder: Path) -> str:
    """A row of `shelter` on the sample without compiled kernels."""
    inputs = {"dem": "dem.tif", "winds": "winds.csv", "belts": "ostrel.gpkg:belts"}
    words = [w for name, file in inputs.items() for w in (f"--{name}", str(SAMPLE / file))]
    given = command("shelter", *words, "--out", str(folder / "first"))
    one = spent(given, XDG_CACHE_HOME=str(folder / "empty"))
    return row(
        "first `shelter` on the sample, nothing compiled",
        f"{one.cpu:.0f} s CPU, {one.wall:.0f} s",
        "40 s CPU, 25 s",
        one.cpu <= 40 and one.wall <= 25,
    )


def demo(folder: Path) -> str:
    """A row of the demo with all kernels compiled by an earlier run."""
    spent(command("demo", "--out", str(folder / "warm")))
    one = spent(command("demo", "--out", str(folder / "demo")))
    return row("demo, compiled", f"{one.wall:.0f} s, {one.cpu:.0f} s CPU", "20 s", one.wall <= 20)


def picture(folder: Path) -> str:
    """A row of one map of relative wind, excluding the first, which loads the drawing library."""
    from shelterscape.files.draw import draw_maps
    from shelterscape.files.draw_sheets import MapPanel, MapSheet
    from shelterscape.grid import Grid

    grid = Grid((PICTURE_SIDE,) * 2, Affine(5, 0, 4e5, 0, -5, 6e6), "EPSG:25832")
    rows, cols = np.mgrid[:PICTURE_SIDE, :PICTURE_SIDE].astype(np.float32)
    wind = (0.8 + 0.2 * np.sin(rows / 40) * np.cos(cols / 55)).astype(np.float32)
    sheet = MapSheet("Wind", (MapPanel("in leaf", wind, "relative_wind"),), grid, notes=())
    times = []
    for number in range(6):
        started = time.perf_counter()
        draw_maps(folder / f"{number}.png", sheet)
        times.append(time.perf_counter() - started)
    median = statistics.median(times[1:])
    what = f"a picture of {PICTURE_SIDE} × {PICTURE_SIDE} cells, median of 5"
    return row(what, f"{median:.2f} s", "0.5 s", median <= 0.5)


def monte_carlo(folder: Path) -> list[str]:
    """Rows of Monte Carlo runs in siting: many runs minus few, so that all other time cancels."""
    sample = folder / "sample"
    shutil.copytree(SAMPLE, sample)
    text = (sample / "plan.toml").read_text(encoding="utf-8")
    head, *steps = text.split("[[step]]")
    winds, siting = (
        next(step for step in steps if f'process = "{name}"' in step)
        for name in ("wind-set", "siting")
    )
    took = {}
    for runs in (10, 10 + RUNS):
        changed = re.sub(r"(?m)^monte_carlo_runs = .*$", f"monte_carlo_runs = {runs}", siting)
        plan = sample / f"plan_{runs}.toml"
        plan.write_text(f"{head}[[step]]{winds}[[step]]{changed}", encoding="utf-8")
        took[runs] = spent(command("run", str(plan), "--out", str(folder / f"runs_{runs}"))).wall
    total = took[10 + RUNS] - took[10]
    return [
        row(
            "one Monte Carlo run in `siting` on the sample",
            f"{total / RUNS:.3f} s",
            "0.3 s",
            total / RUNS <= 0.3,
        ),
        row(f"{RUNS} of them", f"{total:.0f} s", "60 s", total <= 60),
    ]


def table() -> list[str]:
    """The section of first use."""
    before = load()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines = [*HEAD, *plain_words(), first_run(folder), demo(folder), picture(folder)]
        lines += monte_carlo(folder)
    copy = f"A memory copy of 4000 × 4000 float32 took {copy_seconds():.4f} s."
    return [*lines, "", f"{copy} Load average {before} before, {load()} after."]


if __name__ == "__main__":
    print("\n".join(table()))
