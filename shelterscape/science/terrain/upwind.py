"""Exposure to a wind set: horizon angles weighted over wind directions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.grid import Grid
from shelterscape.science.terrain.views import horizon_sum, upwind_sum, views


def weighted_horizon_deg(
    elevation: NDArray[np.floating],
    grid: Grid,
    directions_deg: ArrayLike,
    weights: ArrayLike,
    *,
    limit_m: float | None = 1000.0,
    before_each: Callable[[float], None] = lambda direction_deg: None,
) -> NDArray[np.float32]:
    """Mean horizon angle over the wind directions of a set: low on ground exposed to them.

    Parameters
    ----------
    elevation : (rows, cols) array
        Ground elevation, m; NaN where missing.
    grid : Grid
        Grid of the elevation.
    directions_deg : (n,) array
        Wind directions, degrees clockwise from grid north.
    weights : (n,) array
        Weight of each direction, as `WindSet.weights` returns it; scaled to sum to 1.
    limit_m : float or None
        Limit distance, m. None examines ground to the edge of the map.
    before_each : callable
        Called with the direction of each view before it is calculated; may raise to end the work.

    Returns
    -------
    (rows, cols) float32
        Degrees. NaN where `horizon_angle` is NaN for any direction with weight.

    Raises
    ------
    InputError
        ``input-refused`` when `limit_m` is shorter than a cell.
    ValueError
        When directions and weights differ in number, or weights are invalid.
    """
    found = horizon_sum(grid.shape, directions_deg, weights)
    for _ in views(elevation, grid, [found], limit_m=limit_m, before_each=before_each):
        pass
    return found.total


def upwind_slope(
    elevation: NDArray[np.floating],
    grid: Grid,
    directions_deg: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    limit_m: float = 1000.0,
    azimuths: int = 3,
    before_each: Callable[[float], None] = lambda direction_deg: None,
) -> NDArray[np.float32]:
    """Steepest slope up to ground upwind within a limit distance, over wind directions.

    Positive in the lee of higher ground, where drifting snow and soil settle; negative on ground
    that is higher than the ground upwind.

    Parameters
    ----------
    elevation : (rows, cols) array
        Ground elevation, m; NaN where missing.
    grid : Grid
        Grid of the elevation.
    directions_deg : float or (n,) array
        Wind directions, degrees clockwise from grid north.
    weights : (n,) array, optional
        Weight of each direction, as `WindSet.weights` returns it; equal by default.
    limit_m : float
        Limit distance upwind, m.
    azimuths : int
        Number of views, evenly spaced over the 30 degrees around each direction with both ends:
        3, or 7 for the steps of 5 degrees of the source.
    before_each : callable
        As for `weighted_horizon_deg`.

    Returns
    -------
    (rows, cols) float32
        Degrees, -90 to 90. NaN where any view with weight holds no known ground.

    Raises
    ------
    InputError
        ``input-refused`` when `limit_m` is shorter than a cell.
    ValueError
        When directions and weights differ in number, weights are invalid, or `azimuths` is below
        3.

    Notes
    -----
    For each view, the largest atan((z_v - z_i) / distance) over all points v upwind of the cell i;
    then the mean over the views of a direction, then the weighted mean over directions.

    References
    ----------
    Winstral, Elder and Davis 2002, Journal of Hydrometeorology 3:524-538 (status S2).
    """
    found = upwind_sum(grid.shape, directions_deg, weights, azimuths=azimuths)
    for _ in views(elevation, grid, [found], limit_m=limit_m, before_each=before_each):
        pass
    return found.total
