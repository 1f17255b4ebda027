"""Inputs, outputs and cautions of `exposure`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from shelterscape.files.styles import LayerStyle
from shelterscape.process import Figure, Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.inputs import (
    FieldNames,
    Holdings,
    Places,
    Source,
    TerrainInputs,
    Winds,
    quantity,
)
from shelterscape.process.unmapped_ground import UnmappedGround


class ExposureInputs(TerrainInputs, UnmappedGround):
    """Inputs of `exposure`."""

    winds: Winds
    places: Places = None
    holdings: Holdings = None
    belts: Annotated[str | None, Source("layer", "belt layer")] = Field(
        None,
        description="Belts to remove from the map of roughness, so that they slow the wind only "
        "once; not used for anything else here. As PATH or PATH:LAYER.",
    )
    subset: str = Field(
        "",
        description="Subset of the wind set to use; by default all of it.",
        examples=["winter"],
    )
    limit_m: float = quantity("limit_m", 1000.0)
    topex_mode: Literal["topex_to_distance", "topex_unlimited"] = Field(
        "topex_to_distance",
        description="Whether topex examines the terrain up to the limit distance or to the edge "
        "of the map.",
    )
    negative_angles: bool = Field(
        True,
        description="Count horizon angles below the horizontal in topex as negative; otherwise "
        "they count as zero. Unlimited topex never counts them.",
    )
    topex_classes: tuple[float, ...] = Field(
        (),
        description="Upper bounds of topex classes in degrees, rising, such as 10,30,60: they "
        "make one class more than there are bounds, numbered from most exposed to most sheltered.",
    )
    fine_window: bool = Field(
        False,
        description="Calculate upwind slope from 7 lines within 15° of each wind direction; "
        "otherwise from 3.",
    )
    by_direction: bool = Field(
        False, description="Also write horizon angle and terrain wind for every wind direction."
    )
    at_height_m: float = quantity("at_height_m", 10.0, "Used for terrain wind.")
    fields: FieldNames = Field(default_factory=dict)


EXPOSURE_COLUMNS = (
    "topex_deg",
    "weighted_horizon_deg",
    "upwind_slope_deg",
    "terrain_wind_ratio",
    "terrain_wind_ms",
    "strongest_from_deg",
    "terrain_wind_modelled_share",
    "complete_views_share",
)
"""Columns of exposure, in layers with a row for each place or holding."""

_WIND_BANDS = (
    "one over all wind directions; by direction, then one for each direction of the wind set, "
    "from true north"
)

OUTPUTS: tuple[Output, ...] = (
    Raster(
        "horizon_deg",
        "one for each direction of the wind set, from true north; written by direction only",
        optional=True,
    ),
    Raster("weighted_horizon_deg", "one, over all wind directions"),
    Raster("topex_deg", "one"),
    Raster("topex_class", "one", optional=True, classed=True),
    Raster("complete_views_share", "one", optional=True),
    Raster("upwind_slope_deg", "one, over all wind directions"),
    Raster("terrain_wind_ms", _WIND_BANDS, optional=True),
    Raster("terrain_wind_ratio", _WIND_BANDS, optional=True),
    Raster("terrain_wind_modelled", "one, over all wind directions", classed=True),
    Raster("not_modelled_reason", "one, over all wind directions", classed=True),
    Layer(
        "place_exposure",
        "any",
        ("name", "purpose", "parcel_id", "holding_id", *EXPOSURE_COLUMNS),
        "Mean exposure of each place, and the wind direction it is most exposed to.",
        style=LayerStyle("topex_deg", label="name"),
        optional=True,
    ),
    Layer(
        "holding_exposure",
        "polygon",
        ("holding_id", "name", "area_ha", *EXPOSURE_COLUMNS),
        "Mean exposure of each holding, and the wind direction it is most exposed to.",
        style=LayerStyle("topex_deg", label="name"),
        optional=True,
    ),
    Table(
        "terrain_wind_by_direction",
        (
            "direction_deg",
            "frequency",
            "mean_speed_ms",
            "horizon_deg",
            "terrain_wind_ratio",
            "terrain_wind_ms",
            "terrain_wind_not_modelled_ha",
        ),
        "Horizon angle and terrain wind for each wind direction, as means over all ground.",
    ),
    Picture("topex", "Map of topex over shaded relief."),
    Picture(
        "terrain_wind",
        "Map of terrain wind over all wind directions and in the strongest, over shaded relief.",
    ),
)

PROCESS = Process(
    id="exposure",
    version="4.1.0",
    title="Exposure of the ground, and from where",
    summary="Calculates, for every cell of a terrain model, the horizon angle in each wind "
    "direction, topex (the sum of horizon angles in eight compass directions), the upwind slope, "
    "and how much the terrain speeds up or slows down the wind. Means are reported for places and "
    "holdings.",
    inputs=ExposureInputs,
    outputs=OUTPUTS,
    cautions=(
        "Exposure of the terrain alone: belts, woods and buildings are not included. Near the edge "
        "of the map part of each view is missing.",
        "Terrain wind is valid for low hills in neutral, windy weather. Steep ground and the lee "
        "of steep crests are marked as not modelled. Channelling of wind in valleys and cold-air "
        "drainage are not included.",
    ),
    sources=(
        "Topex: definition as in the forestry trade (common practice, no single source); signed "
        "form within a limit distance compared with measured speed-up at Askervein hill, Taylor "
        "and Teunissen 1987, Boundary-Layer Meteorology 39:15-39.",
        "Upwind slope: Winstral, Elder and Davis 2002, Journal of Hydrometeorology 3:524-538 "
        "(status S2).",
        "Terrain wind: structure of Jackson and Hunt 1975, Quarterly Journal of the Royal "
        "Meteorological Society 101:929-955, and Mason and Sykes 1979, the same journal "
        "105:383-395 (not verified against the source); compared with the same hill in "
        "docs/askervein.md.",
        "Roughness classes: Davenport and Wieringa (status S). Wind speed is "
        "converted between heights by the log law for neutral air (common practice).",
    ),
    work="shelterscape.processes.exposure.work",
    open_first=("preview-terrain_wind.png", "rasters/topex_deg.tif"),
    figures=(
        Figure(
            "exposed_share",
            map_term="exposed_share",
            map_heading="over all wind directions",
        ),
    ),
)
