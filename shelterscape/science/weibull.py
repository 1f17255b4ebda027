"""Weibull distributions of wind speed, fitted by maximum likelihood."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize
from scipy.special import gamma

SHAPE_LOW, SHAPE_HIGH = 0.5, 10.0
"""Shapes that are searched, those a wind set may have."""


def weibull_mean(scale: ArrayLike, shape: ArrayLike) -> NDArray[np.float64]:
    """Mean of a Weibull distribution, in the unit of its scale.

    Parameters
    ----------
    scale, shape : array
        Scale A and shape k.

    Returns
    -------
    array of float64
        A Γ(1 + 1/k), in the unit of the scale.

    References
    ----------
    Moments of the Weibull distribution (status D; mean 6.2036 m/s for A = 7 m/s, k = 2).
    """
    return np.asarray(scale, float) * gamma(1.0 + 1.0 / np.asarray(shape, float))


def weibull_fit(speed_ms: ArrayLike, weight: ArrayLike | None = None) -> tuple[float, float]:
    """Scale and shape of the Weibull distribution that make some speeds most probable.

    Parameters
    ----------
    speed_ms : (n,) array
        Speeds above 0, m/s.
    weight : (n,) array, optional
        How much each counts; all the same by default.

    Returns
    -------
    scale : float
        m/s.
    shape : float
        `SHAPE_LOW` to `SHAPE_HIGH`. Both are NaN with fewer than two different speeds.

    Notes
    -----
    The shape solves ``Σ w v^k ln v / Σ w v^k − 1/k = Σ w ln v / Σ w``, whose left side rises
    with k; the scale is ``(Σ w v^k / Σ w)^(1/k)``. Calm hours take no part.

    References
    ----------
    Likelihood equations of the distribution (status D); compared with the fit of scipy.
    """
    speed = np.asarray(speed_ms, float)
    share = np.ones_like(speed) if weight is None else np.asarray(weight, float)
    used = share > 0
    speed, share = speed[used], share[used]
    if len(speed) < 2 or speed.min() == speed.max():
        return np.nan, np.nan
    share = share / share.sum()
    # Relative to the fastest, so that no exponent overflows.
    relative = np.log(speed / speed.max())
    mean_log = float(share @ relative)

    def excess(shape: float) -> float:
        """Slope of the likelihood, which is 0 at the shape wanted."""
        power = share * np.exp(shape * relative)
        return float(power @ relative / power.sum() - 1.0 / shape - mean_log)

    if excess(SHAPE_HIGH) < 0:
        shape = SHAPE_HIGH
    elif excess(SHAPE_LOW) > 0:
        shape = SHAPE_LOW
    else:
        shape = float(brentq(excess, SHAPE_LOW, SHAPE_HIGH, xtol=1e-10))
    return float(speed.max() * (share @ np.exp(shape * relative)) ** (1.0 / shape)), shape


def weibull_fit_classes(
    low_ms: ArrayLike, high_ms: ArrayLike, weight: ArrayLike, shape: float | None = None
) -> tuple[float, float]:
    """Scale and shape of the Weibull distribution that make counts in speed classes most probable.

    Parameters
    ----------
    low_ms, high_ms : (n,) array
        Bounds of each class, m/s; the last may be infinite.
    weight : (n,) array
        Count or share in each class.
    shape : float, optional
        A shape to be kept, so that the scale alone is fitted.

    Returns
    -------
    scale : float
        m/s.
    shape : float
        Both are NaN where all values are in one class, or in two without an upper bound for
        either; with a `shape` given, only where no class with an upper bound holds any.

    References
    ----------
    Likelihood of values known by their class (status D).
    """
    low, high, share = (np.asarray(a, float) for a in (low_ms, high_ms, weight))
    used = share > 0
    low, high, share = low[used], high[used], share[used] / max(share.sum(), 1e-300)
    if not len(low) or not np.isfinite(high).any() or (shape is None and len(low) < 2):
        return np.nan, np.nan
    middle = np.where(np.isfinite(high), (low + high) / 2, 1.2 * low)
    start = np.log(max(float(share @ middle), 0.1))

    def cost(values: NDArray[np.float64]) -> float:
        """Negative logarithm of the likelihood."""
        k = float(np.exp(values[1])) if shape is None else shape
        if not SHAPE_LOW / 2 <= k <= 2 * SHAPE_HIGH:
            return 1e6
        scale = float(np.exp(values[0]))
        beyond = np.exp(-((np.array([low, high]) / scale) ** k))
        return -float(share @ np.log(np.maximum(beyond[0] - beyond[1], 1e-300)))

    first = [start, np.log(2.0)] if shape is None else [start]
    options = {"xatol": 1e-7, "fatol": 1e-12, "maxiter": 2000}
    found = minimize(cost, np.array(first), method="Nelder-Mead", options=options).x
    k = float(np.clip(np.exp(found[1]), SHAPE_LOW, SHAPE_HIGH)) if shape is None else shape
    return float(np.exp(found[0])), k
