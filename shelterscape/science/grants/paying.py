"""Payments for a set of belts: which scheme pays for which ground, row by row, year by year.

**Rounding.** What is measured is counted in whole square metres, decimetres, plants and minor money
units, for each belt and scheme. Each row (a belt, a rate, a year) is its count times its rate,
rounded half up to the whole minor unit. Totals are sums of rows. A cap lowers the rows of its group
in proportion, rounded down, and gives what remains to the largest fractions, so that the group
sums to the cap exactly.
"""

from __future__ import annotations

import functools
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import NamedTuple

from shelterscape.science.grants.blocks import Counted, Found, assess, counted
from shelterscape.science.grants.ground import Ground
from shelterscape.science.grants.scheme import Rate, Scheme, may_share


class Row(NamedTuple):
    """One payment: a belt, a rate of a scheme, a year.

    Parameters
    ----------
    belt, scheme, rate : int
        Their numbers.
    year : int
        Calendar year of the payment.
    counted : int
        What the rate is paid for, in counted units (see `count_of`).
    uncapped_minor, amount_minor : int
        Amount before and after caps, minor money units.
    """

    belt: int
    scheme: int
    rate: int
    year: int
    counted: int
    uncapped_minor: int
    amount_minor: int


@dataclass(frozen=True)
class Payments:
    """What a set of belts is paid.

    Parameters
    ----------
    ground : Ground
    belts : tuple of int
        The set, in the order of the ground.
    start_year : int
    found : tuple of Found
        For each scheme, which ground it pays for.
    order : tuple of int
        Schemes in the order in which they took the ground.
    rows : tuple of Row
        By belt, scheme, rate, year.
    """

    ground: Ground
    belts: tuple[int, ...]
    start_year: int
    found: tuple[Found, ...]
    order: tuple[int, ...]
    rows: tuple[Row, ...]

    @property
    def total_minor(self) -> int:
        """All that is paid over all years."""
        return sum(row.amount_minor for row in self.rows)

    @functools.cached_property
    def by_belt(self) -> dict[tuple[int, int], int]:
        """What each belt is paid by each scheme over all years."""
        sums: dict[tuple[int, int], int] = defaultdict(int)
        for row in self.rows:
            sums[row.belt, row.scheme] += row.amount_minor
        return dict(sums)


def payments(ground: Ground, start_year: int, belts: Iterable[int] | None = None) -> Payments:
    """What a set of belts is paid by all schemes of a ground.

    Parameters
    ----------
    ground : Ground
    start_year : int
        The year of planting.
    belts : iterable of int, optional
        Which belts of the ground are planted; all by default. The order plays no role.

    Returns
    -------
    Payments

    Notes
    -----
    Schemes that want the same ground and may not be paid beside one another are tried in every
    order; the order that pays most in all, caps and all, is taken for the whole set. A scheme that
    comes later is tested on the ground that remains. Where orders pay the same, names decide.
    """
    chosen = tuple(_in_order(ground, belts))
    order, found, _ = _best(ground, chosen, start_year)
    rows: list[Row] = []
    for index, one in enumerate(found):
        scheme_rows = list(_rows(ground, index, one, start_year))
        rows += _capped(scheme_rows, ground, ground.schemes[index])
    rows.sort(key=lambda r: (ground.rank[r.belt], r.scheme, r.rate, r.year))
    return Payments(ground, chosen, start_year, tuple(found), order, tuple(rows))


def total(ground: Ground, start_year: int, belts: Iterable[int]) -> int:
    """The sum of what a set of belts is paid, without its rows; equal to theirs to the last unit.

    Parameters
    ----------
    ground, start_year, belts
        As for `payments`.

    Returns
    -------
    int
        Minor money units over all years.
    """
    chosen = _in_order(ground, belts)
    return _best(ground, chosen, start_year)[2]


def _in_order(ground: Ground, belts: Iterable[int] | None) -> list[int]:
    return ground.order if belts is None else sorted(set(belts), key=ground.rank.__getitem__)


# ---- which scheme pays for which ground


def _best(
    ground: Ground, belts: Sequence[int], year: int
) -> tuple[tuple[int, ...], list[Found], int]:
    """The order of schemes that pays most in all, caps and all; what each pays for; the sum.

    Schemes that do not bar one another cannot take ground from each other, so each group of rivals
    is settled by itself. Of orders that pay the same, the first by name counts.
    """
    found: list[Found] = [Found()] * len(ground.schemes)
    settled: list[int] = []
    in_all = 0
    for group, contested in zip(ground.rivals, ground.contested, strict=True):
        tried: dict[tuple[int, ...], tuple[Found, int]] = {}
        # Where no ground is wanted twice, every order pays the same.
        orders = [tuple(group)] if contested.isdisjoint(belts) else permutations(group)
        sums = {order: sum(_after(ground, belts, year, order, tried)) for order in orders}
        best = max(sums, key=sums.__getitem__)
        settled += best
        in_all += sums[best]
        for place, index in enumerate(best):
            found[index] = tried[best[: place + 1]][0]
    return tuple(settled), found, in_all


def _after(
    ground: Ground,
    belts: Sequence[int],
    year: int,
    order: tuple[int, ...],
    tried: dict[tuple[int, ...], tuple[Found, int]],
) -> Iterator[int]:
    """What each scheme pays, taken in an order; results for the same first schemes are kept."""
    for place, index in enumerate(order):
        begun = order[: place + 1]
        if begun not in tried:
            earlier = (
                tried[order[: i + 1]][0].paid
                for i, other in enumerate(order[:place])
                if not may_share(ground.schemes[index], ground.schemes[other])
            )
            taken = frozenset().union(*earlier)
            one = assess(ground, index, belts, year, taken)
            tried[begun] = one, _total(ground, index, one)
        yield tried[begun][1]


# ---- money


def count_of(rate: Rate, count: Counted) -> int:
    """The count that a rate applies to.

    Parameters
    ----------
    rate : Rate
    count : Counted

    Returns
    -------
    int
        Square metres, decimetres, plants or minor money units; 0 where the cost is not known.
    """
    if rate.per == "cost":
        return count.cost_minor or 0
    return {"ha": count.m2, "m": count.decimetres, "tree": count.plants}[rate.per]


def amount_of(rate: Rate, count: int) -> int:
    """Amount of a row: count times rate, rounded half up to the whole minor unit.

    Parameters
    ----------
    rate : Rate
    count : int
        As `count_of` returns it.

    Returns
    -------
    int
        Minor money units.
    """
    above, below = rate.per_counted
    return (2 * count * above + below) // (2 * below)


def _rows(ground: Ground, index: int, found: Found, start_year: int) -> Iterator[Row]:
    """Payments of one scheme before caps."""
    for belt, count in counted(ground, found.paid, found.owner).items():
        for place, rate in enumerate(ground.schemes[index].rates):
            if not (number := count_of(rate, count)):
                continue
            amount = amount_of(rate, number)
            # A later phase is paid from its own year of planting.
            first = max(start_year, ground.planted_year[belt]) + rate.year - 1
            for year in range(first, first + rate.years):
                yield Row(belt, index, place, year, number, amount, amount)


def _total(ground: Ground, index: int, found: Found) -> int:
    """What one scheme pays in all, after caps."""
    scheme = ground.schemes[index]
    by_parcel: dict[tuple[str, str], int] = defaultdict(int)
    for belt, count in counted(ground, found.paid, found.owner).items():
        paid = sum(amount_of(rate, count_of(rate, count)) * rate.years for rate in scheme.rates)
        by_parcel[ground.holding[belt], ground.parcel[belt]] += paid
    by_holding: dict[str, int] = defaultdict(int)
    for (holding, _), paid in by_parcel.items():
        by_holding[holding] += _at_most(paid, scheme.parcel_cap)
    in_all = sum(_at_most(paid, scheme.holding_cap) for paid in by_holding.values())
    return _at_most(in_all, scheme.scheme_cap)


def _at_most(amount: int, cap: int | None) -> int:
    return amount if cap is None else min(amount, cap)


def _capped(rows: list[Row], ground: Ground, scheme: Scheme) -> list[Row]:
    """Rows of one scheme lowered to its caps: per parcel, then per holding, then in all."""
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
            amounts = lowered([rows[i].amount_minor for i in places], cap)
            for i, amount in zip(places, amounts, strict=True):
                rows[i] = rows[i]._replace(amount_minor=amount)
    return rows


def lowered(amounts: list[int], cap: int) -> list[int]:
    """Amounts lowered in proportion until they sum to a cap; unchanged where they are below it.

    Parameters
    ----------
    amounts : list of int
        Minor money units, 0 or more.
    cap : int
        Minor money units.

    Returns
    -------
    list of int
        Minor money units, in the same order.

    Examples
    --------
    >>> lowered([50, 30, 20], 99)
    [49, 30, 20]
    >>> lowered([50, 30, 20], 200)
    [50, 30, 20]
    """
    return amounts if sum(amounts) <= cap else shared_out(cap, amounts)


def shared_out(amount: int, weights: list[int]) -> list[int]:
    """An amount divided by weight into whole units; the remainder goes to the largest fractions.

    Parameters
    ----------
    amount : int
        Minor money units.
    weights : list of int
        0 or more.

    Returns
    -------
    list of int
        Minor money units; they sum to `amount`, or are all 0 where the weights are.

    Examples
    --------
    >>> shared_out(100, [1, 1, 1])
    [34, 33, 33]
    """
    whole = sum(weights)
    if not whole:
        return [0] * len(weights)
    shares = [divmod(weight * amount, whole) for weight in weights]
    lowest = [share for share, _ in shares]
    by_rest = sorted(range(len(weights)), key=lambda i: (-shares[i][1], i))
    for i in by_rest[: amount - sum(lowest)]:
        lowest[i] += 1
    return lowest
