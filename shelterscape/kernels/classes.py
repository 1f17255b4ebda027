"""Class of every cell by the bounds between classes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips


@kernel(nogil=True)
def _classify_strip(top, bottom, values, bounds, missing, codes):  # type: ignore[no-untyped-def]
    for row in range(top, bottom):
        for col in range(values.shape[1]):
            value, code = np.float64(values[row, col]), np.uint8(1)
            for bound in bounds:
                code += np.uint8(value >= bound)
            codes[row, col] = code if value == value else missing


def class_codes(
    values: NDArray[np.floating], bounds: Sequence[float], missing: int
) -> NDArray[np.uint8]:
    """Class of every cell: 1 below the first bound, plus 1 from each bound on.

    Parameters
    ----------
    values : (rows, cols) float
        NaN where missing.
    bounds : sequence of float
        Rising; at most 253.
    missing : int
        Code of missing cells.

    Returns
    -------
    (rows, cols) uint8
    """
    codes = np.empty(values.shape, np.uint8)
    given = np.ascontiguousarray(values), np.array(bounds, dtype=float), np.uint8(missing)
    over_strips(_classify_strip, values.shape[0], *given, codes)
    return codes
