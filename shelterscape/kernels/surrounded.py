"""Ground continued past its edges by the ground around it, for a periodic transform."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def surrounded(
    ground: NDArray[np.float32],
    around: NDArray[np.float32],
    before: Sequence[int],
    fade: int,
) -> NDArray[np.float32]:
    """Ground continued to a larger periodic map by the ground around it.

    Parameters
    ----------
    ground : (rows, cols) float32
        Finite everywhere; zero on average.
    around : (padded rows, padded cols) float32
        Coarser values of the ground and of what is around it; overwritten.
    before : sequence of int
        Rows and columns of `around` before the first of the ground.
    fade : int
        Cells over which the difference of both at the edge of the ground fades.

    Returns
    -------
    (padded rows, padded cols) float32
        The ground first, then what follows it, then what precedes it. The land around descends to
        zero where the last two meet.
    """
    for axis in (0, 1):
        pad = around.shape[axis] - ground.shape[axis]
        away = np.arange(around.shape[axis]) - before[axis] + 0.5
        away = np.maximum(-away, away - ground.shape[axis]) / max(pad / 2, 1)
        ramp = 0.5 + 0.5 * np.cos(np.pi * np.clip(2 * away - 1, 0, 1))
        around *= ramp.astype(np.float32).reshape((-1, 1) if axis == 0 else (1, -1))
    around = np.roll(around, [-n for n in before], axis=(0, 1))
    rows, cols = ground.shape
    sides = around[:, [0, cols - 1]].copy()
    edges = ground[[0, -1]] - around[[0, rows - 1], :cols]
    around[:rows, :cols] = ground
    _fade_out(around[:, :cols], edges, rows, fade)
    _fade_out(around.T, (around[:, [0, cols - 1]] - sides).T, cols, fade)
    return around


def _fade_out(out: NDArray[np.float32], edges: NDArray[np.float32], filled: int, fade: int) -> None:
    """Add the first and last of `edges`, fading, before the first row and after the last filled."""
    fade = min(fade, (out.shape[0] - filled) // 2)
    if fade:
        leaving = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade + 1) / (fade + 1))
        shares = leaving.astype(np.float32)[:, None]
        out[filled : filled + fade] += shares * edges[1]
        out[-fade:] += shares[::-1] * edges[0]
