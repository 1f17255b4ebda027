"""What `shelter` needs, writes and warns of."""

from __future__ import annotations

from pydantic import Field

from shelterscape.files.styles import ZONE_COLOURS
from shelterscape.process import Figure, Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.cases import CaseInputs
from shelterscape.process.inputs import RoughGround
from shelterscape.terms import ALL_WINDS, ONE_WIND, Zone


class ShelterInputs(CaseInputs, RoughGround):
    """What `shelter` asks for."""

    by_direction: bool = Field(
        False, description="Also write relative wind and zones for every direction."
    )
    terrain: bool = Field(
        True,
        description="Also work out wind over hills: site wind, and means over places in which each "
        "wind counts by what hills make of it there. Relative wind and zones never change by it.",
    )


ZONE_COLUMNS = (
    "cut_40_up_ha",
    "cut_25_40_ha",
    "cut_15_25_ha",
    "cut_5_15_ha",
    "open_ha",
    "windier_ha",
)
"""Columns of area in each zone of `ALL_WINDS`, in tables with a row for each place."""

_CASE = {"season": "season", "year": "year"}


def _zone_colours(zones: tuple[Zone, ...]) -> dict[str, str]:
    return {
        zone.label: colour
        for zone, colour in zip(zones, ZONE_COLOURS, strict=True)
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
        relative_term="site_wind_relative",
    ),
    Layer(
        "shelter_zones",
        "polygon",
        {**_CASE, "zone": "shelter_zone", "area_ha": "area"},
        "Ground by how much of the wind belts take off, over the whole wind set.",
        colour_by="zone",
        colours=_zone_colours(ALL_WINDS),
    ),
    Layer(
        "shelter_zones_by_direction",
        "polygon",
        {**_CASE, "direction_deg": "direction", "zone": "shelter_zone", "area_ha": "area"},
        "Ground by how much of the wind belts take off, for each wind.",
        colour_by="zone",
        colours=_zone_colours(ONE_WIND),
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

PROCESS = Process(
    id="shelter",
    version="2.3.0",
    title="How far belts shelter the ground",
    summary="Works out the wind with belts over the wind without them, for every cell, over a wind "
    "set, with the belts in leaf and bare, as surveyed and in years to come, and what places get "
    "of it.",
    inputs=ShelterInputs,
    outputs=OUTPUTS,
    cautions=(
        "Near-ground wind in neutral, windy weather. Relative wind and zones are of belts alone; "
        "site wind adds hills. Single trees and buildings are not in it.",
        "Reach behind a belt is sure to about a quarter; what was measured behind single belts "
        "scatters about the curve by about a tenth of the open wind (see docs/validation.md).",
        "Heights and porosities of years to come are estimated by growth curves and "
        "assumed values; belts that fail, are cut or are thinned will differ.",
        "Old or thinned belts may shed branches or fall, and belts can drift snow onto roads; near "
        "roads, power lines and buildings follow the local code and ask a licensed tree inspector.",
    ),
    sources=(
        "Shelter curve “mid”: mean of barrier and field: Vigiak, Sterk, Warren and Hagen 2003, "
        "Catena 52:273-288; Bird and others 2007, Australian Journal of Experimental Agriculture "
        "47:727-737 (status E).",
        "Shelter curve “barrier”: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288; "
        "windward side and dense belts after a handbook (status S2).",
        "Shelter curve “field”: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288, fed so "
        "that the calmest wind is that of measured belts, Bird and others 2007, Australian "
        "Journal of Experimental Agriculture 47:727-737 (status E).",
        "Shelter curve “handbook”: Brandle and Finch 1991, University of Nebraska Extension "
        "EC91-1763 (status M).",
        "Several belts: the smallest relative wind rules, as in Vigiak and others 2003 (status "
        "S2). Close belts as one, ends, woods and height above ground: engineering choices within "
        "published ranges (docs/shelter_curves.md).",
        "Growth: Manso and others 2020, Forestry 94:181-192, and others named in the table of "
        "species (status S2); nursery rates where there is no curve.",
        "Site wind: wind over hills as in the process exposure.",
        "Purposes: each default stands beside its source in purposes.toml.",
    ),
    work="shelterscape.processes.shelter.work",
    figures=(
        Figure(
            "sheltered_in_leaf_ha",
            "sheltered_area",
            map_term="sheltered_share",
            map_heading="in leaf, as surveyed",
            per_area=True,
        ),
        Figure(
            "sheltered_bare_ha",
            "sheltered_area",
            map_term="sheltered_share",
            map_heading="bare, as surveyed",
            per_area=True,
        ),
    ),
)
