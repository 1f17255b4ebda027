"""What `exposure` asks for."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from shelterscape.process.inputs import (
    FieldNames,
    Holdings,
    Places,
    RoughGround,
    Source,
    TerrainInputs,
    Winds,
    quantity,
)


class ExposureInputs(TerrainInputs, RoughGround):
    """What `exposure` asks for."""

    winds: Winds
    places: Places = None
    holdings: Holdings = None
    belts: Annotated[str | None, Source("layer", "belt layer")] = Field(
        None,
        description="Belts to take out of the map of roughness, so that they slow the wind only "
        "once; not used for anything else here. As PATH or PATH:LAYER.",
    )
    subset: str = Field("", description="Subset of the wind set to use; all of it by default.")
    limit_m: float = quantity("limit_distance", 1000.0)
    topex_form: Literal["signed", "positive", "unlimited"] = Field(
        "signed",
        description="Whether topex counts angles below the horizontal (signed), counts them as "
        "nothing (positive), or looks to the edge of the map (unlimited, and positive).",
    )
    topex_classes: tuple[str, ...] = Field(
        (),
        description="Classes of topex, from exposed to sheltered: the highest topex in degrees "
        "and a name, such as “10 severely exposed”; the last is the name alone. Unlimited topex "
        "has five classes of its own, from memory of forestry practice.",
    )
    fine_window: bool = Field(
        False, description="Take upwind slope from 7 views within 15° of each wind, not from 3."
    )
    at_height_m: float = quantity("at_height", 10.0, "Of open wind and speed-up.")
    fields: FieldNames = Field(default_factory=dict)
