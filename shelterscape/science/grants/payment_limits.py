"""Linear limits on the payments for any set of belts, for an upper bound of what grants allow.

Grants pay for a set as a whole: blocks qualify together, belts share ground, schemes exclude each
other, and caps apply. A linear programme can use none of that, but it can use limits which the
payments for every set meet.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.grants.blocks import assess, quantities_by_belt
from shelterscape.science.grants.ground import Ground
from shelterscape.science.grants.paying import amount_of, quantity_for
from shelterscape.science.grants.scheme import Rate, are_compatible

ROUNDING = 0.501
"""Most by which counting to whole units raises a quantity; sums may be inexact (`blocks`)."""

Group = tuple[tuple[int, ...], bool]
"""Schemes that could pay for the same ground of a belt, none where they are all compatible with the
one considered; and whether stems cover that ground."""


@dataclass(frozen=True)
class PaymentLimits:
    """Amounts, each with a share of 0 to 1, that add up to no less than the payments for a set.

    Parameters
    ----------
    belt : (m,) int64
        Belt of each amount; its share is 0 unless the belt is planted.
    amount_minor : (m,) float64
        Minor units of the currency, over all years.
    exclusive : list of (int, int)
        Amounts of one belt by incompatible schemes for the same ground: shares sum to 1 at most.
    caps : list of (list of int, int)
        Amounts, times their shares, that sum to a cap at most, minor units of the currency.
    neighbours : list of (int, list of int)
        An amount that is not paid unless one of these belts is planted too.

    Notes
    -----
    For any set, let the share of an amount be the share of its ground that the scheme pays for, and
    that of a rounding amount 1 where the belt is planted. Ground of a group is paid in proportion
    to its area, incompatible schemes never pay for the same ground, and a block too small with one
    belt alone contains ground of a neighbour: the shares meet every limit except caps, and add up
    to at least the payments before caps. Caps take the smaller of a sum and a cap, so shares that
    are reduced until each sum equals what is paid meet the caps too.
    """

    belt: NDArray[np.int64]
    amount_minor: NDArray[np.float64]
    exclusive: list[tuple[int, int]] = field(default_factory=list)
    caps: list[tuple[list[int], int]] = field(default_factory=list)
    neighbours: list[tuple[int, list[int]]] = field(default_factory=list)


def payment_limits(ground: Ground, start_year: int) -> PaymentLimits:
    """Limits that the payments for any set of belts meet.

    Parameters
    ----------
    ground : Ground
        All candidates; each needs a cost.
    start_year : int
        The year of planting.

    Returns
    -------
    PaymentLimits
    """
    found = _Found(ground, start_year)
    for index in found.open:
        found.add_scheme(index)
    return PaymentLimits(
        np.array(found.belt, dtype=np.int64),
        np.array(found.amount, dtype=float),
        found.exclusive,
        found.caps,
        found.neighbours,
    )


class _Found:
    """Amounts and limits found so far."""

    def __init__(self, ground: Ground, start_year: int) -> None:
        self.ground, self.year = ground, start_year
        self.belt: list[int] = []
        self.amount: list[float] = []
        self.exclusive: list[tuple[int, int]] = []
        self.caps: list[tuple[list[int], int]] = []
        self.neighbours: list[tuple[int, list[int]]] = []
        self._contested: dict[tuple[int, Group], list[tuple[int, int]]] = defaultdict(list)
        self.open = [i for i, s in enumerate(ground.schemes) if not s.closed_in(start_year)]
        self._eligible = [[set(pieces) for pieces in by_belt] for by_belt in ground.eligible]

    def add_scheme(self, index: int) -> None:
        """Add what one scheme could pay for every belt, and its caps."""
        ground, scheme = self.ground, self.ground.schemes[index]
        by_parcel: dict[tuple[str, str], list[int]] = defaultdict(list)
        by_holding: dict[str, list[int]] = defaultdict(list)
        every: list[int] = []
        for belt in ground.order:
            amounts = self._add_belt(index, belt) if ground.eligible[index][belt] else []
            by_parcel[ground.holding[belt], ground.parcel[belt]] += amounts
            by_holding[ground.holding[belt]] += amounts
            every += amounts
        self._cap(by_parcel.values(), scheme.parcel_cap)
        self._cap(by_holding.values(), scheme.holding_cap)
        self._cap([every], scheme.scheme_cap)

    def _cap(self, groups: Iterable[list[int]], cap: int | None) -> None:
        if cap is None:
            return
        for amounts in groups:
            if sum(self.amount[i] for i in amounts) > cap:
                self.caps.append((amounts, cap))

    def _add_belt(self, index: int, belt: int) -> list[int]:
        """Amounts of one belt by one scheme: in whole units where no other scheme competes."""
        rates, pieces = self.ground.schemes[index].rates, self.ground.eligible[index][belt]
        counted = quantities_by_belt(self.ground, pieces, dict.fromkeys(pieces, belt))[belt]
        whole = sum(amount_of(rate, quantity_for(rate, counted)) * rate.years for rate in rates)
        groups = self._groups(index, belt)
        if not any(schemes for schemes, _ in groups):
            found = [self._add(belt, whole)]
            self._require_neighbour(index, belt, pieces, found[0])
            return found
        found = []
        for group, mine in groups.items():
            found.append(self._add(belt, self._before_rounding(rates, belt, mine)))
            self._require_neighbour(index, belt, mine, found[-1])
            if group[0]:
                known = self._contested[belt, group]
                rivals = set(self._rivals(index))
                self.exclusive += [(one, found[-1]) for other, one in known if other in rivals]
                known.append((index, found[-1]))
        rounding = sum((ROUNDING * _unit(rate) + 0.5) * rate.years for rate in rates)
        found.append(self._add(belt, rounding))
        self.caps.append((found, whole))
        return found

    def _add(self, belt: int, amount: float) -> int:
        self.belt.append(belt)
        self.amount.append(float(amount))
        return len(self.belt) - 1

    def _groups(self, index: int, belt: int) -> dict[Group, list[int]]:
        """Pieces of a belt by the schemes that could pay for them; together where none competes."""
        ground = self.ground
        rivals = set(self._rivals(index))
        groups: dict[Group, list[int]] = defaultdict(list)
        for piece in ground.eligible[index][belt]:
            schemes = tuple(s for s in self.open if piece in self._eligible[s][belt])
            contested = schemes if not rivals.isdisjoint(schemes) else ()
            groups[contested, ground.covers[piece][belt] == 0].append(piece)
        return groups

    def _rivals(self, index: int) -> Iterator[int]:
        """Schemes that may not pay for the same ground as a scheme."""
        schemes = self.ground.schemes
        for other in self.open:
            if other != index and not are_compatible(schemes[index], schemes[other]):
                yield other

    def _before_rounding(self, rates: tuple[Rate, ...], belt: int, pieces: list[int]) -> float:
        """What the rates pay for pieces of a belt if quantities are not rounded."""
        ground = self.ground
        area = sum(ground.area_m2[piece] for piece in pieces)
        stems = sum(ground.area_m2[p] for p in pieces if ground.covers[p][belt] == 0)
        share = stems / ground.stems_m2[belt] if ground.stems_m2[belt] else 0.0
        quantity = {
            "ha": area,
            "m": 10.0 * ground.length_m[belt] * share,
            "tree": ground.plants_per_ha[belt] * stems / 1e4,
            "cost": (ground.cost_minor[belt] or 0) * share,
        }
        return sum(quantity[rate.per] * _unit(rate) * rate.years for rate in rates)

    def _require_neighbour(self, index: int, belt: int, pieces: list[int], amount: int) -> None:
        """Require another belt where no block of this one by itself is large enough."""
        alone = assess(self.ground, index, [belt], self.year, frozenset())
        if alone.paid.isdisjoint(pieces):
            self.neighbours.append((amount, sorted(set(self._beside(index, belt)) - {belt})))

    def _beside(self, index: int, belt: int) -> Iterator[int]:
        """Belts with ground near enough to join a block with ground of a belt."""
        ground, level = self.ground, self.ground.levels[index]
        for piece in ground.eligible[index][belt]:
            for other in ground.near[index][piece]:
                for owner, cover in ground.covers[other].items():
                    if cover <= level and not ground.faults[index][owner]:
                        yield owner


def _unit(rate: Rate) -> float:
    """Minor units paid per counting unit."""
    numerator, denominator = rate.per_counting_unit
    return numerator / denominator
