"""Speed-up and turning of the wind, from its change along the wind direction and to the right."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.threads import over_strips

# arctan(r) / r as a polynomial in r², fitted at Chebyshev points of 0 to 1; error at most 8e-8.
_ARCTAN = tuple(
    np.float32(c)
    for c in (
        -0.00466877,
        0.02416619,
        -0.0593671,
        0.09906097,
        -0.14016585,
        0.19969235,
        -0.3333196,
        0.9999999,
    )
)


@kernel(inline="always")
def _double_arctan_deg(r):  # type: ignore[no-untyped-def]
    """Twice the arctangent of -1 to 1, degrees; the library function is slower than the theory."""
    q = r * r
    p = _ARCTAN[0] * q + _ARCTAN[1]
    p = p * q + _ARCTAN[2]
    p = p * q + _ARCTAN[3]
    p = p * q + _ARCTAN[4]
    p = p * q + _ARCTAN[5]
    p = p * q + _ARCTAN[6]
    p = p * q + _ARCTAN[7]
    return np.float32(360.0 / np.pi) * r * p


@kernel(inline="always")
def _turn(forward, tangent, known, turning_deg):  # type: ignore[no-untyped-def]
    """Turning of the wind along a row, from the tangent of half the angle."""
    half_turn, nothing = np.float32(180.0), np.float32(np.nan)
    for col in range(forward.size):
        turning_deg[col] = _double_arctan_deg(tangent[col])
    for col in range(forward.size):
        if forward[col] <= 0:  # backwards, by reflection
            turn = half_turn if tangent[col] >= 0 else -half_turn
            turning_deg[col] = turn - turning_deg[col]
        if not known[col]:
            turning_deg[col] = nothing


@kernel(nogil=True, error_model="numpy")
def _speed_strip(top, bottom, change, known, speed_up, turning_deg, valid):  # type: ignore[no-untyped-def]
    one, nothing = np.float32(1.0), np.float32(np.nan)
    cols = change.shape[1]
    # Short loops, the longest without branches, so that they use vector instructions.
    work = np.empty((3, cols), np.float32)
    forward, speed, tangent = work[0], work[1], work[2]
    for row in range(top, bottom):
        for col in range(cols):
            forward[col], tangent[col] = one + change[row, col, 0], change[row, col, 1]
        for col in range(cols):
            u, v = forward[col], tangent[col]
            speed[col] = np.sqrt(u * u + v * v)
            # Tangent of half the angle: it remains within -1 and 1.
            tangent[col] = v / (speed[col] + abs(u) + np.float32(1e-30))
        for col in range(cols):
            speed_up[row, col] = speed[col] - one
            valid[row, col] &= known[row, col] & (forward[col] > 0)
        for col in range(cols):
            if not known[row, col]:
                speed_up[row, col] = nothing
        if turning_deg.size:
            _turn(forward, tangent, known[row], turning_deg[row])


def speed_and_turning(
    change: NDArray[np.float32],
    known: NDArray[np.bool_],
    speed_up: NDArray[np.float32],
    turning_deg: NDArray[np.float32],
    valid: NDArray[np.bool_],
) -> None:
    """Speed-up and turning of the wind, from its change along its direction and to the right.

    Parameters
    ----------
    change : (rows, cols, 2) float32
        Along the wind and to its right, per unit of the wind over flat, open terrain.
    known : (rows, cols) bool
        Where there is ground; elsewhere the outputs are NaN and not valid.
    speed_up, turning_deg : (rows, cols) float32
        Filled. Turning is positive clockwise; it is not calculated for an array without cells.
    valid : (rows, cols) bool
        Set to False where the theory would stop or reverse the wind.
    """
    over_strips(_speed_strip, change.shape[0], change, known, speed_up, turning_deg, valid)
