"""A smooth surface through coarse cells, evaluated on fine cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips

RIM = 4
"""Cells by which the coarse map is extended at constant height past its edges."""


@dataclass(frozen=True)
class Surface:
    """A cubic spline through the centres of coarse cells.

    It is continuous to the second derivative: the theory of terrain wind would treat a kink as a
    ridge.

    Parameters
    ----------
    weights : (rows + 2 `RIM`, cols + 2 `RIM`) float32
        Weights of the basis functions of the spline.
    cells : int
        Number of fine cells along the side of a coarse one.
    """

    weights: NDArray[np.float32]
    cells: int

    @classmethod
    def through(cls, coarse: NDArray[np.floating], cells: int) -> Surface:
        """The surface with these values at the centres of the cells."""
        wider = np.pad(coarse.astype(np.float64), RIM, mode="edge")
        bells = ndimage.spline_filter(wider, order=3, mode="mirror")
        return cls(bells.astype(np.float32), cells)

    def on(self, row: int, col: int, shape: tuple[int, int]) -> NDArray[np.float32]:
        """Values on a part of the fine map whose first cell is (`row`, `col`)."""
        down, along = (self._at(n, count) for n, count in zip((row, col), shape, strict=True))
        out = np.empty(shape, np.float32)
        over_strips(_look_up, shape[0], self.weights, *down, *along, out)
        return out

    def _at(self, first: int, count: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """First of four basis functions and the value of each, for fine cells along one axis."""
        place = (first + np.arange(count) + 0.5) / self.cells - 0.5 + RIM
        begin = np.floor(place).astype(np.int64)
        t = (place - begin)[:, None]
        shares = [(1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3]
        return begin - 1, (np.concatenate(shares, axis=1) / 6).astype(np.float32)


@kernel(nogil=True)
def _look_up(begin, end, weights, down, by_row, along, by_col, out):  # type: ignore[no-untyped-def]
    """Sum four basis functions down the rows for every coarse column, then four along the row."""
    cols = out.shape[1]
    line = np.empty(weights.shape[1], np.float32)
    for i in range(begin, end):
        first = down[i]
        for k in range(along[0], along[cols - 1] + 4):
            total = np.float32(0)
            for j in range(4):
                total += by_row[i, j] * weights[first + j, k]
            line[k] = total
        for c in range(cols):
            k = along[c]
            out[i, c] = (
                by_col[c, 0] * line[k]
                + by_col[c, 1] * line[k + 1]
                + by_col[c, 2] * line[k + 2]
                + by_col[c, 3] * line[k + 3]
            )
