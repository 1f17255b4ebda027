"""Inputs, outputs and cautions of `planting`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from shelterscape.files.styles import LayerStyle
from shelterscape.process import Layer, Output, Picture, Process, Table, Waypoints, Workbook
from shelterscape.process.inputs import FieldNames, Source, Winds, quantity
from shelterscape.processes.planting.ground_inputs import GroundInputs, layer_field

MACHINE_WIDTH_M, SHARE_CAP = 1.5, 0.5
"""Defaults (assumed)."""

LINE_ACCURACY_M = 1.0
"""Default (assumed)."""

STEM_FACTOR, BEYOND_CANOPY_M = 15.0, 5.0
"""Clearance of veteran trees: stem diameters, and distance beyond the canopy, m (not verified
against the source)."""


class PlantingInputs(GroundInputs):
    """Inputs of `planting`."""

    belts: Annotated[
        str,
        Source("layer", "layer of lines to plant"),
        Field(
            description="Lines to plant: the centre of each belt, with candidate or name, design, "
            "holding_id, parcel_id and planting_year where known, as PATH or PATH:LAYER. The layer "
            "chosen_belts of siting fits; restored belts in it are left out."
        ),
    ]
    winds: Winds
    subset: str = Field(
        "",
        description="Subset of the wind set of the damaging wind, which the first row faces; by "
        "default that of the purpose.",
        examples=["winter"],
    )
    designs: Annotated[
        str | None,
        Source("file", "file of designs"),
        Field(
            description="TOML file of belt designs, in place of the packaged ones, whose prices "
            "are invented."
        ),
    ] = None
    design: str = Field(
        "",
        description="Design of lines that name none; by default the first that suits the purpose.",
        examples=["tree belt"],
    )
    purpose: str = Field(
        "crop",
        description="What the belts protect; it sets the porosity to aim for.",
        examples=["lambing"],
    )
    planting_year: int = quantity(
        "planting_year", 2027, "Year in which the planting season ends, of lines that state none."
    )
    calendar: Annotated[
        str | None,
        Source("file", "file of tasks"),
        Field(
            description="TOML file of tasks and restricted months, in place of the packaged one."
        ),
    ] = None
    keep_clear: layer_field(  # type: ignore[valid-type]
        "keep-clear layer",
        "Objects with reason and clear_m, the clearance that you set; nothing is planted there.",
    ) = None
    veteran_trees: layer_field(  # type: ignore[valid-type]
        "layer of veteran trees", "Veteran trees: points with stem_diameter_m and canopy_radius_m."
    ) = None
    openings: layer_field(  # type: ignore[valid-type]
        "layer of openings", "Gateways, tracks and paths that belts leave open, with width_m."
    ) = None
    existing_belts: layer_field(  # type: ignore[valid-type]
        "layer of existing belts",
        "Existing belts, which lengthen those that adjoin them; with places also a belt layer with "
        "heights, as for shelter.",
    ) = None
    places: layer_field(  # type: ignore[valid-type]
        "place layer",
        "Places to be sheltered, with purpose: the year in which each reaches its target is "
        "calculated.",
    ) = None
    parcels: layer_field(  # type: ignore[valid-type]
        "parcel layer", "Fields with parcel_id and holding_id, for belts that state none."
    ) = None
    fields: FieldNames = Field(default_factory=dict)
    local_heights: tuple[str, ...] = Field(
        (),
        description="Height of trees nearby, as species, height in metres and age in years, such "
        'as "ash 9 m at 25". It replaces the height of that species in the table of species.',
        examples=['"ash 9 m at 25"'],
    )
    machine_width_m: float = quantity(
        "machine_width_m", MACHINE_WIDTH_M, "Rows that are closer are flagged."
    )
    species_share_cap: float = quantity("species_share_cap", SHARE_CAP)
    stem_factor: float = quantity("stem_factor", STEM_FACTOR)
    beyond_canopy_m: float = quantity("beyond_canopy_m", BEYOND_CANOPY_M)
    seed: int = quantity("seed", 0)
    handover: bool = Field(
        False,
        description="Write the pack for contractors: points to set out (layer, GPX, CSV), a map to "
        "scale and a sheet for each belt (PDF).",
    )
    line_accuracy_m: float = quantity("line_accuracy_m", LINE_ACCURACY_M)
    map_scale: float | None = quantity(
        "map_scale", None, "By default the largest usual scale that fits the belts of a holding."
    )
    grant_actions: Annotated[
        str | None,
        Source("table", "table of grant actions"),
        Field(
            description="CSV table grant_actions of grant-overlay, which becomes a page of the "
            "pack, as PATH."
        ),
    ] = None


_BELT = ("belt", "holding_id", "parcel_id")
_PLANTS = (
    "species",
    "plant_type",
    "plant_count",
    "ordered_count",
    "bundle_count",
    "guard_count",
    "stake_count",
    "person_days",
)

_SET_OUT = (
    *_BELT,
    "point_number",
    "point_kind",
    "planting_row",
    "x_m",
    "y_m",
    "map_grid",
    "accuracy_m",
)

OUTPUTS: tuple[Output, ...] = (
    Layer(
        "planned_belts",
        "line",
        (
            *_BELT,
            "design",
            "species",
            "row_species",
            "species_shares",
            "belt_type",
            "planted_year",
            "length_m",
            "width_m",
            "planting_row_count",
            "plant_count",
            "evergreen_share",
            "height_at_20_years_m",
            "porosity",
            "bare_porosity",
            "porosity_low",
            "bare_porosity_low",
            "protection",
            "protection_height_m",
            "cost",
            "currency",
            "flags",
        ),
        "Belts as they are planned: design, plants, protection, cost and what to examine; a belt "
        "layer for shelter.",
        style=LayerStyle(label="belt"),
    ),
    Layer(
        "planting_rows",
        "line",
        (
            *_BELT,
            "planting_row",
            "row_part",
            "clump_from_m",
            "clump_to_m",
            "species",
            "plant_count",
            "plant_spacing_m",
        ),
        "Schedule of rows: a line for each clump of one species, with the number of plants.",
        style=LayerStyle(colour="#4d7a3a"),
    ),
    Layer(
        "fences",
        "line",
        (*_BELT, "fence_type", "length_m", "strainer_count", "gate_count"),
        "Fences around belts, with strainer posts at ends and bends, and gates.",
        style=LayerStyle(colour="#7a5230"),
    ),
    Table(
        "plant_order",
        (*_BELT, *_PLANTS),
        "Plants to order by belt and species, with guards, stakes and work.",
    ),
    Table(
        "plant_totals",
        ("holding_id", *_PLANTS),
        "The plant order by holding and species.",
    ),
    Table(
        "bill_of_quantities",
        (*_BELT, "item", "item_unit", "item_quantity", "price", "cost", "currency"),
        "What a contractor supplies and builds, belt by belt, with costs. Price and cost are empty "
        "where the design states no price, or 0.",
    ),
    Table(
        "holding_totals",
        (
            "holding_id",
            "belt_count",
            "length_m",
            "plant_count",
            "ordered_count",
            "person_days",
            "cost",
            "currency",
        ),
        "Belts, plants, work and cost by holding.",
    ),
    Table(
        "task_calendar",
        ("task", "task_kind", "first_day", "last_day", "source", "rules_date"),
        "Tasks with their first and last day, surveys required, and times to avoid.",
    ),
    Table(
        "design_costs",
        (
            "design",
            "plants_per_m",
            "protection",
            "protection_height_m",
            "guards_cost_per_m",
            "fence_cost_per_m",
            "break_even_plants_per_m",
            "guards_removed_year",
            "cost_per_m",
            "currency",
            "source",
        ),
        "Costs of each design per metre, with guards and with a fence, and where both cost the "
        "same.",
    ),
    Table(
        "design_growth",
        (
            "design",
            "planted_year",
            "year",
            "age_years",
            "season",
            "height_m",
            "porosity",
            "porosity_range_low",
            "porosity_range_high",
            "porosity_low",
            "source",
        ),
        "Height and porosity of each design by year and season, by assumed rules, with an assumed "
        "range of porosity.",
    ),
    Table(
        "design_profile",
        (
            "design",
            "age_years",
            "season",
            "height_tenth",
            "height_m",
            "porosity",
            "porosity_range_low",
            "porosity_range_high",
            "source",
        ),
        "Porosity of each design by tenth of its height, by assumed rules, with an assumed range; "
        "height_m is the top of the tenth.",
    ),
    Table(
        "places_by_year",
        (
            "name",
            "purpose",
            "parcel_id",
            "holding_id",
            "head",
            "target_reached",
            "season",
            "year",
            "relative_wind",
            "target_relative_wind",
            "corner_time_share",
            "reaches_target",
        ),
        "Wind on places within 50 H of the belts when they are planted and 5, 10, 15, 20, 30 and "
        "40 years later, and the first of these years in which each place reaches its target; "
        "with existing belts, without terrain.",
        optional=True,
    ),
    Table(
        "species_suitability",
        (
            *_BELT,
            "species",
            "design_share",
            "suitability",
            "reason",
            "not_checked",
            "plant_health",
            "fact_date",
            "source",
        ),
        "Species kept or excluded for each belt, with the reason, and what was not checked.",
    ),
    Table(
        "planting_warnings",
        (*_BELT, "warning", "advice", "source"),
        "What may go wrong with each belt, with advice.",
    ),
    Layer(
        "set_out_points",
        "point",
        ("point_name", *_SET_OUT),
        "Points to set out: ends and bends of rows, gates of fences.",
        style=LayerStyle(colour="#a8326a", label="point_name"),
        optional=True,
    ),
    Table(
        "set_out_list",
        ("point_name", *_SET_OUT),
        "The same points as a table, in the coordinate system of the map.",
        optional=True,
    ),
    Waypoints(
        "set_out",
        "set_out_points",
        "point_name",
        "The same points for field receivers, in WGS 84.",
    ),
    Workbook(
        "plant_order",
        (
            "plant_order",
            "plant_totals",
            "bill_of_quantities",
            "holding_totals",
            "design_costs",
            "task_calendar",
        ),
        "The plant order, its totals, the bill of quantities and the tasks, as a workbook.",
    ),
    Picture("planned_belts", "Map of the planned belts."),
    Picture(
        "belt_section",
        "Wind over the cross-section of the design with most metres, at 20 years.",
        optional=True,
        chart=True,
    ),
    Picture(
        "handover_map",
        "Map of the belts to scale, on A3, a page or more for each holding.",
        optional=True,
        printed=True,
    ),
    Picture(
        "planting_sheets",
        "A sheet for each belt, on A4: rows, plants, points to set out; then actions for grants.",
        optional=True,
        printed=True,
    ),
)

PROCESS = Process(
    id="planting",
    version="1.2.0",
    title="Rows, plants, costs and tasks of new belts",
    summary="Places rows, clumps, fences and gates of a design on each line, lists plants to "
    "order, a bill of quantities and the tasks of the first years, and states height and porosity "
    "by year and what may go wrong.",
    inputs=PlantingInputs,
    outputs=OUTPUTS,
    cautions=(
        "Nests, roosts, old trees, archaeology and protected ground: a survey by a qualified "
        "ecologist and the consent of the authority come before any work.",
        "Before digging or setting posts, ask the operators for buried pipes and cables; under and "
        "beside power lines ask the operator before planting.",
        "Trees near roads, buildings and paths: consult the highway authority and a qualified "
        "forester or arboriculturist. Run side-effects for these belts.",
        "Designs, species and provenances must suit the site: consult a local forester, and check "
        "plant health rules before ordering.",
        "No warning does not mean that a belt is sound: wet ground and drains count only with a "
        "layer, and height and porosity by year are estimates of assumed rules.",
        "Kept does not mean suited: what was not checked is listed for each species. Under power "
        "lines no height is safe without the operator.",
        "Prices are those of the file of designs; the packaged ones are invented.",
    ),
    sources=(
        "Plants of a native hedge, 6 per m in a staggered double row; 1.5 m between shelter rows: "
        "trade examples (status S).",
        "Plants ordered: planted ÷ (1 − losses), rounded up for each belt and species (status D).",
        "Heights of guards and fences by browser: vole 0.2, rabbit 0.6, roe deer 1.2, fallow deer "
        "1.5, red deer 1.8 m (status M).",
        "Veteran trees: 15 stem diameters, or 5 m beyond the canopy, whichever is larger (status "
        "M).",
        "Stock fence at least 1.5 m from the outer row, strainer posts at bends of 15° or more: "
        "common practice (no source).",
        "Porosity: ln θ averaged by share within a row, multiplied through rows, by tenth of "
        "height (assumed; no measurements of mixed belts were found).",
        "Least length 10 H at 20 years: US Natural Resources Conservation Service (status S).",
        "Species: species_sites.csv, which states source, status and date of each fact; willow and "
        "poplar 30 m from drains, others 15 m (status S), alder 30 m (assumed); exposed ground: "
        "topex up to 30° and terrain wind from exposed_wind_ms (assumed).",
        "Nesting and planting months: packaged file of tasks, common practice (status M).",
    ),
    work="shelterscape.processes.planting.work",
    open_first=("plant_order.xlsx", "tables/plant_totals.csv"),
)
