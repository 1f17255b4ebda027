"""The one table of quantities: name, unit, range and meaning.

Docstrings, input checks, process descriptions, GeoPackage column comments, raster units, legends
and the glossary page all read it, so a quantity is described once.
"""

from __future__ import annotations

from shelterscape.terms.grants import GRANT_TERMS
from shelterscape.terms.siting import SITING_TERMS
from shelterscape.terms.term import SYMBOLS, Term

__all__ = ["SYMBOLS", "TERMS", "Term"]

_TABLE = (
    Term(
        "area",
        "area",
        "ha",
        "Area in hectares.",
        0.0,
    ),
    Term(
        "assumed",
        "assumed",
        "text",
        "Which columns were not given for a feature and were filled with the stated default, "
        "separated by commas; empty when everything was given.",
    ),
    Term(
        "at_height",
        "height above ground",
        "m",
        "Height above ground at which the wind is looked at.",
        0.1,
        30.0,
    ),
    Term(
        "bare_porosity",
        "bare porosity",
        "1",
        "Share of sky seen through the belt, square to it, without leaves.",
        0.0,
        1.0,
    ),
    Term(
        "bare_stem",
        "bare stem",
        "m",
        "Height up to which stems are bare and let the wind through under the crowns.",
        0.0,
        40.0,
    ),
    Term(
        "belt_height",
        "belt height",
        "m",
        "Height of the tallest row of a belt, called H.",
        0.05,
        80.0,
    ),
    Term(
        "belt_type",
        "belt type",
        "text",
        "Kind of belt: hedge, tree belt, wall, fence, bank with hedge or wood.",
    ),
    Term(
        "belt_width",
        "belt width",
        "m",
        "Depth of a belt from its windward to its lee face, square to it.",
        0.0,
        2000.0,
    ),
    Term(
        "calm",
        "calm",
        "1",
        "Share of the time with no wind to speak of; it belongs to no direction.",
        0.0,
        1.0,
    ),
    Term(
        "corner_share",
        "time with a sheltered corner",
        "1",
        "Share of the time the wind blows in which stock finds, within the place, one "
        "unbroken corner large enough for all of it with at most .6 of the wind.",
        0.0,
        1.0,
    ),
    Term(
        "covered_share",
        "covered share",
        "1",
        "Share of the place on which belts take at least 5 % of the wind off.",
        0.0,
        1.0,
    ),
    Term(
        "cut_area",
        "area with wind cut 5 % or more",
        "ha",
        "Area on which belts take at least 5 % of the wind off.",
        0.0,
    ),
    Term(
        "direction",
        "wind direction",
        "deg",
        "Where the wind comes from, degrees clockwise from true north.",
        0.0,
        360.0,
    ),
    Term(
        "elevation",
        "ground elevation",
        "m",
        "Height of the bare ground above the datum of the terrain model.",
        -500.0,
        9000.0,
    ),
    Term(
        "frequency",
        "frequency",
        "1",
        "Share of the time the wind comes from a direction.",
        0.0,
        1.0,
    ),
    Term(
        "growth_note",
        "note on growth",
        "text",
        "What to know of the height and porosity told for a year; empty where nothing.",
    ),
    Term(
        "head",
        "head of stock",
        "1",
        "Number of animals on stock ground.",
        0.0,
        1000000.0,
    ),
    Term(
        "holding_id",
        "holding",
        "text",
        "Identifier of the farm or estate unit a feature belongs to.",
    ),
    Term(
        "horizon",
        "horizon angle",
        "deg",
        "Angle from the ground at a point up to the highest ground seen in one direction within "
        "the limit distance; below zero where all that ground lies lower.",
        -90.0,
        90.0,
    ),
    Term(
        "length",
        "length",
        "m",
        "Length along the ground plan.",
        0.0,
    ),
    Term(
        "limit_distance",
        "limit distance",
        "m",
        "How far out ground is looked at for the horizon; ground beyond it is not seen.",
        1.0,
        20_000.0,
    ),
    Term(
        "mean_speed",
        "mean wind speed",
        "m/s",
        "Mean speed of the wind when it comes from a direction, at the height it was measured.",
        0.0,
        60.0,
    ),
    Term(
        "name",
        "name",
        "text",
        "Name a feature goes by.",
    ),
    Term(
        "need",
        "need",
        "1",
        "How much a place needs shelter, against others; 1 where nothing is said.",
        0.0,
        1000.0,
    ),
    Term(
        "not_modelled",
        "area not modelled",
        "ha",
        "Sheltered area on which most of the shelter shown comes over ground steeper than 17°"
        " along the wind, where the method does not hold.",
        0.0,
    ),
    Term(
        "parcel_id",
        "parcel",
        "text",
        "Identifier of the parcel a place lies in.",
    ),
    Term(
        "place_wind",
        "mean relative wind",
        "1",
        "Mean relative wind over a place, over its wind set.",
        0.0,
        1.25,
    ),
    Term(
        "planted_year",
        "year planted",
        "text",
        "Calendar year in which a belt was planted.",
    ),
    Term(
        "porosity",
        "optical porosity",
        "1",
        "Share of sky seen through the belt, square to it, in leaf.",
        0.0,
        1.0,
    ),
    Term(
        "porosity_low",
        "porosity of the lower half",
        "1",
        "Optical porosity of the lower half of the belt, in leaf; it rules the wind near by.",
        0.0,
        1.0,
    ),
    Term(
        "purpose",
        "purpose",
        "text",
        "What a place is sheltered for.",
    ),
    Term(
        "reach_likely",
        "likely reach",
        "m",
        "Distance behind a belt, the wind square to it, to where 80 % of the open wind is back.",
        0.0,
    ),
    Term(
        "reach_possible",
        "possible reach",
        "m",
        "The likely reach and one standard deviation of measured belts more (× 1.24).",
        0.0,
    ),
    Term(
        "reason",
        "reason",
        "text",
        "Why something is so, in words.",
    ),
    Term(
        "relative_wind",
        "relative wind",
        "1",
        "Wind speed with belts over wind speed without them, same place and height: 1 is open, "
        ".4 means 60 % of the wind is taken off.",
        0.0,
        1.25,
    ),
    Term(
        "season",
        "season",
        "text",
        "State of the belts: in leaf or bare.",
    ),
    Term(
        "shelter_zone",
        "shelter zone",
        "text",
        "Class of relative wind, the cut in wind said in words.",
    ),
    Term(
        "sheltered_area",
        "sheltered hectares",
        "ha",
        "Hectares that would lose all their wind if what belts take off were heaped together:"
        " two hectares losing half count as one.",
    ),
    Term(
        "species",
        "species",
        "text",
        "Main species of a belt, by its plain name.",
    ),
    Term(
        "target",
        "target",
        "1",
        "Relative wind to aim for on a place, from its purpose.",
        0.0,
        1.25,
    ),
    Term(
        "target_reached",
        "target reached",
        "text",
        "When the mean relative wind of a place first comes down to its target: as surveyed, "
        "in a year, or not by the last year looked at.",
    ),
    Term(
        "topex",
        "topex",
        "deg",
        "Sum of the horizon angles over the eight compass points of the grid, to the limit "
        "distance: low or below zero on exposed ground, high in shelter of the land.",
        -720.0,
        720.0,
    ),
    Term(
        "weibull_k",
        "Weibull shape",
        "1",
        "Shape of the spread of wind speeds; 2 when nothing is known.",
        0.5,
        10.0,
    ),
    Term(
        "wind_power",
        "power of the wind",
        "1",
        "Power of wind speed by which winds count: 1 for wind run, 2 for force, 3 for erosion.",
        0.5,
        4.0,
    ),
    Term(
        "wind_share",
        "share of wind run",
        "1",
        "Share of all the wind that passes in a year that comes from a direction: frequency "
        "times mean speed over its sum.",
        0.0,
        1.0,
    ),
    Term(
        "year",
        "year",
        "text",
        "Calendar year a result holds for; empty as surveyed.",
    ),
)

TERMS: dict[str, Term] = {
    term.name: term
    for term in sorted((*_TABLE, *GRANT_TERMS, *SITING_TERMS), key=lambda term: term.name)
}
"""All terms by name."""
