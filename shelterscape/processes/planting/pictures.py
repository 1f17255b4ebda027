"""Pictures of a run of `planting`: the map, and the wind over the cross-section of the design."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from shelterscape.files.draw_sheets import (
    FeatureGroup,
    MapPanel,
    MapSheet,
    SectionRow,
    SectionSheet,
)
from shelterscape.files.draw_views import overview, part_around, views_of
from shelterscape.process.section_picture import section_sheet
from shelterscape.processes.planting.layers import PlantingResults
from shelterscape.science.belt_section import belt_section
from shelterscape.science.belts import SEASONS
from shelterscape.science.planting.design import BeltDesign
from shelterscape.science.planting.profile import HeightProfile, height_profile
from shelterscape.science.siting.candidates import REFERENCE_AGE

DRAWN_M = 8.0
"""Half the width of belts on the map, m."""


def pictures_of(results: PlantingResults) -> dict[str, Any]:
    """Map of the planned belts and, where there are any, the section of the design used most."""
    found = {"planned_belts": _map(results)}
    return {**found, "belt_section": _section(results)} if len(results.data.belts) else found


def _section(results: PlantingResults) -> SectionSheet:
    """Wind over the cross-section of the design with most metres, in the season of the purpose."""
    data, belts = results.data, results.layers["planned_belts"]
    name = belts.groupby("design", sort=False)["length_m"].sum().idxmax()
    design, season = data.designs.designs[name], data.purpose.season
    grown = height_profile(design, REFERENCE_AGE, data.local_heights)
    section = belt_section(
        grown.height_m,
        grown.whole(season),
        design.width_m,
        porosity_low=grown.lower_half(season),
    )
    title = f"Wind across “{name}” at {REFERENCE_AGE} years, {SEASONS[season]}"
    return section_sheet(title, section, _rows(design, grown))


def _rows(design: BeltDesign, grown: HeightProfile) -> tuple[SectionRow, ...]:
    """Rows in the middle of the grown belt, each with its most frequent species."""
    first_m = -design.width_m + (design.width_m - design.planted_width_m) / 2
    return tuple(
        SectionRow(
            first_m + row.offset_m,
            height_m,
            f"{row.main_species}{' and others' if len(row.species) > 1 else ''}, {height_m:.1f} m",
        )
        for row, height_m in zip(design.rows, grown.row_heights_m, strict=False)
    )


def _years(belts: gpd.GeoDataFrame) -> str:
    """First and last year of planting."""
    years = sorted(set(belts["planted_year"]))
    return "–".join(str(year) for year in dict.fromkeys((years[0], years[-1])))


def _map(results: PlantingResults) -> MapSheet:
    """Map of the planned belts, each group in a view of its own."""
    data, belts = results.data, results.layers["planned_belts"]
    lines = belts.geometry.to_numpy()
    ground, grid = part_around(data.elevation, data.grid, lines)
    shapes = np.asarray(shapely.buffer(lines, DRAWN_M), dtype=object)
    middles = [line.interpolate(0.5, normalized=True) for line in lines]
    views = views_of(lines, list(belts.geometry.length), grid)
    panels = [MapPanel("all planned belts", view=overview(views, grid))]
    panels += [MapPanel(letter, view=view) for letter, view in views.items()]
    return MapSheet(
        title="Belts to plant" + (f" in the season to {_years(belts)}" if len(belts) else ""),
        panels=tuple(panels),
        groups=(FeatureGroup("planned belts", shapes, "#1f5f4a"),),
        grid=grid,
        ground=ground,
        outlined=data.parcels,
        outline_label="parcels",
        labels={(p.x, p.y): str(belt) for p, belt in zip(middles, belts["belt"], strict=True)},
        boxes=views,
        notes=("Belts are drawn wider than they are; rows and fences are in layers.gpkg.",),
    )
