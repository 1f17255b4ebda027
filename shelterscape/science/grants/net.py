"""Cost net of grant as a function of a set of belts, for the choice of belts within a budget."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from shelterscape.errors import InputError
from shelterscape.science.grants.ground import Ground
from shelterscape.science.grants.paying import total

MIN_OWN_SHARE = 0.05
"""Smallest net cost of a set of belts, as a share of its gross cost (assumed value).

Annual payments can add up to more than the cost of planting. A net cost of zero would let a budget
choose belts without limit.
"""


def net_cost(
    ground: Ground, start_year: int, *, min_own_share: float = MIN_OWN_SHARE
) -> Callable[[Iterable[int]], int]:
    """Cost net of grant as a function of a set of belts.

    Parameters
    ----------
    ground : Ground
        All candidates; each needs a cost.
    start_year : int
        The year of planting.
    min_own_share : float
        Smallest net cost as a share of the gross cost, 0 to 1.

    Returns
    -------
    callable
        Takes positions of belts in ``ground.belts`` and returns their cost less all payments by all
        schemes over all years, in whole minor units of the currency, not discounted. Payments are
        calculated for the whole set, so blocks that qualify only together count, and caps apply.
        The order of the set has no effect.

    Raises
    ------
    InputError
        ``column-missing`` where the cost of a belt is unknown.
    """
    costs = ground.cost_minor
    if None in costs:
        unknown = costs.index(None)
        raise InputError(
            "column-missing",
            "Cost net of grant needs the cost of every belt.",
            where="belts",
            value=f"no cost for {ground.belts['name'].iloc[unknown]}",
            hint="Fill the column cost in every feature, in currency units.",
        )
    known = [cost or 0 for cost in costs]

    def cost_of(belts: Iterable[int]) -> int:
        """Net cost of a set of belts."""
        chosen = set(belts)
        gross = sum(known[belt] for belt in chosen)
        least = -int(-gross * min_own_share // 1)
        return max(gross - total(ground, start_year, chosen), least)

    return cost_of
