"""What `siting` needs, writes and warns of."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from shelterscape.process import Figure, Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.cases import CaseInputs
from shelterscape.process.grant_inputs import GrantMaps
from shelterscape.process.inputs import Places, RoughGround, Several, Source, quantity

SPACING_H, LONGEST_M, STEEPEST_DEG = 15.0, 400.0, 25.0
MINOR_UNITS = 100
"""Defaults of `science.siting`, which descriptions do not import; a test compares them."""

Way = Literal["drawn", "edges", "across", "corners", "mending"]
EVERY_WAY: tuple[Way, ...] = ("drawn", "edges", "across", "corners", "mending")

USUAL_RERUNS = 200


def layer_field(what: str, text: str) -> Any:
    """An optional layer with what it is and what it is for."""
    note = Field(description=f"{text} As PATH or PATH:LAYER.")
    return Annotated[str | None, Source("layer", what), note]


class SitingInputs(CaseInputs, GrantMaps, RoughGround):
    """Inputs of `siting`."""

    belts: layer_field(  # type: ignore[valid-type]
        "belt layer", "Belts that stand: lines or polygons with height_m; none on bare ground."
    ) = None
    places: Places = None
    woods: layer_field(  # type: ignore[valid-type]
        "layer of woods", "Woods as areas with the columns of belts: they shelter, and bar lines."
    ) = None
    parcels: layer_field(  # type: ignore[valid-type]
        "parcel layer", "Parcels, along whose edges and over which lines are laid; holding_id."
    ) = None
    holdings: layer_field(  # type: ignore[valid-type]
        "holding layer", "Holdings with holding_id (public: true or false); no belt outside them."
    ) = None
    candidate_lines: layer_field(  # type: ignore[valid-type]
        "layer of candidate lines",
        "Lines drawn by you, with name, design, must_have and forbidden where wanted.",
    ) = None
    keep_clear: layer_field(  # type: ignore[valid-type]
        "keep-clear layer", "Ground no belt may stand on, with reason and clear_m, its clearance."
    ) = None
    water: layer_field(  # type: ignore[valid-type]
        "layer of water", "Streams, ditches and ponds; clear_m, 5 m where not given."
    ) = None
    openings: layer_field(  # type: ignore[valid-type]
        "layer of openings", "Gateways, tracks and streams that belts leave open; width_m."
    ) = None
    constraints: Annotated[
        Several,
        Source("layer", "layer of constraints"),
        Field(
            description="Layers of constraints with effect (forbid, consent, consult, note), "
            "constraint, distance_m, authority and date, each as PATH or PATH:LAYER."
        ),
    ] = ()
    designs: Annotated[
        str | None,
        Source("file", "file of designs"),
        Field(
            description="Belt designs, mending and their costs as a TOML file in place of the "
            "packaged ones, whose costs are invented."
        ),
    ] = None
    design: str = Field(
        "", description="Design of new belts; by default the first that suits the purpose."
    )
    planting_year: int = quantity("planting_year")
    offer: tuple[Way, ...] = Field(
        EVERY_WAY,
        description="What to offer: lines drawn, parcel edges, lines across the damaging wind, L "
        "and cross shapes on stock ground, mending of existing belts.",
        min_length=1,
    )
    spacing_h: float = quantity("spacing", SPACING_H)
    longest_m: float = quantity("longest_line", LONGEST_M)
    slope_limit_deg: float = quantity("slope_limit", STEEPEST_DEG)
    budget_m: float | None = quantity("budget_length", None)
    budget: str = Field(
        "", description="Most money that may be spent, in whole units with two decimals at most."
    )
    budget_net: str = Field(
        "",
        description="Most money that may be spent net of what the schemes pay; needs schemes and "
        "takes the place of budget.",
    )
    schemes: Annotated[
        Several,
        Source("file", "scheme file"),
        Field(description="Grant schemes to count against costs (TOML, see docs/grants.md)."),
    ] = ()
    terrain: bool = Field(
        True,
        description="Let hills weigh each wind on every cell, as the wind they make there to the "
        "power; where that is not modelled a wind counts as on the plain.",
    )
    holding_budget_m: float | None = quantity("budget_length", None, "On each holding.")
    holding_budget: str = Field("", description="Most money that may be spent on each holding.")
    phases: int = quantity("phase_count", 1, "The budget is shared out evenly over them.")
    must_have: tuple[str, ...] = Field(
        (), description="Candidates every choice has, besides lines drawn with must_have."
    )
    forbidden: tuple[str, ...] = Field(
        (), description="Candidates no choice has, besides lines drawn with forbidden."
    )
    reruns: int = quantity("reruns", USUAL_RERUNS)
    seed: int = quantity("seed", 1)

    @field_validator("offer", "must_have", "forbidden")
    @classmethod
    def _only_once(cls, several: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(dict.fromkeys(several))

    @field_validator("budget", "budget_net", "holding_budget", mode="before")
    @classmethod
    def _amount(cls, value: Any) -> str:
        text = "" if value is None else str(value).strip()
        if text:
            minor_units(text)
        return text

    @model_validator(mode="after")
    def _some_budget(self) -> SitingInputs:
        if self.budget_m is None and not self.budget and not self.budget_net:
            raise ValueError(
                "give a budget: budget_m in metres, budget in money or budget_net net of grant"
            )
        if self.budget_net and not self.schemes:
            raise ValueError("budget_net is net of grant: give the scheme files as schemes")
        if self.budget and self.schemes:
            raise ValueError("with schemes money is counted net of grant: give it as budget_net")
        return self


def minor_units(text: str) -> int | None:
    """An amount of money in whole minor units; None where none is given."""
    if not text:
        return None
    try:
        amount = Decimal(text) * MINOR_UNITS
    except InvalidOperation:
        amount = Decimal("NaN")
    if not amount.is_finite() or amount < 0 or amount != amount.to_integral_value():
        raise ValueError("an amount of money is a number with at most two decimals, like 12000.50")
    return int(amount)


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

PROCESS = Process(
    id="siting",
    version="1.2.0",
    title="Where belts help most",
    summary="Lays out lines where belts could go or be mended, cuts them by what stands in their "
    "way, works out what each would bring to the places that need shelter, and chooses the best "
    "set within a budget of metres or money.",
    inputs=SitingInputs,
    outputs=OUTPUTS,
    cautions=(
        "Belts are chosen by shelter alone. Near roads, power lines, pipes, drains and buildings "
        "keep the clearances of the local code and of the owner or operator, ask a licensed "
        "practitioner, and keep at least the height the trees will reach.",
        "A belt may drift snow onto a road behind it, hold cold air above it on a slope and so "
        "bring frost, shade a road into ice, and hide the view at bends, crossings and accesses: "
        "look at each line on the ground.",
        "What was not checked for want of a layer stands in the table of constraints; a line "
        "without a constraint is not thereby allowed.",
        "Costs rank lines against each other; the packaged ones are invented. Heights and "
        "porosities of years to come are estimated by growth curves and assumed values.",
        "Old belts that are cut, laid or thinned may shed branches or fall while the work goes on: "
        "have them looked at by a licensed tree inspector first.",
    ),
    sources=(
        "Bearing across the wind: the sum of f⟨U^p⟩ |sin| over the wind set, in closed form.",
        "Length of at least 10 heights: US Natural Resources Conservation Service (status S). "
        "Spacing: about 25 heights are usual (AMS Glossary, status S); lines are laid closer to "
        "leave a choice.",
        "Several belts: the smallest relative wind rules, as in Vigiak and others 2003 (status "
        "S2), while lines are compared; the set chosen is worked out in full.",
        "Crops lose within 1 to 2 heights of a belt and gain beyond: Kort 1988; Cleugh and others "
        "2002 (status S).",
        "Distances, clearances, mending and what it does to a belt: engineering choices, said "
        "where they stand.",
    ),
    figures=(
        Figure("best_candidates", "best_candidates"),
        Figure("chosen_m", "chosen_length"),
        Figure("cost_minor", "chosen_cost", role="cost"),
        Figure("need_met_ha", "need_met", role="benefit"),
    ),
    work="shelterscape.processes.siting.work",
)
