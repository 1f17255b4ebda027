"""Shelter curves: relative wind against distance from one belt, the wind square to it.

Distances are counted in belt heights H, leeward positive, windward negative.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


def effective_porosity(porosity: ArrayLike, width_h: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Porosity that a belt of some width acts with.

    A wide belt drags on the wind through its depth and so acts more open than its face looks.

    Parameters
    ----------
    porosity : array_like
        Optical porosity, 0 to 1.
    width_h : array_like
        Width of the belt in belt heights, 0 or more.

    Returns
    -------
    ndarray
        Effective porosity, 0 to 1; never below `porosity`.

    References
    ----------
    Vigiak, Sterk, Warren and Hagen (2003), Catena 52:273-288; coefficients from a text citing it.
    """
    theta = np.asarray(porosity, dtype=float)
    return theta + 0.3 * (1.0 - theta) * (1.0 - np.exp(-0.5 * np.asarray(width_h, dtype=float)))


def relative_wind_barrier(
    distance_h: ArrayLike, porosity: ArrayLike, width_h: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Relative wind beside a barrier square to the wind: the published equation as it stands.

    Parameters
    ----------
    distance_h : array_like
        Distance in belt heights, leeward positive; the equation holds from -5 to 50.
    porosity : array_like
        Optical porosity, 0 to 0.9.
    width_h : array_like
        Width of the belt in belt heights, 0 or more.

    Returns
    -------
    ndarray
        Relative wind, 0 to 1; NaN outside the range of distance.

    Notes
    -----
    The source gives the ratio of friction velocities, equal to the ratio of speeds while the
    profile stays logarithmic over the same roughness. Measured tree belts shelter less than it
    says, and it shelters more to windward than handbook rows do.

    References
    ----------
    Vigiak, Sterk, Warren and Hagen (2003), Catena 52:273-288; coefficients from a text citing it.

    Examples
    --------
    >>> round(float(relative_wind_barrier(10.0, 0.4)), 3)
    0.394
    """
    x = np.asarray(distance_h, dtype=float)
    theta = effective_porosity(porosity, width_h)
    a = 0.008 - 0.17 * theta + 0.17 * theta**1.05
    b = 1.35 * np.exp(-0.5 * theta**0.2)
    c = 10.0 * (1.0 - 0.5 * theta)
    d = 3.0 - theta
    # c is at least 5, so x + c is negative only outside the range, where the result is NaN.
    from_start = np.maximum(x + c, 0.0)
    r = 1.0 - np.exp(-a * x**2) + b * np.exp(-0.003 * from_start**d)
    return np.where((x >= -5.0) & (x <= 50.0), np.minimum(r, 1.0), np.nan)


@dataclass(frozen=True)
class ShelterCurve:
    """One rival model of the wind beside a belt, with what is known of it.

    Parameters
    ----------
    name : str
        Its name in options and tables.
    relative_wind : callable
        ``(distance_h, porosity, width_h) -> relative wind``.
    distance_h, porosity : tuple of float
        The ranges it holds in.
    source, status : str
        Where it is published, and whether that was seen (S), seen in a text citing it (S2) or
        remembered (M).
    """

    name: str
    relative_wind: Callable[[ArrayLike, ArrayLike, ArrayLike], NDArray[np.float64]]
    distance_h: tuple[float, float]
    porosity: tuple[float, float]
    source: str
    status: str


CURVES: dict[str, ShelterCurve] = {
    "barrier": ShelterCurve(
        name="barrier",
        relative_wind=relative_wind_barrier,
        distance_h=(-5.0, 50.0),
        porosity=(0.0, 0.8),
        source="Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288",
        status="S2",
    )
}
"""The shelter curves by name."""

TABLE_STEP_H = 0.05
"""Spacing of the tables `curve_table` makes, in belt heights."""


def curve_table(
    curve: ShelterCurve, porosity: NDArray[np.float64], width_h: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Relative wind of several belts on an even spacing of distance, for quick look-up.

    Parameters
    ----------
    curve : ShelterCurve
        The model.
    porosity, width_h : (n,) float64
        One belt each.

    Returns
    -------
    (n, m) float32
        From ``curve.distance_h[0]`` in steps of `TABLE_STEP_H`. Porosity above the range of the
        curve leads in a straight line to 1 at porosity 1, where there is no belt left.
    """
    low, high = curve.distance_h
    x = np.linspace(low, high, round((high - low) / TABLE_STEP_H) + 1)
    top = curve.porosity[1]
    inside = np.minimum(porosity, top)
    r = curve.relative_wind(x[None, :], inside[:, None], width_h[:, None])
    open_share = np.clip((porosity - top) / (1.0 - top), 0.0, 1.0)[:, None]
    return np.minimum(r + (1.0 - r) * open_share, 1.0).astype(np.float32)
