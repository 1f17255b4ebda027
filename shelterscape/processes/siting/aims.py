"""What `siting` chooses: most shelter within a budget, or the least that reaches targets."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from shelterscape.process.inputs import Inputs, quantity

Aim = Literal["most shelter", "fewest metres", "least money"]

MOST_SHELTER: Aim = "most shelter"
FEWEST_METRES: Aim = "fewest metres"

SUFFICIENT = "sufficient ground"
"""Value of `stock_benefit` with which the benefit of stock places saturates."""


class AimInputs(Inputs):
    """The aim of a choice, and what counts on places for stock."""

    aim: Aim = Field(
        "most shelter",
        description="What is chosen: the set with the most shelter within a budget, or, without a "
        "budget, the shortest or the cheapest set with which every place reaches its target. "
        "Stock with a head of stock needs enough sheltered ground in every wind direction, or for "
        "90 % of the time with wind where that is out of reach (assumed value), other places a "
        "mean relative wind of at most the target of their purpose.",
    )
    stock_benefit: Literal["whole area", "sufficient ground"] = Field(
        "sufficient ground",
        description="What counts on places for stock with a head of stock: the wind reduction on "
        "the whole area, or well sheltered ground (relative wind of at most 0.6) in each wind "
        "direction up to what the stock needs. Beyond that a second belt adds nothing; all stock "
        "sheltered in all winds counts 0.4 ha eq. for each hectare of the place (assumed value).",
    )
    stock_ground_m2: float | None = quantity("stock_ground_m2", None)
