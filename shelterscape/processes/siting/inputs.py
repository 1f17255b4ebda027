"""What `siting` asks for."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from shelterscape.process.cases import CaseInputs
from shelterscape.process.grant_inputs import GrantMaps
from shelterscape.process.inputs import Places, RoughGround, Several, Source, quantity
from shelterscape.science.siting.cutting import STEEPEST_DEG
from shelterscape.science.siting.designs import MINOR_UNITS
from shelterscape.science.siting.generated_lines import LONGEST_M, SPACING_H

Way = Literal["drawn", "edges", "across", "corners", "mending"]
EVERY_WAY: tuple[Way, ...] = ("drawn", "edges", "across", "corners", "mending")

USUAL_RERUNS = 200


def layer_field(what: str, text: str) -> Any:
    """An optional layer with what it is and what it is for."""
    note = Field(description=f"{text} As PATH or PATH:LAYER.")
    return Annotated[str | None, Source("layer", what), note]


class SitingInputs(CaseInputs, GrantMaps, RoughGround):
    """What `siting` asks for."""

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
