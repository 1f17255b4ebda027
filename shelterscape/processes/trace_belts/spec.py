"""Inputs, outputs and cautions of `trace-belts`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from shelterscape.process import Layer, Output, Picture, Process, Table
from shelterscape.process.inputs import FieldNames, Source, TerrainInputs, quantity


class TraceBeltsInputs(TerrainInputs):
    """Inputs of `trace-belts`."""

    # Optional here: a raster of canopy height needs no ground.
    dem: Annotated[str | None, Source("raster", "ground model")] = Field(  # type: ignore[assignment]
        None,
        description="Ground model: PATH of a raster of bare-ground elevation. Needed with a "
        "surface model. With a raster of canopy height it is drawn as relief on the map, and "
        "changes no result.",
    )
    canopy: Annotated[str | None, Source("raster", "canopy-height raster")] = Field(
        None,
        description="Canopy height above ground, m: PATH of a raster with cells of up to 5 m. The "
        "options crs, to_crs and z_unit apply to it.",
    )
    surface: Annotated[str | None, Source("raster", "surface model")] = Field(
        None,
        description="Surface model: PATH of a raster of elevation with trees and buildings, "
        "instead of a raster of canopy height. The ground model is resampled to its cells.",
    )
    buildings: Annotated[str | None, Source("layer", "building layer")] = Field(
        None,
        description="Buildings: polygons that hold no belts, as PATH or PATH:LAYER. Roofs are also "
        "recognised by their flat tops and straight edges.",
    )
    hedge_lines: Annotated[str | None, Source("layer", "layer of hedge lines")] = Field(
        None,
        description="Existing hedge lines, as PATH or PATH:LAYER: their height, width and gaps are "
        "measured, and no lines are traced.",
    )
    search_m: float = quantity("search_m", 6.0, "Used with hedge_lines and compare_with.")
    compare_with: Annotated[str | None, Source("layer", "layer of surveyed belts")] = Field(
        None,
        description="Surveyed belts, as PATH or PATH:LAYER: traced belts are compared with them.",
    )
    canopy_threshold_m: float | None = quantity(
        "canopy_threshold_m", None, "By default 1.2 m for cells up to 1 m, 2 m for larger ones."
    )
    sample_spacing_m: float = quantity("sample_spacing_m", 10.0)
    least_belt_m: float = quantity("least_belt_m", 20.0)
    longest_gap_m: float = quantity("longest_gap_m", 20.0)
    wood_width_m: float = quantity("wood_width_m", 20.0)
    wood_area_ha: float = quantity("wood_area_ha", 0.5)
    fields: FieldNames = Field(default_factory=dict)

    @property
    def map_raster(self) -> str:
        """The raster that sets the grid."""
        return self.canopy or self.surface or ""

    @model_validator(mode="after")
    def _one_source(self) -> TraceBeltsInputs:
        """Either canopy height, or surface and ground."""
        if bool(self.canopy) == bool(self.surface):
            raise ValueError("give either a raster of canopy height (canopy) or a surface model")
        if self.surface and not self.dem:
            raise ValueError("a surface model (surface) needs a ground model (dem)")
        return self


TRACED_COLUMNS = (
    "name",
    "belt_type",
    "height_m",
    "width_m",
    "porosity",
    "length_m",
    "canopy_share",
    "gap_count",
    "tall_tree_count",
    "value_source",
    "assumed",
)
"""Columns of traced belts; `shelter` and `siting` read the first five."""

OUTPUTS: tuple[Output, ...] = (
    Layer(
        "traced_belts",
        "line",
        TRACED_COLUMNS,
        "Belts found in the raster: centrelines split at junctions and gaps. Height is the median "
        "of the highest canopy in each sample; width is empty where a belt has fewer than three "
        "cells; porosity is a first estimate. The column assumed states the source of each value.",
        ends_at_parts=True,
    ),
    Layer(
        "belt_samples",
        "point",
        ("name", "along_m", "height_m", "width_m", "canopy_share"),
        "Height, width and canopy share along each belt, by default every 10 m.",
    ),
    Layer(
        "belt_gaps",
        "line",
        ("name", "gap_length_m"),
        "Gaps of three cells or more in belts and between belts of one row.",
    ),
    Layer(
        "tall_trees",
        "point",
        ("name", "tree_height_m", "height_m"),
        "Single trees much taller than the belt they are in, with the height of that belt.",
    ),
    Layer(
        "traced_woods",
        "polygon",
        ("name", "belt_type", "height_m", "area_ha", "value_source"),
        "Woods: canopy that is too wide and too large for a belt.",
        ends_at_parts=True,
    ),
    Layer(
        "belts_to_review",
        "line",
        ("review_order", "name", "reason", "height_m", "length_m"),
        "Traced belts that are uncertain, with the reason, most important first.",
    ),
    Table(
        "survey_comparison",
        (
            "name",
            "belt_type",
            "length_m",
            "traced_share",
            "height_m",
            "traced_height_m",
            "width_m",
            "traced_width_m",
        ),
        "Surveyed belts with the share of their length that was traced, and both heights and "
        "widths.",
        optional=True,
    ),
    Picture("traced_belts", "Map of traced belts, woods and belts to review."),
)

PROCESS = Process(
    id="trace-belts",
    version="1.0.0",
    title="Belts from a raster of canopy height",
    summary="Finds hedges, tree rows, belts and woods in a raster of canopy height, or in a "
    "surface and a ground model, and measures height, width and gaps along them. Lists what to "
    "check. The layer of traced belts is a belt layer for other processes.",
    inputs=TraceBeltsInputs,
    outputs=OUTPUTS,
    cautions=(
        "Porosity is an assumed value reduced by the canopy share: a raster seen from above does "
        "not show it. Survey or photograph the belts that matter before relying on their shelter.",
        "Walls, fences and hedges below the threshold are not found, and rows of cars, scrub, tall "
        "crops and power lines may be traced as belts. Check the belts to review.",
        "Heights are those of the day of the survey flight; trees felled or grown since then are "
        "not known.",
        "A survey from the air does not show the condition of trees: near roads, power lines and "
        "buildings have them inspected by a qualified arboriculturist.",
    ),
    sources=(
        "Woods: wider than 20 m and larger than 0.5 ha, as in the definition of forest by the FAO, "
        "Global Forest Resources Assessment (not verified against the source).",
        "Detection of a shift between two models: Nuth and Kääb 2011, The Cryosphere 5:271-290 "
        "(not verified against the source).",
        "Thresholds of canopy height, height of hedges, roofs, tall trees and porosity: assumed "
        "values, stated in docs/tracing.md.",
    ),
    work="shelterscape.processes.trace_belts.work",
    open_first=("preview-traced_belts.png", "layers.gpkg"),
)
