"""How belts should run to meet the wind that does harm: both sides, one side, and two legs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.science.siting.generated_lines import Bearing, best_bearing

Array = NDArray[np.float64]

STEP_DEG = 0.25
"""Step in which bearings of one-sided belts and of corners are tried, degrees."""


@dataclass(frozen=True)
class DamagingWind:
    """Best lines against a wind set.

    Parameters
    ----------
    both_sides : Bearing
        Best bearing where ground on both sides is to be sheltered.
    side_deg : float
        Direction of the best belt from a place on one side of it, degrees from north.
    side_share : float
        Share of the damaging wind that comes across that belt to the place, 0 to 1.
    corner_deg : float
        Direction of the corner of the best L of two legs, from a place inside it.
    corner_share : float
        Share of the damaging wind that comes across one leg or the other, 0 to 1.
    """

    both_sides: Bearing
    side_deg: float
    side_share: float
    corner_deg: float
    corner_share: float

    @property
    def side_bearing_deg(self) -> float:
        """Bearing of the best belt for one side, 0 <= b < 180."""
        return (self.side_deg + 90.0) % 180.0

    @property
    def leg_bearings_deg(self) -> tuple[float, float]:
        """Bearings of the two legs of the best L, each 0 <= b < 180."""
        return (self.corner_deg + 45.0) % 180.0, (self.corner_deg + 135.0) % 180.0


def share_from_side(side_deg: ArrayLike, direction_deg: ArrayLike, weights: ArrayLike) -> Array:
    """Share of the wind that comes across a belt from its far side: Σ w max(0, cos(d − s)).

    Parameters
    ----------
    side_deg : (n,) array
        Direction s of the belt from the place, perpendicular to the belt, degrees.
    direction_deg : (m,) array
        Where winds come from, d, degrees.
    weights : (m,) array
        As `WindSet.weights` returns them.

    Returns
    -------
    (n,) float64
        0 to 1. Winds from the side of the place do not count.
    """
    across = _across(np.atleast_1d(side_deg), direction_deg)
    return np.asarray(np.clip(across, 0.0, None) @ np.asarray(weights, float))


def share_from_corner(corner_deg: ArrayLike, direction_deg: ArrayLike, weights: ArrayLike) -> Array:
    """Share of the wind that comes across one leg or the other of an L at right angles.

    Parameters
    ----------
    corner_deg : (n,) array
        Direction of the corner from a place inside the L, degrees.
    direction_deg, weights : (m,) array
        As for `share_from_side`.

    Returns
    -------
    (n,) float64
        0 to 1; of each wind the larger of its parts across the two legs counts.
    """
    corner = np.atleast_1d(np.asarray(corner_deg, float))
    legs = np.maximum(_across(corner - 45.0, direction_deg), _across(corner + 45.0, direction_deg))
    return np.asarray(np.clip(legs, 0.0, None) @ np.asarray(weights, float))


def _across(side_deg: ArrayLike, direction_deg: ArrayLike) -> Array:
    """Part of each wind that is perpendicular to a line, positive from beyond it."""
    side, direction = np.asarray(side_deg, float), np.asarray(direction_deg, float)
    found: Array = np.cos(np.radians(direction[None, :] - side[:, None]))
    return found


def vector_mean_deg(direction_deg: ArrayLike, weights: ArrayLike) -> float:
    """Direction from which winds come on the whole: that of their vector mean.

    Parameters
    ----------
    direction_deg, weights : (n,) array
        As for `share_from_side`.

    Returns
    -------
    float
        Degrees, 0 <= d < 360. More wind comes across a line from this side than from the other.

    Examples
    --------
    >>> vector_mean_deg([350.0, 30.0], [0.5, 0.5])
    10.0
    """
    turn = np.radians(np.asarray(direction_deg, float))
    by = np.asarray(weights, float)
    return round(float(np.degrees(np.arctan2(np.sin(turn) @ by, np.cos(turn) @ by))), 9) % 360.0


def damaging_wind(direction_deg: ArrayLike, weights: ArrayLike) -> DamagingWind:
    """Best lines against some winds.

    Parameters
    ----------
    direction_deg, weights : (n,) array
        As for `share_from_side`.

    Returns
    -------
    DamagingWind
        Of lines that catch the same, the first clockwise from north.

    Notes
    -----
    A belt that shelters both sides maximises ``Σ w |sin(d − φ)|`` over its bearing φ, with
    ``w = f ⟨U^p⟩``; the maximum has a closed form. For a place on one side only winds from the
    other side count.
    """
    tried = np.arange(0.0, 360.0, STEP_DEG)
    side = share_from_side(tried, direction_deg, weights)
    corner = share_from_corner(tried, direction_deg, weights)
    at, at_corner = (int(np.flatnonzero(s >= s.max() - 1e-12)[0]) for s in (side, corner))
    return DamagingWind(
        best_bearing(direction_deg, weights),
        float(tried[at]),
        float(side[at]),
        float(tried[at_corner]),
        float(corner[at_corner]),
    )
