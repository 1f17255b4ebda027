"""Inputs of every process that uses woodland grants."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from shelterscape.process.inputs import Inputs, Several, Source


class GrantMaps(Inputs):
    """Maps that grant schemes use."""

    grant_areas: Annotated[
        Several,
        Source("layer", "grant-area layer"),
        Field(
            description="Layers of grant areas with a column category, as PATH or PATH:LAYER; any "
            "number of layers, and areas may overlap."
        ),
    ] = ()
    agreements: Annotated[
        str | None,
        Source("layer", "layer of agreements"),
        Field(
            description="Ground already under a grant: areas with scheme and, where known, begins "
            "and ends, as PATH or PATH:LAYER."
        ),
    ] = None
