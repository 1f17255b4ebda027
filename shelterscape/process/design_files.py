"""Files of belt designs and restoration works, checked key by key."""

from __future__ import annotations

import functools
import itertools
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from shelterscape import data
from shelterscape.errors import InputError
from shelterscape.process.inputs import FileSection, nearest, validated
from shelterscape.science.growth import species_names
from shelterscape.science.planting.design import (
    LEAST_FENCE_OFFSET_M,
    BeltDesign,
    PlantedRow,
    Prices,
)
from shelterscape.science.planting.porosity import bare_porosity_of_rows
from shelterscape.science.purposes import purposes
from shelterscape.science.siting.designs import Designs, Restoration
from shelterscape.science.siting.suitability import suited_purposes
from shelterscape.terms import TERMS

PACKAGED = "designs/belts.toml"
HIGHEST_PRICE = 100_000
"""Highest accepted price, currency units (assumed)."""

MOVED = {
    "cost_per_m": "costs are prices now: write [design.NAME.prices] with other_per_m, the cost "
    "per metre, or with prices of plants, guards and fences",
    "rows": "each row is a table of its own now: write [[design.NAME.row]] with offset_m, "
    "spacing_m and species",
}
"""Keys of former files, and what to write in place of them."""

Money = Annotated[Decimal, Field(ge=0, le=HIGHEST_PRICE, decimal_places=2)]
Share = Annotated[float, Field(ge=0, le=1)]
Height = Annotated[float, Field(ge=0.05, le=80)]
Length = Annotated[float, Field(ge=0, le=1000)]


class RowSection(FileSection):
    """One row of plants."""

    offset_m: float = Field(
        ge=0, le=200, description="Distance to leeward of the windward row, m; 0 for that row."
    )
    spacing_m: float = Field(
        ge=0.1, le=50, description="Mean distance between plants along the row, m."
    )
    species: dict[str, Share] = Field(
        min_length=1,
        description="Share of the plants by species, adding up to 1.",
        examples=["{ hawthorn = 0.7, holly = 0.3 }"],
    )
    clump_plants: int = Field(
        1, ge=1, le=1000, description="Plants of one species side by side in a clump, on average."
    )
    cuttings: tuple[str, ...] = Field(
        (), description="Species set as cuttings or rods, without guard and stake."
    )

    @model_validator(mode="after")
    def _consistent(self) -> RowSection:
        if abs(sum(self.species.values()) - 1) > 0.001:
            raise ValueError("the shares of the species must add up to 1")
        if missing := [name for name in self.cuttings if name not in self.species]:
            raise ValueError(f"cuttings names a species that is not in the row: {missing[0]}")
        return self


class PricesSection(FileSection):
    """Prices, in currency units with at most two decimals."""

    plant: Money = Field(Decimal(0), description="Price of a plant.")
    plants: dict[str, Money] = Field(
        default_factory=dict, description="Price of a plant by species, where it differs."
    )
    guard: Money = Field(Decimal(0), description="Price of a guard high enough for the browsers.")
    stake: Money = Field(Decimal(0), description="Price of a stake.")
    mulch: Money = Field(Decimal(0), description="Price of mulch for a plant.")
    fence_per_m: Money = Field(
        Decimal(0), description="Price of a fence against the browsers, per metre of fence."
    )
    stock_fence_per_m: Money = Field(
        Decimal(0), description="Price of a fence against stock, per metre of fence."
    )
    labour_per_day: Money = Field(Decimal(0), description="Price of a person-day.")
    other_per_m: Money = Field(Decimal(0), description="All other costs, per metre of belt.")


class DesignSection(FileSection):
    """One design."""

    width_m: float = Field(
        ge=0.1,
        le=TERMS["width_m"].high,
        description="Depth of the grown belt from the windward to the leeward face, m.",
    )
    species: str = Field(
        description="Main species, which determines height; one of the rows, if any."
    )
    belt_type: Literal["hedge", "tree belt", "bank with hedge", "wood"] = Field(
        "tree belt", description="Kind of belt."
    )
    porosity: Share = Field(description="Optical porosity in leaf once the belt has closed.")
    bare_porosity: Share | None = Field(
        None,
        description="The same without leaves; by default from the mix of species: evergreens keep "
        "that in leaf, others have that of the table of species, averaged in logarithms (assumed).",
    )
    closing_years: float = Field(
        10.0, ge=0, le=100, description="Years from planting until the belt has closed."
    )
    suits: tuple[str, ...] | None = Field(
        None,
        description="Purposes for which it is the default; by default those that its porosity and "
        "its height after 20 years suit.",
    )
    browsers: tuple[Literal["vole", "rabbit", "roe deer", "fallow deer", "red deer"], ...] = Field(
        (), description="Browsers present; guards or a fence are planned, whichever costs less."
    )
    stock: bool = Field(False, description="Whether stock must be fenced out.")
    fence_offset_m: float = Field(
        LEAST_FENCE_OFFSET_M,
        ge=LEAST_FENCE_OFFSET_M,
        le=20,
        description="Distance from the outer rows to a fence, m.",
    )
    stakes: bool = Field(False, description="Whether each plant has a stake.")
    mulch: bool = Field(False, description="Whether each plant has mulch.")
    loss_share: float = Field(
        0.0, ge=0, le=0.9, description="Share of the plants expected to die; more are ordered."
    )
    plants_per_day: float = Field(
        300.0, ge=1, le=10_000, description="Plants that a person plants and protects in a day."
    )
    opening_width_m: float = Field(
        4.0, ge=0, le=50, description="Width kept clear at each opening, m."
    )
    guards_removed_after_years: int = Field(
        8, ge=1, le=50, description="Years from planting until guards are removed."
    )
    source: str = Field("", description="Origin of the values.")
    prices: PricesSection = Field(default_factory=PricesSection, description="Prices.")
    row: tuple[RowSection, ...] = Field((), description="Rows; none for natural regeneration.")

    @model_validator(mode="before")
    @classmethod
    def _former_keys(cls, raw: Any) -> Any:
        for key, instead in MOVED.items():
            if isinstance(raw, dict) and key in raw:
                raise ValueError(f"{key} is no longer read: {instead}")
        return raw

    @model_validator(mode="after")
    def _consistent(self) -> DesignSection:
        if not self.row:
            return self
        offsets = [row.offset_m for row in self.row]
        if offsets[0] != 0 or any(b <= a for a, b in itertools.pairwise(offsets)):
            raise ValueError("offset_m must be 0 in the first row and increase from row to row")
        if offsets[-1] > self.width_m:
            raise ValueError("width_m is less than the distance between the outer rows")
        if not any(self.species in row.species for row in self.row):
            raise ValueError(f"the main species is in no row: {self.species}")
        return self

    def design(self, name: str) -> BeltDesign:
        """The design as planting and siting use it."""
        rows = tuple(PlantedRow(**row.model_dump()) for row in self.row)
        bare = self.bare_porosity
        if bare is None:
            main = (PlantedRow(0.0, 1.0, {self.species: 1.0}),)
            bare = bare_porosity_of_rows(rows or main, self.porosity)
        suits = self.suits
        if suits is None:
            suits = suited_purposes(self.species, self.porosity, bare)
        values = self.model_dump(exclude={"row", "prices", "bare_porosity", "suits"})
        return BeltDesign(
            name=name,
            rows=rows,
            prices=Prices(**self.prices.model_dump()),
            bare_porosity=bare,
            suits=suits,
            **values,
        )


class RestorationSection(FileSection):
    """One restoration work."""

    cost_per_m: Money = Field(description="Cost per metre restored, currency units.")
    closing_years: float = Field(
        10.0, ge=0, le=100, description="Years until the belt has closed again."
    )
    shortest_gap_m: Length | None = Field(None, description="Shortest gap filled, m (gap up).")
    longest_gap_m: Length | None = Field(None, description="Longest gap filled, m (gap up).")
    height_m: Height | None = Field(None, description="Height after the work, m (lay, coppice).")
    porosity: Share | None = Field(
        None, description="Porosity in leaf once closed again (lay, coppice)."
    )
    bare_porosity: Share | None = Field(
        None, description="Porosity without leaves once closed again (lay, coppice)."
    )
    tallest_m: Height | None = Field(
        None, description="Tallest hedge to which the work applies, m (lay, coppice)."
    )
    porosity_low: Share | None = Field(
        None, description="Porosity of the lower half once closed (underplant)."
    )

    def restoration(self, action: str) -> Restoration:
        """The work as siting uses it."""
        figures = self.model_dump(include=set(_FIGURES[action]))
        return Restoration(action, self.cost_per_m, self.closing_years, figures)


_CUT = ("height_m", "porosity", "bare_porosity", "tallest_m")
_FIGURES: dict[str, tuple[str, ...]] = {
    "gap up": ("shortest_gap_m", "longest_gap_m"),
    "lay": _CUT,
    "coppice": _CUT,
    "underplant": ("porosity_low",),
    "thin": (),
}
"""Values that each restoration work needs."""


class DesignsFile(FileSection):
    """A file of designs."""

    currency: str = Field(
        pattern=r"^[A-Z]{3}$",
        description="Currency as a three-letter code, such as EUR.",
        examples=["EUR"],
    )
    design: dict[str, DesignSection] = Field(min_length=1, description="Designs by name.")
    restoration: (
        dict[Literal["gap up", "lay", "coppice", "underplant", "thin"], RestorationSection] | None
    ) = Field(None, description="Restoration works by action; the packaged ones by default.")

    @model_validator(mode="after")
    def _figures_of_works(self) -> DesignsFile:
        for action, section in (self.restoration or {}).items():
            given = set(section.model_dump(exclude_none=True)) - {"cost_per_m", "closing_years"}
            for key in set(_FIGURES[action]) - given:
                raise ValueError(f"restoration {action} needs {key}: add it")
            for key in given - set(_FIGURES[action]):
                raise ValueError(f"restoration {action} does not use {key}: remove it")
        return self


def designs_from(content: dict[str, Any], where: str) -> Designs:
    """Designs and restoration works from the content of a file.

    Parameters
    ----------
    content : dict
        As read from TOML. Without ``restoration`` the packaged works apply.
    where : str
        Name of the file in errors.

    Returns
    -------
    Designs

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown key, species or purpose, with the nearest known one;
        ``input-refused`` for an invalid value or a key that is no longer read.
    """
    file = validated(DesignsFile, content, where)
    for name, section in file.design.items():
        _check_names(section, f"{where}, design {name}")
    restoration = (
        packaged_designs().restoration
        if file.restoration is None
        else {str(k): section.restoration(k) for k, section in file.restoration.items()}
    )
    designs = {name: section.design(name) for name, section in file.design.items()}
    return Designs(designs, restoration, file.currency)


@functools.cache
def packaged_designs() -> Designs:
    """The packaged designs.

    Returns
    -------
    Designs
    """
    return designs_from(data.toml(PACKAGED), PACKAGED)


def _check_names(section: DesignSection, where: str) -> None:
    """Refuse unknown species and purposes."""
    used = [section.species, *section.prices.plants, *(n for r in section.row for n in r.species)]
    for what, words, known in (
        ("species", used, species_names()),
        ("purpose", section.suits or (), tuple(purposes())),
    ):
        for word in words:
            if word not in known:
                raise InputError(
                    "name-unknown",
                    f"The {what} is unknown.",
                    where=where,
                    value=word,
                    hint=nearest(word, list(known)),
                )
