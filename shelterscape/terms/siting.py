"""Quantities of siting new belts."""

from __future__ import annotations

from shelterscape.terms.term import Term

_WORDS = (
    ("asked", "asked", "Whether a planner asked for a line or ruled it out; empty for neither."),
    ("authority", "authority", "Who decides on a constraint."),
    ("belt_action", "action", "What is done: plant, or one of the ways to mend a belt."),
    ("belt_mended", "belt mended", "Belt that mending changes or fills; empty for new belts."),
    ("candidate", "candidate", "Identifier of a line where a belt could go or be mended."),
    ("candidate_kind", "kind", "Where a candidate comes from."),
    ("constraint", "constraint", "What stands against a belt."),
    ("constraint_date", "date", "Date a constraint was drawn or last checked."),
    (
        "constraint_effect",
        "effect",
        "What a constraint asks for: forbid, consent, consult or note; or that it was not "
        "checked, for no layer was given.",
    ),
    ("design", "design", "How a belt is planted: rows, width, species and cost."),
    ("flags", "flags", "What to look at before a line is planted, separated by semicolons."),
    ("places_served", "places served", "Places a belt brings most to, most first."),
    ("winds_worked", "winds it works in", "Winds in which a belt brings most, most first."),
)

_NUMBERS = (
    ("benefit", "benefit", "ha", "Sheltered hectares a belt brings by itself, weighted by need."),
    (
        "benefit_added",
        "benefit added",
        "ha",
        "Sheltered hectares a belt adds after all those before it in the order chosen.",
    ),
    ("benefit_bound", "bound", "ha", "Sheltered hectares no set under these limits can exceed."),
    ("benefit_neighbours", "benefit to neighbours", "ha", "Sheltered hectares on other holdings."),
    ("benefit_own", "own benefit", "ha", "Sheltered hectares on the holding of the belt."),
    ("benefit_public", "public benefit", "ha", "Sheltered hectares on public ground."),
    (
        "benefit_per_100m",
        "benefit per 100 m",
        "ha",
        "Sheltered hectares a belt brings by itself for each 100 m of it.",
    ),
    (
        "benefit_per_1000",
        "benefit per 1000 of money",
        "ha",
        "Sheltered hectares a belt brings by itself for each 1000 units of money.",
    ),
    ("benefit_so_far", "benefit so far", "ha", "Sheltered hectares of all belts up to this one."),
    ("benefit_of_set", "benefit", "ha", "Sheltered hectares a whole set of belts brings."),
    ("shelter_lost", "shelter lost", "ha", "Sheltered hectares lost with the belt taken away."),
    ("belt_order", "order", "1", "Place of a belt in the order chosen, from 1.", 1.0, 1e6),
    ("belts_count", "belts", "1", "Number of belts of a set.", 0.0, 1e6),
    ("bearing", "bearing", "deg", "Bearing of a belt, from true north.", 0.0, 180.0),
    ("bearing_turn", "turned by", "deg", "Angle from the best bearing.", -90.0, 90.0),
    (
        "budget_length",
        "budget",
        "m",
        "Most metres of belt that may be planted or mended.",
        0.0,
        1e7,
    ),
    (
        "budget_share",
        "share of the budget",
        "1",
        "Share of the whole budget that may be spent.",
        0.0,
        1.0,
    ),
    (
        "caught_share",
        "wind caught",
        "1",
        "How much of the damaging wind comes square to a belt, over the most any bearing catches.",
        0.0,
        1.0,
    ),
    ("wind_lost", "loss", "1", "Share of the wind caught that a belt of this bearing loses."),
    (
        "chosen_share",
        "share of reruns chosen",
        "1",
        "Share of reruns, with winds, heights, porosity and curve as uncertain as they are, in "
        "which a line is among those chosen.",
        0.0,
        1.0,
    ),
    ("cost_so_far", "cost so far", "minor", "Cost of all belts up to this one."),
    ("cut_length", "cut", "m", "Length cut from a line offered, for a reason.", 0.0),
    (
        "crop_beside",
        "ground where crops lose",
        "ha",
        "Ground beside a new belt on which crops lose to roots and shade, to 1 (low) or 2 (high) "
        "heights on both sides (Kort 1988; Cleugh and others 2002); beyond it they gain.",
        0.0,
    ),
    ("distance_asked", "distance", "m", "How far from belts a constraint counts.", 0.0),
    ("distance_found", "distance found", "m", "Distance from a constraint to a belt's face.", 0.0),
    (
        "height_20",
        "height at 20 years",
        "m",
        "Height of a belt 20 years after the work.",
        0.0,
        80.0,
    ),
    (
        "land_taken",
        "land out of use",
        "ha",
        "Land a new belt takes out of use: by itself (low), or fenced on both sides (high).",
        0.0,
    ),
    ("length_so_far", "length so far", "m", "Length of all belts up to this one.", 0.0),
    (
        "longest_line",
        "longest line",
        "m",
        "Longest candidate; longer ones are parted.",
        20.0,
        5000.0,
    ),
    ("opening_count", "openings", "1", "Number of openings in a belt.", 0.0, 10000.0),
    ("phase", "phase", "1", "Year of planting a belt falls in, counted from 1.", 1.0, 20.0),
    ("phase_count", "years of planting", "1", "Years the work is spread over.", 1.0, 20.0),
    ("planting_year", "year of planting", "year", "Calendar year of the work.", 1900.0, 2200.0),
    ("reruns", "reruns", "1", "Times the choice is made anew to see how sure it is.", 0.0, 2000.0),
    ("seed", "seed", "1", "Number from which all chance is drawn.", 0.0, 4294967295.0),
    (
        "shelter_gain",
        "shelter gained",
        "1",
        "Part of the open wind that the belts chosen take off besides what stands today; below 0 "
        "where it is windier.",
        -1.25,
        1.25,
    ),
    ("slope_limit", "slope limit", "deg", "Slope above which no belt is offered.", 1.0, 90.0),
    (
        "spacing",
        "spacing",
        "1",
        "Least distance between lines laid across the wind, in heights at 20 years.",
        3.0,
        60.0,
    ),
    ("wind_before", "wind without", "1", "Mean relative wind without the new belts.", 0.0, 1.25),
    ("within_length", "length within", "m", "Length of belt within the distance asked.", 0.0),
)

SITING_TERMS = (
    *(Term(name, title, "text", meaning) for name, title, meaning in _WORDS),
    *(Term(*row) for row in _NUMBERS),
)
