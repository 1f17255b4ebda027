"""Inputs of processes that count days of sheep chill and windy hours on places."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from shelterscape.process.inputs import Inputs, Source, quantity

CHILL_ABOVE, WINDY_MS = 1000.0, 5.0
"""Defaults of `science.hours_on_places`, which descriptions do not import; a test compares them."""

CHILL_CAUTION = (
    "Days of sheep chill are an index for lambs up to three days old, for comparing places and "
    "belts, not a promise: hunger, health and the shelter that stock choose decide too. They "
    "include belts alone, on otherwise flat, open ground."
)


class HourlyInputs(Inputs):
    """Hours of a weather record, and thresholds."""

    hourly: Annotated[str | None, Source("table", "table of hours")] = Field(
        None,
        description="Table of hours that wind-set writes with hourly: PATH, or step:ID/hourly in a "
        "plan. With it, days of sheep chill and windy hours are counted on each place.",
    )
    chill_above: float = quantity("chill_above", CHILL_ABOVE)
    windy_ms: float = quantity("windy_ms", WINDY_MS)
