"""Belts traced in lidar of Brittany, compared with lines digitised by eye before tracing existed.

Canopy height, surface and ground: IGN lidar test tiles (Licence Ouverte).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from canopy_helpers import agreement

from shelterscape.grid import Grid
from shelterscape.science.canopy import divide
from shelterscape.science.tracing.alignment import check_models, shift_between
from shelterscape.science.tracing.belts import TraceOptions, trace

DATA = Path(__file__).resolve().parents[2] / "shared" / "data" / "bretagne_lidar_2m5"
REFERENCE = Path(__file__).parent / "tracing" / "bretagne_reference.csv"

pytestmark = [
    pytest.mark.realdata,
    pytest.mark.skipif(not DATA.is_dir(), reason="needs ../shared/data/bretagne_lidar_2m5"),
]

HALVES = {"west": (0, 400), "east": (400, 800)}


def read(name: str) -> tuple[np.ndarray, Grid]:
    """One raster of the tile."""
    with rasterio.open(DATA / f"{name}.tif") as file:
        return file.read(1), Grid(file.shape, file.transform, file.crs.to_wkt())


def reference(half: str, grid: Grid) -> tuple[list, shapely.Geometry]:
    """Reference lines, and the areas in which every belt was digitised."""
    lines, areas = [], []
    rows = (row for row in REFERENCE.read_text(encoding="utf-8").splitlines() if row[0] != "#")
    for row in csv.DictReader(rows):
        if row["half"] != half:
            continue
        if row["kind"] == "line":
            cells = [tuple(map(float, text.split())) for text in row["cells"].split(";")]
            lines.append(shapely.LineString([grid.affine * cell for cell in cells]))
        else:
            left, top, right, bottom = map(float, row["cells"].split())
            areas.append(
                shapely.box(*(grid.affine * (left, bottom)), *(grid.affine * (right, top)))
            )
    return lines, shapely.union_all(areas)


def traced(half: str) -> tuple[list, Grid]:
    """Lines traced in one half of the tile alone."""
    height, grid = read("chm_veg")
    first, last = HALVES[half]
    canopy = divide(
        height[:, first:last], 2.5, threshold_m=2.0, wood_width_m=20.0, wood_area_ha=0.5
    )
    window = grid.window(0, first, (400, last - first))
    layers = trace(canopy, window, TraceOptions(2.0))
    return list(layers["traced_belts"].geometry), grid


def test_there_are_three_kilometres_of_reference_lines():
    grid = read("chm_veg")[1]
    assert sum(line.length for line in reference("west", grid)[0]) > 3000


WEST_MISS = pytest.mark.xfail(
    strict=True,
    reason="goal missed: completeness 0.893, but correctness 0.84998 instead of 0.85",
)


@pytest.mark.parametrize("half", [pytest.param("west", marks=WEST_MISS), "east"])
def test_agreement_with_lines_digitised_by_eye(half):
    """Within 5 m, 85 % both ways; constants were chosen on the west half only.

    East, measured once after that: 0.907 of the reference traced, 0.882 of the traced length on it;
    0.907 and 0.881 since gaps of three cells divide a belt. Nothing was chosen on it.
    """
    lines, grid = traced(half)
    known, area = reference(half, grid)
    complete, correct = agreement(lines, known, 5.0, area)
    assert complete >= 0.85
    assert correct >= 0.85


def test_surface_and_ground_of_one_survey_fit():
    (surface, grid), (ground, _) = read("dsm"), read("dtm")
    check_models(surface, ground, grid.cell_m, "Brittany")


def test_a_shift_of_real_models_is_seen():
    """Three cells to the east: the roads and banks of the ground show it."""
    (surface, grid), (ground, _) = read("dsm"), read("dtm")
    shift = shift_between(np.roll(surface, 3, axis=1)[:, 3:], ground[:, 3:], grid.cell_m)
    assert shift.east_m == pytest.approx(7.5, abs=2.5)
    assert shift.north_m == pytest.approx(0.0, abs=2.5)
