"""How far belts shelter the ground around them."""

from __future__ import annotations

from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import Field, field_validator

from shelterscape.files.draw import MapSheet
from shelterscape.files.styles import ZONE_COLOURS
from shelterscape.grid import Grid
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process import Files, Layer, Picture, Process, Raster, Run, Table
from shelterscape.process.inputs import Belts, FieldNames, TerrainInputs, Winds, columns_by_layer
from shelterscape.science import zones
from shelterscape.science.belts import READ_COLUMNS, Case, complete
from shelterscape.science.shelter import cut, over_winds
from shelterscape.science.wind import WindSet, choose
from shelterscape.terms import TERMS

Season = Literal["in-leaf", "bare"]


class ShelterInputs(TerrainInputs):
    """What `shelter` asks for."""

    winds: Winds
    belts: Belts
    subset: str = Field(
        "",
        description="Subset of the wind set to use; by default the one named for the season, "
        "else all winds.",
    )
    seasons: tuple[Season, ...] = Field(
        ("in-leaf", "bare"), description="State of the belts: in-leaf, bare or both.", min_length=1
    )
    curve: Literal["barrier"] = Field(
        "barrier", description="Shelter curve: relative wind against distance behind one belt."
    )
    fields: FieldNames = Field(default_factory=dict)

    @field_validator("seasons")
    @classmethod
    def _each_once(cls, seasons: tuple[Season, ...]) -> tuple[Season, ...]:
        return tuple(dict.fromkeys(seasons))


def compute(asked: ShelterInputs, files: Files, run: Run) -> None:
    """Write relative wind, its zones, and the belts as they were understood."""
    run.progress(0.0, "reading the terrain model, winds and belts")
    elevation, grid, convergence = files.terrain(asked)
    sets = files.winds(asked.winds)
    columns = columns_by_layer(asked.fields, {"belts": READ_COLUMNS})["belts"]
    frame = files.layer(asked.belts, grid, "belt layer", columns)
    belts, notices = complete(frame, "belts")
    for notice in notices:
        run.notice(notice)
    cases = [Case(season) for season in asked.seasons]
    winds = {case: choose(sets, asked.subset, case.season, "winds") for case in cases}
    missing = ~np.isfinite(elevation)
    fields = _fields(belts, grid, cases, winds, convergence, asked.curve, run)
    for field in fields.values():
        field[missing] = np.nan
    with run.raster("relative_wind", grid, [case.label for case in cases]) as raster:
        for i, case in enumerate(cases):
            raster.write(i + 1, fields[case])
    run.progress(0.85, "shelter zones")
    _write_zones(fields, grid, run)
    run.layer("belts", belts.assign(length_m=belts.geometry.length))
    run.progress(0.95, "preview")
    run.picture("relative_wind", _sheet(fields, winds, grid, elevation, belts, asked))
    run.progress(1.0, "shelter done")


def _fields(
    belts: gpd.GeoDataFrame,
    grid: Grid,
    cases: list[Case],
    winds: dict[Case, WindSet],
    convergence_deg: float,
    curve: str,
    run: Run,
) -> dict[Case, NDArray[np.float32]]:
    """Relative wind of every case, over its winds."""
    total = sum(len(winds[case].direction_deg) for case in cases)
    done = 0

    def after_each() -> None:
        nonlocal done
        done += 1
        run.progress(0.1 + 0.7 * done / total, f"wind {done} of {total}")

    return {
        case: over_winds(
            cut(belts, grid, case, curve),
            grid,
            winds[case],
            convergence_deg=convergence_deg,
            after_each=after_each,
        )
        for case in cases
    }


def _write_zones(fields: dict[Case, NDArray[np.float32]], grid: Grid, run: Run) -> None:
    outlines, rows = [], []
    for case, field in fields.items():
        codes = zones.classify(field)
        outlines.append(zones.outlines(codes, grid).assign(season=case.label))
        areas = zones.areas_ha(codes, grid)
        rows += [{"season": case.label, "zone": z, "area_ha": ha} for z, ha in areas.items()]
        known_ha = sum(areas.values())
        cut_ha = sum(areas[z.label] for z in zones.ALL_WINDS if not z.is_open and z.high <= 1)
        run.finding(
            f"{case.label}: {cut_ha:,.0f} of {known_ha:,.0f} ha have at least 5 % of the wind "
            "taken off by belts"
        )
    run.layer("shelter_zones", gpd.GeoDataFrame(pd.concat(outlines, ignore_index=True)))
    run.table("shelter_areas", pd.DataFrame(rows, columns=["season", "zone", "area_ha"]))


def _sheet(
    fields: dict[Case, NDArray[np.float32]],
    winds: dict[Case, WindSet],
    grid: Grid,
    elevation: NDArray[np.float32],
    belts: gpd.GeoDataFrame,
    asked: ShelterInputs,
) -> MapSheet:
    model = CURVES[asked.curve]
    panels: dict[str, Any] = {
        f"{case.label}, {winds[case].label}": field for case, field in fields.items()
    }
    return MapSheet(
        title="How far belts shelter the ground: relative wind",
        panels=panels,
        grid=grid,
        term=TERMS["relative_wind"],
        notes=(
            f"Mean over {len(next(iter(winds.values())).direction_deg)} wind directions, weighted "
            f"by wind run; belts only, as surveyed. Curve “{model.name}”: {model.source} "
            f"(status {model.status}).",
            *PROCESS.all_cautions,
        ),
        ground=elevation,
        belts=belts,
    )


_ZONE_COLOURS = {
    zone.label: colour
    for zone, colour in zip(zones.ALL_WINDS, ZONE_COLOURS, strict=True)
    if not zone.is_open
}

PROCESS = Process(
    id="shelter",
    version="1.0.0",
    title="How far belts shelter the ground",
    summary="Works out the wind with belts over the wind without them, for every cell, over a wind "
    "set, with the belts in leaf and bare.",
    inputs=ShelterInputs,
    outputs=(
        Raster("relative_wind", "relative_wind", "one per season"),
        Layer(
            "shelter_zones",
            "polygon",
            {"season": "season", "zone": "shelter_zone", "area_ha": "area"},
            "Ground by how much of the wind belts take off, over the whole wind set.",
            colour_by="zone",
            colours=_ZONE_COLOURS,
        ),
        Layer(
            "belts",
            "any",
            {
                "name": "name",
                "holding_id": "holding_id",
                "belt_type": "belt_type",
                "species": "species",
                "planted_year": "planted_year",
                "height_m": "belt_height",
                "porosity": "porosity",
                "bare_porosity": "bare_porosity",
                "width_m": "belt_width",
                "length_m": "length",
                "assumed": "assumed",
            },
            "Belts as they were understood, defaults filled in.",
        ),
        Table(
            "shelter_areas",
            {"season": "season", "zone": "shelter_zone", "area_ha": "area"},
            "Hectares in each shelter zone, counted in cells.",
        ),
        Picture("relative_wind", "Relative wind by season, with belts, over soft relief."),
    ),
    cautions=(
        "Near-ground wind in neutral, windy weather, from belts alone: hills, single trees and "
        "buildings are not in it.",
        "Reach behind a belt is sure to about a quarter; measured tree belts often shelter less "
        "than the curve “barrier” says.",
        "Old or thinned belts may shed branches or fall; near roads, power lines and buildings "
        "follow the local code and ask a licensed tree inspector.",
    ),
    sources=(
        f"Shelter curve “barrier”: {CURVES['barrier'].source} (status {CURVES['barrier'].status}).",
        "Several belts: the smallest relative wind rules, as in the same work.",
    ),
    compute=compute,
)
