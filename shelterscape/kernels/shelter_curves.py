"""Shelter curves: relative wind against distance from one belt, with wind perpendicular to it.

Distances are in belt heights H, positive leeward, negative windward.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

Array = NDArray[np.float64]

REACH_WINDWARD_H = 6.0
REACH_LEEWARD_H = 50.0

WINDWARD_H = (-6.0, -3.0, -1.0)
WINDWARD = (1.0, 0.95, 0.80)
"""Relative wind windward of a belt, up to the wind at its face (assumed values, of the size stated
in handbooks)."""

HANDBOOK_H = (-6.0, -3.0, -1.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
HANDBOOK_POROSITY = (0.0, 0.3, 0.5, 0.7)
HANDBOOK_ROWS = (
    (1.0, 0.95, 0.70, 0.25, 0.70, 0.90, 0.95, 1.00, 1.00, 1.0),
    (1.0, 0.91, 0.78, 0.25, 0.35, 0.65, 0.85, 0.90, 0.95, 1.0),
    (1.0, 0.96, 0.84, 0.30, 0.50, 0.60, 0.75, 0.85, 0.95, 1.0),
    (1.0, 0.97, 0.85, 0.50, 0.65, 0.80, 0.85, 0.95, 1.00, 1.0),
)
"""Brandle and Finch 1991, University of Nebraska Extension EC91-1763 (not verified against the
source); the ends at -6 H and 40 H are assumed."""

SOLID_BELOW = 0.25
"""Porosity below which the barrier curve approaches the handbook row of a solid belt."""


RECOVERY_H = 8.0
"""Distance over which `exponential` loses 63 % of its shelter behind the calmest point, belt
heights. Stated beforehand, from an earlier fit to much of the same evidence; fits of our own, each
source left out in turn, give 5.75 to 7 (docs/shelter_curves.md)."""

JOIN_H, RECOVERED_H = 0.5, 40.0
"""Distance over which its recovery starts, and distance at which it is complete, belt heights
(assumed values)."""

SEARCH_STEP_H, NEARLY_OPEN = 0.05, 0.999
"""Spacing at which the calmest point is searched, belt heights; porosity beyond which it stays."""


def effective_porosity(porosity: ArrayLike, width_h: ArrayLike = 0.0) -> Array:
    """Effective porosity of a belt of some width.

    A wide belt slows the wind over its whole depth, so it acts as if it were more open than its
    optical porosity.

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
    """Relative wind beside a barrier, wind perpendicular to it: the unchanged published equation.

    Parameters
    ----------
    distance_h : array_like
        Distance in belt heights, leeward positive; the equation is valid from -5 to 50.
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
    The source gives the ratio of friction velocities, which equals the ratio of speeds while the
    wind profile is logarithmic over the same roughness. Measured tree belts shelter less than the
    equation states, and windward it shelters more than handbook rows.

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
    # c is at least 5: x + c is negative only outside the range, where the result is NaN.
    from_start = np.maximum(x + c, 0.0)
    r = 1.0 - np.exp(-a * x**2) + b * np.exp(-0.003 * from_start**d)
    return np.where((x >= -5.0) & (x <= 50.0), np.minimum(r, 1.0), np.nan)


def barrier(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """The published equation, corrected where it is known to be weak.

    Windward, handbook values replace the equation. Below a porosity of 0.25 the leeward curve
    changes, from 3 to 7 H, to the handbook row of a solid belt, which recovers sooner. From a
    porosity of 0.8 on, relative wind rises linearly to 1 at porosity 1, where there is no belt.
    """
    # Not broadcast: terms of porosity and width alone are calculated once for each belt.
    x, theta = np.asarray(distance_h), np.asarray(porosity)
    inside = np.minimum(theta, 0.8)
    lee = relative_wind_barrier(np.clip(x, 0.0, REACH_LEEWARD_H), inside, width_h)
    lee = _dense_belt(lee, x, inside)
    face = relative_wind_barrier(0.0, inside, width_h)
    return _opened(np.where(x < 0.0, _windward(x, face), lee), theta, 0.8)


def field(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """The barrier curve with a porosity that reproduces measured tree belts.

    At belts of optical porosity 0.16 to 0.53 the lowest relative wind was 0.24 to 0.61 (Bird and
    others 2007); 0.30 + 0.95 × porosity joins the ends of those ranges (assumed).
    """
    theta = np.asarray(porosity, dtype=float)
    inside = np.minimum(theta, 0.53)
    return _opened(barrier(distance_h, 0.30 + 0.95 * inside, width_h), theta, 0.53)


def handbook(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """Monotone interpolation of handbook rows, which do not depend on the width of a belt."""
    x, theta, _ = np.broadcast_arrays(distance_h, porosity, width_h)
    rows = PchipInterpolator(HANDBOOK_H, np.array(HANDBOOK_ROWS), axis=1)(np.clip(x, -6.0, 40.0))
    inside = np.minimum(theta, HANDBOOK_POROSITY[-1])
    place = np.interp(inside, HANDBOOK_POROSITY, np.arange(4.0))
    low = np.minimum(place.astype(int), 2)
    below, above = (np.take_along_axis(rows, i[None], axis=0)[0] for i in (low, low + 1))
    return _opened(below + (place - low) * (above - below), theta, HANDBOOK_POROSITY[-1])


def mid(distance_h: Array, porosity: Array, width_h: Array) -> Array:
    """Mean of `barrier` and `field`, which are its range of uncertainty."""
    both = [curve(distance_h, porosity, width_h) for curve in (barrier, field)]
    return 0.5 * (both[0] + both[1])


def exponential(
    distance_h: Array, porosity: Array, width_h: Array, recovery_h: ArrayLike = RECOVERY_H
) -> Array:
    """`mid` up to its calmest point, then an exponential return to the open wind.

    Parameters
    ----------
    distance_h, porosity, width_h : ndarray
        Distance and width, belt heights; optical porosity, 0 to 1.
    recovery_h : array_like
        Distance over which the shelter at the calmest point falls by 63 %, belt heights.

    Returns
    -------
    ndarray
        Relative wind.

    Notes
    -----
    Leeward of the calmest point, at x_m with a relative wind m,
    ``r = 1 - (1 - m) exp(-s / L)``, ``s = d - w (1 - exp(-d / w))``, ``d = x - x_m``, L =
    `recovery_h` and w = `JOIN_H`, scaled to reach 1 at `RECOVERED_H`. The slope is 0 on both sides
    of x_m. Dense belts approach the handbook row of a solid belt fully, as in `barrier`; in `mid`
    they do so by half. How it was chosen: docs/curve_evidence.md.
    """
    x, theta = np.asarray(distance_h), np.asarray(porosity)
    windward = mid(np.minimum(distance_h, 0.0), porosity, width_h)
    calmest_h, least = calmest_point(porosity, width_h)
    end = _remaining(RECOVERED_H - calmest_h, recovery_h)
    left = np.maximum(_remaining(x - calmest_h, recovery_h) - end, 0.0) / (1.0 - end)
    near = _mean_lee(np.minimum(x, calmest_h), porosity, width_h)
    lee = _dense_belt(np.where(x > calmest_h, 1.0 - (1.0 - least) * left, near), x, theta)
    return np.where(x > 0.0, np.minimum(lee, 1.0), windward)


def calmest_point(porosity: ArrayLike, width_h: ArrayLike = 0.0) -> tuple[Array, Array]:
    """Where the mean of `barrier` and `field` is calmest behind a belt, and its wind there.

    Parameters
    ----------
    porosity : array_like
        Optical porosity, 0 to 1.
    width_h : array_like
        Width of the belt in belt heights, 0 or more.

    Returns
    -------
    distance_h, relative_wind : ndarray
        Belt heights; ratio. The distance at porosity 1 is that of an almost open belt.
    """
    theta, width = np.broadcast_arrays(np.asarray(porosity, dtype=float), width_h)
    x = np.arange(0.0, 8.0, SEARCH_STEP_H)
    r = _mean_lee(x, np.minimum(theta, NEARLY_OPEN)[..., None], width[..., None])
    least = np.clip(np.argmin(r, axis=-1), 1, len(x) - 2)
    before, at, after = (
        np.take_along_axis(r, (least + i)[..., None], axis=-1)[..., 0] for i in (-1, 0, 1)
    )
    # The lowest point of the parabola through three entries moves without steps as porosity does.
    calmest_h = SEARCH_STEP_H * (least + 0.5 * (before - after) / (before - 2.0 * at + after))
    return calmest_h, _mean_lee(calmest_h, theta, width)


def _mean_lee(distance_h: ArrayLike, porosity: ArrayLike, width_h: ArrayLike) -> Array:
    """Lee of `mid` before dense belts approach the handbook row."""
    theta = np.asarray(porosity, dtype=float)
    field_wind = _opened(
        _equation(distance_h, 0.30 + 0.95 * np.minimum(theta, 0.53), width_h), theta, 0.53
    )
    mean: Array = 0.5 * (_equation(distance_h, theta, width_h) + field_wind)
    return mean


def _equation(distance_h: ArrayLike, porosity: ArrayLike, width_h: ArrayLike) -> Array:
    """Lee of the published equation; above a porosity of 0.8 it rises linearly to 1."""
    x = np.clip(distance_h, 0.0, REACH_LEEWARD_H)
    theta = np.asarray(porosity, dtype=float)
    return _opened(relative_wind_barrier(x, np.minimum(theta, 0.8), width_h), theta, 0.8)


def _remaining(beyond_h: Array, recovery_h: ArrayLike) -> Array:
    """Share of the shelter at the calmest point that remains at a distance beyond it."""
    d = np.maximum(beyond_h, 0.0)
    reach = np.asarray(recovery_h, dtype=float)
    left: Array = np.exp(-(d - JOIN_H * (1.0 - np.exp(-d / JOIN_H))) / reach)
    return left


def _dense_belt(lee: Array, x: Array, porosity: Array) -> Array:
    """Lee of a dense belt, which from 3 to 7 H approaches the handbook row of a solid belt."""
    solid = _solid_row()(np.clip(x, 0.0, 40.0))
    share = np.clip(1.0 - porosity / SOLID_BELOW, 0.0, 1.0) * np.clip((x - 3.0) / 4.0, 0.0, 1.0)
    result: Array = lee + share * (solid - lee)
    return result


@cache
def _solid_row() -> PchipInterpolator:
    """The handbook row of a solid belt."""
    return PchipInterpolator(HANDBOOK_H, HANDBOOK_ROWS[0])


@cache
def _windward_rows() -> PchipInterpolator:
    """Relative wind windward of belts with relative wind 0, 0.005 … 1 at their windward face."""
    faces = np.linspace(0.0, 1.0, 201)
    values = np.array([[*WINDWARD, f] for f in faces])
    return PchipInterpolator(np.array([*WINDWARD_H, 0.0]), values, axis=1)


def _windward(x: Array, face: Array) -> Array:
    """Relative wind windward of a belt with relative wind `face` at its windward face."""
    # One interpolation for each value at the face would be slow. The result is a smooth function
    # of that value, so a fine table is accurate enough.
    at = np.clip(x, -REACH_WINDWARD_H, 0.0)
    place = np.clip(face, 0.0, 1.0) * 200.0
    low = np.minimum(place.astype(int), 199)
    unique, inverse = np.unique(at, return_inverse=True)
    known = _windward_rows()(unique)
    inverse = inverse.reshape(at.shape)
    below, above = known[low, inverse], known[low + 1, inverse]
    return below + (place - low) * (above - below)


def _opened(r: Array, porosity: Array, top: float) -> Array:
    """Interpolate a curve linearly from its value at porosity `top` to 1 at porosity 1."""
    share = np.clip((np.asarray(porosity) - top) / (1.0 - top), 0.0, 1.0)
    return np.minimum(r + (1.0 - r) * share, 1.0)


@dataclass(frozen=True)
class ShelterCurve:
    """One of several models of the wind beside a belt, with its source and accuracy.

    Parameters
    ----------
    name : str
        Name in options and tables.
    relative_wind : callable
        ``(distance_h, porosity, width_h) -> relative wind``, for -6 to 50 H.
    porosity : tuple of float
        Range of validity; above it, relative wind rises linearly to 1 at porosity 1.
    source, status : str
        Publication, and whether it was seen (S), seen in a text citing it (S2), not verified
        against the source (M) or assumed (E).
    rmse : dict
        Root of the mean squared error of relative wind beside published values, by kind of value:
        "tree belts", "hedges", "handbook texts". Each source is left out of what is fitted, and
        all are weighted equally (docs/validation.md).
    shelter_factor, distance_factor : float
        1 or more. Wind reduction, and so equivalent sheltered area, at published belts was
        typically between the calculated one divided by the first factor and multiplied by it; the
        second does the same for distances (root mean square over sources, docs/curve_evidence.md).
    meaning : str
        When to use it.
    """

    name: str
    relative_wind: Callable[[Array, Array, Array], Array]
    porosity: tuple[float, float]
    source: str
    status: str
    rmse: dict[str, float]
    shelter_factor: float
    distance_factor: float
    meaning: str

    def shelter_range(self, shelter: ArrayLike) -> tuple[Array, Array]:
        """Low and high of a wind reduction, an equivalent sheltered area or a benefit.

        Parameters
        ----------
        shelter : array_like
            As calculated with this curve; below 0 where shelter is lost.

        Returns
        -------
        low, high : ndarray
            In the unit of `shelter`.
        """
        value = np.asarray(shelter, dtype=float)
        ends = np.sort([value / self.shelter_factor, value * self.shelter_factor], axis=0)
        return ends[0], ends[1]


_VIGIAK = "Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288"

CURVES: dict[str, ShelterCurve] = {
    curve.name: curve
    for curve in (
        ShelterCurve(
            "exponential",
            exponential,
            (0.0, 0.53),
            f"{_VIGIAK}; Bird and others 2007, Australian Journal of Experimental Agriculture "
            "47:727-737; recovery as an exponential of 8 H, chosen on published belts",
            "E",
            {"tree belts": 0.18, "hedges": 0.07, "handbook texts": 0.08},
            1.30,
            1.41,
            "The default for tree belts and hedges: nearest to published belts.",
        ),
        ShelterCurve(
            "mid",
            mid,
            (0.0, 0.53),
            f"mean of barrier and field: {_VIGIAK}; Bird and others 2007, Australian Journal of "
            "Experimental Agriculture 47:727-737",
            "E",
            {"tree belts": 0.21, "hedges": 0.18, "handbook texts": 0.07},
            1.40,
            1.43,
            "The default of earlier versions; the other form that evidence allows.",
        ),
        ShelterCurve(
            "barrier",
            barrier,
            (0.0, 0.8),
            f"{_VIGIAK}; windward side and dense belts from a handbook",
            "S2",
            {"tree belts": 0.25, "hedges": 0.22, "handbook texts": 0.11},
            1.46,
            1.54,
            "Suitable for fences and walls; optimistic for tree belts.",
        ),
        ShelterCurve(
            "field",
            field,
            (0.0, 0.53),
            f"{_VIGIAK}, fitted to the lowest relative wind of measured belts, Bird and others "
            "2007, Australian Journal of Experimental Agriculture 47:727-737",
            "E",
            {"tree belts": 0.22, "hedges": 0.17, "handbook texts": 0.13},
            1.40,
            1.47,
            "Cautious within 8 H of a belt.",
        ),
        ShelterCurve(
            "handbook",
            handbook,
            (0.0, 0.7),
            "Brandle and Finch 1991, University of Nebraska Extension EC91-1763",
            "M",
            {"tree belts": 0.25, "hedges": 0.33, "handbook texts": 0.09},
            1.58,
            1.47,
            "From a handbook for planners, for comparison.",
        ),
    )
}
"""The shelter curves by name, the default first."""

DEFAULT_CURVE = "exponential"
"""Curve of tree belts and hedges unless another is chosen."""

MEASURED_RATIOS = {
    "exponential": (0.65, 0.70, 0.98, 1.00, 1.01, 1.14, 1.46),
    "mid": (0.58, 0.63, 0.66, 0.82, 0.84, 1.00, 1.14),
}
"""Published wind reduction beside tree belts and hedges divided by that of a curve, one for each
source; the recovery of `exponential` is fitted without the source (docs/validation.md)."""

TABLE_STEP_H = 0.05
"""Spacing of the tables of curves, in belt heights."""


def table_distances() -> Array:
    """Distances, in belt heights, at which tables hold a curve, from windward to leeward."""
    count = round((REACH_WINDWARD_H + REACH_LEEWARD_H) / TABLE_STEP_H) + 1
    return np.linspace(-REACH_WINDWARD_H, REACH_LEEWARD_H, count)
