"""Description of `shelter`: inputs, outputs, cautions and sources."""

from __future__ import annotations

from pydantic import Field

from shelterscape.files.styles import (
    HEIGHT_SHADES,
    NO_VALUE_COLOUR,
    PLACE_STYLE,
    SHELTER_SHADES,
    ZONE_COLOURS,
    LayerStyle,
)
from shelterscape.process import Figure, Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.cases import CaseInputs, changes_table
from shelterscape.process.hourly_inputs import CHILL_CAUTION, HourlyInputs
from shelterscape.process.unmapped_ground import UnmappedGround
from shelterscape.terms import ALL_WINDS, ONE_WIND, Zone


class ShelterInputs(CaseInputs, UnmappedGround, HourlyInputs):
    """Inputs of `shelter`."""

    by_direction: bool = Field(
        False, description="Also write relative wind and zones for every wind direction."
    )
    terrain: bool = Field(
        True,
        description="Also calculate terrain wind and site wind, and weight wind directions in "
        "means over places by terrain wind. Relative wind and zones do not depend on it.",
    )


ZONE_COLUMNS = (
    "reduced_40_up_ha",
    "reduced_25_40_ha",
    "reduced_15_25_ha",
    "reduced_5_15_ha",
    "reduced_under_5_ha",
    "windier_ha",
)
"""Columns of area in each zone of `ALL_WINDS`, in tables with a row for each place."""

_CASE = ("season", "year")


def _zone_colours(zones: tuple[Zone, ...]) -> dict[str, str]:
    return {
        zone.label: colour
        for zone, colour in zip(zones, ZONE_COLOURS, strict=True)
        if not zone.is_open
    }


OUTPUTS: tuple[Output, ...] = (
    Raster("relative_wind", "one for each season and year"),
    Raster(
        "relative_wind_by_direction",
        "one for each season, year and direction of the wind set, from true north",
        term="relative_wind",
        optional=True,
    ),
    Raster("site_wind_ms", "one for each season and year", optional=True),
    Raster("site_wind_ratio", "one for each season and year", optional=True),
    Layer(
        "shelter_zones",
        "polygon",
        (*_CASE, "zone", "area_ha"),
        "Ground by wind reduction, over all wind directions.",
        style=LayerStyle("zone", _zone_colours(ALL_WINDS), outlined=False),
    ),
    Layer(
        "shelter_zones_by_direction",
        "polygon",
        (*_CASE, "direction_deg", "zone", "area_ha"),
        "Ground by wind reduction, for each wind direction.",
        style=LayerStyle("zone", _zone_colours(ONE_WIND), outlined=False),
        optional=True,
    ),
    Layer(
        "belts_assessed",
        "any",
        (
            "name",
            "holding_id",
            "belt_type",
            "species",
            "planted_year",
            *_CASE,
            "height_m",
            "porosity",
            "porosity_low",
            "porosity_spread",
            "bare_stem_m",
            "recovery_h",
            "width_m",
            "length_m",
            "sheltered_distance_expected_m",
            "sheltered_distance_upper_m",
            "assumed",
            "growth_note",
        ),
        "Belts as assessed in each season and year, with defaults filled in.",
        style=LayerStyle("height_m", shades=HEIGHT_SHADES),
    ),
    Layer(
        "shelter_not_modelled",
        "polygon",
        (*_CASE, "reason", "area_ha"),
        "Ground on which the method is not valid, with the reason.",
        style=LayerStyle(colour=NO_VALUE_COLOUR, hatched=True, outlined=False),
    ),
    Layer(
        "places_shelter",
        "any",
        (
            "name",
            "purpose",
            "parcel_id",
            "holding_id",
            "head",
            "priority",
            *_CASE,
            "relative_wind",
            "site_wind_ratio",
            "site_wind_ms",
            "target_relative_wind",
            "target_reached",
            "reduced_5_up_share",
            "corner_time_share",
            "chill_days_without",
            "chill_days",
            "windy_hours_without",
            "windy_hours",
            *ZONE_COLUMNS,
        ),
        "Places to be sheltered, with mean wind in each season and year.",
        style=PLACE_STYLE,
        optional=True,
    ),
    Layer(
        "sheltered_corners",
        "polygon",
        ("name", "purpose", "head", *_CASE, "corner_time_share", "area_ha"),
        "Ground that is a sheltered corner, large enough for all stock of the place, for at least "
        "half of the time in which there is one.",
        style=LayerStyle(colour=SHELTER_SHADES[2], label="name"),
        optional=True,
    ),
    changes_table("survey_changes"),
    Table(
        "shelter_areas",
        (*_CASE, "zone", "area_ha"),
        "Area of each shelter zone, counted in cells.",
    ),
    Table(
        "equivalent_sheltered_area",
        (
            *_CASE,
            "equivalent_sheltered_ha",
            "equivalent_sheltered_low_ha",
            "equivalent_sheltered_high_ha",
            "reduced_5_up_ha",
            "shelter_not_modelled_ha",
            "terrain_wind_not_modelled_ha",
        ),
        "Equivalent sheltered area by season and year.",
    ),
    Picture("relative_wind", "Map of relative wind by season and year, with belts."),
    Picture("site_wind", "Map of site wind by season and year.", optional=True),
    Picture(
        "equivalent_sheltered_area",
        "Chart of equivalent sheltered area by year.",
        optional=True,
        chart=True,
    ),
)

PROCESS = Process(
    id="shelter",
    version="4.2.0",
    title="Shelter by belts: where, and how much",
    summary="Calculates relative wind (wind speed with belts divided by wind speed without) for "
    "every cell over a wind set, with belts in leaf and bare, as surveyed and in future years, and "
    "reports the shelter of each place.",
    inputs=ShelterInputs,
    outputs=OUTPUTS,
    cautions=(
        "Wind near the ground in neutral, windy weather. Relative wind and zones include belts "
        "alone; site wind includes terrain and belts. Single trees and buildings are not included.",
        "At published tree belts relative wind is wrong by about 0.18, sheltered distance by a "
        "factor of about 1.4 and equivalent sheltered area by a factor of about 1.3 (root mean "
        "square, 7 sources, most without a stated porosity; see docs/validation.md).",
        "Heights and porosities in future years are estimated by growth curves and assumed "
        "values; belts that fail, are cut or are thinned will differ.",
        "Old or thinned belts may shed branches or fall, and belts can drift snow onto roads. Near "
        "roads, power lines and buildings follow the local code and consult a qualified "
        "arboriculturist and the highway authority.",
        CHILL_CAUTION,
    ),
    sources=(
        "Shelter curve “exponential”: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288; "
        "Bird and others 2007, Australian Journal of Experimental Agriculture 47:727-737; recovery "
        "as an exponential of 8 H, chosen on published belts (status E).",
        "Shelter curve “mid”: mean of barrier and field: Vigiak, Sterk, Warren and Hagen 2003, "
        "Catena 52:273-288; Bird and others 2007, Australian Journal of Experimental Agriculture "
        "47:727-737 (assumed).",
        "Shelter curve “barrier”: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288; "
        "windward side and dense belts from a handbook (seen in texts citing them).",
        "Shelter curve “field”: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288, adjusted "
        "so that the smallest relative wind equals that of measured belts, Bird and others 2007, "
        "Australian Journal of Experimental Agriculture 47:727-737 (assumed).",
        "Shelter curve “handbook”: Brandle and Finch 1991, University of Nebraska Extension "
        "EC91-1763 (not verified against the source).",
        "Several belts: the smallest relative wind applies, as in Vigiak and others 2003 (seen in "
        "texts citing it). Close belts as one, ends, woods and height above ground: assumed values "
        "within published ranges (docs/shelter_curves.md).",
        "Growth: Manso and others 2020, Forestry 94:181-192, and others named in the table of "
        "species (seen in texts citing them); nursery rates where no curve is published.",
        "Site wind: terrain wind as in the process exposure.",
        "Purposes: the source of each default is given in purposes.toml.",
        "Sheep chill index: Nixon-Smith 1972; Donnelly 1984, Australian Journal of Agricultural "
        "Research 35:709-721 (seen in texts citing them); wind at its height by the log law for "
        "neutral air (common practice).",
    ),
    work="shelterscape.processes.shelter.work",
    open_first=("preview-relative_wind.png", "rasters/relative_wind.tif"),
    figures=(
        Figure(
            "equivalent_sheltered_in_leaf_ha",
            map_term="equivalent_sheltered_share",
            map_heading="in leaf, as surveyed",
            per_area=True,
        ),
        Figure(
            "equivalent_sheltered_bare_ha",
            map_term="equivalent_sheltered_share",
            map_heading="bare, as surveyed",
            per_area=True,
        ),
        Figure("shelter_error_factor"),
    ),
)
