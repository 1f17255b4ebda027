"""Sums of horizon angles over directions; each direction is calculated once for all sums."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.grid import COMPASS_POINTS, Grid, wrapped
from shelterscape.kernels.weighted_sums import add_weighted
from shelterscape.science.terrain.horizon import horizon_angles, work_bytes
from shelterscape.science.terrain.surroundings import Surroundings

Field = NDArray[np.float32]

__all__ = ["AngleSum", "horizon_sum", "topex_sum", "upwind_sum", "views", "work_bytes"]

WINDOW_DEG = 30.0
"""Width of the sector examined around each wind direction, as in Winstral and others 2002."""


class AngleSum:
    """Weighted sum of horizon angles, accumulated direction by direction.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    shares : mapping of float
        Weight by azimuth, degrees clockwise from grid north; other directions have no weight.
    least_deg : float
        Lower bound of the angles, degrees.
    """

    def __init__(
        self, shape: tuple[int, int], shares: Mapping[float, float], least_deg: float = -90.0
    ) -> None:
        self.shares = dict(shares)
        self.total: Field = np.zeros(shape, np.float32)
        self._least = least_deg

    def add(self, azimuth_deg: float, angle: Field) -> None:
        """Add one direction if it has a weight; where it is NaN the sum is NaN.

        Parameters
        ----------
        azimuth_deg : float
            Degrees clockwise from grid north.
        angle : (rows, cols) float32
            Horizon angle, degrees.
        """
        share = self.shares.get(azimuth_deg)
        if share is not None:
            add_weighted(angle, share, self.total, least=self._least)


def topex_sum(shape: tuple[int, int], *, signed: bool = True) -> AngleSum:
    """The sum for topex, as defined by `topex`.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    signed : bool
        Whether angles below the horizontal count as negative or as 0.

    Returns
    -------
    AngleSum
        Sum of angles in degrees.

    References
    ----------
    As for `topex` (common practice, no single source).
    """
    return AngleSum(shape, dict.fromkeys(COMPASS_POINTS, 1.0), -90.0 if signed else 0.0)


def horizon_sum(shape: tuple[int, int], directions_deg: ArrayLike, weights: ArrayLike) -> AngleSum:
    """The sum for the mean horizon angle over wind directions, as in `weighted_horizon_deg`.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    directions_deg, weights : (n,) array
        As for `weighted_horizon_deg`.

    Returns
    -------
    AngleSum
        Sum of angles in degrees.

    Raises
    ------
    ValueError
        When directions and weights differ in number, or no weight is above 0.
    """
    shares: dict[float, float] = {}
    for direction, share in zip(*_checked(directions_deg, weights), strict=True):
        if share > 0:
            azimuth = azimuth_of(direction)
            shares[azimuth] = shares.get(azimuth, 0.0) + float(share)
    return AngleSum(shape, shares)


def upwind_sum(
    shape: tuple[int, int],
    directions_deg: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    azimuths: int = 3,
) -> AngleSum:
    """The sum for the upwind slope, as defined by `upwind_slope`.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    directions_deg, weights, azimuths
        As for `upwind_slope`.

    Returns
    -------
    AngleSum
        Sum of angles in degrees.

    Raises
    ------
    ValueError
        As for `upwind_slope`.

    References
    ----------
    As for `upwind_slope`.
    """
    if azimuths < 3:
        raise ValueError(f"azimuths must be 3 or more, not {azimuths}")
    directions = np.atleast_1d(np.asarray(directions_deg, float))
    _, shares = _checked(directions, np.ones(directions.shape) if weights is None else weights)
    turns = np.linspace(-WINDOW_DEG / 2, WINDOW_DEG / 2, azimuths)
    views_deg = (directions[:, None] + turns).ravel()
    return horizon_sum(shape, views_deg, np.repeat(shares, azimuths))


def azimuth_of(direction_deg: float) -> float:
    """A direction rounded to a millionth of a degree, so that equal views compare equal.

    Parameters
    ----------
    direction_deg : float
        Degrees.

    Returns
    -------
    float
        Degrees, 0 <= a < 360.
    """
    return round(wrapped(direction_deg), 6) % 360.0


def views(
    elevation: NDArray[np.floating],
    grid: Grid,
    sums: Sequence[AngleSum],
    *,
    limit_m: float | None = 1000.0,
    before_each: Callable[[float], None] = lambda direction_deg: None,
    surroundings: Surroundings | None = None,
) -> Iterator[tuple[float, Field]]:
    """Calculate the horizon of every direction once, and add it to the sums that require it.

    Topex, upwind slope and the horizons of wind directions have many views in common: with 16 wind
    directions 48 to 56 views are required, not 72.

    Parameters
    ----------
    elevation : (rows, cols) array
        Ground elevation, m; NaN where missing.
    grid : Grid
        Grid of the elevation.
    sums : sequence of AngleSum
        Filled view by view; complete after the last one.
    limit_m : float or None
        Limit distance, m. None examines ground to the edge of the map.
    before_each : callable
        Called with each azimuth before its view is calculated; may raise to end the work.
    surroundings : Surroundings, optional
        The land around the map.

    Yields
    ------
    azimuth_deg : float
        Rising.
    angle : (rows, cols) float32
        Horizon angle, degrees (`horizon_angle`); overwritten by the next one.

    Raises
    ------
    InputError
        ``input-refused`` when `limit_m` is shorter than a cell.
    ValueError
        When the shapes differ.
    """
    azimuths = sorted({azimuth for one in sums for azimuth in one.shares})
    angles = horizon_angles(elevation, grid, azimuths, limit_m=limit_m, surroundings=surroundings)
    for azimuth in azimuths:
        before_each(azimuth)
        angle = next(angles)
        for one in sums:
            one.add(azimuth, angle)
        yield azimuth, angle


def _checked(
    directions_deg: ArrayLike, weights: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Directions with weights that sum to 1."""
    directions, raw = (np.atleast_1d(np.asarray(a, float)) for a in (directions_deg, weights))
    if directions.ndim != 1 or directions.shape != raw.shape:
        raise ValueError(f"{directions.shape} directions but {raw.shape} weights")
    if not (np.isfinite(raw).all() and (raw >= 0).all() and raw.sum() > 0):
        raise ValueError(f"weights must be 0 or more, and not all 0: {raw.tolist()}")
    return directions, raw / raw.sum()
