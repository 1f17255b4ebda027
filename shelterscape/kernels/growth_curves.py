"""Published curves of forest top height against age."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

SiteIndex = tuple[float, float]
"""Height in metres and the age in years at which it is reached."""


def height_manso_fixed(
    age: NDArray[np.float64], site: SiteIndex, b1: float, b2: float
) -> NDArray[np.float64]:
    """Top height by a curve of one shape for all sites, scaled to the height of the site.

    Parameters
    ----------
    age, site
        As in `height_johansson`.
    b1, b2 : float
        Rate per year and exponent.

    Returns
    -------
    ndarray
        Metres.

    Notes
    -----
    y2 = y1 [(1 − e^(−b1 t2)) / (1 − e^(−b1 t1))]^b2.

    References
    ----------
    Manso, McLean, Arcangeli and Matthews (2020), Forestry 94:181-192; type A (status S2).
    """
    height, at_age = site
    return height * (np.expm1(-b1 * age) / math.expm1(-b1 * at_age)) ** b2


def height_manso_varying(
    age: NDArray[np.float64], site: SiteIndex, b1: float, b2: float, b3: float
) -> NDArray[np.float64]:
    """Top height by a curve whose shape depends on the site: growth starts later on poor sites.

    Parameters
    ----------
    age, site
        As in `height_johansson`.
    b1, b2, b3 : float
        Rate per year and the two parts of the exponent.

    Returns
    -------
    ndarray
        Metres.

    Notes
    -----
    The exponent is b2 + b3/X, where X is the logarithm of the final height:
    X = ½ [q + √(q² − 4 b3 L)], L = ln(1 − e^(−b1 t1)), q = ln y1 − b2 L. With b2 below 0 the
    exponent is above 0 while that height is below e^(−b3/b2): 81 m for beech, more for others.

    References
    ----------
    Manso, McLean, Arcangeli and Matthews (2020), Forestry 94:181-192; type B (status S2).
    """
    height, at_age = site
    log_share = math.log(-math.expm1(-b1 * at_age))
    q = math.log(height) - b2 * log_share
    final = 0.5 * (q + math.sqrt(q * q - 4.0 * b3 * log_share))
    return height_manso_fixed(age, site, b1, b2 + b3 / final)


def height_johansson(
    age: NDArray[np.float64], site: SiteIndex, beta: float, k: float, age_constant: float
) -> NDArray[np.float64]:
    """Top height by the equation used for broadleaves in Scandinavia.

    Parameters
    ----------
    age : ndarray
        Years, 0 or more.
    site : tuple of float
        Height in metres and the age at which it is reached.
    beta, k, age_constant : float
        Coefficients; k is below 0, `age_constant` is the A of the source.

    Returns
    -------
    ndarray
        Metres.

    Notes
    -----
    y2 = (y1 + d + r) / [2 + 4 β t2^k / (y1 − d + r)], d = β A^k, r = √[(y1 − d)² + 4 β y1 t1^k];
    written here with both parts times t2^(−k), so that it holds at age 0.

    References
    ----------
    Johansson (1999), Scandinavian Journal of Forest Research 14:441-453, for alder; the same form
    for oak (2013) and for birch by Eriksson and others (1997); type C (status S2).
    """
    height, at_age = site
    d = beta * age_constant**k
    r = math.sqrt((height - d) ** 2 + 4.0 * beta * height * at_age**k)
    grown_age = age**-k
    return (height + d + r) * grown_age / (2.0 * grown_age + 4.0 * beta / (height - d + r))


CURVES: dict[str, Callable[..., NDArray[np.float64]]] = {
    "A": lambda age, site, b1, b2, _: height_manso_fixed(age, site, b1, b2),
    "B": height_manso_varying,
    "C": height_johansson,
}
"""The published curves by their letter in species.csv."""
