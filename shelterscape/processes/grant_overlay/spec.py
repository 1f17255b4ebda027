"""What `grant-overlay` needs, writes and warns of."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from shelterscape.process import Figure, Layer, Output, Picture, Process, Table
from shelterscape.process.grant_inputs import GrantMaps
from shelterscape.process.inputs import FieldNames, Several, Source, quantity


class GrantOverlayInputs(GrantMaps):
    """Inputs of `grant-overlay`."""

    belts: Annotated[
        str,
        Source("layer", "belt layer"),
        Field(
            description="Belts or candidates to be planted: lines or areas, with width_m, "
            "cost_minor, species, plants_per_ha, holding_id and parcel_id where known, as PATH or "
            "PATH:LAYER."
        ),
    ]
    schemes: Annotated[
        Several,
        Source("file", "scheme file"),
        Field(min_length=1, description="Scheme files (TOML, see docs/grants.md)."),
    ]
    holdings: Annotated[
        str | None,
        Source("layer", "layer of holdings"),
        Field(
            description="Holdings: areas with holding_id and name, for belts that do not name "
            "theirs, as PATH or PATH:LAYER."
        ),
    ] = None
    neighbours: Annotated[
        str | None,
        Source("layer", "layer of neighbouring belts"),
        Field(
            description="Belts planted or planned beside these, with width_m and planted_year, "
            "that count towards thresholds, as PATH or PATH:LAYER."
        ),
    ] = None
    thresholds: Annotated[
        str | None,
        Source("file", "threshold file"),
        Field(
            description="Thresholds of environmental assessment (TOML, see docs/grants.md); those "
            "of the package by default."
        ),
    ] = None
    country: str = Field("", description="Country whose thresholds count; all of them by default.")
    start_year: int = quantity("start_year")
    plants_per_ha: float = quantity("plants_per_ha", 2500.0, "Used where the layer does not say.")
    to_crs: str | None = Field(
        None, description="Coordinate system in metres to work in, such as EPSG:25832."
    )
    fields: FieldNames = Field(default_factory=dict)


SCREENED = "Screening only: the grant body decides, and rules change."

RESULT_COLOURS = {"qualifies": "#1f5f4a", "does not qualify": "#c47f2c"}

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

PROCESS = Process(
    id="grant-overlay",
    version="1.1.0",
    title="What grants would pay for new belts",
    summary="Lays belts as planted over grant areas and agreements, tests them by the rules in "
    "scheme files, and writes payments by belt, holding, scheme and year, the reason for every "
    "part that does not qualify, what widening would bring, and thresholds of assessment.",
    inputs=GrantOverlayInputs,
    outputs=OUTPUTS,
    cautions=(
        "Screening only: the grant body decides. Rules change; every row shows the date of the "
        "scheme file it rests on. Read the scheme itself before you plan or apply.",
        "Amounts are what the scheme file says, not discounted, before tax, checks and penalties.",
        "Thresholds of environmental assessment are a caution, not a decision: ask the authority "
        "early, also below them.",
        "A grant does not make a place safe for trees: near roads, power lines, drains and "
        "buildings follow the local code and ask a licensed practitioner.",
    ),
    sources=(
        "Rules and rates: the scheme files given, each with its date, source and status; none come "
        "with the package.",
        "Thresholds: the file given, or assessment_thresholds.toml of the package, each with its "
        "source and status (from memory where it says so).",
        "Rounding, order of caps, joining of blocks, and schemes that bar one another: our own "
        "rules, stated in docs/grants.md (engineering choices).",
    ),
    work="shelterscape.processes.grant_overlay.work",
    figures=(Figure("payment_minor", "chosen_payment"),),
)
