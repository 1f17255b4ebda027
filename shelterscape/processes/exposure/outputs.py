"""What `exposure` writes, declared once."""

from __future__ import annotations

from shelterscape.process import Layer, Output, Picture, Raster, Table

_EACH = "one over all winds, then one per direction of the wind set, from true north"

FIGURES = {
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
    Raster("horizon", "horizon", "one per direction of the wind set, from true north"),
    Raster("weighted_horizon", "weighted_horizon", "one, over all winds"),
    Raster("topex", "topex", "one, to the limit distance"),
    Raster("exposure_class", "exposure_class", "one", optional=True, classed=True),
    Raster("views_complete", "views_complete", "one", optional=True),
    Raster("upwind_slope", "upwind_slope", "one, over all winds"),
    Raster("speed_up", "speed_up", _EACH),
    Raster("open_wind", "open_wind", _EACH, other_term="open_wind_relative"),
    Raster("open_wind_modelled", "modelled", _EACH, classed=True),
    Layer(
        "place_exposure",
        "any",
        {
            "name": "name",
            "purpose": "purpose",
            "parcel_id": "parcel_id",
            "holding_id": "holding_id",
            **FIGURES,
        },
        "How exposed each place is, and to which wind; means over its ground.",
        optional=True,
    ),
    Layer(
        "holding_exposure",
        "polygon",
        {"holding_id": "holding_id", "name": "name", "area_ha": "area", **FIGURES},
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
        "Each wind, and means over all ground of what the land does to it.",
    ),
    Picture("topex", "Topex over soft relief."),
    Picture("open_wind", "Open wind over all winds and in the strongest, over soft relief."),
)
