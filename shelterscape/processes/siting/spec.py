"""Inputs and cautions of `siting`."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from shelterscape.process import Figure, Process
from shelterscape.process.cases import CaseInputs
from shelterscape.process.grant_inputs import GrantMaps
from shelterscape.process.hourly_inputs import CHILL_CAUTION, HourlyInputs
from shelterscape.process.inputs import Places, Several, Source, quantity
from shelterscape.process.unmapped_ground import UnmappedGround
from shelterscape.processes.siting.aims import MOST_SHELTER, AimInputs
from shelterscape.processes.siting.crop_inputs import CropInputs
from shelterscape.processes.siting.outputs import OUTPUTS

SPACING_H, LONGEST_M, STEEPEST_DEG = 15.0, 400.0, 25.0
MIN_FIELD_PART_HA, WORKING_WIDTH_M, BOUNDARY_PREFERENCE, LAND_WEIGHT = 1.0, 12.0, 0.7, 1.0
JOIN_LOSS, SEED_DISTANCE_M, DELAY_YEARS = 0.02, 50.0, 5
SCREEN_HEIGHT_M, SCREEN_POROSITY, SCREEN_YEARS = 1.8, 0.5, 10
MINOR_UNITS = 100
"""Defaults of `science.siting`, which descriptions do not import; a test compares them."""

RECORD = "record.json"
"""Name of the record in the folder of a run."""

CandidateType = Literal[
    "drawn",
    "parcel-edges",
    "across-wind",
    "corner-shapes",
    "restoration",
    "natural-regeneration",
    "temporary-screen",
]
DEFAULT_TYPES: tuple[CandidateType, ...] = (
    "drawn",
    "parcel-edges",
    "across-wind",
    "corner-shapes",
    "restoration",
)

DEFAULT_MONTE_CARLO_RUNS = 200


def layer_field(what: str, text: str) -> Any:
    """An optional layer with what it is and what it is for."""
    note = Field(description=f"{text} As PATH or PATH:LAYER.")
    return Annotated[str | None, Source("layer", what), note]


class SitingInputs(CaseInputs, GrantMaps, UnmappedGround, HourlyInputs, AimInputs, CropInputs):
    """Inputs of `siting`."""

    purposes: tuple[str, ...] = Field(
        (),
        description="Purposes of the places that count, where several do, each with the priority "
        "of its places; by default that of purpose, or all.",
        examples=["lambing"],
    )
    belts: layer_field(  # type: ignore[valid-type]
        "belt layer", "Existing belts: lines or polygons with height_m; without it there are none."
    ) = None
    places: Places = None
    woods: layer_field(  # type: ignore[valid-type]
        "layer of woods",
        "Woods as polygons with the columns of belts: they shelter, and no line crosses them.",
    ) = None
    parcels: layer_field(  # type: ignore[valid-type]
        "parcel layer", "Parcels, along whose edges and across which lines are placed."
    ) = None
    holdings: layer_field(  # type: ignore[valid-type]
        "holding layer", "Holdings with holding_id (public: true or false); no belt outside them."
    ) = None
    candidate_lines: layer_field(  # type: ignore[valid-type]
        "layer of candidate lines",
        "Lines drawn by the planner, optionally with name, design, must_have and forbidden.",
    ) = None
    keep_clear: layer_field(  # type: ignore[valid-type]
        "keep-clear layer", "Ground without belts, with reason and clear_m, its clearance."
    ) = None
    water: layer_field(  # type: ignore[valid-type]
        "layer of water", "Streams, ditches and ponds, with clear_m, their clearance (5 m)."
    ) = None
    openings: layer_field(  # type: ignore[valid-type]
        "layer of openings", "Gateways, tracks and streams that belts leave open, with width_m."
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
            description="TOML file of belt designs, restoration works and their costs, in place of "
            "the packaged ones, whose costs are invented."
        ),
    ] = None
    design: str = Field(
        "",
        description="Design of new belts; by default the first that suits the purpose.",
        examples=["tree belt"],
    )
    planting_year: int = quantity("planting_year")
    candidate_types: tuple[CandidateType, ...] = Field(
        DEFAULT_TYPES,
        description="Candidates to compare: drawn lines, parcel edges, lines across the damaging "
        "wind, L and cross shapes on stock areas, restoration of existing belts; on request fences "
        "along parcel edges near trees for natural regeneration, and new belts behind a temporary "
        "screen.",
        min_length=1,
    )
    spacing_h: float = quantity("spacing_h", SPACING_H)
    longest_m: float = quantity("longest_m", LONGEST_M)
    slope_limit_deg: float = quantity("slope_limit_deg", STEEPEST_DEG)
    boundary_preference: float = quantity("boundary_preference", BOUNDARY_PREFERENCE)
    land_weight: float = quantity("land_weight", LAND_WEIGHT)
    min_field_part_ha: float = quantity("min_field_part_ha", MIN_FIELD_PART_HA)
    working_width_m: float = quantity("working_width_m", WORKING_WIDTH_M)
    seed_distance_m: float = quantity("seed_distance_m", SEED_DISTANCE_M)
    regeneration_delay_years: int = quantity("regeneration_delay_years", DELAY_YEARS)
    screen_height_m: float = quantity("screen_height_m", SCREEN_HEIGHT_M)
    screen_porosity: float = quantity("screen_porosity", SCREEN_POROSITY)
    screen_years: int = quantity("screen_years", SCREEN_YEARS)
    screen_cost_per_m: str = Field(
        "",
        description="Cost of a metre of temporary screen, with moving it. Without it screens are "
        "reported as not priced, and a budget of money cannot compare them.",
        examples=["9.50"],
    )
    join_loss: float = quantity("join_loss", JOIN_LOSS)
    allow_short: bool = Field(
        False,
        description="Also choose belts that, with the existing belts and woods they adjoin, are "
        "shorter than 10 heights at 20 years.",
    )
    budget_m: float | None = quantity("budget_m", None)
    budget: str = Field(
        "",
        description="Largest amount of money to be spent, such as 12000 or 12000.50.",
        examples=["12000.50"],
    )
    budget_net: str = Field(
        "",
        description="Largest amount of money to be spent net of grant; needs schemes and replaces "
        "budget.",
        examples=["12000.50"],
    )
    schemes: Annotated[
        Several,
        Source("file", "scheme file"),
        Field(description="Grant schemes deducted from costs (TOML, see docs/grants.md)."),
    ] = ()
    terrain: bool = Field(
        True,
        description="Weight each wind direction on each cell by the terrain wind there; where "
        "terrain wind is not modelled, as on flat, open terrain.",
    )
    holding_budget_m: float | None = quantity("budget_m", None, "On each holding.")
    holding_budget: str = Field(
        "",
        description="Largest amount of money to be spent on each holding.",
        examples=["12000.50"],
    )
    phases: int = quantity("phases", 1, "The budget is divided equally between them.")
    must_have: tuple[str, ...] = Field(
        (),
        description="Candidates that every choice includes, besides lines with must_have.",
        examples=["A0001"],
    )
    forbidden: tuple[str, ...] = Field(
        (),
        description="Candidates that no choice includes, besides lines with forbidden.",
        examples=["A0001"],
    )
    compare: Annotated[
        str | None,
        Source("file", "record of the run to compare with"),
        Field(description="Folder of an earlier run of siting to compare this plan with, as PATH."),
    ] = None
    monte_carlo_runs: int = quantity("monte_carlo_runs", DEFAULT_MONTE_CARLO_RUNS)
    seed: int = quantity("seed", 1)

    @field_validator("candidate_types", "purposes", "must_have", "forbidden")
    @classmethod
    def _only_once(cls, several: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(dict.fromkeys(several))

    @field_validator("compare")
    @classmethod
    def _record_of(cls, value: str | None) -> str | None:
        """The record of the run, with the checksums of all its files."""
        if not value or value.endswith(RECORD) or value.startswith("step:"):
            return value or None
        return f"{value.rstrip('/')}/{RECORD}"

    @field_validator("budget", "budget_net", "holding_budget", "screen_cost_per_m", mode="before")
    @classmethod
    def _amount(cls, value: Any) -> str:
        text = "" if value is None else str(value).strip()
        if text:
            minor_units(text)
        return text

    @model_validator(mode="after")
    def _some_budget(self) -> SitingInputs:
        if self.aim != MOST_SHELTER:
            return self._without_budget()
        if self.budget_m is None and not self.budget and not self.budget_net:
            raise ValueError(
                "give a budget: budget_m in metres, budget in money or budget_net net of grant"
            )
        if self.budget_net and not self.schemes:
            raise ValueError("budget_net is net of grant: give the scheme files as schemes")
        if self.budget and self.schemes:
            raise ValueError("with schemes money is counted net of grant: give it as budget_net")
        unpriced = "temporary-screen" in self.candidate_types and not self.screen_cost_per_m
        if unpriced and (self.budget or self.budget_net or self.holding_budget):
            raise ValueError(
                "a budget of money needs the cost of temporary screens: give screen_cost_per_m"
            )
        return self

    def _without_budget(self) -> SitingInputs:
        """Inputs of a set that reaches targets; its length and cost are results."""
        limits = (self.budget_m, self.budget, self.budget_net, self.holding_budget_m)
        if any(limits) or self.holding_budget or self.phases > 1:
            raise ValueError(f"with aim “{self.aim}” leave budgets and phases out")
        if not self.places:
            raise ValueError(f"aim “{self.aim}” needs places with targets: give places")
        if self.schemes:
            raise ValueError(
                f"with aim “{self.aim}” money is counted without grants: leave schemes out"
            )
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


PROCESS = Process(
    id="siting",
    version="4.2.0",
    title="Where new or restored belts protect most",
    summary="Places candidate lines for new and restored belts, removes what is not allowed, "
    "calculates the shelter each adds to the places, and chooses the best set within a budget of "
    "metres or money.",
    inputs=SitingInputs,
    outputs=OUTPUTS,
    cautions=(
        "Belts are chosen by shelter and field use alone. Near roads, power lines, pipes, drains "
        "and buildings follow the local code and the clearances of the owner or operator, consult "
        "a qualified forester, and keep a distance of at least the height the trees will reach.",
        "A belt may drift snow onto a road behind it, hold back cold air on a slope and so cause "
        "frost, shade a road so that ice remains, and block the view at bends, crossings and "
        "accesses: inspect each line on the ground and consult the highway authority.",
        "The table of constraint checks lists what was not checked because no layer was given. A "
        "line without a constraint is not thereby permitted.",
        "Costs are for ranking; the packaged ones are invented. Heights and porosities in future "
        "years are estimated by growth curves and assumed values.",
        "Old belts that are coppiced, laid or thinned may shed branches or fall during the work: "
        "have them inspected by a qualified arboriculturist first.",
        CHILL_CAUTION,
    ),
    sources=(
        "Bearing across the wind: the sum of f⟨U^p⟩ |sin| over the wind set, in closed form.",
        "Length of at least 10 heights: US Natural Resources Conservation Service (status S). "
        "Spacing: about 25 heights are usual (AMS Glossary, status S); lines are placed closer to "
        "allow a choice.",
        "Several belts: the smallest relative wind applies, as in Vigiak and others 2003 (status "
        "S2), while lines are compared; the chosen set is evaluated in full.",
        "Crops lose within 1 to 2 heights of a belt and gain beyond: Kort 1988; Cleugh and others "
        "2002 (status S). Gain by crop: texts that cite Kort 1988 (status S2). The default of the "
        "discount rate is assumed.",
        "Sheep chill index: Nixon-Smith 1972; Donnelly 1984, Australian Journal of Agricultural "
        "Research 35:709-721 (status S2); wind at its height by the log law (common practice).",
        "Distances, clearances, what counts against a belt for the working land (docs/siting.md), "
        "and the effect of restoration on a belt: assumed values, stated where they are used.",
    ),
    figures=(
        Figure("best_candidates"),
        Figure("belt_count"),
        Figure("chosen_length_m"),
        Figure("cost", role="cost"),
        Figure("net_cost"),
        Figure("own_places_reached", role="places"),
        Figure("own_benefit_ha", role="benefit"),
        Figure("chosen_boundary_share"),
        Figure("shelter_alone_boundary_share"),
        Figure("chosen_benefit_ha"),
        Figure("shelter_alone_benefit_ha"),
        Figure("benefit_given_up_share"),
        Figure("free_end_count"),
        Figure("shelter_error_factor"),
        Figure("currency"),
    ),
    work="shelterscape.processes.siting.work",
    open_first=("preview-chosen_belts.png", "layers.gpkg"),
)
