"""What `exposure` needs, writes and warns of."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from shelterscape.process import Figure, Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.inputs import (
    FieldNames,
    Holdings,
    Places,
    RoughGround,
    Source,
    TerrainInputs,
    Winds,
    quantity,
)


class ExposureInputs(TerrainInputs, RoughGround):
    """Inputs of `exposure`."""

    winds: Winds
    places: Places = None
    holdings: Holdings = None
    belts: Annotated[str | None, Source("layer", "belt layer")] = Field(
        None,
        description="Belts to take out of the map of roughness, so that they slow the wind only "
        "once; not used for anything else here. As PATH or PATH:LAYER.",
    )
    subset: str = Field("", description="Subset of the wind set to use; all of it by default.")
    limit_m: float = quantity("limit_distance", 1000.0)
    topex_form: Literal["signed", "positive", "unlimited"] = Field(
        "signed",
        description="Whether topex counts angles below the horizontal (signed), counts them as "
        "nothing (positive), or extends to the edge of the map (unlimited, and positive).",
    )
    topex_classes: tuple[str, ...] = Field(
        (),
        description="Classes of topex, from exposed to sheltered: the highest topex in degrees "
        "and a name, such as “10 severely exposed”; the last is the name alone. Unlimited topex "
        "has five classes of its own, from forestry practice (not verified against a source).",
    )
    fine_window: bool = Field(
        False,
        description="Calculate upwind slope from 7 lines within 15° of each wind direction, not "
        "from 3.",
    )
    by_direction: bool = Field(
        False, description="Also write horizon angle and open wind for every wind direction."
    )
    at_height_m: float = quantity("at_height", 10.0, "Of open wind and speed-up.")
    fields: FieldNames = Field(default_factory=dict)


EXPOSURE_COLUMNS = {
    "topex": "topex",
    "weighted_horizon": "weighted_horizon",
    "upwind_slope": "upwind_slope",
    "speed_up": "speed_up",
    "open_wind": "open_wind",
    "strongest_from_deg": "strongest_from",
    "modelled_share": "modelled_share",
    "views_complete": "views_complete",
}
"""Columns of exposure, in layers with a row for each place or holding."""

OUTPUTS: tuple[Output, ...] = (
    Raster(
        "horizon",
        "horizon",
        "one per direction of the wind set, from true north, when asked for by direction",
        optional=True,
    ),
    Raster("weighted_horizon", "weighted_horizon", "one, over all winds"),
    Raster("topex", "topex", "one, to the limit distance"),
    Raster("exposure_class", "exposure_class", "one", optional=True, classed=True),
    Raster("views_complete", "views_complete", "one", optional=True),
    Raster("upwind_slope", "upwind_slope", "one, over all winds"),
    Raster(
        "open_wind",
        "open_wind",
        "one over all winds; when asked for, then one per direction of the wind set, from true "
        "north",
        relative_term="open_wind_relative",
    ),
    Raster("open_wind_modelled", "modelled", "one, over all winds", classed=True),
    Layer(
        "place_exposure",
        "any",
        {
            "name": "name",
            "purpose": "purpose",
            "parcel_id": "parcel_id",
            "holding_id": "holding_id",
            **EXPOSURE_COLUMNS,
        },
        "How exposed each place is, and to which wind; means over its ground.",
        optional=True,
    ),
    Layer(
        "holding_exposure",
        "polygon",
        {"holding_id": "holding_id", "name": "name", "area_ha": "area", **EXPOSURE_COLUMNS},
        "How exposed each holding is, and to which wind; means over its ground.",
        optional=True,
    ),
    Table(
        "winds_over_ground",
        {
            "direction_deg": "direction",
            "frequency": "frequency",
            "mean_speed_ms": "mean_speed",
            "horizon": "horizon",
            "speed_up": "speed_up",
            "open_wind": "open_wind",
            "not_modelled_ha": "wind_not_modelled",
        },
        "Each wind direction, and means over all ground of what the terrain does to it.",
    ),
    Picture("topex", "Topex over soft relief."),
    Picture("open_wind", "Open wind over all winds and in the strongest, over soft relief."),
)

PROCESS = Process(
    id="exposure",
    version="3.0.0",
    title="How exposed the ground is, and from where",
    summary="Measures, for every cell of a terrain model, the angle up to the horizon in each wind "
    "direction, their sum over the eight compass points (topex), the slope upwind, and how much "
    "the terrain speeds up or slows down each wind; for the ground, for places and for holdings.",
    inputs=ExposureInputs,
    outputs=OUTPUTS,
    cautions=(
        "Exposure of the land alone: belts, woods and buildings are not included. Near the edge "
        "of the map views are cut short.",
        "Open wind is for low hills in neutral, windy weather. Steep ground and the lee of steep "
        "crests are marked as not modelled; valleys that channel the wind and cold air that "
        "drains down them are not included.",
    ),
    sources=(
        "Topex: definition as in the forestry trade (common practice, no single source); signed "
        "form within a limit distance compared with measured speed-up at Askervein hill, Taylor "
        "and Teunissen 1987, Boundary-Layer Meteorology 39:15-39.",
        "Upwind slope: Winstral, Elder and Davis 2002, Journal of Hydrometeorology 3:524-538 "
        "(status S2).",
        "Open wind: structure of Jackson and Hunt 1975, Quarterly Journal of the Royal "
        "Meteorological Society 101:929-955, and Mason and Sykes 1979, the same journal "
        "105:383-395 (status M); compared with the same hill in docs/askervein.md.",
        "Roughness classes: Davenport and Wieringa (status S). The wind of a mast is carried to "
        "another height by the log law in neutral air (common practice).",
    ),
    work="shelterscape.processes.exposure.work",
    figures=(
        Figure(
            "exposed_share",
            "exposed_share",
            map_term="exposed_share",
            map_heading="over all winds",
        ),
    ),
)
