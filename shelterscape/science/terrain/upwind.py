"""Exposure to a wind set: horizon angles weighted by the wind directions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.grid import Grid
from shelterscape.science.terrain.views import horizon_sum, upwind_sum, views


def weighted_horizon(
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
        Where its cells are.
    directions_deg : (n,) array
        Where winds come from, degrees clockwise from grid north.
    weights : (n,) array
        How much each counts, as `WindSet.weights` returns them; scaled to sum to 1.
    limit_m : float or None
        How far ground is examined, m. None examines it to the edge of the map.
    before_each : callable
        Receives the direction of each view before it is computed; it may raise to end the work.

    Returns
    -------
    (rows, cols) float32
        Degrees. NaN where any direction that counts is (`horizon_angle`).

    Raises
    ------
    InputError
        ``input-refused`` when `limit_m` is shorter than a cell.
    ValueError
        When directions and weights do not pair, or the weights are no weights.
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

    Above zero in the lee of higher ground, where drifting snow and soil come to rest; below zero
    on ground that rises above what is upwind.

    Parameters
    ----------
    elevation : (rows, cols) array
        Ground elevation, m; NaN where missing.
    grid : Grid
        Where its cells are.
    directions_deg : float or (n,) array
        Where winds come from, degrees clockwise from grid north.
    weights : (n,) array, optional
        How much each counts, as `WindSet.weights` returns them; all the same by default.
    limit_m : float
        How far upwind ground is examined, m.
    azimuths : int
        Views spread evenly over the 30 degrees around each direction, ends included: 3, or 7 for
        the 5 degree steps of the source.
    before_each : callable
        As for `weighted_horizon`.

    Returns
    -------
    (rows, cols) float32
        Degrees, -90 to 90. NaN where any view that counts holds no known ground.

    Raises
    ------
    InputError
        ``input-refused`` when `limit_m` is shorter than a cell.
    ValueError
        When directions and weights do not pair, the weights are no weights, or `azimuths` is 2 or
        fewer.

    Notes
    -----
    For each view the largest atan((z_v - z_i) / distance) over the points v upwind of the cell i;
    then the mean over the views of a direction, then the weighted mean over directions.

    References
    ----------
    Winstral, Elder and Davis 2002, Journal of Hydrometeorology 3:524-538 (status S2).
    """
    found = upwind_sum(grid.shape, directions_deg, weights, azimuths=azimuths)
    for _ in views(elevation, grid, [found], limit_m=limit_m, before_each=before_each):
        pass
    return found.total
