"""Add a weighted field to a sum in place, without arrays in between."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips


@kernel(nogil=True)
def _add_strip(top, bottom, field, weight, plus, least, total):  # type: ignore[no-untyped-def]
    for row in range(top, bottom):
        for col in range(field.shape[1]):
            value = plus + np.float32(field[row, col])
            # Written so that NaN stays NaN.
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
        Added to the field first.
    least : float
        Values below this count as this.
    """
    single = (np.float32(value) for value in (weight, plus, least))
    over_strips(_add_strip, total.shape[0], np.ascontiguousarray(field), *single, total)
