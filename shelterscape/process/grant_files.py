"""Grant files: schemes and thresholds, checked key by key (see docs/grants.md), and grant areas."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal

import geopandas as gpd
import shapely
from pydantic import BaseModel, ConfigDict, Field, model_validator

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.process.inputs import ask, nearest
from shelterscape.process.reading import Reader
from shelterscape.science.grants.scheme import Rate, Scheme
from shelterscape.science.grants.thresholds import Threshold

Share = Annotated[float, Field(ge=0, le=1)]
Whole = Annotated[int, Field(ge=0)]


GROUND = "ground of the belts"


class _Part(BaseModel):
    """A part of a file: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _check_order(low: Any, high: Any, names: str) -> None:
    if low is not None and high is not None and low > high:
        raise ValueError(f"{names} are reversed: {low} comes after {high}")


class QualifyPart(_Part):
    """What qualifies."""

    categories: tuple[str, ...] = Field(
        (), description="Categories of grant area; none for ground anywhere."
    )
    least_block_ha: float = Field(0.0, ge=0, description="Smallest block of joined belts, ha.")
    least_width_m: float = Field(0.0, ge=0, description="Smallest width of a belt, m.")
    least_length_m: float = Field(0.0, ge=0, description="Smallest length of a block, m.")
    largest_gap_m: float = Field(
        0.0, ge=0, le=1000, description="Largest gap between pieces of one block, m."
    )
    least_native_share: Share = Field(0.0, description="Share of native plants, 0 to 1.")
    most_evergreen_share: Share = Field(1.0, description="Share of evergreen plants, 0 to 1.")
    native_species: tuple[str, ...] = Field((), description="Species that count as native.")
    species_not_paid: tuple[str, ...] = Field(
        (), description="Species that keep a belt from being paid."
    )
    least_plants_per_ha: float | None = Field(None, ge=0, description="Fewest plants per ha.")
    most_plants_per_ha: float | None = Field(None, ge=0, description="Most plants per ha.")
    most_open_share: Share = Field(1.0, description="Largest share of open ground, 0 to 1.")
    area_to: Literal["stems", "fence"] = Field(
        "stems", description="Line up to which area and width count: stems or fence."
    )
    fence_m: float | None = Field(
        None, gt=0, le=20, description="Metres from the outer stems to the fence."
    )
    join_across_holdings: bool = Field(
        False, description="Whether belts of two holdings can make one block."
    )

    @model_validator(mode="after")
    def _consistent(self) -> QualifyPart:
        _check_order(self.least_plants_per_ha, self.most_plants_per_ha, "plants per ha")
        if (self.area_to == "fence") != (self.fence_m is not None):
            raise ValueError('area_to = "fence" and fence_m belong together')
        if self.least_native_share > 0 and not self.native_species:
            raise ValueError("least_native_share needs native_species")
        return self


class PayPart(_Part):
    """One payment."""

    what: str = Field(description="What it is for, in words.")
    kind: Literal["capital", "yearly"] = Field(description="capital or yearly.")
    per: Literal["m", "ha", "tree", "cost"] = Field(description="m, ha, tree or cost.")
    amount_minor: Decimal | None = Field(
        None, ge=0, description="Minor money units for each; not for cost."
    )
    percent: Decimal = Field(
        Decimal(100), ge=0, le=100, description="Share of it that is paid, percent."
    )
    year: int = Field(1, ge=1, le=100, description="Year of the first payment; 1 is planting.")
    years: int = Field(1, ge=1, le=100, description="Number of yearly payments.")

    @model_validator(mode="after")
    def _consistent(self) -> PayPart:
        if self.kind == "capital" and self.years != 1:
            raise ValueError("a capital payment is made once; leave years out")
        if (self.per == "cost") != (self.amount_minor is None):
            raise ValueError("amount_minor is needed, but for per = “cost”, which takes percent")
        return self

    def rate(self) -> Rate:
        """It as the science takes it."""
        amount = Fraction(1 if self.amount_minor is None else self.amount_minor)
        percent = Fraction(self.percent)
        return Rate(self.what, self.kind, self.per, amount, percent, self.year, self.years)


class CapsPart(_Part):
    """Most that is paid over all years."""

    parcel_minor: Whole | None = Field(None, description="For one parcel, minor money units.")
    holding_minor: Whole | None = Field(None, description="For one holding, minor money units.")
    scheme_minor: Whole | None = Field(None, description="For all, minor money units.")


class SchemeFile(_Part):
    """A scheme file."""

    name: str = Field(min_length=1, description="Name of the scheme.")
    dated: date = Field(description="Day these rules were written down, such as 2026-04-01.")
    source: str = Field(description="Where the rules are from.")
    status: str = Field(description="How sure they are: seen, from memory, invented.")
    currency: str = Field(
        pattern=r"^[A-Z]{3}$", description="Currency by its three letters, such as EUR."
    )
    minor_per_major: Literal[1, 10, 100, 1000] = Field(
        100, description="Minor units in one unit of the currency."
    )
    opens: date | None = Field(None, description="First day to apply.")
    closes: date | None = Field(None, description="Last day to apply.")
    paid_beside: tuple[str, ...] = Field(
        (), description="Schemes that may pay for the same ground, or any."
    )
    qualify: QualifyPart = Field(
        default_factory=QualifyPart,
        description="What qualifies.",
    )
    pay: tuple[PayPart, ...] = Field(min_length=1, description="Payments.")
    caps: CapsPart = Field(
        default_factory=CapsPart,
        description="Most that is paid.",
    )

    @model_validator(mode="after")
    def _consistent(self) -> SchemeFile:
        _check_order(self.opens, self.closes, "opens and closes")
        return self

    def scheme(self) -> Scheme:
        """It as the science takes it."""
        q, caps = self.qualify, self.caps
        return Scheme(
            name=self.name,
            dated=self.dated,
            currency=self.currency,
            rates=tuple(part.rate() for part in self.pay),
            minor_per_major=self.minor_per_major,
            categories=q.categories,
            opens=self.opens,
            closes=self.closes,
            least_block_m2=q.least_block_ha * 1e4,
            least_width_m=q.least_width_m,
            least_length_m=q.least_length_m,
            largest_gap_m=q.largest_gap_m,
            least_native_share=q.least_native_share,
            most_evergreen_share=q.most_evergreen_share,
            native_species=_plain(q.native_species),
            species_not_paid=_plain(q.species_not_paid),
            least_plants_per_ha=q.least_plants_per_ha,
            most_plants_per_ha=q.most_plants_per_ha,
            most_open_share=q.most_open_share,
            fence_m=q.fence_m or 0.0,
            join_across_holdings=q.join_across_holdings,
            parcel_cap=caps.parcel_minor,
            holding_cap=caps.holding_minor,
            scheme_cap=caps.scheme_minor,
            paid_beside=frozenset(self.paid_beside),
        )


def _plain(names: tuple[str, ...]) -> frozenset[str]:
    return frozenset(name.strip().casefold() for name in names)


class ThresholdPart(_Part):
    """One threshold."""

    country: str = Field(description="Country whose rule it is.")
    name: str = Field(description="What the rule is about.")
    effect: Literal["notify", "consent"] = Field(description="notify or consent.")
    area_ha: float = Field(gt=0, description="Area of new planting from which it holds, ha.")
    within_m: float = Field(ge=0, le=10_000, description="Belts nearer than this are added up, m.")
    within_years: int = Field(
        ge=1, le=100, description="Planting within so many years is added up."
    )
    categories: tuple[str, ...] = Field((), description="Grant-area categories where it holds.")
    source: str = Field(description="Where it is from.")
    status: str = Field(description="How sure it is: seen, from memory, invented.")


class ThresholdFile(_Part):
    """A file of thresholds."""

    dated: date = Field(description="Day it was written down.")
    threshold: tuple[ThresholdPart, ...] = Field(min_length=1, description="The thresholds.")

    def thresholds(self, country: str) -> list[Threshold]:
        """Those of a country, or all."""
        return [
            Threshold(**part.model_dump(), dated=self.dated)
            for part in self.threshold
            if not country or part.country.casefold() == country.casefold()
        ]


def scheme_from(content: dict[str, Any], where: str) -> Scheme:
    """A scheme from the content of its file.

    Raises
    ------
    InputError
        ``name-unknown`` for a key that means nothing, with the nearest right one;
        ``input-refused`` for a bad value.
    """
    return ask(SchemeFile, content, where).scheme()


def thresholds_from(content: dict[str, Any], country: str, where: str) -> list[Threshold]:
    """Thresholds of a country from the content of a file; of all countries when none is named.

    Raises
    ------
    InputError
        As `scheme_from`; ``name-unknown`` for a country that the file does not hold.
    """
    file = ask(ThresholdFile, content, where)
    if found := file.thresholds(country):
        return found
    raise InputError(
        "name-unknown",
        "The thresholds hold no such country.",
        where=where,
        value=country,
        mend=f"Use one of: {', '.join(sorted({t.country for t in file.threshold}))}.",
    )


def schemes_of(sources: Sequence[str], reader: Reader) -> list[Scheme]:
    """The schemes of some files, each named once and all in one currency."""
    found: dict[str, Scheme] = {}
    for source in sources:
        scheme = scheme_from(reader.toml(source, "scheme file"), Path(source).name)
        if scheme.name in found:
            raise InputError(
                "input-refused",
                "Two scheme files have the same name.",
                where="schemes",
                value=scheme.name,
                mend="Name each scheme once, or give one another name.",
            )
        found[scheme.name] = scheme
    units = {(scheme.currency, scheme.minor_per_major) for scheme in found.values()}
    if len(units) > 1:
        raise InputError(
            "input-refused",
            "Schemes pay in different currencies; they cannot be added up.",
            where="schemes",
            value=", ".join(sorted(f"{code} with {n} minor units" for code, n in units)),
            mend="Run them one currency at a time.",
        )
    return list(found.values())


def area_layers(
    sources: Sequence[str], reader: Reader, grid: Grid, columns: dict[str, str]
) -> dict[str, gpd.GeoDataFrame]:
    """Layers of grant areas by their names."""
    layers: dict[str, gpd.GeoDataFrame] = {}
    for source in dict.fromkeys(sources):
        name = Path(source).name
        # Kept whole: a category away from the belts is known all the same.
        layers[source if name in layers else name] = reader.layer(
            source, grid, "grant-area layer", columns, GROUND, keep_outside=True
        )
    return layers


def check_categories(
    schemes: list[Scheme], thresholds: list[Threshold], areas: dict[str, shapely.Geometry]
) -> None:
    """Every category a file names must be on a map: else a slip would look like ground unfit."""
    named = [(f"scheme “{s.name}”", c) for s in schemes for c in s.categories]
    named += [(f"threshold “{t.name}”", c) for t in thresholds for c in t.categories]
    for where, category in named:
        if category not in areas:
            raise InputError(
                "name-unknown",
                "No grant-area layer holds this category.",
                where=where,
                value=category,
                mend=nearest(category, list(areas))
                if areas
                else "Name the layer that holds it with --grant-area.",
            )
