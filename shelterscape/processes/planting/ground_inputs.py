"""Inputs of `planting` that describe the ground, for the species that suit it."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from shelterscape.process.inputs import Source, TerrainInputs, quantity

EXPOSED_WIND_MS = 6.0
"""Default of ``exposed_wind_ms`` (assumed)."""


def layer_field(what: str, text: str) -> Any:
    """An optional layer."""
    note = Field(description=f"{text} As PATH or PATH:LAYER.")
    return Annotated[str | None, Source("layer", what), note]


class GroundInputs(TerrainInputs):
    """Layers and rules that decide which species are kept for a belt."""

    wet_ground: layer_field(  # type: ignore[valid-type]
        "layer of wet ground", "Wet ground, on which trees with shallow roots may fall."
    ) = None
    drains: layer_field(  # type: ignore[valid-type]
        "layer of drains", "Drains and pipes, which roots of some species block."
    ) = None
    salt_ground: layer_field(  # type: ignore[valid-type]
        "layer of salt ground", "Ground that salt spray of the sea or of roads reaches."
    ) = None
    deep_peat: layer_field(  # type: ignore[valid-type]
        "layer of deep peat", "Deep peat, on which no species is kept."
    ) = None
    height_limits: layer_field(  # type: ignore[valid-type]
        "layer of height limits",
        "Ground with a height limit, such as under power lines, with height_limit_m as its "
        "operator states it.",
    ) = None
    native_species: tuple[str, ...] = Field(
        (),
        description="Species that count as native; all others are excluded.",
        examples=["hazel"],
    )
    peat_allowed: bool = Field(False, description="Keep species on deep peat.")
    exposed_wind_ms: float = quantity("exposed_wind_ms", EXPOSED_WIND_MS)
