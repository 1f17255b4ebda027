"""Measure speed, memory and accuracy, and write docs/benchmarks.md.

``python benchmarks/run.py`` measures all sections except the huge map, for about an hour. ``python
benchmarks/run.py tiles huge`` measures some sections and keeps the others. Short times are medians
of several runs in one process. Machines differ, so the time of each kernel is also stated as a
multiple of the time of copying an array of the same size in memory, measured in the same run.
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
import siting
import siting_holdings
import slopes
import terrain_wind
import tiles
import tracing
import winds

PAGE = Path(__file__).resolve().parents[1] / "docs" / "benchmarks.md"

HEAD = """# Benchmarks

Written by `make bench`, on random terrain and belts (seeded). `benchmarks/run.py` measures single
sections.
"""


@dataclass(frozen=True)
class Section:
    """A section of the page: heading, introduction, and the function that measures it."""

    heading: str
    text: str
    tables: Callable[[], list[str]]


SECTIONS = {
    "first_use": Section(
        "First use, demo, pictures, Monte Carlo runs",
        "Processor seconds are those of the process and the processes it starts.",
        first_use.table,
    ),
    "horizon": Section(
        "Horizon",
        "Up to 256 steps to the limit every sample is examined; with more, neighbouring cells "
        "share lines of sight over far ground. Time is that of `horizon_angle`. The error is that "
        "of shared lines against all samples, the largest of six directions. It rises with "
        "slopes across the line of sight: trees and walls in surface models reduce accuracy. "
        "Goals: 10 ns to 1 km, 16 ns to 5 km with an error up to 0.5°.",
        horizon.table,
    ),
    "terrain_wind": Section("Terrain wind", "", terrain_wind.table),
    "belts": Section("Relative wind beside belts", "A wind direction is 15 rays.", belts.kernels),
    "jobs": Section(
        "Whole jobs",
        "One run each, in separate processes; seconds and memory are those they write to "
        "`timings.json`.",
        belts.jobs,
    ),
    "slopes": Section(
        "Shelter by number of cells, directions and belts",
        f"The field of one season without files, {slopes.CELL_M:g} m cells, 15 rays per direction; "
        "one number is varied at a time.",
        slopes.tables,
    ),
    "winds": Section(
        "Wind records and hours on places",
        "One run each in a process of its own, after import and a small run of the same kind; peak "
        "memory is that of the whole process. Processor seconds, of all threads, depend little on "
        "other load. Records are seeded, hourly, in knots and steps of "
        f"10°, with temperature and rain, packed with gzip; {winds.STATIONS} stations counted "
        "together in 16 sectors with all subsets. Hours on places: ten years of one station over "
        f"{winds.CELLS:,} cells of places and 16 directions, every month counted, days of sheep "
        "chill and windy hours on every cell.",
        winds.tables,
    ),
    "siting": Section(
        "Siting",
        "Processor seconds are the sum over both threads: on a busy machine they are more reliable "
        "than seconds. Benefits are equivalent sheltered areas, ha eq.",
        siting.tables,
    ),
    "tracing": Section(
        "Belts traced in canopy height",
        f"Hedges and rows around fields of {tracing.FIELD_M:g} m, with gaps, in cells of 1 m: one "
        f"run, and `batch --tiles {tracing.TILE}` with one worker. Seconds are those of the "
        "command, start and pictures included; processor seconds are those of all its processes, "
        "and depend little on other load; memory as for tiles. Tiles inside a map have "
        "margins on four sides (9 million cells), those of a map of four tiles on two (6 million). "
        "Goals: 4 million cells in 30 s, and memory that does not grow with the map.",
        tracing.tables,
    ),
    "tiles": Section(
        "One large map in tiles",
        f"`batch --tiles {tiles.TILE}`, one worker; random terrain with cells of "
        f"{tiles.CELL_M:g} m, a belt of 200 m for every 14 000 cells, four wind directions, "
        "`exposure` (horizon to 1 km) and `shelter` (one season) with terrain wind. Seconds are "
        "per million cells, which shows how time depends on size. Memory is resident memory, read "
        "every tenth of a second: the peak of any worker, and of the process that starts workers "
        "and merges mosaics.",
        tiles.tables,
    ),
    "huge": Section(
        "400 million cells",
        "The same with `shelter` alone (one season, four wind directions, terrain wind): "
        f"{tiles.HUGE:,} × {tiles.HUGE:,} cells, compared with a smaller map. "
        "Goal: 2 GiB resident at most.",
        tiles.huge,
    ),
    "siting_holdings": Section(
        "Siting by holding over a large map",
        "`batch --holdings` with `siting`, one worker: holdings of 1 km, 5 km apart, each read "
        f"with a margin of 2 km, on random terrain with cells of {tiles.CELL_M:g} m, four wind "
        "directions. Memory is read as for tiles. Goal: memory that does not grow with the map.",
        siting_holdings.tables,
    ),
    "batch": Section(
        "Holdings",
        f"`batch --holdings`: holdings of {batch.SIDE_M:g} m side on random terrain with cells of "
        f"{batch.CELL_M:g} m, belts 6 m high, eight wind directions, `shelter` in both seasons "
        "with terrain wind. Time is from the first holding done to the last; the start of workers "
        "and the stage for the whole map are in a separate column.",
        batch.table,
    ),
}


def measured(name: str) -> str:
    """Measure one section."""
    section = SECTIONS[name]
    machine = (
        f"Measured on {os.cpu_count()} cores, {platform.machine()}, Python "
        f"{platform.python_version()}."
    )
    parts = [f"## {section.heading}", section.text, machine, "\n".join(section.tables())]
    return "\n\n".join(part for part in parts if part) + "\n"


def standing() -> dict[str, str]:
    """Sections of the existing page, by name."""
    text = PAGE.read_text(encoding="utf-8") if PAGE.is_file() else ""
    found = {part.splitlines()[0]: f"## {part}" for part in text.split("\n## ")[1:]}
    names = {section.heading: name for name, section in SECTIONS.items()}
    return {names[heading]: part for heading, part in found.items() if heading in names}


def main(words: list[str]) -> None:
    """Measure sections in turn, and write the page after each."""
    assert __doc__ is not None
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "sections",
        nargs="*",
        metavar="SECTION",
        help=f"one of {', '.join(SECTIONS)}; by default all except huge",
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
