"""Payments for a set of belts, by belt, scheme, rate and year.

**Rounding.** Quantities are counted for each belt and scheme in whole square metres, decimetres,
plants and minor units of cost. A row (belt, rate, year) is quantity times rate, rounded half up to
the whole minor unit. Totals are sums of rows. A cap reduces the rows of its group in proportion,
rounded down; the units that remain go to the largest fractions, so that the group sums to the cap
exactly.
"""

from __future__ import annotations

import functools
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import NamedTuple

from shelterscape.science.grants.blocks import (
    PaidQuantities,
    Qualification,
    assess,
    quantities_by_belt,
)
from shelterscape.science.grants.ground import Ground
from shelterscape.science.grants.scheme import Rate, Scheme, are_compatible


class Row(NamedTuple):
    """One payment: a belt, a rate of a scheme, a year.

    Parameters
    ----------
    belt, scheme, rate : int
        Positions in the ground, its schemes and the rates of the scheme.
    year : int
        Calendar year of the payment.
    quantity : int
        Quantity paid for, in counting units (see `quantity_for`).
    uncapped_minor, amount_minor : int
        Amount before and after caps, minor units of the currency.
    """

    belt: int
    scheme: int
    rate: int
    year: int
    quantity: int
    uncapped_minor: int
    amount_minor: int


@dataclass(frozen=True)
class Payments:
    """Payments for a set of belts.

    Parameters
    ----------
    ground : Ground
    belts : tuple of int
        The set, in the order of `ground.order`.
    start_year : int
    found : tuple of Qualification
        Ground that each scheme pays for.
    order : tuple of int
        Schemes in the order in which ground was assigned to them.
    rows : tuple of Row
        Sorted by belt, scheme, rate, year.
    """

    ground: Ground
    belts: tuple[int, ...]
    start_year: int
    found: tuple[Qualification, ...]
    order: tuple[int, ...]
    rows: tuple[Row, ...]

    @property
    def total_minor(self) -> int:
        """Sum of all payments over all years, minor units of the currency."""
        return sum(row.amount_minor for row in self.rows)

    @functools.cached_property
    def by_belt(self) -> dict[tuple[int, int], int]:
        """Payment for each belt by each scheme over all years, minor units of the currency."""
        sums: dict[tuple[int, int], int] = defaultdict(int)
        for row in self.rows:
            sums[row.belt, row.scheme] += row.amount_minor
        return dict(sums)


def payments(ground: Ground, start_year: int, belts: Iterable[int] | None = None) -> Payments:
    """Payments for a set of belts by all schemes.

    Parameters
    ----------
    ground : Ground
    start_year : int
        The year of planting.
    belts : iterable of int, optional
        Belts of the ground that are planted; all by default. Their order has no effect.

    Returns
    -------
    Payments

    Notes
    -----
    Incompatible schemes that could pay for the same ground are calculated in every order. The order
    with the largest total payment after caps applies to the whole set. A later scheme is tested on
    the ground that remains. Of orders that pay the same, the first by name applies.
    """
    chosen = tuple(_in_order(ground, belts))
    order, found, _ = _best_order(ground, chosen, start_year)
    rows: list[Row] = []
    for index, one in enumerate(found):
        scheme_rows = list(_rows(ground, index, one, start_year))
        rows += _capped(scheme_rows, ground, ground.schemes[index])
    rows.sort(key=lambda r: (ground.rank[r.belt], r.scheme, r.rate, r.year))
    return Payments(ground, chosen, start_year, tuple(found), order, tuple(rows))


def total(ground: Ground, start_year: int, belts: Iterable[int]) -> int:
    """Total payment for a set of belts, without its rows; equal to their sum to the minor unit.

    Parameters
    ----------
    ground, start_year, belts
        As for `payments`.

    Returns
    -------
    int
        Minor units of the currency, over all years.
    """
    chosen = _in_order(ground, belts)
    return _best_order(ground, chosen, start_year)[2]


def _in_order(ground: Ground, belts: Iterable[int] | None) -> list[int]:
    return ground.order if belts is None else sorted(set(belts), key=ground.rank.__getitem__)


# ---- which scheme pays for which ground


def _best_order(
    ground: Ground, belts: Sequence[int], year: int
) -> tuple[tuple[int, ...], list[Qualification], int]:
    """The order of schemes with the largest total after caps; the ground each pays for; the total.

    Compatible schemes do not restrict each other, so each group of incompatible schemes is
    calculated by itself.
    """
    found: list[Qualification] = [Qualification()] * len(ground.schemes)
    chosen: list[int] = []
    in_all = 0
    for group, contested in zip(ground.incompatible_schemes, ground.contested, strict=True):
        tried: dict[tuple[int, ...], tuple[Qualification, int]] = {}
        # Where only one scheme could pay for each piece, every order pays the same.
        orders = [tuple(group)] if contested.isdisjoint(belts) else permutations(group)
        sums = {
            order: sum(_payments_in_order(ground, belts, year, order, tried)) for order in orders
        }
        best = max(sums, key=sums.__getitem__)
        chosen += best
        in_all += sums[best]
        for place, index in enumerate(best):
            found[index] = tried[best[: place + 1]][0]
    return tuple(chosen), found, in_all


def _payments_in_order(
    ground: Ground,
    belts: Sequence[int],
    year: int,
    order: tuple[int, ...],
    tried: dict[tuple[int, ...], tuple[Qualification, int]],
) -> Iterator[int]:
    """Payment by each scheme in an order; results for the same first schemes are kept."""
    for place, index in enumerate(order):
        first = order[: place + 1]
        if first not in tried:
            earlier = (
                tried[order[: i + 1]][0].paid
                for i, other in enumerate(order[:place])
                if not are_compatible(ground.schemes[index], ground.schemes[other])
            )
            one = assess(ground, index, belts, year, frozenset().union(*earlier))
            tried[first] = one, _total(ground, index, one)
        yield tried[first][1]


# ---- money


def quantity_for(rate: Rate, quantities: PaidQuantities) -> int:
    """The quantity that a rate applies to.

    Parameters
    ----------
    rate : Rate
    quantities : PaidQuantities

    Returns
    -------
    int
        Square metres, decimetres, plants or minor units of cost; 0 where the cost is unknown.
    """
    if rate.per == "cost":
        return quantities.cost_minor or 0
    by_basis = {"ha": quantities.m2, "m": quantities.decimetres, "tree": quantities.plants}
    return by_basis[rate.per]


def amount_of(rate: Rate, quantity: int) -> int:
    """Amount of a row: quantity times rate, rounded half up to the whole minor unit.

    Parameters
    ----------
    rate : Rate
    quantity : int
        As `quantity_for` returns it.

    Returns
    -------
    int
        Minor units of the currency.
    """
    numerator, denominator = rate.per_counting_unit
    return (2 * quantity * numerator + denominator) // (2 * denominator)


def _rows(ground: Ground, index: int, found: Qualification, start_year: int) -> Iterator[Row]:
    """Payments of one scheme before caps."""
    for belt, quantities in quantities_by_belt(ground, found.paid, found.owner).items():
        for place, rate in enumerate(ground.schemes[index].rates):
            if not (quantity := quantity_for(rate, quantities)):
                continue
            amount = amount_of(rate, quantity)
            # Payments for a later phase start in its own year of planting.
            first = max(start_year, ground.planted_year[belt]) + rate.year - 1
            for year in range(first, first + rate.years):
                yield Row(belt, index, place, year, quantity, amount, amount)


def _total(ground: Ground, index: int, found: Qualification) -> int:
    """Total payment by one scheme after caps, minor units of the currency."""
    scheme = ground.schemes[index]
    by_parcel: dict[tuple[str, str], int] = defaultdict(int)
    for belt, quantities in quantities_by_belt(ground, found.paid, found.owner).items():
        paid = sum(
            amount_of(rate, quantity_for(rate, quantities)) * rate.years for rate in scheme.rates
        )
        by_parcel[ground.holding[belt], ground.parcel[belt]] += paid
    by_holding: dict[str, int] = defaultdict(int)
    for (holding, _), paid in by_parcel.items():
        by_holding[holding] += _at_most(paid, scheme.parcel_cap)
    in_all = sum(_at_most(paid, scheme.holding_cap) for paid in by_holding.values())
    return _at_most(in_all, scheme.scheme_cap)


def _at_most(amount: int, cap: int | None) -> int:
    return amount if cap is None else min(amount, cap)


def _capped(rows: list[Row], ground: Ground, scheme: Scheme) -> list[Row]:
    """Rows of one scheme reduced to its caps: by parcel, then by holding, then in total."""
    rows = sorted(rows, key=lambda r: (ground.rank[r.belt], r.rate, r.year))
    for cap, key in (
        (scheme.parcel_cap, lambda r: (ground.holding[r.belt], ground.parcel[r.belt])),
        (scheme.holding_cap, lambda r: ground.holding[r.belt]),
        (scheme.scheme_cap, lambda r: None),
    ):
        if cap is None:
            continue
        groups: dict[object, list[int]] = defaultdict(list)
        for i, row in enumerate(rows):
            groups[key(row)].append(i)
        for places in groups.values():
            amounts = reduced_to_cap([rows[i].amount_minor for i in places], cap)
            for i, amount in zip(places, amounts, strict=True):
                rows[i] = rows[i]._replace(amount_minor=amount)
    return rows


def reduced_to_cap(amounts: list[int], cap: int) -> list[int]:
    """Amounts reduced in proportion so that they sum to a cap; unchanged where they sum to less.

    Parameters
    ----------
    amounts : list of int
        Minor units of the currency, 0 or more.
    cap : int
        Minor units of the currency.

    Returns
    -------
    list of int
        Minor units of the currency, in the same order.

    Examples
    --------
    >>> reduced_to_cap([50, 30, 20], 99)
    [49, 30, 20]
    >>> reduced_to_cap([50, 30, 20], 200)
    [50, 30, 20]
    """
    return amounts if sum(amounts) <= cap else divided_by_weight(cap, amounts)


def divided_by_weight(amount: int, weights: list[int]) -> list[int]:
    """An amount divided by weight into whole units; the remainder goes to the largest fractions.

    Parameters
    ----------
    amount : int
        Minor units of the currency.
    weights : list of int
        0 or more.

    Returns
    -------
    list of int
        Minor units of the currency; they sum to `amount`, or are all 0 where all weights are 0.

    Examples
    --------
    >>> divided_by_weight(100, [1, 1, 1])
    [34, 33, 33]
    """
    whole = sum(weights)
    if not whole:
        return [0] * len(weights)
    shares = [divmod(weight * amount, whole) for weight in weights]
    lowest = [share for share, _ in shares]
    by_remainder = sorted(range(len(weights)), key=lambda i: (-shares[i][1], i))
    for i in by_remainder[: amount - sum(lowest)]:
        lowest[i] += 1
    return lowest
