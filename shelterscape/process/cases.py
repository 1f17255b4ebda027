"""Inputs of every process that calculates shelter for seasons and years."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, field_validator

from shelterscape.process import Table
from shelterscape.process.inputs import (
    Belts,
    FieldNames,
    Places,
    Several,
    Source,
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
DEFAULT_HEIGHT_M, DEFAULT_EXPONENT = 1.5, 1.0


def changes_table(name: str) -> Table:
    """Output of a process that reads a survey; outputs of steps of one run have different names.

    Parameters
    ----------
    name : str

    Returns
    -------
    Table
    """
    return Table(
        name,
        (
            "name",
            "changed_column",
            "source_before",
            "value_before",
            "value_source",
            "value_after",
        ),
        "Values of existing belts that the survey set, with those before and their source.",
        optional=True,
    )


# The limits belong to each year, so that an error shows the faulty one.
Year = Annotated[int, Field(ge=1900, le=2200)]


class CaseInputs(TerrainInputs):
    """Inputs of every process that calculates shelter for seasons and years."""

    winds: Winds
    belts: Belts
    places: Places = None
    belt_porosity: Annotated[Several, Source("table", "table of porosity")] = Field(
        (),
        description="Porosity of belts from photographs, joined by the name of the belt: PATH of "
        "the table belt_porosity that photo-porosity writes. It replaces that of the layer.",
    )
    survey: Annotated[str | None, Source("table", "table of the survey")] = Field(
        None,
        description="Survey of belts on foot, joined by the name of the belt: PATH of a CSV "
        "table. It replaces values of photographs and of the layer.",
    )
    purpose: PurposeName | None = Field(
        None,
        description="What the shelter is for. It sets wind subset, season, height and wind-speed "
        "exponent where these are not given.",
    )
    subset: str = Field(
        "",
        description="Subset of the wind set to use; by default the one named for the purpose or "
        "the season, else the whole record.",
        examples=["winter"],
    )
    seasons: tuple[Season, ...] | None = Field(
        None,
        description="Leaf state of the belts: in-leaf, bare or both. By default both, or the "
        "season of the purpose.",
    )
    years: tuple[Year | Literal["surveyed"], ...] = Field(
        ("surveyed",),
        description="Calendar years to project the growth of belts to; surveyed for belts as "
        "surveyed.",
        min_length=1,
        examples=[2045],
    )
    local_heights: tuple[str, ...] = Field(
        (),
        description="Height of trees nearby, as species, height in metres and age in years, such "
        'as "ash 9 m at 25". It replaces the height of that species in the table of species.',
        examples=['"ash 9 m at 25"'],
    )
    curve: Literal["exponential", "mid", "barrier", "field", "handbook"] = Field(
        "exponential",
        description="Shelter curve of tree belts and hedges: relative wind against distance behind "
        "one belt. Walls and fences follow barrier.",
    )
    combine: Literal["smallest", "product"] = Field(
        "smallest",
        description="Where several belts act: the smallest relative wind, or their product "
        "(optimistic).",
    )
    near_ground: Literal["simple", "flow"] = Field(
        "simple",
        description="How height above ground and bare stems act on the shelter of tree belts and "
        "hedges: simple, by assumed rules, or flow, by a packaged table from a model of the wind "
        "around belts, which depends on the roughness of the ground too.",
    )
    ends: bool = Field(True, description="Increase wind speed beside the ends of belts.")
    at_height_m: float | None = quantity(
        "at_height_m", None, f"By default {DEFAULT_HEIGHT_M:g} m, or the height of the purpose."
    )
    speed_exponent: float | None = quantity(
        "speed_exponent", None, "By default 1, or the exponent of the purpose."
    )
    fields: FieldNames = Field(default_factory=dict)

    @field_validator("seasons", "years", "local_heights")
    @classmethod
    def _each_once(cls, several: tuple[Any, ...] | None) -> tuple[Any, ...] | None:
        return several if several is None else tuple(dict.fromkeys(several))
