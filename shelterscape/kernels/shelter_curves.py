"""Shelter curves: relative wind against distance from one belt, the wind square to it.

Distances are counted in belt heights H, leeward positive, windward negative.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

Array = NDArray[np.float64]

REACH_WINDWARD_H = 6.0
REACH_LEEWARD_H = 50.0

WINDWARD_H = (-6.0, -3.0, -1.0)
WINDWARD = (1.0, 0.95, 0.80)
"""Relative wind before a belt, joined to the wind in its face: an engineering choice of the size
handbooks give."""

HANDBOOK_H = (-6.0, -3.0, -1.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
HANDBOOK_POROSITY = (0.0, 0.3, 0.5, 0.7)
HANDBOOK_ROWS = (
    (1.0, 0.95, 0.70, 0.25, 0.70, 0.90, 0.95, 1.00, 1.00, 1.0),
    (1.0, 0.91, 0.78, 0.25, 0.35, 0.65, 0.85, 0.90, 0.95, 1.0),
    (1.0, 0.96, 0.84, 0.30, 0.50, 0.60, 0.75, 0.85, 0.95, 1.0),
    (1.0, 0.97, 0.85, 0.50, 0.65, 0.80, 0.85, 0.95, 1.00, 1.0),
)
"""Brandle and Finch 1991, University of Nebraska Extension EC91-1763, from memory; the ends at
-6 H and 40 H are ours."""

SOLID_BELOW = 0.25
"""Porosity below which the barrier turns towards the handbook row of a solid belt."""


def effective_porosity(porosity: ArrayLike, width_h: ArrayLike = 0.0) -> Array:
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
    Vigiak, Sterk, Warren and Hagen (2003), Catena 52:273-288; coefficients from a text citing it
    (status S2).
    """
    theta = np.asarray(porosity, dtype=float)
    return theta + 0.3 * (1.0 - theta) * (1.0 - np.exp(-0.5 * np.asarray(width_h, dtype=float)))


def relative_wind_barrier(
    distance_h: ArrayLike, porosity: ArrayLike, width_h: ArrayLike = 0.0
) -> Array:
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
    Vigiak, Sterk, Warren and Hagen (2003), Catena 52:273-288; coefficients from a text citing it
    (status S2).

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


def barrier(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """The published equation, mended where it is known to be weak.

    To windward the handbook's size takes the place of the equation's; below a porosity of .25 the
    lee turns, from 3 to 7 H, into the handbook row of a solid belt, which recovers sooner; from a
    porosity of .8 on it leads in a straight line to 1, where there is no belt left.
    """
    x, theta, width = np.broadcast_arrays(distance_h, porosity, width_h)
    inside = np.minimum(theta, 0.8)
    lee = relative_wind_barrier(np.clip(x, 0.0, REACH_LEEWARD_H), inside, width)
    solid = PchipInterpolator(HANDBOOK_H, HANDBOOK_ROWS[0])(np.clip(x, 0.0, 40.0))
    share = np.clip(1.0 - inside / SOLID_BELOW, 0.0, 1.0) * np.clip((x - 3.0) / 4.0, 0.0, 1.0)
    lee = lee + share * (solid - lee)
    face = relative_wind_barrier(0.0, inside, width)
    return _opened(np.where(x < 0.0, _windward(x, face), lee), theta, 0.8)


def field(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """The barrier fed with a porosity as measured tree belts behave.

    Belts of optical porosity .16 to .53 left .24 to .61 of the wind at their calmest point (Bird
    and others 2007); .30 + .95 porosity joins the ends of those ranges (engineering choice).
    """
    theta = np.asarray(porosity, dtype=float)
    inside = np.minimum(theta, 0.53)
    return _opened(barrier(distance_h, 0.30 + 0.95 * inside, width_h), theta, 0.53)


def handbook(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """Monotone interpolation of handbook rows; they know nothing of a belt's width."""
    x, theta, _ = np.broadcast_arrays(distance_h, porosity, width_h)
    rows = PchipInterpolator(HANDBOOK_H, np.array(HANDBOOK_ROWS), axis=1)(np.clip(x, -6.0, 40.0))
    inside = np.minimum(theta, HANDBOOK_POROSITY[-1])
    place = np.interp(inside, HANDBOOK_POROSITY, np.arange(4.0))
    low = np.minimum(place.astype(int), 2)
    below, above = (np.take_along_axis(rows, i[None], axis=0)[0] for i in (low, low + 1))
    return _opened(below + (place - low) * (above - below), theta, HANDBOOK_POROSITY[-1])


def mid(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """Mean of `barrier` and `field`, which are the band to show with it."""
    both = [curve(distance_h, porosity, width_h) for curve in (barrier, field)]
    return 0.5 * (both[0] + both[1])


def _windward(x: Array, face: Array) -> Array:
    """Relative wind before a belt whose face stands in `face`."""
    knots = np.array([*WINDWARD_H, 0.0])
    # One interpolation for every face would be slow; it is linear in none of its values but
    # smooth in the face, so a fine table of faces serves.
    faces = np.linspace(0.0, 1.0, 201)
    values = np.array([[*WINDWARD, f] for f in faces])
    table = PchipInterpolator(knots, values, axis=1)
    at = np.clip(x, -REACH_WINDWARD_H, 0.0)
    place = np.clip(face, 0.0, 1.0) * 200.0
    low = np.minimum(place.astype(int), 199)
    unique, inverse = np.unique(at, return_inverse=True)
    known = table(unique)
    inverse = inverse.reshape(at.shape)
    below, above = known[low, inverse], known[low + 1, inverse]
    return below + (place - low) * (above - below)


def _opened(r: Array, porosity: Array, top: float) -> Array:
    """Lead a curve in a straight line from its value at porosity `top` to 1 at porosity 1."""
    share = np.clip((np.asarray(porosity) - top) / (1.0 - top), 0.0, 1.0)
    return np.minimum(r + (1.0 - r) * share, 1.0)


@dataclass(frozen=True)
class ShelterCurve:
    """One rival model of the wind beside a belt, with what is known of it.

    Parameters
    ----------
    name : str
        Its name in options and tables.
    relative_wind : callable
        ``(distance_h, porosity, width_h) -> relative wind``, for -6 to 50 H.
    porosity : tuple of float
        The range it is known for; above it leads to 1 at porosity 1.
    source, status : str
        Where it is published, and whether that was seen (S), seen in a text citing it (S2),
        remembered (M) or is a choice of ours (E).
    rmse : float
        Root of the mean squared error of relative wind over the published figures that were seen
        in their source (docs/validation.md).
    meaning : str
        When to use it.
    """

    name: str
    relative_wind: Callable[[Array, Array, Array], Array]
    porosity: tuple[float, float]
    source: str
    status: str
    rmse: float
    meaning: str


_VIGIAK = "Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288"

CURVES: dict[str, ShelterCurve] = {
    curve.name: curve
    for curve in (
        ShelterCurve(
            "mid",
            mid,
            (0.0, 0.53),
            f"mean of barrier and field: {_VIGIAK}; Bird and others 2007, Australian Journal of "
            "Experimental Agriculture 47:727-737",
            "E",
            0.10,
            "The default: between what an equation for barriers says and what tree belts did.",
        ),
        ShelterCurve(
            "barrier",
            barrier,
            (0.0, 0.8),
            f"{_VIGIAK}; windward side and dense belts after a handbook",
            "S2",
            0.13,
            "Hopeful end of the band; right for fences and walls.",
        ),
        ShelterCurve(
            "field",
            field,
            (0.0, 0.53),
            f"{_VIGIAK}, fed so that the calmest wind is that of measured belts, Bird and others "
            "2007, Australian Journal of Experimental Agriculture 47:727-737",
            "E",
            0.10,
            "Careful end of the band.",
        ),
        ShelterCurve(
            "handbook",
            handbook,
            (0.0, 0.7),
            "Brandle and Finch 1991, University of Nebraska Extension EC91-1763",
            "M",
            0.11,
            "A second opinion, from a planners' handbook.",
        ),
    )
}
"""The shelter curves by name, the default first."""

TABLE_STEP_H = 0.05
"""Spacing of the tables of curves, in belt heights."""


def table_distances() -> Array:
    """Distances, in belt heights, at which tables hold a curve: windward reach to leeward reach."""
    count = round((REACH_WINDWARD_H + REACH_LEEWARD_H) / TABLE_STEP_H) + 1
    return np.linspace(-REACH_WINDWARD_H, REACH_LEEWARD_H, count)
