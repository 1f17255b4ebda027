"""Measure speed, memory and accuracy, and write docs/benchmarks.md.

Times are medians of several runs in one process. Machines differ, so each kernel is also given as
a multiple of copying an array of the same size in memory, timed in the same run.
"""

from __future__ import annotations

import os
import platform
from pathlib import Path

import belts
import horizon
import open_wind
import siting

PAGE = Path(__file__).resolve().parents[1] / "docs" / "benchmarks.md"


def page() -> str:
    """The page of what was measured."""
    lines = [
        "# Benchmarks",
        "",
        "Written by `make bench` on seeded ground and belts.",
        "",
        f"Machine: {os.cpu_count()} cores, {platform.machine()}, Python "
        f"{platform.python_version()}.",
        "",
        "## Horizon",
        "",
        "Up to 256 steps to the limit every sample is looked at; beyond, far ground by lines of "
        "sight shared among neighbours. Time is that of `horizon_angle` as a whole; the error is "
        "that of the shared lines against every sample, the largest of six directions. It grows "
        "with slopes across the line of sight: trees and walls in surface models cost accuracy. "
        "Goals: 14 ns to 1 km, 20 ns to 5 km with an error up to .5°.",
        "",
        *horizon.table(),
        "",
        "## Open wind over hills",
        "",
        "| what | measured | goal |",
        "| --- | --- | --- |",
        *open_wind.rows(open_wind.measure()),
        "",
        "## Belts",
        "",
        "Goals: .05 s a ray with an error up to .02; the whole job 45 s, 90 s with rasters by "
        "direction, and 3 GiB. A wind direction is 15 rays.",
        "",
        *belts.tables(),
        "",
        "## Siting",
        "",
        "Processor seconds are summed over both threads: on a busy machine they tell more than "
        "seconds do. Hectares are sheltered hectares.",
        "",
        *siting.tables(),
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = page()
    PAGE.write_text(text, encoding="utf-8")
    print(text)
