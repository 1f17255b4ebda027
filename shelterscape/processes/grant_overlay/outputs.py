"""What `grant-overlay` writes, declared once."""

from __future__ import annotations

from shelterscape.process import Layer, Output, Picture, Table
from shelterscape.science.grants.parts import FAILS, QUALIFIES

SCREENED = "Screening only: the grant body decides, and rules change."

RESULT_COLOURS = {QUALIFIES: "#1f5f4a", FAILS: "#c47f2c"}

_WHO = {"name": "name", "holding_id": "holding_id", "parcel_id": "parcel_id"}
_CAUTION = {"caution": "caution"}
_SUMS = {
    "uncapped_minor": "uncapped_minor",
    "payment_minor": "payment_minor",
    "currency": "currency",
    **_CAUTION,
}

OUTPUTS: tuple[Output, ...] = (
    Layer(
        "grant_parts",
        "polygon",
        {
            **_WHO,
            "scheme": "scheme",
            "result": "result",
            "reason": "reason",
            "block": "block",
            "area_ha": "area",
            "length_m": "length",
            "plants": "plants",
            "payment_minor": "payment_minor",
            "currency": "currency",
            **_CAUTION,
        },
        f"Parts of belts that qualify for each scheme or do not, with the reason. {SCREENED}",
        colour_by="result",
        colours=RESULT_COLOURS,
    ),
    Table(
        "grant_payments",
        {
            **_WHO,
            "scheme": "scheme",
            "what": "payment_what",
            "kind": "payment_kind",
            "per": "payment_per",
            "counted": "paid_count",
            "year": "year",
            **_SUMS,
        },
        f"Every payment by belt, scheme, rate and year. {SCREENED}",
    ),
    Table(
        "grant_by_holding",
        {"holding_id": "holding_id", "name": "name", "scheme": "scheme", **_SUMS},
        f"Payments over all years by holding and scheme. {SCREENED}",
    ),
    Table(
        "grant_by_scheme",
        {"scheme": "scheme", **_SUMS},
        f"Payments over all years by scheme. {SCREENED}",
    ),
    Table(
        "grant_by_year",
        {"year": "year", "scheme": "scheme", **_SUMS},
        f"Payments by year and scheme. {SCREENED}",
    ),
    Table(
        "grant_reasons",
        {
            **_WHO,
            "scheme": "scheme",
            "reason": "reason",
            "area_ha": "area",
            "length_m": "length",
            **_CAUTION,
        },
        f"Parts that do not qualify, with the figure that fails. {SCREENED}",
    ),
    Table(
        "grant_widening",
        {
            **_WHO,
            "scheme": "scheme",
            "width_m": "belt_width",
            "width_asked_m": "belt_width",
            "extra_ha": "area",
            "extra_cost_minor": "cost_minor",
            "extra_payment_minor": "payment_minor",
            "still_fails": "reason",
            "currency": "currency",
            **_CAUTION,
        },
        "What widening belts too narrow for a scheme would cost and bring: each by itself, then "
        f"all of a scheme's together. {SCREENED}",
    ),
    Table(
        "assessment_thresholds",
        {
            "country": "country",
            "rule": "rule",
            "effect": "effect",
            "belts": "belt_list",
            "years": "years_covered",
            "area_ha": "area",
            "threshold_ha": "area",
            "result": "result",
            "advice": "advice",
            "source": "source",
            **_CAUTION,
        },
        "New planting that counts together, beside thresholds of environmental assessment: a "
        "caution, not a decision; the authority decides, and rules change.",
    ),
    Picture("grant_parts", f"Which scheme pays for which belt, over grant areas. {SCREENED}"),
)
