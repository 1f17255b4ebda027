"""Quantities of money and grants."""

from __future__ import annotations

from shelterscape.terms.term import Term

GRANT_TERMS = (
    Term(
        "advice",
        "advice",
        "text",
        "What to do next; a caution, never a decision.",
    ),
    Term(
        "belt_list",
        "belts",
        "text",
        "Names of the belts that count together.",
    ),
    Term(
        "block",
        "block",
        "1",
        "Number of the block of joined belts, from 1 for each scheme; 0 where a part "
        "belongs to none.",
        0.0,
    ),
    Term(
        "caution",
        "caution",
        "text",
        "What to keep in mind: screening only, the grant body decides, rules change; with "
        "the date of the rules used.",
    ),
    Term(
        "cost_minor",
        "planting cost",
        "minor",
        "Cost of planting, in whole minor money units such as cents.",
        0.0,
    ),
    Term(
        "country",
        "country",
        "text",
        "Country whose rule it is.",
    ),
    Term(
        "currency",
        "currency",
        "text",
        "Currency of the amounts, by its three letters.",
    ),
    Term(
        "effect",
        "effect",
        "text",
        "What reaching it asks for: notify or consent.",
    ),
    Term(
        "evergreen_share",
        "evergreen share",
        "1",
        "Share of the plants of a belt that keep their leaves in winter.",
        0.0,
        1.0,
    ),
    Term(
        "native_share",
        "native share",
        "1",
        "Share of the plants of a belt that are of species the scheme takes for native.",
        0.0,
        1.0,
    ),
    Term(
        "open_share",
        "open-ground share",
        "1",
        "Share of a belt's ground left without trees or shrubs.",
        0.0,
        1.0,
    ),
    Term(
        "paid_count",
        "counted",
        "1",
        "How many metres, hectares, trees or minor units of cost a payment goes by.",
        0.0,
    ),
    Term(
        "payment_kind",
        "kind of payment",
        "text",
        "Paid once (capital) or year by year (yearly).",
    ),
    Term(
        "payment_minor",
        "payment",
        "minor",
        "Grant, in whole minor money units such as cents, rounded half up by row, after caps.",
    ),
    Term(
        "payment_per",
        "paid per",
        "text",
        "What a payment goes by: m, ha, tree or cost.",
    ),
    Term(
        "payment_what",
        "payment for",
        "text",
        "What a payment is for, as the scheme words it.",
    ),
    Term(
        "plants",
        "plants",
        "1",
        "Number of plants.",
        0.0,
    ),
    Term(
        "plants_per_ha",
        "plants per hectare",
        "1/ha",
        "Plants on a hectare of belt, counted to the outer stems.",
        0.0,
        100000.0,
    ),
    Term(
        "result",
        "result",
        "text",
        "Whether it qualifies, or whether a threshold is reached.",
    ),
    Term(
        "rule",
        "rule",
        "text",
        "Rule that is compared with.",
    ),
    Term(
        "scheme",
        "grant scheme",
        "text",
        "Name of the grant scheme.",
    ),
    Term(
        "source",
        "source",
        "text",
        "Where a figure is from, with its status.",
    ),
    Term(
        "start_year",
        "start year",
        "year",
        "Calendar year of planting, in which the first payment falls.",
        1900.0,
        2200.0,
    ),
    Term(
        "uncapped_minor",
        "payment before caps",
        "minor",
        "What the payment would be without the caps of its scheme.",
    ),
    Term(
        "years_covered",
        "years",
        "text",
        "First and last year that count together.",
    ),
)
"""Terms of grants, payments and thresholds."""
