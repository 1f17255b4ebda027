"""Money net of grant, for a choice that asks again and again."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from shelterscape.errors import InputError
from shelterscape.science.grants.ground import Ground
from shelterscape.science.grants.paying import total

LEAST_OWN_SHARE = 0.05
"""Smallest share of its gross cost that a set counts as costing (assumed value).

Yearly payments can add up to more than planting costs; were the net cost to fall to nothing, a
budget would choose without end.
"""


def net_cost(
    ground: Ground, start_year: int, *, least_own_share: float = LEAST_OWN_SHARE
) -> Callable[[Iterable[int]], int]:
    """Cost net of grant as a function of the set of belts.

    Parameters
    ----------
    ground : Ground
        Every candidate, placed once; each needs its ``cost_minor``.
    start_year : int
        The year of planting.
    least_own_share : float
        The net cost never falls below this share of the gross cost.

    Returns
    -------
    callable
        Takes the places of belts in ``ground.belts``, gives whole minor money units: their cost
        less all that all schemes pay over all years, not discounted. Paid for the whole set, so
        blocks that are reached only together count, and caps too. The order of the set plays no
        role.

    Raises
    ------
    InputError
        ``column-missing`` where a belt has no cost.
    """
    costs = ground.cost_minor
    if None in costs:
        unknown = costs.index(None)
        raise InputError(
            "column-missing",
            "Money net of grant needs the cost of every belt.",
            where="belts",
            value=f"no cost_minor for {ground.belts['name'].iloc[unknown]}",
            mend="Fill the column cost_minor, in whole minor money units.",
        )
    known = [cost or 0 for cost in costs]

    def _net(belts: Iterable[int]) -> int:
        chosen = set(belts)
        gross = sum(known[belt] for belt in chosen)
        floor = -int(-gross * least_own_share // 1)
        return max(gross - total(ground, start_year, chosen), floor)

    return _net
