"""Inputs of maps drawn over relief; without the science, so that descriptions start quickly."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from shelterscape.process.inputs import ElevationUnit, Inputs, Source


class ReliefInputs(Inputs):
    """Inputs of a process that draws a terrain model and does not calculate with it."""

    dem: Annotated[str | None, Source("raster", "terrain model")] = Field(
        None, description="Terrain model, drawn as relief on the map; it changes no result."
    )
    crs: str | None = Field(
        None,
        description="Coordinate system of the terrain model, if its file does not state one.",
        examples=["EPSG:25832"],
    )
    z_unit: ElevationUnit = None
