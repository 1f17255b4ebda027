"""Value today of yearly amounts of money."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Decimal


def present_values(amounts_minor: Iterable[int], discount_rate: float) -> list[int]:
    """Value of yearly amounts in the first year.

    Parameters
    ----------
    amounts_minor : iterable of int
        Whole minor units of money, in prices of the first year. The first amount falls due in the
        first year and is not discounted, each of the others a year after the one before.
    discount_rate : float
        Per year, 0 or more, above inflation.

    Returns
    -------
    list of int
        Whole minor units, halves rounded away from 0; their sum is the net present value.

    Notes
    -----
    Amount divided by (1 + rate) to the power of the year, from 0.

    Examples
    --------
    >>> present_values([-10000, 6000, 6000], 0.05)
    [-10000, 5714, 5442]
    """
    factor = 1 + Decimal(repr(float(discount_rate)))
    return [
        int((amount / factor**year).quantize(Decimal(1), ROUND_HALF_UP))
        for year, amount in enumerate(map(Decimal, amounts_minor))
    ]


def years_until_paid_back(amounts_minor: Iterable[int], discount_rate: float) -> int | None:
    """Years until the sum of present values is above 0, and stays so.

    Parameters
    ----------
    amounts_minor, discount_rate
        As for `present_values`.

    Returns
    -------
    int or None
        None where the sum over all years is not above 0.

    Examples
    --------
    >>> years_until_paid_back([-10000, 6000, 6000], 0.05)
    2
    """
    total, since = 0, None
    for year, value in enumerate(present_values(amounts_minor, discount_rate)):
        total += value
        if total <= 0:
            since = None
        elif since is None:
            since = year
    return since
