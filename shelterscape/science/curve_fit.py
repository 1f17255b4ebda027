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

LEAST_HOURS = 12
LEAST_DISTANCES = 3
NEAR_H, FAR_H = (1.0, 7.0), (8.0, 25.0)
"""Readings needed for a fit (assumed): hourly means, distances, and distances in both ranges, since
porosity decides the wind near a belt, and the recovery distance the wind farther out."""

MOST_RMSE = 0.15
"""Largest RMSE of relative wind with which readings still agree with one curve (assumed)."""

CONFIDENCE = 0.95


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
    hours : int
        Hourly means used.
    """

    porosity: float
    recovery_h: float
    porosity_range: tuple[float, float]
    recovery_range_h: tuple[float, float]
    bias: float
    rmse: float
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
    distance_h: Array, height_share: Array, ratio: Array, width_h: float, where: str
) -> FittedCurve:
    """Fit porosity and recovery distance by least squares.

    Parameters
    ----------
    distance_h, height_share, ratio : (n,) float64
        Hourly means: distance leeward along the wind, H; share of the full shelter at the height of
        the reading; measured relative wind.
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
    Confidence intervals: from the curvature of the sum of squares at its minimum and the scatter
    about the fit, with Student's t at n − 2 degrees of freedom; the recovery distance is fitted as
    its logarithm.
    """
    check_enough(distance_h, where)

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
    freedom = len(ratio) - 2
    rmse = float(np.sqrt(np.mean(found.fun**2)))
    _check_agreement(found, rmse, where)
    covariance = np.linalg.inv(found.jac.T @ found.jac) * (2.0 * found.cost / freedom)
    half = student.ppf(0.5 + CONFIDENCE / 2, freedom) * np.sqrt(np.diag(covariance))
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
        hours=len(ratio),
    )


def _within(low: float, high: float, limits: tuple[float, float]) -> tuple[float, float]:
    return max(float(low), limits[0]), min(float(high), limits[1])


def check_enough(distance_h: Array, where: str) -> None:
    """Refuse readings that cannot decide porosity and recovery distance.

    Parameters
    ----------
    distance_h : (n,) float64
        Distances of hourly means, H.
    where : str

    Raises
    ------
    InputError
        ``readings-few``.
    """
    places = np.unique(np.round(distance_h * 2) / 2)
    near, far = (((places >= low) & (places <= high)).sum() for low, high in (NEAR_H, FAR_H))
    if len(distance_h) >= LEAST_HOURS and len(places) >= LEAST_DISTANCES and near and far:
        return
    raise InputError(
        "readings-few",
        "There are too few usable readings to fit porosity and recovery distance.",
        where=where,
        value=f"{len(distance_h)} hourly means at {len(places)} distances, {near} of them from "
        f"{NEAR_H[0]:g} to {NEAR_H[1]:g} H and {far} from {FAR_H[0]:g} to {FAR_H[1]:g} H",
        hint=f"Measure at least {LEAST_HOURS} hourly means at {LEAST_DISTANCES} distances or more, "
        f"some from {NEAR_H[0]:g} to {NEAR_H[1]:g} H and some from {FAR_H[0]:g} to {FAR_H[1]:g} H "
        "leeward; readings_left_out.csv of a run with other belts lists why readings do not count.",
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
