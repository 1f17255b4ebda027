"""Invent a survey of three hedges of the Ostrel valley; every run gives the same bytes.

Usage: python sample_gis/sample_survey.py

Rewrites survey.csv in the folder of this script. Nobody walked: heights and porosities are those of
the layer of belts with random differences, and angles follow from the heights.
"""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np

from shelterscape.science.survey_form import places_along, start_point
from shelterscape.science.survey_table import READ_COLUMNS

SEED = 20260402
HERE = Path(__file__).resolve().parent
EYE_M = 1.6
SURVEYED = {
    "Orrelby hedge 3": ("gappy at the base", (120, 132)),
    "Orrelby hedge 4": ("laid some years ago", None),
    "Orrelby hedge 6": ("overgrown", None),
}
"""Condition, and a gap along the belt, m."""


def rows_of(name: str, belt: gpd.GeoSeries, rng: np.random.Generator) -> list[dict[str, str]]:
    """What was measured at one hedge."""
    condition, gap = SURVEYED[name]
    ends = {"name": name, "from_end": start_point(belt.geometry, 0.0), "season": "in leaf"}
    rows = []
    for along in places_along(belt.geometry.length, 60.0):
        height = belt["height_m"] * rng.uniform(0.9, 1.3)
        distance = round(max(height, 4.0))
        up = math.degrees(math.atan2(height - EYE_M, distance))
        row = ends | {"along_m": f"{along:.0f}", "clinometer_distance_m": f"{distance}"}
        row |= {"angle_up_deg": f"{up:.0f}", "eye_height_m": f"{EYE_M}"}
        row |= {"porosity": f"{np.clip(belt['porosity'] + rng.normal(0.05, 0.06), 0, 1):.2f}"}
        rows.append(row | {"species": str(belt["species"] or ""), "condition": condition})
    if gap:
        rows.append(ends | {"gap_from_m": str(gap[0]), "gap_to_m": str(gap[1])})
    return rows


def main() -> None:
    """Write the table of the survey."""
    rng = np.random.default_rng(SEED)
    belts = gpd.read_file(HERE / "ostrel.gpkg", layer="belts").set_index("name", drop=False)
    rows = [row for name in SURVEYED for row in rows_of(name, belts.loc[name], rng)]
    lines = [",".join(READ_COLUMNS)]
    lines += [",".join(row.get(column, "") for column in READ_COLUMNS) for row in rows]
    text = "\n".join(lines) + "\n"
    (HERE / "survey.csv").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
