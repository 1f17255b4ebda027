"""Crops of fields, their yield and price, and the discount rate."""

from __future__ import annotations

from pydantic import Field

from shelterscape.process.inputs import Inputs, quantity

DISCOUNT_RATE = 0.04
"""Usual discount rate per year (assumed)."""


class CropInputs(Inputs):
    """The crop of fields that name no other one, and how money in later years counts."""

    crop: str = Field(
        "",
        description="Crop of fields with the purpose crop that name none: winter wheat, spring "
        "wheat, maize, soybean or potatoes. Without it the widest published response applies.",
        examples=["winter wheat"],
    )
    crop_yield_t_ha: float | None = quantity("crop_yield_t_ha", None)
    crop_price: float | None = quantity("crop_price", None)
    discount_rate: float = quantity(
        "discount_rate",
        DISCOUNT_RATE,
        "The default is an assumed value; choose your own, without inflation.",
    )
