"""What `siting` writes, declared once."""

from __future__ import annotations

from shelterscape.process import Layer, Output, Picture, Raster, Table

_CASE = {"season": "season", "year": "year"}

_LINE = {
    "candidate": "candidate",
    "kind": "candidate_kind",
    "action": "belt_action",
    "name": "name",
    "mends": "belt_mended",
    "design": "design",
    "species": "species",
    "holding_id": "holding_id",
    "length_m": "length",
    "width_m": "belt_width",
    "height_20_m": "height_20",
    "cost_minor": "cost_minor",
}

LAND = {
    "land_low_ha": "land_taken",
    "land_high_ha": "land_taken",
    "crop_low_ha": "crop_beside",
    "crop_high_ha": "crop_beside",
}
"""Ranges of land out of use and of ground on which crops lose, lowest and highest."""

OUTPUTS: tuple[Output, ...] = (
    Layer(
        "candidates",
        "line",
        {
            **_LINE,
            "asked": "asked",
            "benefit_ha": "benefit",
            "benefit_per_100m_ha": "benefit_per_100m",
            "benefit_per_1000_ha": "benefit_per_1000",
            "own_ha": "benefit_own",
            "neighbours_ha": "benefit_neighbours",
            "public_ha": "benefit_public",
            "taken_away_ha": "shelter_lost",
            **LAND,
            "places": "places_served",
            "winds": "winds_worked",
            "caught_share": "caught_share",
            "openings": "opening_count",
            "order": "belt_order",
            "chosen_share": "chosen_share",
            "constraints": "constraint",
            "flags": "flags",
            "reason": "reason",
        },
        "Every line where a belt could go or be mended, with what it brings by itself.",
    ),
    Layer(
        "chosen_belts",
        "line",
        {
            "order": "belt_order",
            **_LINE,
            "year": "planting_year",
            "adds_ha": "benefit_added",
            "benefit_ha": "benefit",
            "so_far_ha": "benefit_so_far",
            "so_far_m": "length_so_far",
            "so_far_minor": "cost_so_far",
            "chosen_share": "chosen_share",
            **LAND,
            "places": "places_served",
            "winds": "winds_worked",
            "constraints": "constraint",
            "flags": "flags",
        },
        "The belts chosen, in the order chosen, with what each adds after those before it.",
    ),
    Layer(
        "places_with_belts",
        "any",
        {
            "name": "name",
            "purpose": "purpose",
            "parcel_id": "parcel_id",
            "holding_id": "holding_id",
            "head": "head",
            "need": "need",
            **_CASE,
            "wind_without": "wind_before",
            "relative_wind": "place_wind",
            "target": "target",
            "benefit_ha": "benefit_of_set",
            "corner_without": "corner_share",
            "corner_share": "corner_share",
        },
        "Places that count, with the wind they get without and with the belts chosen.",
        optional=True,
    ),
    Raster("relative_wind_with", "relative_wind", "one per season and year, belts chosen in place"),
    Raster("shelter_gain", "shelter_gain", "one per season and year"),
    Table(
        "benefit_curve",
        {
            "share": "budget_share",
            "belts": "belts_count",
            "length_m": "length",
            "cost_minor": "cost_minor",
            "net_cost_minor": "net_cost_minor",
            "benefit_ha": "benefit_of_set",
            "bound_ha": "benefit_bound",
        },
        "Benefit of the best set found within parts of the budget, by the plain rule.",
    ),
    Table(
        "benefit_by_case",
        {
            **_CASE,
            "benefit_ha": "benefit_of_set",
            "own_ha": "benefit_own",
            "neighbours_ha": "benefit_neighbours",
            "public_ha": "benefit_public",
        },
        "Benefit of the belts chosen worked out in full, by season and year.",
    ),
    Table(
        "constraints",
        {
            "candidate": "candidate",
            "constraint": "constraint",
            "effect": "constraint_effect",
            "name": "name",
            "distance_m": "distance_asked",
            "found_m": "distance_found",
            "within_m": "within_length",
            "authority": "authority",
            "date": "constraint_date",
        },
        "What stands against each candidate, and what was not checked for want of a layer.",
    ),
    Table(
        "cuts",
        {"candidate": "candidate", "reason": "reason", "cut_m": "cut_length"},
        "Every metre cut from the lines offered, with its reason.",
    ),
    Table(
        "belt_bearings",
        {"turned_deg": "bearing_turn", "bearing_deg": "bearing", "lost": "wind_lost"},
        "What belts lose that are turned from the bearing that catches most of the wind.",
    ),
    Table(
        "belt_growth",
        {
            "candidate": "candidate",
            "action": "belt_action",
            **_CASE,
            "height_m": "belt_height",
            "porosity": "porosity",
        },
        "Height and porosity through the years of the belts chosen and of all that mending offers.",
    ),
    Picture("chosen_belts", "The belts chosen, over the wind they leave."),
    Picture("benefit_curve", "Benefit of the best set found within parts of the budget."),
)
