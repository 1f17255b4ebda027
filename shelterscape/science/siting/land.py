"""Land that belts take out of use, and ground beside them on which crops suffer."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FENCE_M = 1.0
"""Strip on either side that a fence may take besides, metres (E)."""

CROP_LOSS_H = (1.0, 2.0)
"""How far from a belt crops lose to roots and shade, heights: to somewhere between these (Kort
1988; Cleugh and others 2002; status S)."""


class Land(NamedTuple):
    """Ranges, from the least to the most, hectares.

    Parameters
    ----------
    taken_low, taken_high : (n,) float64
        Out of use: the belt by itself, and fenced on both sides.
    beside_low, beside_high : (n,) float64
        On which crops lose, on both sides together; how much they lose is not told here, and
        beyond it they gain.
    """

    taken_low: Array
    taken_high: Array
    beside_low: Array
    beside_high: Array


def land_of(length_m: Array, width_m: Array, height_m: Array, is_new: NDArray[np.bool_]) -> Land:
    """Land that belts ask for.

    Parameters
    ----------
    length_m, width_m, height_m : (n,) arrays
        Of each belt, its height as it will be.
    is_new : (n,) bool
        Belts that stand already, and are mended, take no land anew.

    Returns
    -------
    Land
    """
    length = np.where(is_new, np.asarray(length_m, dtype=float), 0.0) / 1e4
    near, far = (2.0 * heights * np.asarray(height_m, dtype=float) for heights in CROP_LOSS_H)
    width = np.asarray(width_m, dtype=float)
    return Land(length * width, length * (width + 2.0 * FENCE_M), length * near, length * far)
