"""What counts on each place, and which places reach their target."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.places import WELL_SHELTERED, stock_need_m2, targets
from shelterscape.science.siting.context import EvaluationContext

Array = NDArray[np.float64]

STOCK_WORTH = 1.0 - WELL_SHELTERED
"""What enough sheltered ground for all stock in all winds counts, as a share of priority × area of
the place (assumed): as much as the whole place at the limit of well sheltered ground."""

STOCK_MARGIN = 4.0
"""Sheltered ground counted in a benefit, as a multiple of what stock needs (assumed): the ground
counted may be scattered, and moves with gusts from either side of a wind direction."""

STOCK_TIME = 0.9
"""Share of the time with wind in which stock needs enough sheltered ground where it cannot have it
always, so that the place reaches its target (assumed)."""

ROUNDING = 1e-9
"""Values of places this far below what is required count as equal to it."""


def reaches_target(
    relative_wind: Array, target: Array, corner_time_share: Array
) -> NDArray[np.bool_]:
    """Which places reach their target.

    Parameters
    ----------
    relative_wind : (m,) float64
        Mean relative wind.
    target : (m,) float64
        Target relative wind; NaN without one.
    corner_time_share : (m,) float64
        Share of the time with wind in which stock has a sheltered corner; NaN where there is no
        stock.

    Returns
    -------
    (m,) bool
        Stock needs a sheltered corner for `STOCK_TIME`, other places their target relative wind.
        False without stock and without a target.
    """
    stock = np.isfinite(corner_time_share)
    calm = relative_wind <= target
    found: NDArray[np.bool_] = np.where(stock, corner_time_share >= STOCK_TIME - ROUNDING, calm)
    return found


@dataclass(frozen=True)
class PlaceTerms:
    """What counts on each place; the value of a place is weight × min(level, met).

    Parameters
    ----------
    stock : (m,) bool
        Whether sheltered ground for stock counts, instead of mean relative wind.
    need : (m,) float64
        Sheltered ground needed in each wind direction, m²; else mean of 1 − r^p needed, 0 to 1.
    level : (m,) float64
        Value of `met` above which more adds nothing. It is the sum over wind directions of weight ×
        share of the need; else the share of the need.
    weight : (m,) float64
        0 where a place does not count.
    by_time : bool
        Whether directions count by their share of the time, instead of their weight in a benefit.
    """

    stock: NDArray[np.bool_]
    need: Array
    level: Array
    weight: Array
    by_time: bool


def stock_terms(context: EvaluationContext, margin: Array | float = STOCK_MARGIN) -> PlaceTerms:
    """Places whose stock needs sheltered ground, in hectares of equivalent sheltered area.

    Parameters
    ----------
    context : EvaluationContext
    margin : (m,) float64 or float
        Sheltered ground counted, as a multiple of what stock needs.

    Returns
    -------
    PlaceTerms
        The weight is priority × area × `STOCK_WORTH`, ha; 0 on places without a head of stock.
    """
    places, covered = context.places, context.covered
    if places is None or covered is None:
        none = np.zeros(0)
        return PlaceTerms(none.astype(bool), none, none, none, False)
    need = stock_need_m2(places)
    area = np.bincount(covered.owner, covered.share, len(places)) * context.grid.cell_area_ha
    worth = STOCK_WORTH * area * places["priority"].to_numpy(dtype=float)
    weight = np.where(need > 0, worth, 0.0)
    return PlaceTerms(need > 0, margin * need, np.full(len(need), np.inf), weight, False)


def target_terms(context: EvaluationContext) -> PlaceTerms:
    """Places with a target, each with value 1 where it is reached.

    Parameters
    ----------
    context : EvaluationContext

    Returns
    -------
    PlaceTerms
        Stock areas that state their head need enough sheltered ground in every wind direction;
        other places a mean relative wind of at most their target.
    """
    assert context.places is not None
    need = stock_need_m2(context.places)
    stock, target = need > 0, targets(context.places)
    mean = 1.0 - target**context.speed_exponent
    known = stock | (target < 1.0)
    return PlaceTerms(
        stock, np.where(stock, need, mean), np.ones(len(need)), known.astype(float), True
    )
