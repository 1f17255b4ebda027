"""Add weighted fields to sums in place, without intermediate arrays."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips


@kernel(nogil=True)
def _add_strip(top, bottom, field, weight, plus, least, total):  # type: ignore[no-untyped-def]
    for row in range(top, bottom):
        for col in range(field.shape[1]):
            value = plus + np.float32(field[row, col])
            # This form keeps NaN.
            value = least if value < least else value
            total[row, col] += weight * value


def add_weighted(
    field: NDArray[Any],
    weight: float,
    total: NDArray[np.float32],
    *,
    plus: float = 0.0,
    least: float = -np.inf,
) -> None:
    """Add ``weight * max(plus + field, least)`` to a sum, in single precision.

    Parameters
    ----------
    field : (rows, cols) float32 or bool
    weight : float
    total : (rows, cols) float32
        The sum; changed in place. NaN where the field is NaN.
    plus : float
        Number added to the field first.
    least : float
        Lower bound of the values.
    """
    single = (np.float32(value) for value in (weight, plus, least))
    over_strips(_add_strip, total.shape[0], np.ascontiguousarray(field), *single, total)


@kernel(nogil=True)
def _reduction_strip(top, bottom, field, weight, total):  # type: ignore[no-untyped-def]
    one = np.float32(1)
    for row in range(top, bottom):
        for col in range(field.shape[1]):
            total[row, col] += weight * (one - field[row, col])


def add_reduction(field: NDArray[np.float32], weight: float, total: NDArray[np.float32]) -> None:
    """Add ``weight * (1 - field)`` to a sum, in single precision.

    Parameters
    ----------
    field : (rows, cols) float32
        Relative wind, or a power of it.
    weight : float
    total : (rows, cols) float32
        The sum; changed in place.
    """
    over_strips(_reduction_strip, total.shape[0], field, np.float32(weight), total)


class SiteSums(NamedTuple):
    """Weighted sums over wind directions for one case, (rows, cols) float32 each.

    Parameters
    ----------
    with_belts, without
        Sums of the site wind ratio and of the terrain wind ratio, raised to the wind-speed
        exponent.
    modelled
        Sum of the weights of directions for which terrain wind is modelled.
    """

    with_belts: NDArray[np.float32]
    without: NDArray[np.float32]
    modelled: NDArray[np.float32]


@kernel(nogil=True)
def _site_strip(top, bottom, speed_up, valid, field, weight, sums):  # type: ignore[no-untyped-def]
    one = np.float32(1)
    for row in range(top, bottom):
        for col in range(field.shape[1]):
            over = one + speed_up[row, col]
            sums.without[row, col] += weight * over
            sums.with_belts[row, col] += weight * (over * field[row, col])
            sums.modelled[row, col] += weight * np.float32(valid[row, col])


def add_site_wind(
    speed_up: NDArray[np.float32],
    valid: NDArray[np.bool_],
    field: NDArray[np.float32],
    weight: float,
    sums: SiteSums,
) -> None:
    """Add one wind direction to the sums of site wind, for a wind-speed exponent of 1.

    Parameters
    ----------
    speed_up : (rows, cols) float32
        Terrain wind ratio − 1; NaN where the elevation is missing.
    valid : (rows, cols) bool
        Where terrain wind is modelled.
    field : (rows, cols) float32
        Relative wind.
    weight : float
        Weight of the direction.
    sums : SiteSums
        Changed in place.
    """
    rows, share = field.shape[0], np.float32(weight)
    over_strips(_site_strip, rows, speed_up, valid, field, share, sums)
