"""A grant scheme: what qualifies, what is paid for it, and up to which sum."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from shelterscape.errors import InputError

ANY = "any"
"""Word for every other scheme, in `Scheme.paid_beside`."""

COUNTED_PER: dict[str, int] = {"m": 10, "ha": 10_000, "tree": 1, "cost": 1}
"""How many counted units make one of what a rate is for: decimetres in a metre, square metres in
a hectare; plants and minor money units are counted whole."""


@dataclass(frozen=True)
class Rate:
    """One payment of a scheme.

    Parameters
    ----------
    what : str
        What it is for, in words.
    kind : {"capital", "yearly"}
    per : {"m", "ha", "tree", "cost"}
        What it goes by; ``cost`` is the planting cost of the qualifying part.
    amount_minor : Fraction
        Minor money units for each; 1 for ``cost``.
    percent : Fraction
        Share of that amount which is paid, in percent.
    year : int
        Year of the first payment, 1 being the year of planting.
    years : int
        How many years it is paid.
    """

    what: str
    kind: str
    per: str
    amount_minor: Fraction
    percent: Fraction = Fraction(100)
    year: int = 1
    years: int = 1

    @functools.cached_property
    def per_counted(self) -> tuple[int, int]:
        """Minor money units for one counted unit (see `COUNTED_PER`), as a fraction."""
        exact = self.amount_minor * self.percent / 100 / COUNTED_PER[self.per]
        return exact.numerator, exact.denominator


@dataclass(frozen=True)
class Scheme:
    """The rules of one scheme; a limit of None is no limit.

    Parameters
    ----------
    name : str
    dated : date
        Day the rules were written down.
    currency : str
    minor_per_major : int
        Minor units in one unit of the currency.
    rates : tuple of Rate
    categories : tuple of str
        Categories of grant area that qualify; empty where ground anywhere does.
    opens, closes : date or None
        First and last day on which it may be applied for.
    least_block_m2, least_width_m, least_length_m, largest_gap_m : float
        Area and length count over a block of joined belts; pieces farther apart than the largest
        gap are separate blocks.
    least_native_share, most_evergreen_share : float
        Shares of the plants of a belt.
    native_species, species_not_paid : frozenset of str
        Plain names, without capitals.
    least_plants_per_ha, most_plants_per_ha : float or None
    most_open_share : float
        Share of a belt that may stay without trees.
    fence_m : float
        Distance from the outer stems to the line up to which area and width count; 0 counts to
        the stems.
    join_across_holdings : bool
        Whether belts of two holdings can make one block.
    parcel_cap, holding_cap, scheme_cap : int or None
        Most that is paid over all years, minor money units.
    paid_beside : frozenset of str
        Schemes beside which it may be paid on the same ground, or `ANY`.
    """

    name: str
    dated: date
    currency: str
    rates: tuple[Rate, ...]
    minor_per_major: int = 100
    categories: tuple[str, ...] = ()
    opens: date | None = None
    closes: date | None = None
    least_block_m2: float = 0.0
    least_width_m: float = 0.0
    least_length_m: float = 0.0
    largest_gap_m: float = 0.0
    least_native_share: float = 0.0
    most_evergreen_share: float = 1.0
    native_species: frozenset[str] = frozenset()
    species_not_paid: frozenset[str] = frozenset()
    least_plants_per_ha: float | None = None
    most_plants_per_ha: float | None = None
    most_open_share: float = 1.0
    fence_m: float = 0.0
    join_across_holdings: bool = False
    parcel_cap: int | None = None
    holding_cap: int | None = None
    scheme_cap: int | None = None
    paid_beside: frozenset[str] = frozenset()

    def beside(self, other: str) -> bool:
        """Whether this scheme's own rules let it be paid beside another.

        Parameters
        ----------
        other : str
            Name of the other scheme.

        Returns
        -------
        bool
        """
        return ANY in self.paid_beside or other in self.paid_beside

    def closed_in(self, year: int) -> str:
        """Why it cannot be applied for in a year; empty where it can.

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


def may_share(one: Scheme, other: Scheme) -> bool:
    """Whether two schemes may pay for the same ground: the rules of both must allow it.

    Parameters
    ----------
    one, other : Scheme

    Returns
    -------
    bool
    """
    return one.beside(other.name) and other.beside(one.name)


MOST_RIVALS = 5
"""Rival schemes are tried in every order; of more than so many there are too many orders."""


def rivals(schemes: Sequence[Scheme], ground: Sequence[set[int]]) -> list[list[int]]:
    """Schemes by groups that want the same ground and may not be paid beside one another.

    Parameters
    ----------
    schemes : sequence of Scheme
    ground : sequence of set
        Pieces of ground that qualify for each.

    Returns
    -------
    list of list of int
        Numbers of the schemes of each group, in rising order.

    Raises
    ------
    InputError
        ``grants-too-many`` for a group of more than `MOST_RIVALS`.
    """
    group = list(range(len(schemes)))
    for a, one in enumerate(schemes):
        for b, other in enumerate(schemes[:a]):
            if not may_share(one, other) and not ground[a].isdisjoint(ground[b]):
                group = [group[b] if g == group[a] else g for g in group]
    groups = [[i for i, g in enumerate(group) if g == wanted] for wanted in dict.fromkeys(group)]
    if (most := max(map(len, groups), default=0)) > MOST_RIVALS:
        raise InputError(
            "grants-too-many",
            f"{most} schemes want the same ground and bar one another.",
            value=", ".join(scheme.name for scheme in schemes),
            mend=f"Look at no more than {MOST_RIVALS} of them in one run.",
        )
    return groups


def money(minor: int, scheme: Scheme) -> str:
    """An amount as people write it.

    Parameters
    ----------
    minor : int
        Minor money units.
    scheme : Scheme
        Gives the currency and its minor units.

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
