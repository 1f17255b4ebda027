"""Scheme files and threshold files, checked key by key (see docs/grants.md); grant areas."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal

import geopandas as gpd
import shapely
from pydantic import Field, model_validator

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.process.inputs import FileSection, nearest, validated
from shelterscape.process.reading import Reader
from shelterscape.science.grants.scheme import ClaimRules, Rate, Scheme
from shelterscape.science.grants.thresholds import Threshold

Share = Annotated[float, Field(ge=0, le=1)]
Amount = Annotated[Decimal, Field(ge=0)]

GROUND = "ground of the belts"


def _check_order(low: Any, high: Any, names: str) -> None:
    """Raise an error where a lower or earlier limit exceeds the higher or later one."""
    if low is not None and high is not None and low > high:
        raise ValueError(f"{names} are reversed: {low} comes after {high}; exchange them")


class QualifySection(FileSection):
    """Rules that ground and belts must meet."""

    categories: tuple[str, ...] = Field(
        (), description="Categories of grant area that qualify; none for all ground."
    )
    min_block_ha: float = Field(0.0, ge=0, description="Smallest block of joined belts, ha.")
    min_width_m: float = Field(0.0, ge=0, description="Smallest width of a belt, m.")
    min_length_m: float = Field(0.0, ge=0, description="Smallest length of a block, m.")
    max_gap_m: float = Field(
        0.0, ge=0, le=1000, description="Largest gap between pieces of one block, m."
    )
    min_native_share: Share = Field(0.0, description="Smallest share of native plants, 0 to 1.")
    max_evergreen_share: Share = Field(
        1.0, description="Largest share of evergreen plants, 0 to 1."
    )
    native_species: tuple[str, ...] = Field((), description="Species that count as native.")
    species_not_paid: tuple[str, ...] = Field(
        (), description="Species; a belt that holds any of them is not paid."
    )
    min_plants_per_ha: float | None = Field(None, ge=0, description="Fewest plants per hectare.")
    max_plants_per_ha: float | None = Field(None, ge=0, description="Most plants per hectare.")
    max_open_share: Share = Field(1.0, description="Largest share of open ground, 0 to 1.")
    area_to: Literal["stems", "fence"] = Field(
        "stems", description="Line up to which area and width count: stems or fence."
    )
    fence_m: float | None = Field(
        None, gt=0, le=20, description="Distance from the outer stems to the fence, m."
    )
    join_across_holdings: bool = Field(
        False, description="Whether belts of two holdings can form one block."
    )

    @model_validator(mode="after")
    def _consistent(self) -> QualifySection:
        _check_order(self.min_plants_per_ha, self.max_plants_per_ha, "plants per hectare")
        if (self.area_to == "fence") != (self.fence_m is not None):
            raise ValueError('give fence_m with area_to = "fence", and only with it')
        if self.min_native_share > 0 and not self.native_species:
            raise ValueError("min_native_share needs native_species: list the native species")
        return self


class PaySection(FileSection):
    """One payment."""

    what: str = Field(description="What the payment is for.")
    kind: Literal["capital", "annual", "maintenance"] = Field(
        description="capital (paid once), annual, or maintenance (for upkeep, paid by year)."
    )
    per: Literal["m", "ha", "tree", "cost"] = Field(
        description="Unit the amount is paid for: m, ha or tree; cost for a share of the cost."
    )
    amount: Amount | None = Field(
        None, description="Amount per unit, in currency units such as 1.45; none with cost."
    )
    percent: Decimal = Field(
        Decimal(100), ge=0, le=100, description="Share of the amount that is paid, percent."
    )
    year: int = Field(
        1, ge=1, le=100, description="Year of the first payment; 1 is the year of planting."
    )
    years: int = Field(1, ge=1, le=100, description="Number of years in which it is paid.")

    @model_validator(mode="after")
    def _consistent(self) -> PaySection:
        if self.kind == "capital" and self.years != 1:
            raise ValueError("a capital payment is made once; remove years or change kind")
        if (self.per == "cost") != (self.amount is None):
            raise ValueError('give an amount, except with per = "cost", which takes percent alone')
        return self

    def rate(self, minor_per_major: int) -> Rate:
        """The payment as a rate in minor units."""
        amount = Fraction(1) if self.amount is None else Fraction(self.amount) * minor_per_major
        percent = Fraction(self.percent)
        return Rate(self.what, self.kind, self.per, amount, percent, self.year, self.years)


class ClaimSection(FileSection):
    """What a claim requires, from consent to the last check."""

    approval_before_work: bool = Field(
        False, description="Whether work that starts before the written approval is not paid."
    )
    claim_by: date | None = Field(
        None, description="Last day for the claim of the capital payments, such as 2028-05-31."
    )
    evidence: tuple[str, ...] = Field(
        (), description="Evidence that a claim requires, such as invoices for plants."
    )
    consent: tuple[Literal["landlord", "tenant"], ...] = Field(
        (), description="Whose written consent an application requires: landlord, tenant, or both."
    )
    min_stems_per_ha: float | None = Field(
        None, ge=0, description="Fewest living stems per hectare when plants are counted."
    )
    establishment_check_years: tuple[Annotated[int, Field(ge=1, le=100)], ...] = Field(
        (), description="Years from planting to each check of the living stems."
    )


class CapsSection(FileSection):
    """Largest payments over all years."""

    parcel: Amount | None = Field(None, description="Largest payment for a parcel, currency units.")
    holding: Amount | None = Field(
        None, description="Largest payment for a holding, currency units."
    )
    scheme: Amount | None = Field(
        None, description="Largest payment by the scheme in total, currency units."
    )


class SchemeFile(FileSection):
    """A scheme file."""

    name: str = Field(min_length=1, description="Name of the scheme.")
    rules_date: date = Field(
        description="Date on which the rules were written down, such as 2026-04-01."
    )
    source: str = Field(description="Origin of the rules.")
    status: str = Field(description="Whether they were verified: seen, not verified, invented.")
    currency: str = Field(
        pattern=r"^[A-Z]{3}$",
        description="Currency as a three-letter code, such as EUR.",
        examples=["EUR"],
    )
    minor_per_major: Literal[1, 10, 100, 1000] = Field(
        100, description="Minor units in one unit of the currency: 1, 10, 100 or 1000."
    )
    opens: date | None = Field(None, description="First day for applications.")
    closes: date | None = Field(None, description="Last day for applications.")
    compatible_with: tuple[str, ...] = Field(
        (), description="Schemes that may pay for the same ground, or any."
    )
    qualify: QualifySection = Field(
        default_factory=QualifySection,
        description="Rules that ground and belts must meet.",
    )
    claim: ClaimSection = Field(
        default_factory=ClaimSection,
        description="What a claim requires.",
    )
    pay: tuple[PaySection, ...] = Field(min_length=1, description="Payments.")
    caps: CapsSection = Field(
        default_factory=CapsSection,
        description="Largest payments.",
    )

    @model_validator(mode="after")
    def _consistent(self) -> SchemeFile:
        _check_order(self.opens, self.closes, "opens and closes")
        _check_order(self.opens, self.claim.claim_by, "opens and claim_by")
        for name in ("parcel", "holding", "scheme"):
            cap = getattr(self.caps, name)
            if cap is not None and cap * self.minor_per_major % 1:
                raise ValueError(
                    f"caps, {name}: {cap} {self.currency} has too many decimals; round it"
                )
        return self

    def _minor(self, cap: Decimal | None) -> int | None:
        """A cap in minor units."""
        return None if cap is None else int(cap * self.minor_per_major)

    def scheme(self) -> Scheme:
        """The scheme with amounts in minor units."""
        q, caps = self.qualify, self.caps
        return Scheme(
            name=self.name,
            rules_date=self.rules_date,
            currency=self.currency,
            rates=tuple(part.rate(self.minor_per_major) for part in self.pay),
            minor_per_major=self.minor_per_major,
            categories=q.categories,
            opens=self.opens,
            closes=self.closes,
            min_block_m2=q.min_block_ha * 1e4,
            min_width_m=q.min_width_m,
            min_length_m=q.min_length_m,
            max_gap_m=q.max_gap_m,
            min_native_share=q.min_native_share,
            max_evergreen_share=q.max_evergreen_share,
            native_species=_lower_case(q.native_species),
            species_not_paid=_lower_case(q.species_not_paid),
            min_plants_per_ha=q.min_plants_per_ha,
            max_plants_per_ha=q.max_plants_per_ha,
            max_open_share=q.max_open_share,
            fence_m=q.fence_m or 0.0,
            join_across_holdings=q.join_across_holdings,
            parcel_cap=self._minor(caps.parcel),
            holding_cap=self._minor(caps.holding),
            scheme_cap=self._minor(caps.scheme),
            claim=ClaimRules(**self.claim.model_dump()),
            compatible_with=frozenset(self.compatible_with),
        )


def _lower_case(names: tuple[str, ...]) -> frozenset[str]:
    return frozenset(name.strip().casefold() for name in names)


class ThresholdSection(FileSection):
    """One threshold."""

    country: str = Field(description="Country in which the rule applies.")
    name: str = Field(description="Subject of the rule.")
    effect: Literal["notify", "consent"] = Field(
        description="What the rule requires: notify or consent."
    )
    area_ha: float = Field(
        gt=0, description="Area of new planting from which the rule applies, ha."
    )
    within_m: float = Field(
        ge=0, le=10_000, description="Belts at most this far apart are added, m."
    )
    within_years: int = Field(
        ge=1, le=100, description="Planting within this number of years is added."
    )
    categories: tuple[str, ...] = Field(
        (), description="Categories of grant area to which the rule is limited."
    )
    source: str = Field(description="Origin of the rule.")
    status: str = Field(description="Whether it was verified: seen, not verified, invented.")


class ThresholdFile(FileSection):
    """A file of thresholds."""

    rules_date: date = Field(description="Date on which the file was written, such as 2026-04-01.")
    threshold: tuple[ThresholdSection, ...] = Field(min_length=1, description="The thresholds.")

    def thresholds(self, country: str) -> list[Threshold]:
        """Thresholds of a country; of all countries where none is named."""
        return [
            Threshold(**part.model_dump(), rules_date=self.rules_date)
            for part in self.threshold
            if not country or part.country.casefold() == country.casefold()
        ]


def scheme_from(content: dict[str, Any], where: str) -> Scheme:
    """A scheme from the content of its file.

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown key, with the nearest known one; ``input-refused`` for an
        invalid value.
    """
    return validated(SchemeFile, content, where).scheme()


def thresholds_from(content: dict[str, Any], country: str, where: str) -> list[Threshold]:
    """Thresholds of a country from the content of a file; of all countries where none is named.

    Raises
    ------
    InputError
        As `scheme_from`; ``name-unknown`` also for a country that is not in the file.
    """
    file = validated(ThresholdFile, content, where)
    if found := file.thresholds(country):
        return found
    raise InputError(
        "name-unknown",
        "The file of thresholds has no rules for this country.",
        where=where,
        value=country,
        hint=f"Use one of: {', '.join(sorted({t.country for t in file.threshold}))}.",
    )


def schemes_of(sources: Sequence[str], reader: Reader) -> list[Scheme]:
    """Schemes from files; names must differ and all must use one currency."""
    found: dict[str, Scheme] = {}
    for source in sources:
        scheme = scheme_from(reader.toml(source, "scheme file"), Path(source).name)
        if scheme.name in found:
            raise InputError(
                "input-refused",
                "Two scheme files have the same name.",
                where="schemes",
                value=scheme.name,
                hint="Name each scheme file once, or rename one of the schemes.",
            )
        found[scheme.name] = scheme
    units = {(scheme.currency, scheme.minor_per_major) for scheme in found.values()}
    if len(units) > 1:
        raise InputError(
            "input-refused",
            "The schemes pay in different currencies, so that no totals can be formed.",
            where="schemes",
            value=", ".join(sorted(f"{code} with {n} minor units" for code, n in units)),
            hint="Use the schemes of one currency in each run.",
        )
    return list(found.values())


def area_layers(
    sources: Sequence[str], reader: Reader, grid: Grid, columns: dict[str, str]
) -> dict[str, gpd.GeoDataFrame]:
    """Layers of grant areas, by name."""
    layers: dict[str, gpd.GeoDataFrame] = {}
    for source in dict.fromkeys(sources):
        name = Path(source).name
        # Features away from the belts are kept, for a part of the map too: their categories are
        # known names.
        layers[source if name in layers else name] = reader.layer(
            source, grid, "grant-area layer", columns, GROUND, keep_outside=True, part=False
        )
    return layers


def check_categories(
    schemes: list[Scheme], thresholds: list[Threshold], areas: dict[str, shapely.Geometry]
) -> None:
    """Raise an error for a category that no grant-area layer holds.

    A misspelt category would otherwise look like ground that does not qualify.
    """
    named = [(f"scheme “{s.name}”", c) for s in schemes for c in s.categories]
    named += [(f"threshold “{t.name}”", c) for t in thresholds for c in t.categories]
    for where, category in named:
        if category not in areas:
            raise InputError(
                "name-unknown",
                "No grant-area layer holds this category.",
                where=where,
                value=category,
                hint=nearest(category, list(areas))
                if areas
                else "Add the layer that holds it with --grant-area.",
            )
