"""Share of the water of each cell that reaches target cells."""

from __future__ import annotations

import numpy as np

from shelterscape.kernels.cache import kernel

# Neighbours from the west clockwise, as in the proportions of flow.
_ROW_STEP = (0, -1, -1, -1, 0, 1, 1, 1)
_COL_STEP = (-1, -1, 0, 1, 1, 1, 0, -1)


@kernel(nogil=True)
def share_into(order, proportions, targets):  # type: ignore[no-untyped-def]
    """Share of the water of each cell that reaches targets, from the lowest cell upwards.

    Parameters
    ----------
    order : (cells,) int64
        Index of every cell, lowest elevation first.
    proportions : (rows, cols, 9) float32
        As in `science.landform.Flow`.
    targets : (rows, cols) bool

    Returns
    -------
    (rows, cols) float32
        0 to 1.
    """
    cols = targets.shape[1]
    share = np.zeros(targets.shape, np.float32)
    for cell in order:
        row, col = cell // cols, cell % cols
        if targets[row, col]:
            share[row, col] = 1.0
        elif proportions[row, col, 0] == 0.0:
            for k in range(8):
                part = proportions[row, col, k + 1]
                if part > 0.0:
                    share[row, col] += part * share[row + _ROW_STEP[k], col + _COL_STEP[k]]
    return share
