"""Inputs of every process that calculates shelter for seasons and years."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, field_validator

from shelterscape.process.inputs import (
    Belts,
    FieldNames,
    Places,
    TerrainInputs,
    Winds,
    quantity,
)

Season = Literal["in-leaf", "bare"]
PurposeName = Literal[
    "lambing",
    "outwintering stock",
    "crop",
    "bare soil",
    "orchard",
    "yard and house",
    "young trees",
    "old trees",
    "road snow",
]

DEFAULT_SEASONS: tuple[Season, ...] = ("in-leaf", "bare")
DEFAULT_HEIGHT_M, DEFAULT_POWER = 1.5, 1.0


def _of_our_age(year: int) -> int:
    if not 1900 <= year <= 2200:
        raise ValueError("a year must lie between 1900 and 2200")
    return year


# Each year by itself, so that an error shows the one at fault.
Year = Annotated[int, AfterValidator(_of_our_age)]


class CaseInputs(TerrainInputs):
    """Inputs of every process that looks at belts through seasons and years."""

    winds: Winds
    belts: Belts
    places: Places = None
    purpose: PurposeName | None = Field(
        None,
        description="What the shelter is for; it settles wind subset, season, height and power "
        "where these are not given.",
    )
    subset: str = Field(
        "",
        description="Subset of the wind set to use; by default the one named for the purpose or "
        "the season, else all winds.",
    )
    seasons: tuple[Season, ...] | None = Field(
        None,
        description="State of the belts: in-leaf, bare or both. Both by default, or that of the "
        "purpose.",
    )
    years: tuple[Year | Literal["surveyed"], ...] = Field(
        ("surveyed",),
        description="Calendar years to grow the belts to, or the word surveyed.",
        min_length=1,
    )
    local_heights: tuple[str, ...] = Field(
        (),
        description="Height seen on the spot, as species, metres and years, such as "
        '"ash 9 m at 25"; used for that species instead of its usual height.',
    )
    curve: Literal["mid", "barrier", "field", "handbook"] = Field(
        "mid", description="Shelter curve: relative wind against distance behind one belt."
    )
    combine: Literal["smallest", "product"] = Field(
        "smallest",
        description="Where several belts act: the smallest relative wind, or their product "
        "(optimistic).",
    )
    ends: bool = Field(True, description="Let the wind rise outside the ends of belts.")
    at_height_m: float | None = quantity(
        "at_height", None, f"{DEFAULT_HEIGHT_M:g} m by default, or that of the purpose."
    )
    power: float | None = quantity("wind_power", None, "1 by default, or that of the purpose.")
    fields: FieldNames = Field(default_factory=dict)

    @field_validator("seasons", "years", "local_heights")
    @classmethod
    def _each_once(cls, several: tuple[Any, ...] | None) -> tuple[Any, ...] | None:
        return several if several is None else tuple(dict.fromkeys(several))
