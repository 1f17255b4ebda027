"""Outputs of `siting` and their columns."""

from __future__ import annotations

from shelterscape.files.styles import SHELTER_SHADES, SITED_PLACE_STYLE, LayerStyle
from shelterscape.process import Layer, Output, Picture, Raster, Table
from shelterscape.process.cases import changes_table

_CASE = ("season", "year")

_LINE = (
    "candidate",
    "candidate_type",
    "action",
    "name",
    "restores_belt",
    "design",
    "species",
    "species_shares",
    "holding_id",
    "parcel_id",
    "length_m",
    "width_m",
    "height_at_20_years_m",
    "cost",
    "currency",
)

WORKING_LAND = (
    "continuous_length_m",
    "boundary_share",
    "land_cut_off_ha",
    "smallest_part_ha",
    "new_gates",
    "land_cost_ha",
)
"""What a belt costs the working land."""

LAND = ("land_taken_low_ha", "land_taken_high_ha", "crop_loss_low_ha", "crop_loss_high_ha")
"""Ranges of land out of use and of ground on which crops lose, lowest and highest."""

AVOIDED = ("chill_days_avoided", "chill_days_avoided_low", "chill_days_avoided_high")
"""Days of sheep chill that the chosen belts avoid, with the typical error of shelter."""

CROPS = (
    "crop_taken_low_ha",
    "crop_taken_high_ha",
    "crop_lost_low_ha",
    "crop_lost_high_ha",
    "crop_gained_low_ha",
    "crop_gained_high_ha",
    "crop_net_low_ha",
    "crop_net_high_ha",
)
"""What belts change in the yield of crops, as hectares of full yield."""

AMOUNTS = ("amount_low", "amount_high", "present_low", "present_high")
"""What is spent or lost (below 0) and received, and its value in the first year of planting."""

PAYBACK = ("payback_earliest", "payback_latest")
"""Years from which the sum of present values stays above 0, by the high and the low amounts."""

OUTPUTS: tuple[Output, ...] = (
    Layer(
        "candidates",
        "line",
        (
            *_LINE,
            "planner_choice",
            "benefit_alone_ha",
            "benefit_per_100m_ha",
            "benefit_per_1000_ha",
            "own_benefit_ha",
            "neighbours_benefit_ha",
            "public_benefit_ha",
            "shelter_removed_ha",
            "shelter_error_factor",
            *LAND,
            "places_served",
            "main_wind_directions",
            "wind_across_share",
            "opening_count",
            *WORKING_LAND,
            "excludes",
            "choice_order",
            "selection_share",
            "constraint_summary",
            "flags",
            "reason",
        ),
        "Every candidate for planting or restoration, with the benefit it adds by itself.",
        style=LayerStyle("benefit_alone_ha", shades=SHELTER_SHADES, shown=False),
    ),
    Layer(
        "chosen_belts",
        "line",
        (
            "choice_order",
            *_LINE,
            "planting_year",
            "tall_enough_from",
            "benefit_added_ha",
            "benefit_alone_ha",
            "cumulative_benefit_ha",
            "shelter_error_factor",
            "cumulative_length_m",
            "cumulative_cost",
            "selection_share",
            "benefit_lost_without_ha",
            "places_lost_without",
            "best_alternative",
            "alternative_benefit_ha",
            *WORKING_LAND,
            *LAND,
            "places_served",
            "main_wind_directions",
            "constraint_summary",
            "flags",
        ),
        "The chosen belts in order of choice, with the benefit each adds after those before it.",
        # The lightest shade could not be seen as a line.
        style=LayerStyle("choice_order", shades=SHELTER_SHADES[:0:-1], label="choice_order"),
    ),
    Layer(
        "places_with_belts",
        "any",
        (
            "name",
            "purpose",
            "parcel_id",
            "holding_id",
            "head",
            "priority",
            *_CASE,
            "relative_wind_without",
            "relative_wind",
            "target_relative_wind",
            "reaches_target_without",
            "reaches_target",
            "place_benefit_ha",
            "shelter_error_factor",
            "corner_time_share_without",
            "corner_time_share",
            "chill_days_without",
            "chill_days",
            *AVOIDED,
            "windy_hours_without",
            "windy_hours",
        ),
        "Places to be sheltered, with their mean wind without and with the chosen belts.",
        style=SITED_PLACE_STYLE,
        optional=True,
    ),
    Raster(
        "relative_wind_with_belts",
        "one for each season and year, with the chosen belts",
        term="relative_wind",
    ),
    Raster("wind_reduction_added", "one for each season and year"),
    Raster(
        "relative_wind_difference",
        "one for each season and year, this plan minus the one compared with",
        optional=True,
    ),
    Table(
        "plan_comparison",
        ("compared_figure", *_CASE, "this_plan", "other_plan", "plan_difference"),
        "Figures of this plan and of the one compared with, each in the unit of its column in the "
        "tables benefit_curve and benefit_by_case.",
        optional=True,
    ),
    Table(
        "benefit_curve",
        (
            "budget_share",
            "belt_count",
            "length_m",
            "cost",
            "net_cost",
            "currency",
            "set_benefit_ha",
            "set_benefit_low_ha",
            "set_benefit_high_ha",
            "benefit_bound_ha",
            "places_at_target",
        ),
        "Benefit of the best set found for parts of the budget, by the smallest-wind rule and as "
        "the choice counts it: for stock up to sufficient ground. The best set has the largest "
        "benefit after its cost to working land, so that the benefit itself may be smaller for a "
        "larger budget.",
    ),
    Table(
        "benefit_by_case",
        (
            *_CASE,
            "set_benefit_ha",
            "set_benefit_low_ha",
            "set_benefit_high_ha",
            "own_benefit_ha",
            "neighbours_benefit_ha",
            "public_benefit_ha",
        ),
        "Benefit of the chosen belts, evaluated in full, by season and year.",
    ),
    Table(
        "benefit_by_year",
        (*_CASE, "set_benefit_ha", "set_benefit_low_ha", "set_benefit_high_ha"),
        "Benefit of the chosen belts by the smallest-wind rule, in the first year of planting and "
        "in steps of 5 years to 40 years after it.",
    ),
    Table(
        "sensitivity",
        ("varied_input", "set_benefit_low_ha", "set_benefit_high_ha"),
        "Benefit of the chosen belts by the smallest-wind rule, with one input at a time varied as "
        "in the Monte Carlo runs; the input with the largest effect first.",
    ),
    Table(
        "stock_ground",
        (
            "name",
            "purpose",
            *_CASE,
            "direction_deg",
            "wind_time_share",
            "sheltered_per_head_without_m2",
            "sheltered_per_head_m2",
            "stock_ground_m2",
        ),
        "Well sheltered ground per animal by wind direction on places for stock, without and with "
        "the chosen belts.",
        optional=True,
    ),
    Table(
        "crop_response",
        (
            "name",
            "parcel_id",
            "crop",
            "year",
            *CROPS,
            "crop_value_low",
            "crop_value_high",
            "currency",
        ),
        "What the chosen belts change on each field with crops, in the first year of planting and "
        "each of the 30 years after it; in money where yield and price were given.",
        optional=True,
    ),
    Table(
        "crop_years",
        ("name", "parcel_id", "crop_positive_earliest", "crop_positive_latest"),
        "Years from which the chosen belts add to the yield of each field, by the high and by the "
        "low response.",
        optional=True,
    ),
    Table(
        "present_value",
        ("money_item", *AMOUNTS, *PAYBACK, "discount_rate", "currency"),
        "Sums over the first year of planting and the 30 years after it of cost, grant, crop on "
        "land taken, change of yield elsewhere, and all of them, where prices were given, and the "
        "years from which present values pay the belts back.",
        optional=True,
    ),
    Table(
        "present_value_by_year",
        ("year", "money_item", *AMOUNTS, "currency"),
        "The same by year.",
        optional=True,
    ),
    Table(
        "constraint_checks",
        (
            "candidate",
            "constraint",
            "constraint_effect",
            "name",
            "required_distance_m",
            "distance_found_m",
            "length_within_m",
            "authority",
            "constraint_date",
        ),
        "What restricts each candidate, and what was not checked because no layer was given.",
    ),
    Table(
        "exclusions",
        ("candidate", "reason", "excluded_m"),
        "Length removed from each candidate line, with the reason.",
    ),
    changes_table("siting_survey_changes"),
    Table(
        "belt_bearings",
        ("turned_from_best_deg", "bearing_deg", "effect_lost_share"),
        "Effect lost by belts with another bearing than the best one.",
    ),
    Table(
        "belt_growth",
        ("candidate", "action", *_CASE, "height_m", "porosity"),
        "Height and porosity in future years of the chosen belts and of all restorations.",
    ),
    Picture("chosen_belts", "Map of the chosen belts: before, after, and the difference."),
    Picture(
        "benefit_curve",
        "Chart of the benefit of the best set found against the budget.",
        chart=True,
    ),
    Picture(
        "benefit_by_year", "Chart of the benefit of the chosen belts by year.", True, chart=True
    ),
    Picture("plan_comparison", "Map of the wind with both plans, and of the difference.", True),
    Picture("belt_growth", "Chart of the height of new belts by year.", True, chart=True),
)
