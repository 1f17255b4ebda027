"""Artificial ground, and a calculation of horizons that is independent of the package.

It shares no code: x is east and y north, angles are anticlockwise from east, and ground is
interpolated point by point in double precision.
"""

from __future__ import annotations

import numpy as np


def rough_ground(rows, cols, seed):
    """Random hills (seeded) with relief at every scale."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[0:rows, 0:cols] / 10.0
    waves = rng.uniform(0.1, 2.0, (12, 2)), rng.uniform(0, 6.28, 12), rng.uniform(1, 8, 12)
    return sum(
        h * np.sin(a * row + b * col + p) for (a, b), p, h in zip(*waves, strict=True)
    ).astype(np.float32)


def holed(ground, seed, share=0.1, side=12):
    """Ground with square holes of missing cells."""
    rng = np.random.default_rng(seed)
    out = ground.copy()
    for _ in range(int(share * ground.size / side**2)):
        row, col = (int(rng.integers(0, n)) for n in ground.shape)
        out[row : row + side, col : col + side] = np.nan
    return out


def _height(up, x, y):
    """Ground at points between cell centres; NaN off the map and beside missing ground."""
    north, east = up.shape[0] - 1, up.shape[1] - 1
    total = np.zeros(x.shape)
    for xs, wx in ((np.floor(x), 1 - (x - np.floor(x))), (np.ceil(x), x - np.floor(x))):
        for ys, wy in ((np.floor(y), 1 - (y - np.floor(y))), (np.ceil(y), y - np.floor(y))):
            off = (xs < 0) | (xs > east) | (ys < 0) | (ys > north)
            z = up[np.clip(ys, 0, north).astype(int), np.clip(xs, 0, east).astype(int)]
            z = np.where(off, np.nan, z)
            # A corner without weight has no effect, missing or not.
            total += np.where(wx * wy > 0, wx * wy * z, 0.0)
    return total


def marched_apart(ground, cell_m, bearing_deg, limit_m, rows=None, cols=None):
    """Horizon angle of all or some cells, degrees, to a limit or to the edge of the map."""
    up = np.asarray(ground, float)[::-1]
    if rows is None:
        rows, cols = np.indices(ground.shape)
    x, y = np.asarray(cols, float), ground.shape[0] - 1.0 - np.asarray(rows, float)
    turn = np.radians(90.0 - bearing_deg)
    dx, dy = np.cos(turn), np.sin(turn)
    longest = max(abs(dx), abs(dy))
    dx, dy, stride_m = dx / longest, dy / longest, cell_m / longest
    count = max(ground.shape) if limit_m is None else int(limit_m / stride_m + 1e-9)
    eye = _height(up, x, y)
    best = np.full(eye.shape, np.nan)
    for k in range(1, count + 1):
        seen = _height(up, np.round(x + k * dx, 9), np.round(y + k * dy, 9))
        best = np.fmax(best, np.degrees(np.arctan2(seen - eye, k * stride_m)))
    return best
