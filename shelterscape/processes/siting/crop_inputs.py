"""Crops of fields: name, yield and price."""

from __future__ import annotations

from pydantic import Field

from shelterscape.process.inputs import Inputs, quantity


class CropInputs(Inputs):
    """The crop of fields that name no other one."""

    crop: str = Field(
        "",
        description="Crop of fields with the purpose crop that name none: winter wheat, spring "
        "wheat, maize, soybean or potatoes. Without it the widest published response applies.",
        examples=["winter wheat"],
    )
    crop_yield_t_ha: float | None = quantity("crop_yield_t_ha", None)
    crop_price: float | None = quantity("crop_price", None)
