"""Porosity and recovery distance of a belt, fitted to wind measured at several distances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student

from shelterscape.errors import InputError
from shelterscape.kernels.shelter_curves import RECOVERY_H, exponential

Array = NDArray[np.float64]

POROSITY_RANGE = (0.0, 0.9)
RECOVERY_RANGE_H = (2.0, 30.0)
"""Ranges in which both are searched; at 0.9 a belt hardly shelters."""

LEAST_MEANS = 12
LEAST_HOURS = 6
LEAST_DISTANCES = 3
NEAR_H, FAR_H = (1.0, 7.0), (8.0, 25.0)
"""Readings needed for a fit (assumed): hourly means, different hours, distances, and distances in
both ranges, since porosity decides the wind near a belt, and the recovery distance the wind farther
out."""

MOST_RMSE = 0.15
"""Largest RMSE of relative wind with which readings still agree with one curve (assumed)."""

CONFIDENCE = 0.95

LEAST_EIGENVALUE = 1e-6
"""Smallest eigenvalue of I - H for the means of one hour, H their part of the hat matrix: below it
this hour alone decides a number."""


@dataclass(frozen=True)
class FittedCurve:
    """The shelter curve of one belt, fitted to readings.

    Parameters
    ----------
    porosity, recovery_h : float
        Effective optical porosity, 0 to 1, and recovery distance, H.
    porosity_range, recovery_range_h : tuple of float
        Their 95 % confidence intervals, within the ranges searched.
    bias, rmse : float
        Of relative wind, fitted minus measured.
    means, hours : int
        Hourly means used, of all instruments, and different hours.
    """

    porosity: float
    recovery_h: float
    porosity_range: tuple[float, float]
    recovery_range_h: tuple[float, float]
    bias: float
    rmse: float
    means: int
    hours: int


def predicted(
    distance_h: Array, height_share: Array, width_h: float, porosity: float, recovery_h: float
) -> Array:
    """Relative wind by the default shelter curve.

    Parameters
    ----------
    distance_h : (n,) float64
        Distance leeward along the wind, H.
    height_share : (n,) float64
        Share of the full shelter at the height of each reading, 0 to 1.
    width_h : float
        Width of the belt, H.
    porosity, recovery_h : float

    Returns
    -------
    (n,) float64
        Ratio to the wind in the open, 0 to 1.25.
    """
    full = exponential(distance_h, np.array(porosity), np.array(width_h), recovery_h)
    wind: Array = 1.0 - height_share * (1.0 - full)
    return wind


def fit_curve(
    distance_h: Array,
    height_share: Array,
    ratio: Array,
    hour: NDArray[np.int64],
    width_h: float,
    where: str,
) -> FittedCurve:
    """Fit porosity and recovery distance by least squares.

    Parameters
    ----------
    distance_h, height_share, ratio : (n,) float64
        Hourly means: distance leeward along the wind, H; share of the full shelter at the height of
        the reading; measured relative wind.
    hour : (n,) int64
        Number of the hour of each; means of one hour have the same number.
    width_h : float
        Width of the belt, H.
    where : str
        Name of the belt in errors.

    Returns
    -------
    FittedCurve

    Raises
    ------
    InputError
        ``readings-few`` where readings cannot decide both numbers, ``readings-contradict`` where no
        porosity and recovery distance describes them.

    Notes
    -----
    Confidence intervals: from the scatter of whole hours about the fit, since all means of an hour
    share the instrument in the open and the weather (`covariance_by_hour`), with Student's t at one
    degree of freedom less than hours. The recovery distance is fitted as its logarithm.
    """
    check_enough(distance_h, hour, where)

    def _residuals(values: Array) -> Array:
        wind = predicted(distance_h, height_share, width_h, values[0], float(np.exp(values[1])))
        return wind - ratio

    bounds = (
        [POROSITY_RANGE[0], np.log(RECOVERY_RANGE_H[0])],
        [POROSITY_RANGE[1], np.log(RECOVERY_RANGE_H[1])],
    )
    starts = [(theta, np.log(RECOVERY_H)) for theta in (0.2, 0.4, 0.6)]
    found = min(
        (least_squares(_residuals, start, bounds=bounds, diff_step=1e-4) for start in starts),
        key=lambda one: one.cost,
    )
    rmse = float(np.sqrt(np.mean(found.fun**2)))
    _check_agreement(found, rmse, where)
    hours = len(np.unique(hour))
    spread = np.sqrt(np.diag(covariance_by_hour(found.jac, found.fun, hour, where)))
    half = student.ppf(0.5 + CONFIDENCE / 2, hours - 1) * spread
    theta, log_h = (float(value) for value in found.x)
    return FittedCurve(
        porosity=theta,
        recovery_h=float(np.exp(log_h)),
        porosity_range=_within(theta - half[0], theta + half[0], POROSITY_RANGE),
        recovery_range_h=_within(
            np.exp(log_h - half[1]), np.exp(log_h + half[1]), RECOVERY_RANGE_H
        ),
        bias=float(np.mean(found.fun)),
        rmse=rmse,
        means=len(ratio),
        hours=hours,
    )


def _within(low: float, high: float, limits: tuple[float, float]) -> tuple[float, float]:
    return max(float(low), limits[0]), min(float(high), limits[1])


def covariance_by_hour(jac: Array, error: Array, hour: NDArray[np.int64], where: str) -> Array:
    """Covariance of two fitted numbers, from what each hour changes when it is left out.

    Parameters
    ----------
    jac : (n, 2) float64
        Derivatives of the errors by both numbers, at the fit.
    error : (n,) float64
        Fitted minus measured.
    hour : (n,) int64
        See `fit_curve`.
    where : str
        Name of the belt in errors.

    Returns
    -------
    (2, 2) float64
        Of porosity, 0 to 1, and the logarithm of the recovery distance in H.

    Raises
    ------
    InputError
        ``readings-few`` where one hour alone decides a number.

    References
    ----------
    Bell and McCaffrey 2002, Survey Methodology 28:169-181, jackknife of linear regression by groups
    (status M); its coverage is tested on readings with known porosity and recovery distance.
    """
    inverse = np.linalg.pinv(jac.T @ jac)
    total = np.zeros((2, 2))
    hours = np.unique(hour)
    for one in hours:
        here = jac[hour == one]
        rest = np.eye(len(here)) - here @ inverse @ here.T
        if np.linalg.eigvalsh(rest)[0] < LEAST_EIGENVALUE:
            raise _too_few(where, "one hour alone decides porosity or recovery distance")
        score = here.T @ np.linalg.solve(rest, error[hour == one])
        total += np.outer(score, score)
    covariance: Array = inverse @ total @ inverse * (1.0 - 1.0 / len(hours))
    return covariance


def check_enough(distance_h: Array, hour: NDArray[np.int64], where: str) -> None:
    """Refuse readings that cannot decide porosity and recovery distance.

    Parameters
    ----------
    distance_h : (n,) float64
        Distances of hourly means, H.
    hour : (n,) int64
        See `fit_curve`.
    where : str

    Raises
    ------
    InputError
        ``readings-few``.
    """
    places = np.unique(np.round(distance_h * 2) / 2)
    near, far = (((places >= low) & (places <= high)).sum() for low, high in (NEAR_H, FAR_H))
    hours = len(np.unique(hour))
    many = len(distance_h) >= LEAST_MEANS and hours >= LEAST_HOURS
    if many and len(places) >= LEAST_DISTANCES and near and far:
        return
    raise _too_few(
        where,
        f"{len(distance_h)} hourly means of {hours} hours at {len(places)} distances, {near} of "
        f"them from {NEAR_H[0]:g} to {NEAR_H[1]:g} H and {far} from {FAR_H[0]:g} to {FAR_H[1]:g} H",
    )


def _too_few(where: str, value: str) -> InputError:
    return InputError(
        "readings-few",
        "There are too few usable readings to fit porosity and recovery distance.",
        where=where,
        value=value,
        hint=f"Measure at least {LEAST_MEANS} hourly means in {LEAST_HOURS} hours or more, at "
        f"{LEAST_DISTANCES} distances or more, some from {NEAR_H[0]:g} to {NEAR_H[1]:g} H and some "
        f"from {FAR_H[0]:g} to {FAR_H[1]:g} H leeward.",
    )


def _check_agreement(found: object, rmse: float, where: str) -> None:
    """Refuse a fit that no porosity and recovery distance describes."""
    theta, log_h = found.x  # type: ignore[attr-defined]
    names = []
    if theta >= POROSITY_RANGE[1] - 1e-3:
        names.append("the belt hardly shelters")
    if log_h <= np.log(RECOVERY_RANGE_H[0]) + 1e-3 or log_h >= np.log(RECOVERY_RANGE_H[1]) - 1e-3:
        names.append("the wind does not recover with distance as behind a belt")
    if rmse > MOST_RMSE:
        names.append(f"the readings are {rmse:.2f} from the best curve (RMSE of relative wind)")
    if not names:
        return
    raise InputError(
        "readings-contradict",
        "The readings do not agree with the shelter curve of one belt.",
        where=where,
        value="; ".join(names),
        hint="Check height and width of the belt, distances, the side of the instruments, and that "
        "they read the same side by side in the open.",
    )
