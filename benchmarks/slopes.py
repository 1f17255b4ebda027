"""Time of the shelter field by number of cells, directions and belts.

``python benchmarks/slopes.py``: one number is varied at a time; medians of three.
"""

from __future__ import annotations

import statistics
import time

import numpy as np
from affine import Affine
from belts import CRS, NORTH, WEST, seeded_belts
from shapely.affinity import translate

from shelterscape.grid import Grid
from shelterscape.science.belts import belts_in_season, complete
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts
from shelterscape.science.shelter import over_winds
from shelterscape.science.wind import equal_winds

CELL_M, SIDE, DIRECTIONS, BELTS = 5.0, 2000, 8, 1250
SIDES = (500, 1000, 2000, 4000)
DIRECTION_COUNTS = (4, 8, 16, 32)
BELT_COUNTS = (125, 500, 1250, 5000)


def seconds(side: int, directions: int, count: int) -> float:
    """Time of the field of one season over all directions, 15 rays each."""
    grid = Grid((side, side), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)
    # Random over a square of 20 km; moved into this one without change of length.
    belts = seeded_belts(count)
    there = belts.geometry.centroid
    share = side / 4000
    moved = [
        translate(line, (share - 1) * (x - WEST), (share - 1) * (y - NORTH))
        for line, x, y in zip(belts.geometry, there.x, there.y, strict=True)
    ]
    frame = complete(belts.set_geometry(moved, crs=CRS), "belts")[0]
    prepared = prepare_belts([belts_in_season(frame, "in-leaf")], grid, ShelterOptions())
    winds = equal_winds([360.0 * n / directions for n in range(directions)], where="winds")
    taken = []
    for _ in range(3):
        started = time.perf_counter()
        over_winds(prepared, grid, [winds], speed_exponent=1.0)
        taken.append(time.perf_counter() - started)
    return statistics.median(taken)


def tables() -> list[str]:
    """A row for each size, with the time per unit."""
    seconds(200, 2, 20)  # compiles
    lines = [
        "| cells | directions | belts | seconds | for each | |",
        "| ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    for side in SIDES:
        count = round(BELTS * (side / SIDE) ** 2)
        took = seconds(side, DIRECTIONS, count)
        each = took / side**2 * 1e6
        lines.append(_row(side, DIRECTIONS, count, took, each, "s per 10⁶ cells, same density"))
    for directions in DIRECTION_COUNTS:
        took = seconds(SIDE, directions, BELTS)
        lines.append(_row(SIDE, directions, BELTS, took, took / directions, "s per direction"))
    for count in BELT_COUNTS:
        took = seconds(SIDE, DIRECTIONS, count)
        lines.append(_row(SIDE, DIRECTIONS, count, took, 1e3 * took / count, "ms per belt"))
    return lines


def _row(side: int, directions: int, count: int, took: float, each: float, unit: str) -> str:
    millions = np.round(side**2 / 1e6, 2)
    return f"| {millions:g} M | {directions} | {count:,} | {took:.2f} | {each:.3f} | {unit} |"


if __name__ == "__main__":
    print("\n".join(tables()))
