"""Inputs about ground that the terrain model does not show: water and the land around."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from shelterscape.process.inputs import RoughGround, Source, quantity


class UnmappedGround(RoughGround):
    """What is known of missing cells and of the land around the terrain model."""

    missing_ground: Literal["unknown", "sea", "lake"] = Field(
        "unknown",
        description="What missing cells of the terrain model are. Sea and lake are flat water: "
        "horizons, topex, upwind slope and terrain wind include it. Results stay missing on "
        "it.",
    )
    water_level_m: float | None = quantity(
        "water_level_m", None, "Used where open_water states none; by default 0 for the sea."
    )
    open_water: Annotated[str | None, Source("layer", "layer of open water")] = Field(
        None,
        description="Areas of sea or lakes, with water_level_m where known, as PATH or PATH:LAYER: "
        "only missing cells inside them are water. By default all missing cells are.",
    )

    surroundings: Annotated[str | None, Source("raster", "surroundings")] = Field(
        None,
        description="PATH of a larger and coarser terrain model, in metres and any coordinate "
        "system: horizons and terrain wind include the land beyond the map and in missing cells. "
        "It is levelled to the terrain model. Results stay within the map.",
    )

    @model_validator(mode="after")
    def _water_is_wanted(self) -> UnmappedGround:
        given = [n for n in ("water_level_m", "open_water") if getattr(self, n) is not None]
        if given and self.missing_ground == "unknown":
            raise ValueError(
                f"without missing_ground, {given[0]} has no effect: say whether missing cells are "
                "sea or lake"
            )
        if self.missing_ground == "lake" and not given:
            raise ValueError(
                "the level of the lake is not known: give water_level_m, or open_water with levels"
            )
        return self
