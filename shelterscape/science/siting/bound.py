"""A bound that no choice under the same limits can pass.

It holds for the plain rule only, by which the smallest relative wind counts: there each further
belt adds no more to a larger set than to a smaller one. From any set S, then, the best set reaches
at most the benefit of S and what the others would each add to S, filled into the budget with the
last of them cut: the fractional knapsack.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.siting.limits import Purse

Array = NDArray[np.float64]

CLAIM = (
    "No set under this budget brings more, by the plain rule that the smallest relative wind "
    "counts; ends, close belts and what mending takes away are left out of the bound."
)


class Step(NamedTuple):
    """A set met on the way, its benefit by the plain rule, and what each line could add to it.

    The additions may be older and so larger than they are now: the bound holds none the less.
    """

    benefit: float
    additions: Array


def most_within(
    additions: Array, spent: Array, limit: float, owner: Sequence[int], caps: Array
) -> tuple[float, Array]:
    """The most that lines can add within a budget when they may be cut.

    Parameters
    ----------
    additions, spent : (n,) float64
        What each adds and takes.
    limit : float
    owner : sequence of int
        Cap each line falls under, -1 for none.
    caps : (k,) float64

    Returns
    -------
    most : float
    taken : (n,) float64
        Share of each line taken.

    Notes
    -----
    Taking the best value for what is spent first is the best under one budget and caps on groups
    apart from each other.
    """
    taken = np.zeros(len(additions))
    gains = np.flatnonzero(additions > 0)
    free = spent[gains] <= 0
    taken[gains[free]] = 1.0
    dear = gains[~free]
    left, room = limit, np.array(caps, dtype=float)
    for i in dear[np.argsort(-additions[dear] / spent[dear], kind="stable")]:
        if left <= 0:
            break
        may = min(left, spent[i], room[owner[i]] if owner[i] >= 0 else np.inf)
        taken[i] = max(may, 0.0) / spent[i]
        left -= max(may, 0.0)
        if owner[i] >= 0:
            room[owner[i]] -= max(may, 0.0)
    return float((taken * additions).sum()), taken


class Bound:
    """Works out bounds under some limits.

    Parameters
    ----------
    purse : Purse
    must : frozenset of int
        Lines every choice has; what they cost is not there for others.
    """

    def __init__(self, purse: Purse, must: frozenset[int]) -> None:
        limits = purse.limits
        names = sorted(limits.holdings)
        number = {name: i for i, name in enumerate(names)}
        self._owner = [number.get(h, -1) for h in purse.holding]
        self._kinds: list[tuple[Array, float, float, Array]] = []
        for name, spent in (("metres", purse.length), ("money_minor", purse.least_money())):
            limit = limits.total(name)
            if limit is None:
                continue
            room = [getattr(limits.holdings[h], name) for h in names]
            caps = np.array([np.inf if cap is None else cap for cap in room], dtype=float)
            for i in must:
                if self._owner[i] >= 0:
                    caps[self._owner[i]] -= spent[i]
            gone = float(sum(spent[i] for i in sorted(must)))
            self._kinds.append((spent, limit, gone, caps))

    def of(self, step: Step, share: float = 1.0) -> tuple[float, Array]:
        """Bound from one step under a share of the budget, and how far it rests on each line."""
        best, used = np.inf, np.zeros(len(step.additions))
        for spent, limit, gone, caps in self._kinds:
            left = share * limit - gone
            most, taken = most_within(step.additions, spent, left, self._owner, caps)
            if step.benefit + most < best:
                best, used = step.benefit + most, taken
        return best, used
