"""Amounts of money: calculated in whole minor units, written as decimal amounts."""

from __future__ import annotations

import pandas as pd


def decimal_amounts(minor: pd.Series, minor_per_major: int) -> pd.Series:
    """Amounts in currency units, as files hold them.

    Parameters
    ----------
    minor : Series
        Whole minor units; missing where unknown.
    minor_per_major : int
        Minor units in one unit of the currency.

    Returns
    -------
    Series of float64
        NaN where unknown. The nearest binary number to each decimal: two decimals are exact to
        amounts of 10 ** 13.

    Examples
    --------
    >>> decimal_amounts(pd.Series([123450, None]), 100).tolist()
    [1234.5, nan]
    """
    # A single division returns the number nearest to the decimal, which prints as that decimal.
    return minor.astype("Float64").astype(float) / minor_per_major
