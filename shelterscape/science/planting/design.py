"""Belt designs: rows, species, protection and costs, shared by siting and planting.

Money is calculated with fractions and rounded once, so that no amount depends on the rounding of
binary numbers.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from shelterscape.science.growth import is_evergreen

BROWSER_HEIGHTS_M = {
    "vole": 0.2,
    "rabbit": 0.6,
    "roe deer": 1.2,
    "fallow deer": 1.5,
    "red deer": 1.8,
}
"""Lowest adequate height of a guard or fence by browser, m (not verified against the source)."""

LEAST_FENCE_OFFSET_M = 1.5
"""Smallest distance from the outer row to a stock fence, m (common practice)."""

GUARDS, FENCE, NONE = "guards", "fence", "none"


@dataclass(frozen=True)
class PlantedRow:
    """One row of plants.

    Parameters
    ----------
    offset_m : float
        Distance to leeward of the windward row, m.
    spacing_m : float
        Mean distance between plants along the row, m.
    species : dict of str to float
        Share of the plants of the row by species; the shares add up to 1.
    clump_plants : int
        Plants of one species side by side in a clump, on average.
    cuttings : tuple of str
        Species set as cuttings or rods; they have no guard and no stake.
    """

    offset_m: float
    spacing_m: float
    species: Mapping[str, float]
    clump_plants: int = 1
    cuttings: tuple[str, ...] = ()

    @property
    def main_species(self) -> str:
        """Most frequent species; the first of equal ones."""
        return max(self.species, key=lambda name: self.species[name])


@dataclass(frozen=True)
class Prices:
    """Prices of a design, currency units.

    Parameters
    ----------
    plant, guard, stake, mulch : Decimal
        For each plant.
    plants : dict of str to Decimal
        Price of a plant by species, in place of `plant`.
    fence_per_m, stock_fence_per_m : Decimal
        Fence against browsers, fence against stock, per metre of fence.
    labour_per_day : Decimal
        For each person-day.
    other_per_m : Decimal
        All other costs, per metre of belt.
    """

    plant: Decimal = Decimal(0)
    guard: Decimal = Decimal(0)
    stake: Decimal = Decimal(0)
    mulch: Decimal = Decimal(0)
    plants: Mapping[str, Decimal] = field(default_factory=dict)
    fence_per_m: Decimal = Decimal(0)
    stock_fence_per_m: Decimal = Decimal(0)
    labour_per_day: Decimal = Decimal(0)
    other_per_m: Decimal = Decimal(0)


@dataclass(frozen=True)
class BeltDesign:
    """How a new belt is planted; ``data/designs/belts.toml`` explains each value.

    Parameters
    ----------
    name : str
    rows : tuple of PlantedRow
        From windward to leeward; none for natural regeneration.
    width_m : float
        Depth of the grown belt from the windward to the leeward face, m.
    species : str
        Main species, which determines height.
    belt_type : str
    porosity, bare_porosity : float
        Optical porosity once the belt has closed, in leaf and without leaves, 0 to 1.
    closing_years : float
        Years from planting until the belt has closed.
    prices : Prices
    suits : tuple of str
        Purposes for which it is the default (see `siting.suitability.suited_purposes`).
    browsers : tuple of str
        Browsers present, of `BROWSER_HEIGHTS_M`.
    stock : bool
        Whether stock must be fenced out.
    fence_offset_m : float
        Distance from the outer rows to a fence, m.
    stakes, mulch : bool
        Whether each plant has a stake, and mulch.
    loss_share : float
        Share of the plants expected to die, 0 to below 1.
    plants_per_day : float
        Plants that a person plants and protects in a day.
    opening_width_m : float
        Width kept clear at each opening, m.
    guards_removed_after_years : int
        Years from planting until guards are removed.
    source : str
        Origin of the values.
    """

    name: str
    rows: tuple[PlantedRow, ...]
    width_m: float
    species: str
    belt_type: str
    porosity: float
    bare_porosity: float
    closing_years: float
    prices: Prices
    suits: tuple[str, ...] = ()
    browsers: tuple[str, ...] = ()
    stock: bool = False
    fence_offset_m: float = LEAST_FENCE_OFFSET_M
    stakes: bool = False
    mulch: bool = False
    loss_share: float = 0.0
    plants_per_day: float = 300.0
    opening_width_m: float = 4.0
    guards_removed_after_years: int = 8
    source: str = ""

    @property
    def evergreen_share(self) -> float:
        """Share of evergreen plants, 0 to 1; 0 where nothing is planted."""
        numbers = self.plants_per_m()
        green = sum(n for name, n in numbers.items() if is_evergreen(name))
        return float(green / sum(numbers.values())) if numbers else 0.0

    @property
    def row_species(self) -> str:
        """Main species of the rows, each once, separated by commas."""
        return ", ".join(dict.fromkeys(row.main_species for row in self.rows))

    @property
    def species_shares(self) -> str:
        """Every species with its share of the plants; empty where nothing is planted."""
        numbers = self.plants_per_m()
        total = sum(numbers.values())
        return ", ".join(f"{name} {float(100 * n / total):.1f} %" for name, n in numbers.items())

    @property
    def planted_width_m(self) -> float:
        """Distance between the outer rows, m; 0 where nothing is planted."""
        return self.rows[-1].offset_m if self.rows else 0.0

    @property
    def cost_per_m(self) -> Decimal:
        """Cost of a metre of a long belt, currency units, halves of a minor unit rounded up."""
        return cost_per_m(self)

    def plants_per_m(self) -> dict[str, Fraction]:
        """Plants per metre of belt by species, in order of first use.

        Returns
        -------
        dict of str to Fraction
            1/m.
        """
        found: dict[str, Fraction] = {}
        for row in self.rows:
            per_m = 1 / _exact(row.spacing_m)
            whole = _total(row.species.values())
            for name, share in row.species.items():
                found[name] = found.get(name, Fraction(0)) + per_m * _exact(share) / whole
        return found

    @functools.cached_property
    def guarded_per_m(self) -> Fraction:
        """Plants per metre of belt that are not cuttings, 1/m."""
        total = Fraction(0)
        for row in self.rows:
            whole = _total(row.species.values())
            kept = _total(s for name, s in row.species.items() if name not in row.cuttings)
            total += kept / whole / _exact(row.spacing_m)
        return total

    def narrow_gaps(self, machine_width_m: float) -> list[int]:
        """Rows too close to the row before for a machine, so that they are weeded by hand.

        Parameters
        ----------
        machine_width_m : float
            m.

        Returns
        -------
        list of int
            Numbers of these rows; the windward row is row 1.
        """
        pairs = zip(self.rows[:-1], self.rows[1:], strict=True)
        gaps = [after.offset_m - before.offset_m for before, after in pairs]
        return [n for n, gap in enumerate(gaps, start=2) if gap < machine_width_m]


@dataclass(frozen=True)
class Protection:
    """Protection of a belt from browsers, by the cheaper of two ways.

    Parameters
    ----------
    way : str
        `GUARDS`, `FENCE` or `NONE`.
    height_m : float
        Lowest adequate height against all browsers present, m; 0 for none.
    guards_per_m, fence_per_m : Fraction
        Cost of each way per metre of belt, currency units: guards with their stakes, or fences on
        both sides, less the stock fences that they replace.
    break_even_plants_per_m : float
        Plants per metre of belt at which both ways cost the same; NaN if guards are free.
    """

    way: str
    height_m: float
    guards_per_m: Fraction
    fence_per_m: Fraction
    break_even_plants_per_m: float


def protection(design: BeltDesign) -> Protection:
    """The cheaper of guards and a fence, for a long belt.

    Parameters
    ----------
    design : BeltDesign

    Returns
    -------
    Protection
        Guards where both cost the same.
    """
    prices = design.prices
    each = _exact(prices.guard) + (0 if design.stakes else _exact(prices.stake))
    replaced = _exact(prices.stock_fence_per_m) if design.stock else Fraction(0)
    guards = each * design.guarded_per_m
    fence = max(2 * (_exact(prices.fence_per_m) - replaced), Fraction(0))
    way = NONE if not design.browsers else GUARDS if guards <= fence else FENCE
    height = max((BROWSER_HEIGHTS_M[name] for name in design.browsers), default=0.0)
    even = float(fence / each) if each else float("nan")
    return Protection(way, height, guards, fence, even)


def cost_per_m(design: BeltDesign) -> Decimal:
    """Cost of a metre of a long belt, with plants for expected losses.

    Parameters
    ----------
    design : BeltDesign

    Returns
    -------
    Decimal
        Currency units, rounded to two decimals, halves up.
    """
    prices, planted = design.prices, design.plants_per_m()
    ordered = {name: n / (1 - _exact(design.loss_share)) for name, n in planted.items()}
    total = _exact(prices.other_per_m)
    for name, plants in ordered.items():
        total += plants * _exact(prices.plants.get(name, prices.plant))
    total += sum(ordered.values()) / _exact(design.plants_per_day) * _exact(prices.labour_per_day)
    if design.mulch:
        total += sum(planted.values()) * _exact(prices.mulch)
    if design.stakes:
        total += design.guarded_per_m * _exact(prices.stake)
    if design.stock:
        total += 2 * _exact(prices.stock_fence_per_m)
    chosen = protection(design)
    if chosen.way != NONE:
        total += chosen.guards_per_m if chosen.way == GUARDS else chosen.fence_per_m
    return rounded_money(total)


def rounded_money(amount: Fraction) -> Decimal:
    """An amount with two decimals, halves up.

    Parameters
    ----------
    amount : Fraction
        Currency units, 0 or more.

    Returns
    -------
    Decimal
    """
    minor = (200 * amount.numerator + amount.denominator) // (2 * amount.denominator)
    return Decimal(minor) / 100


def _total(values: Iterable[float]) -> Fraction:
    return sum((_exact(value) for value in values), Fraction(0))


@functools.lru_cache(maxsize=1024)
def _exact(value: float | Decimal) -> Fraction:
    """The decimal that a number was written as, without the error of a binary number."""
    return Fraction(str(value))
