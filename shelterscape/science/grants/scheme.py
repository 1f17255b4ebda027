"""A grant scheme: what qualifies, what is paid, and the caps."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from shelterscape.errors import InputError

ANY = "any"
"""In `Scheme.compatible_with`: compatible with every other scheme."""

COUNTING_UNITS: dict[str, int] = {"m": 10, "ha": 10_000, "tree": 1, "cost": 1}
"""Counting units in one unit of a rate: decimetres per metre, square metres per hectare; plants and
minor units of cost are counted as they are."""


@dataclass(frozen=True)
class Rate:
    """One payment of a scheme.

    Parameters
    ----------
    what : str
        What the payment is for.
    kind : {"capital", "annual", "maintenance"}
        A label for outputs; `year` and `years` decide when it is paid.
    per : {"m", "ha", "tree", "cost"}
        Basis of the payment; ``cost`` is the planting cost of the qualifying part.
    amount_minor : Fraction
        Minor units of the currency per unit of `per`, fractions allowed; 1 for ``cost``.
    percent : Fraction
        Share of the amount that is paid, 0 to 100 percent.
    year : int
        Year of the first payment; 1 is the year of planting.
    years : int
        Number of years in which it is paid.
    """

    what: str
    kind: str
    per: str
    amount_minor: Fraction
    percent: Fraction = Fraction(100)
    year: int = 1
    years: int = 1

    @functools.cached_property
    def per_counting_unit(self) -> tuple[int, int]:
        """Minor units paid per counting unit (see `COUNTING_UNITS`): numerator, denominator."""
        exact = self.amount_minor * self.percent / 100 / COUNTING_UNITS[self.per]
        return exact.numerator, exact.denominator


@dataclass(frozen=True)
class ClaimRules:
    """What a scheme requires before it pays, and later.

    Parameters
    ----------
    approval_before_work : bool
        Whether work that starts before the written approval is not paid.
    claim_by : date or None
        Last day for the claim of the capital payments.
    evidence : tuple of str
        Evidence that a claim requires.
    consent : tuple of str
        Whose written consent an application requires: landlord, tenant.
    min_stems_per_ha : float or None
        Fewest living stems per hectare when plants are counted.
    establishment_check_years : tuple of int
        Years from planting to each check of the living stems.
    """

    approval_before_work: bool = False
    claim_by: date | None = None
    evidence: tuple[str, ...] = ()
    consent: tuple[str, ...] = ()
    min_stems_per_ha: float | None = None
    establishment_check_years: tuple[int, ...] = ()


@dataclass(frozen=True)
class Scheme:
    """The rules of one scheme; a limit of None is no limit.

    Parameters
    ----------
    name : str
    rules_date : date
        Date on which the rules were written down.
    currency : str
        Three-letter code.
    minor_per_major : int
        Minor units in one unit of the currency.
    rates : tuple of Rate
    categories : tuple of str
        Categories of grant area that qualify; empty where all ground qualifies.
    opens, closes : date or None
        First and last day for applications.
    min_block_m2 : float
        Smallest area of a block of joined belts, m².
    min_width_m : float
        Smallest width of a belt, m.
    min_length_m : float
        Smallest length of a block, m.
    max_gap_m : float
        Largest gap between pieces of one block, m.
    min_native_share, max_evergreen_share : float
        Shares of the plants of a belt, 0 to 1.
    native_species, species_not_paid : frozenset of str
        Names in lower case.
    min_plants_per_ha, max_plants_per_ha : float or None
        Plants per hectare.
    max_open_share : float
        Largest share of a belt without trees or shrubs, 0 to 1.
    fence_m : float
        Distance from the outer stems to the fence, up to which area and width count, m; 0 where
        they count to the stems.
    join_across_holdings : bool
        Whether belts of two holdings can form one block.
    parcel_cap, holding_cap, scheme_cap : int or None
        Largest payment over all years, minor units of the currency.
    compatible_with : frozenset of str
        Schemes that may pay for the same ground, or `ANY`.
    claim : ClaimRules
        What it requires before it pays, and later.
    """

    name: str
    rules_date: date
    currency: str
    rates: tuple[Rate, ...]
    minor_per_major: int = 100
    categories: tuple[str, ...] = ()
    opens: date | None = None
    closes: date | None = None
    min_block_m2: float = 0.0
    min_width_m: float = 0.0
    min_length_m: float = 0.0
    max_gap_m: float = 0.0
    min_native_share: float = 0.0
    max_evergreen_share: float = 1.0
    native_species: frozenset[str] = frozenset()
    species_not_paid: frozenset[str] = frozenset()
    min_plants_per_ha: float | None = None
    max_plants_per_ha: float | None = None
    max_open_share: float = 1.0
    fence_m: float = 0.0
    join_across_holdings: bool = False
    parcel_cap: int | None = None
    holding_cap: int | None = None
    scheme_cap: int | None = None
    compatible_with: frozenset[str] = frozenset()
    claim: ClaimRules = ClaimRules()

    def allows(self, other: str) -> bool:
        """Whether the rules of this scheme allow another to pay for the same ground.

        Parameters
        ----------
        other : str
            Name of the other scheme.

        Returns
        -------
        bool
        """
        return ANY in self.compatible_with or other in self.compatible_with

    def closed_in(self, year: int) -> str:
        """Reason why no application is possible in a year; empty where one is.

        Parameters
        ----------
        year : int

        Returns
        -------
        str
        """
        if self.opens and year < self.opens.year:
            return f"applications open on {self.opens}, after the start year {year}"
        if self.closes and year > self.closes.year:
            return f"applications closed on {self.closes}, before the start year {year}"
        return ""


def are_compatible(one: Scheme, other: Scheme) -> bool:
    """Whether two schemes may pay for the same ground; the rules of both must allow it.

    Parameters
    ----------
    one, other : Scheme

    Returns
    -------
    bool
    """
    return one.allows(other.name) and other.allows(one.name)


MAX_INCOMPATIBLE = 5
"""Most schemes in a group of incompatible schemes: every order of a group is calculated."""


def incompatible_schemes(schemes: Sequence[Scheme], ground: Sequence[set[int]]) -> list[list[int]]:
    """Groups of schemes that could pay for the same ground but are incompatible.

    Parameters
    ----------
    schemes : sequence of Scheme
    ground : sequence of set
        Pieces of ground that qualify for each scheme.

    Returns
    -------
    list of list of int
        Positions of the schemes of each group, ascending; a scheme without conflict is a group.

    Raises
    ------
    InputError
        ``grants-too-many`` for a group of more than `MAX_INCOMPATIBLE`.
    """
    group = list(range(len(schemes)))
    for a, one in enumerate(schemes):
        for b, other in enumerate(schemes[:a]):
            if not are_compatible(one, other) and not ground[a].isdisjoint(ground[b]):
                group = [group[b] if g == group[a] else g for g in group]
    groups = [[i for i, g in enumerate(group) if g == number] for number in dict.fromkeys(group)]
    if (largest := max(map(len, groups), default=0)) > MAX_INCOMPATIBLE:
        raise InputError(
            "grants-too-many",
            f"{largest} incompatible schemes could pay for the same ground.",
            where="schemes",
            value=", ".join(scheme.name for scheme in schemes),
            hint=f"Use at most {MAX_INCOMPATIBLE} incompatible schemes in one run.",
        )
    return groups


def money(minor: int, scheme: Scheme) -> str:
    """An amount as text, with the currency and its usual decimals.

    Parameters
    ----------
    minor : int
        Minor units of the currency.
    scheme : Scheme
        States the currency and its number of minor units.

    Returns
    -------
    str

    Examples
    --------
    >>> money(123456, Scheme("A", date(2026, 1, 1), "EUR", ()))
    '1,234.56 EUR'
    """
    digits = len(str(scheme.minor_per_major)) - 1
    return f"{minor / scheme.minor_per_major:,.{digits}f} {scheme.currency}"
