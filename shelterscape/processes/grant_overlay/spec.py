"""Inputs, outputs and cautions of `grant-overlay`."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import Field

from shelterscape.files.styles import LayerStyle
from shelterscape.process import Figure, Layer, Output, Picture, Process, Table
from shelterscape.process.grant_inputs import GrantMaps
from shelterscape.process.inputs import FieldNames, Several, Source, quantity
from shelterscape.process.relief_inputs import ReliefInputs


class GrantOverlayInputs(GrantMaps, ReliefInputs):
    """Inputs of `grant-overlay`."""

    belts: Annotated[
        str,
        Source("layer", "belt layer"),
        Field(
            description="Belts or candidates to be planted: lines or areas, with width_m, cost (in "
            "currency units), species, plants_per_ha, holding_id and parcel_id where known, as "
            "PATH or PATH:LAYER."
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
            description="Holdings: areas with holding_id and name, for belts without holding_id, "
            "as PATH or PATH:LAYER."
        ),
    ] = None
    parcels: Annotated[
        str | None,
        Source("layer", "parcel layer"),
        Field(
            description="Fields with parcel_id, outlined and named on the map, as PATH or "
            "PATH:LAYER; they change no result."
        ),
    ] = None
    neighbours: Annotated[
        str | None,
        Source("layer", "layer of neighbouring belts"),
        Field(
            description="Other belts, planted or planned, with width_m and planted_year, that "
            "count towards thresholds, as PATH or PATH:LAYER."
        ),
    ] = None
    thresholds: Annotated[
        str | None,
        Source("file", "threshold file"),
        Field(
            description="Thresholds of environmental assessment (TOML, see docs/grants.md); the "
            "file of the package by default."
        ),
    ] = None
    country: str = Field(
        "",
        description="Country whose thresholds apply; all countries in the file by default.",
        examples=["Ostrel"],
    )
    as_planted: Annotated[
        str | None,
        Source("layer", "layer of belts as planted"),
        Field(
            description="Lines of belts as planted, with name and, where counted, planted_count "
            "and dead_count, such as a GPX track (track.gpx:tracks), as PATH or PATH:LAYER. They "
            "take the place of the planned lines of the same names."
        ),
    ] = None
    as_planted_table: Annotated[
        str | None,
        Source("table", "table of belts as planted"),
        Field(
            description="The same as the PATH of a CSV table: name, planted_count, dead_count, and "
            "x_m, y_m for each point of a line, in the coordinate system of the belts."
        ),
    ] = None
    start_year: int = quantity("start_year")
    work_from: date | None = Field(
        None,
        description="First planned day of work on the ground, such as fencing; 1 January of the "
        "start year by default.",
        examples=["2026-11-15"],
    )
    approved_on: date | None = Field(
        None,
        description="Day of the last written approval, if there is one; work that waits for "
        "approval starts no earlier.",
        examples=["2026-10-20"],
    )
    plants_per_ha: float = quantity("plants_per_ha", 2500.0, "Used where the layer gives none.")
    to_crs: str | None = Field(
        None,
        description="Coordinate system in metres to work in, such as EPSG:25832.",
        examples=["EPSG:25832"],
    )
    fields: FieldNames = Field(default_factory=dict)


GRANT_CAUTION = "Screening only: the grant body decides, and rules change."

RESULT_COLOURS = {"qualifies": "#1f5f4a", "does not qualify": "#c47f2c"}

_BELT = ("name", "holding_id", "parcel_id")
_SUMS = ("payment_before_caps", "payment", "currency", "caution")

OUTPUTS: tuple[Output, ...] = (
    Layer(
        "grant_parts",
        "polygon",
        (
            *_BELT,
            "scheme",
            "qualification",
            "reason",
            "block",
            "part_area_ha",
            "part_length_m",
            "plants",
            "payment",
            "currency",
            "caution",
        ),
        f"Parts of belts that qualify for each scheme or do not, with the reason. {GRANT_CAUTION}",
        style=LayerStyle("qualification", RESULT_COLOURS),
    ),
    Table(
        "grant_payments",
        (
            *_BELT,
            "scheme",
            "payment_item",
            "payment_kind",
            "payment_basis",
            "paid_quantity",
            "payment_year",
            *_SUMS,
        ),
        f"Every payment by belt, scheme, rate and year. {GRANT_CAUTION}",
    ),
    Table(
        "grant_actions",
        (
            "scheme",
            "holding_id",
            "date_rule",
            "action_date",
            "grant_action",
            "evidence",
            "at_stake",
            "loss_if_missed",
            "currency",
            "caution",
        ),
        "What to do by when, from consent and application to the last check, and what is lost if "
        f"it is missed. {GRANT_CAUTION}",
    ),
    Table(
        "grant_claims",
        (
            *_BELT,
            "scheme",
            "line_source",
            "planted_count",
            "dead_count",
            "living_stems_per_ha",
            "min_stems_per_ha",
            "stem_result",
            "payment_planned",
            "payment",
            "currency",
            "caution",
        ),
        f"Payment for each belt as planned and as planted. {GRANT_CAUTION}",
        optional=True,
    ),
    Table(
        "grant_by_holding",
        ("holding_id", "name", "scheme", *_SUMS),
        f"Payments over all years by holding and scheme. {GRANT_CAUTION}",
    ),
    Table(
        "grant_by_scheme",
        ("scheme", *_SUMS),
        f"Payments over all years by scheme. {GRANT_CAUTION}",
    ),
    Table(
        "grant_by_year",
        ("payment_year", "scheme", *_SUMS),
        f"Payments by year and scheme. {GRANT_CAUTION}",
    ),
    Table(
        "grant_reasons",
        (*_BELT, "scheme", "reason", "part_area_ha", "part_length_m", "caution"),
        f"Parts that do not qualify, with the rule and figure that fail. {GRANT_CAUTION}",
    ),
    Table(
        "grant_widening",
        (
            *_BELT,
            "scheme",
            "width_m",
            "required_width_m",
            "extra_area_ha",
            "extra_cost",
            "extra_payment",
            "still_fails",
            "currency",
            "caution",
        ),
        "Cost and payment added by widening belts that are too narrow for a scheme: each belt by "
        f"itself, then all belts of a scheme together. {GRANT_CAUTION}",
    ),
    Table(
        "assessment_thresholds",
        (
            "country",
            "rule",
            "consequence",
            "belt_names",
            "years_counted",
            "part_area_ha",
            "threshold_ha",
            "threshold_result",
            "advice",
            "source",
            "caution",
        ),
        "Area of new planting that counts together, compared with thresholds of environmental "
        "assessment. Screening only: the authority decides, and rules change.",
    ),
    Picture("grant_parts", f"Map of the scheme that pays for each belt. {GRANT_CAUTION}"),
)

PROCESS = Process(
    id="grant-overlay",
    version="2.1.0",
    title="Grant payments for new belts",
    summary="Intersects belts with grant areas and agreements, applies the rules of scheme files, "
    "and reports payments by belt, holding, scheme and year, the reason for every part that does "
    "not qualify, the effect of widening, and thresholds of environmental assessment.",
    inputs=GrantOverlayInputs,
    outputs=OUTPUTS,
    cautions=(
        "Screening only: the grant body decides. Rules change; every row shows the date of the "
        "scheme file used. Read the rules of the scheme before you plan or apply.",
        "Amounts follow the scheme file. They are not discounted and do not include tax, "
        "inspections or penalties.",
        "The comparison with thresholds of environmental assessment is no decision: consult the "
        "authority early, also below a threshold.",
        "A grant does not make a place safe for trees: near roads, power lines, drains and "
        "buildings follow the local code and consult a qualified forester or arboriculturist.",
    ),
    sources=(
        "Rules and rates: the scheme files given, each with its date, source and status. The "
        "package contains no scheme.",
        "Thresholds: the file given, or assessment_thresholds.toml of the package, each with its "
        "source and status.",
        "Rounding, order of caps, joining of blocks and treatment of incompatible schemes: assumed "
        "rules, stated in docs/grants.md.",
    ),
    work="shelterscape.processes.grant_overlay.work",
    open_first=("preview-grant_parts.png", "layers.gpkg"),
    figures=(
        Figure("payment"),
        Figure("currency"),
    ),
)
