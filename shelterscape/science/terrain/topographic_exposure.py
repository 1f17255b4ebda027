"""Topex: the sum of horizon angles over the eight compass directions."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.science.terrain.surroundings import Surroundings
from shelterscape.science.terrain.views import topex_sum, views

TOPEX_BOUNDS = (10.0, 30.0, 60.0, 100.0)
"""Bounds of classes of unlimited topex, degrees (common practice, not verified against a source).

Classes are numbered, because names in use differ. Use your own bounds where a scheme states them.
"""

NO_CLASS = 255
"""Code of a cell without topex, as in all class rasters."""


def topex(
    elevation: NDArray[np.floating],
    grid: Grid,
    *,
    limit_m: float | None = 1000.0,
    signed: bool = True,
    before_each: Callable[[float], None] = lambda direction_deg: None,
    surroundings: Surroundings | None = None,
) -> NDArray[np.float32]:
    """Sum of the horizon angles over the eight compass directions: low on exposed ground.

    Parameters
    ----------
    elevation : (rows, cols) array
        Ground elevation, m; NaN where missing.
    grid : Grid
        Grid of the elevation; its north is the first direction.
    limit_m : float or None
        Limit distance, m. None examines ground to the edge of the map.
    signed : bool
        Whether angles below the horizontal count as negative (for topex within a limit distance)
        or as zero. Without a limit they always count as zero: the horizon of open ground is level.
    before_each : callable
        Called with each direction before its view is calculated; may raise to end the work.
    surroundings : Surroundings, optional
        The land around the map.

    Returns
    -------
    (rows, cols) float32
        Degrees. NaN where the elevation is missing or one of the eight views holds no known
        ground, as along the edge of the map.

    Raises
    ------
    InputError
        ``input-refused`` when `limit_m` is shorter than a cell.

    References
    ----------
    Definition as in forestry (common practice, no single source): eight directions, angles in
    degrees. Its signed form to 1 km has a Pearson correlation of -0.74 with measured
    speed-up over Askervein hill (Taylor and Teunissen 1987, Boundary-Layer Meteorology 39:15-39),
    over the 23 masts of lines A and AA (status D).
    """
    found = topex_sum(grid.shape, signed=signed and limit_m is not None)
    for _ in views(
        elevation,
        grid,
        [found],
        limit_m=limit_m,
        before_each=before_each,
        surroundings=surroundings,
    ):
        pass
    return found.total


def class_labels(bounds: Sequence[float]) -> list[str]:
    """Labels of topex classes, numbered from most exposed to most sheltered.

    Parameters
    ----------
    bounds : sequence of float
        Rising upper bounds of all classes but the last, degrees.

    Returns
    -------
    list of str
        One more label than bounds; none without bounds.

    Raises
    ------
    InputError
        ``input-refused`` when the bounds do not rise.

    Examples
    --------
    >>> class_labels([10.0, 30.0])
    ['1 most exposed: up to 10°', '2: 10–30°', '3 most sheltered: above 30°']
    """
    if not len(bounds):
        return []
    if not np.isfinite(bounds).all() or not (np.diff(bounds) > 0).all():
        raise InputError(
            "input-refused",
            "Bounds of topex classes must rise.",
            where="topex_classes",
            value=", ".join(f"{bound:g}" for bound in bounds),
            hint="Write them in degrees, from low to high, such as 10,30,60.",
        )
    between = itertools.pairwise(bounds)
    middle = [f"{n}: {low:g}–{high:g}°" for n, (low, high) in enumerate(between, start=2)]
    last = len(bounds) + 1
    return [
        f"1 most exposed: up to {bounds[0]:g}°",
        *middle,
        f"{last} most sheltered: above {bounds[-1]:g}°",
    ]


def topex_class(
    total: NDArray[np.floating], bounds: Sequence[float] = TOPEX_BOUNDS
) -> NDArray[np.uint8]:
    """Topex class of each cell.

    Parameters
    ----------
    total : array
        Topex, degrees, in the mode for which the bounds are meant; NaN where missing.
    bounds : sequence of float
        Rising upper bounds of all classes but the last, degrees; a bound belongs to the class
        below it.

    Returns
    -------
    array of uint8
        Code of the class, from 0 (most exposed); `NO_CLASS` where `total` is missing.

    References
    ----------
    `TOPEX_BOUNDS`: common practice in forestry, not verified against a source.

    Examples
    --------
    >>> topex_class(np.array([10.0, 10.5, 130.0])).tolist()
    [0, 1, 4]
    """
    number = np.searchsorted(np.asarray(bounds, float), total, side="left")
    return np.where(np.isnan(total), NO_CLASS, number).astype(np.uint8)
