"""What `shelter` writes, declared once."""

from __future__ import annotations

from shelterscape.files.styles import ZONE_COLOURS
from shelterscape.process import Layer, Output, Picture, Raster, Table
from shelterscape.science import zones

ZONE_COLUMNS = {
    "cut_40_up_ha": zones.ALL_WINDS[0],
    "cut_25_40_ha": zones.ALL_WINDS[1],
    "cut_15_25_ha": zones.ALL_WINDS[2],
    "cut_5_15_ha": zones.ALL_WINDS[3],
    "open_ha": zones.ALL_WINDS[4],
    "windier_ha": zones.ALL_WINDS[5],
}
"""Columns of area in each zone, in tables with a row for each place."""

_CASE = {"season": "season", "year": "year"}


def _zone_colours(found: tuple[zones.Zone, ...]) -> dict[str, str]:
    return {
        zone.label: colour
        for zone, colour in zip(found, ZONE_COLOURS, strict=True)
        if not zone.is_open
    }


OUTPUTS: tuple[Output, ...] = (
    Raster("relative_wind", "relative_wind", "one per season and year"),
    Raster(
        "relative_wind_by_direction",
        "relative_wind",
        "one per season, year and direction of the wind set, from true north",
        optional=True,
    ),
    Raster(
        "site_wind",
        "site_wind",
        "one per season and year",
        optional=True,
        other_term="site_wind_relative",
    ),
    Layer(
        "shelter_zones",
        "polygon",
        {**_CASE, "zone": "shelter_zone", "area_ha": "area"},
        "Ground by how much of the wind belts take off, over the whole wind set.",
        colour_by="zone",
        colours=_zone_colours(zones.ALL_WINDS),
    ),
    Layer(
        "shelter_zones_by_direction",
        "polygon",
        {**_CASE, "direction_deg": "direction", "zone": "shelter_zone", "area_ha": "area"},
        "Ground by how much of the wind belts take off, for each wind.",
        colour_by="zone",
        colours=_zone_colours(zones.ONE_WIND),
        optional=True,
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
            **_CASE,
            "height_m": "belt_height",
            "porosity": "porosity",
            "porosity_low": "porosity_low",
            "bare_stem_m": "bare_stem",
            "width_m": "belt_width",
            "length_m": "length",
            "reach_likely_m": "reach_likely",
            "reach_possible_m": "reach_possible",
            "assumed": "assumed",
            "growth_note": "growth_note",
        },
        "Belts as they were understood, by season and year, defaults filled in.",
    ),
    Layer(
        "not_modelled",
        "polygon",
        {**_CASE, "reason": "reason", "area_ha": "area"},
        "Ground on which the method does not hold, and why.",
    ),
    Layer(
        "places",
        "any",
        {
            "name": "name",
            "purpose": "purpose",
            "parcel_id": "parcel_id",
            "holding_id": "holding_id",
            "head": "head",
            "need": "need",
            **_CASE,
            "relative_wind": "place_wind",
            "site_wind": "site_wind",
            "target": "target",
            "target_reached": "target_reached",
            "covered_share": "covered_share",
            "corner_share": "corner_share",
            **dict.fromkeys(ZONE_COLUMNS, "area"),
        },
        "Places to be sheltered, with the wind they get by season and year.",
        optional=True,
    ),
    Layer(
        "sheltered_corners",
        "polygon",
        {
            "name": "name",
            "purpose": "purpose",
            "head": "head",
            **_CASE,
            "corner_share": "corner_share",
            "area_ha": "area",
        },
        "Ground where stock finds a corner large enough for all of it, at least half of the time "
        "in which there is one.",
        optional=True,
    ),
    Table(
        "shelter_areas",
        {**_CASE, "zone": "shelter_zone", "area_ha": "area"},
        "Hectares in each shelter zone, counted in cells.",
    ),
    Table(
        "sheltered_hectares",
        {
            **_CASE,
            "sheltered_ha": "sheltered_area",
            "cut_ha": "cut_area",
            "not_modelled_ha": "not_modelled",
            "hills_not_modelled_ha": "wind_not_modelled",
        },
        "Sheltered hectares by season and year.",
    ),
    Picture("relative_wind", "Relative wind by season and year, with belts, over soft relief."),
    Picture("site_wind", "Site wind by season and year, over soft relief.", optional=True),
    Picture("sheltered_hectares", "Sheltered hectares through the years.", optional=True),
)
