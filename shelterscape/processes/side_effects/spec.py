"""Inputs, outputs and cautions of `side-effects`."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from shelterscape.process import Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.inputs import FieldNames, Source, TerrainInputs, quantity

FALL_FACTOR, SIGHT_M, POOL_M = 1.0, 50.0, 2.0
"""Defaults (assumed)."""


def layer_field(what: str, text: str) -> Any:
    """An optional layer; without it, what it is for is listed as not checked."""
    note = Field(description=f"{text} As PATH or PATH:LAYER; without it, not checked.")
    return Annotated[str | None, Source("layer", what), note]


class SideEffectsInputs(TerrainInputs):
    """Inputs of `side-effects`."""

    belts: Annotated[
        str,
        Source("layer", "belt layer"),
        Field(
            description="Belts to be examined: lines or polygons with candidate or name, species, "
            "width_m, height_m, mature_height_m and porosity where known, as PATH or PATH:LAYER. "
            "The layer chosen_belts of siting fits."
        ),
    ]
    roads: layer_field(  # type: ignore[valid-type]
        "road layer", "Roads: lines with name, for snow drift, winter shade, fall and sight lines."
    ) = None
    buildings: layer_field(  # type: ignore[valid-type]
        "layer of buildings", "Buildings with name, for fall."
    ) = None
    power_lines: layer_field(  # type: ignore[valid-type]
        "layer of power lines", "Overhead lines with name, for fall."
    ) = None
    paths: layer_field(  # type: ignore[valid-type]
        "layer of paths", "Paths with name, for fall."
    ) = None
    drains: layer_field(  # type: ignore[valid-type]
        "layer of drains", "Drains and pipes with name."
    ) = None
    keep_clear: layer_field(  # type: ignore[valid-type]
        "keep-clear layer", "Objects with reason and clear_m, the clearance that you set."
    ) = None
    parcels: layer_field(  # type: ignore[valid-type]
        "parcel layer",
        "Fields with parcel_id, for the share of their runoff that meets a belt and for belts that "
        "state none.",
    ) = None
    winds: Annotated[
        str | None,
        Source("winds", "wind set"),
        Field(
            description="Wind set: a CSV table, or wind directions of equal weight, for snow "
            "drift; without it, not checked. The subset winter is used where there is one."
        ),
    ] = None
    subset: str = Field(
        "", description="Subset of the wind set of wind that moves snow.", examples=["winter"]
    )
    fields: FieldNames = Field(default_factory=dict)
    fall_factor: float = quantity("fall_factor", FALL_FACTOR)
    sight_distance_m: float = quantity(
        "sight_distance_m", SIGHT_M, "No published rule was found; the default is assumed."
    )
    pool_depth_m: float = quantity("pool_depth_m", POOL_M, "The default is assumed.")


_NOTE = ("source", "caution")

OUTPUTS: tuple[Output, ...] = (
    Raster("slope_deg", "one"),
    Raster("slope_class", "one", classed=True),
    Raster("runoff_share", "one"),
    Layer(
        "belts_examined",
        "any",
        (
            "name",
            "holding_id",
            "parcel_id",
            "species",
            "length_m",
            "width_m",
            "height_m",
            "mature_height_m",
            "porosity",
            "assumed",
            "benefit_added_ha",
            "steepest_deg",
            "upslope_ha",
            "side_effects",
            *_NOTE,
        ),
        "The belts with the side effects found, beside the benefit that siting calculated.",
    ),
    Layer(
        "field_runoff",
        "polygon",
        ("parcel_id", "holding_id", "area_ha", "runoff_share", *_NOTE),
        "Fields with the share of their runoff that meets a belt.",
        optional=True,
    ),
    Layer(
        "cold_air_pools",
        "polygon",
        ("belt", "parcel_id", "length_across_m", "pool_depth_m", "area_ha", *_NOTE),
        "Ground uphill of dense belts on which cold air may collect.",
    ),
    Layer(
        "cold_air_openings",
        "point",
        ("belt", "parcel_id", "elevation_m", "advice"),
        "Lowest point of each belt that may hold back cold air.",
    ),
    Layer(
        "snow_drift",
        "polygon",
        (
            "belt",
            "parcel_id",
            "road",
            "drift_side",
            "length_m",
            "drift_wind_share",
            "direction_deg",
            *_NOTE,
        ),
        "Ground on which belts may drift snow, where a road is on it, by belt, road and side.",
        optional=True,
    ),
    Layer(
        "road_shade",
        "line",
        (
            "road",
            "length_m",
            "shade_hours",
            "longest_shade_hours",
            "sun_hours",
            "belt_names",
            "parcel_id",
            *_NOTE,
        ),
        "Sections of road that belts shade on the shortest day.",
        optional=True,
    ),
    Layer(
        "fall_strips",
        "polygon",
        ("belt", "parcel_id", "species", "mature_height_m", "fall_distance_m", *_NOTE),
        "Ground that falling trees of each belt reach when mature.",
    ),
    Layer(
        "sight_areas",
        "polygon",
        ("name", "length_within_m", "belt_names", "parcel_id", *_NOTE),
        "Ground between the arms of road junctions, with the length of belt on it.",
        optional=True,
    ),
    Table(
        "nearby_objects",
        (
            "belt",
            "parcel_id",
            "object_kind",
            "object_name",
            "distance_found_m",
            "required_distance_m",
            "length_within_m",
            "species_at_fault",
            "advice",
            "source",
        ),
        "Roads, buildings, power lines, paths and drains near belts, and clearances.",
    ),
    Table(
        "effects_checked",
        ("side_effect", "examination", "affected_belt_count", *_NOTE),
        "Each side effect: examined or not checked, and the number of belts concerned.",
    ),
    Picture("side_effects", "Map of the belts and the ground that they affect."),
)

PROCESS = Process(
    id="side-effects",
    version="1.0.0",
    title="What belts may harm beside them",
    summary="Examines belts for side effects: slope, runoff, cold air, snow drift and shade on "
    "roads, falling trees, drains, sight lines and clearances; lists what was not checked.",
    inputs=SideEffectsInputs,
    outputs=OUTPUTS,
    cautions=(
        "An effect that is not shown is not thereby absent. Read the table of effects checked: "
        "what has no layer was not checked.",
        "Power lines: ask the operator before planting. No distance in these results is safe.",
        "Roads: snow drift, shade with ice, falling trees and blocked sight lines can kill. The "
        "highway authority decides on belts beside roads; inspect each line on the ground.",
        "Trees in reach of buildings, roads and paths: consult a qualified forester or "
        "arboriculturist, follow the local code, and have the trees inspected as they age.",
        "Slope classes do not say that a machine is safe on a slope: soil, wetness, load and "
        "machine matter as much, and the operator decides on the ground.",
    ),
    sources=(
        "Runoff: D∞ flow, Tarboton 1997 (status M). Young fenced belts took in up to 60 times the "
        "water of grazed pasture: Carroll and others 2004 (status S).",
        "Cold air: frost pockets form uphill of dense obstacles across a slope (status S); an "
        "opening at the lowest point (status M); depth, slopes and porosity: assumed values.",
        "Snow: drift to 35 H at porosity 0.5, set-back 35 H sin α (status M); windward 15 H and "
        "speed exponent 3.8: Tabler 2003 (status M).",
        "Shade: solar position equations of NOAA, after Meeus 1998 (status M), tested against "
        "Reda and Andreas 2004 and Michalsky 1988 (status M).",
        "Drains: willow, poplar and elm 30 m, others 15 m, from an extension note (status S).",
        "Fall factor, sight distance, bounds of slope classes: no published rule found; assumed "
        "values, to be set by you.",
    ),
    work="shelterscape.processes.side_effects.work",
    open_first=("preview-side_effects.png", "tables/effects_checked.csv"),
)
