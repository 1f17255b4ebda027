"""Measure speed, memory and accuracy, and write docs/benchmarks.md.

``python benchmarks/run.py`` measures all but the huge map, for about an hour; ``python
benchmarks/run.py tiles huge`` measures some sections anew and leaves the others as they stand.
Times are medians of several runs in one process where they are short. Machines differ, so each
kernel is also given as a multiple of copying an array of the same size in memory, timed in the
same run.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import batch
import belts
import first_use
import horizon
import open_wind
import siting
import slopes
import tiles

PAGE = Path(__file__).resolve().parents[1] / "docs" / "benchmarks.md"

HEAD = """# Benchmarks

Written by `make bench` on seeded ground and belts; `benchmarks/run.py` measures single sections.
"""


@dataclass(frozen=True)
class Section:
    """A part of the page: heading, what to know before reading it, and what measures it."""

    heading: str
    text: str
    tables: Callable[[], list[str]]


SECTIONS = {
    "first_use": Section(
        "First use, demo, pictures, Monte Carlo runs",
        "Processor seconds are those the system counts for the process and what it starts.",
        first_use.table,
    ),
    "horizon": Section(
        "Horizon",
        "Up to 256 steps to the limit every sample is looked at; beyond, far ground by lines of "
        "sight shared among neighbours. Time is that of `horizon_angle` as a whole; the error is "
        "that of the shared lines against every sample, the largest of six directions. It grows "
        "with slopes across the line of sight: trees and walls in surface models cost accuracy. "
        "Goals: 10 ns to 1 km, 16 ns to 5 km with an error up to 0.5°.",
        horizon.table,
    ),
    "open_wind": Section("Terrain wind", "", open_wind.table),
    "belts": Section("Belts to cells", "A wind direction is 15 rays.", belts.kernels),
    "jobs": Section(
        "Whole jobs",
        "Run once each, in processes of their own; seconds and memory are those they write into "
        "`timings.json`.",
        belts.jobs,
    ),
    "slopes": Section(
        "Shelter against cells, directions and belts",
        f"The field of one season without files, {slopes.CELL_M:g} m cells, 15 rays a direction; "
        "one is changed at a time.",
        slopes.tables,
    ),
    "siting": Section(
        "Siting",
        "Processor seconds are summed over both threads: on a busy machine they tell more than "
        "seconds do. Hectares are sheltered hectares.",
        siting.tables,
    ),
    "tiles": Section(
        "One large map in tiles",
        f"`batch --tiles {tiles.TILE}`, one worker; seeded ground of {tiles.CELL_M:g} m, a belt of "
        "200 m for every 14 000 cells, four winds, `exposure` (horizon to 1 km) and `shelter` (one "
        "season), hills included. Seconds are for a million cells, so that the slope shows. "
        "Memory is what is resident, looked at every tenth of a second: most of any worker, and "
        "of the process that gives out the work and puts the mosaics together.",
        tiles.tables,
    ),
    "huge": Section(
        "400 million cells",
        f"The same with `shelter` alone (one season, four winds, hills): {tiles.HUGE:,} × "
        f"{tiles.HUGE:,} cells beside a smaller map. Goal: 2 GiB resident at most.",
        tiles.huge,
    ),
    "batch": Section(
        "Holdings",
        f"`batch --holdings`: holdings of {batch.SIDE_M:g} m side on seeded ground of "
        f"{batch.CELL_M:g} m, belts 6 m high, eight winds, `shelter` in both seasons, hills "
        "included. From the first holding done to the last: without starting workers and the work "
        "over the whole map, which stand in a column of their own.",
        batch.table,
    ),
}


def measured(name: str) -> str:
    """One section, measured now."""
    section = SECTIONS[name]
    machine = (
        f"Measured on {os.cpu_count()} cores, {platform.machine()}, Python "
        f"{platform.python_version()}."
    )
    parts = [f"## {section.heading}", section.text, machine, "\n".join(section.tables())]
    return "\n\n".join(part for part in parts if part) + "\n"


def standing() -> dict[str, str]:
    """Sections as the page has them, by name."""
    text = PAGE.read_text(encoding="utf-8") if PAGE.is_file() else ""
    found = {part.splitlines()[0]: f"## {part}" for part in text.split("\n## ")[1:]}
    names = {section.heading: name for name, section in SECTIONS.items()}
    return {names[heading]: part for heading, part in found.items() if heading in names}


def main(words: list[str]) -> None:
    """Measure sections one by one; the page is written after each."""
    assert __doc__ is not None
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "sections",
        nargs="*",
        metavar="SECTION",
        help=f"one of {', '.join(SECTIONS)}; without any, all but huge",
    )
    wanted = parser.parse_args(words).sections
    if unknown := set(wanted) - set(SECTIONS):
        parser.error(f"no such section: {', '.join(unknown)}; there are {', '.join(SECTIONS)}")
    sections = standing()
    for name in wanted or [name for name in SECTIONS if name != "huge"]:
        sections[name] = measured(name)
        print(sections[name], flush=True)
        ordered = [sections[n].rstrip() + "\n" for n in SECTIONS if n in sections]
        PAGE.write_text("\n".join([HEAD, *ordered]), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
