r"""Horizon of every cell in one direction when the limit is many cells away, or there is none.

Near ground is marched over exactly (`kernels.horizon`). For the rest the map is covered by parallel
lines of sight, one for each cell across. Along a line, only the corners of a rope pulled tight over
the ground seen so far can be its horizon, and few of them lie between one cell's and the next's::

            o - - - - - o           o corners of the rope over the samples in reach
           /:           :\          @ the one the eye at x looks at: the steepest line of sight
          / :    .--.   : @ . .
      .__/  :.__/    \__:/     ` x __

To spare work, samples go in groups of three: the highest of a group lays the rope for all three
and looks along it for them; each cell then measures the slope to the corner found from its own
height and place.

A limit distance makes samples drop out at the far end, which a rope does not allow. So the line is
cut into blocks. The rope over a whole block is laid once from its near end outward, noting what
each sample pushed aside; taking that back step by step gives the rope over what remains in reach.
Beside it grows a second rope over the block the eye is in.

Heights along lines are whole numbers of small units. With whole numbers every comparison of slopes
is exact, so that the horizon found is the same whatever way led there: a tile that holds the
ground within the limit distance on all sides gives the very bits of the whole.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import parallel_chunksize, prange
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.horizon import larger, multiply_add

UNITS_PER_CELL = 4096
"""Height units to the side of a cell: an error of half a unit, nine steps away, is .001 degree."""

UNKNOWN = np.int32(-(2**30))
"""Height of a sample that touches missing ground or lies off the map."""

HIGHEST = np.float32(2**29)
LINES_PER_TASK = 16
"""A task's lines should stay in a core's second cache."""

GROUP = 3
"""Samples to a group. Tried: ground of seeded waves, 5 m cells, 5 km, error (99th percentile) and
time: 1 .05 degree, 28 ns a cell; 2 .11, 22; 3 .18, 18; 4 .24, 17."""

GAP = 3
"""The nearest group an eye sees by rope is so many before its own."""

NEAR_STEPS = GAP * GROUP - 1
"""Steps to march exactly, enough for the last eye of a group."""


class LineSteps(NamedTuple):
    """Where lines of sight pass between the cells of each row or column they cross.

    Parameters
    ----------
    along_columns : bool
        Whether lines cross columns one by one, and not rows.
    ascending : bool
        Whether the eye looks towards higher numbers.
    low : (n,) int64
        For each column or row crossed, from the far end to the near one: how far line 0 has
        drifted across, in whole cells.
    weight : (n,) float32
        The fraction of a cell beyond that.
    phase : int
        Place of the first of them within its group.
    stride : float
        Length of a step, cells.
    """

    along_columns: bool
    ascending: bool
    low: NDArray[np.int64]
    weight: NDArray[np.float32]
    phase: int
    stride: float


def line_steps(
    column_step: float, row_step: float, shape: tuple[int, int], row0: int, col0: int
) -> LineSteps:
    """Lines of sight over a map, anchored to the row and column numbers of the whole.

    Parameters
    ----------
    column_step, row_step : float
        Unit step along the line, columns and rows.
    shape : tuple of int
        Rows, columns.
    row0, col0 : int
        Row and column of the first cell within the whole map.
    """
    along_columns = abs(column_step) >= abs(row_step)
    major, minor = (column_step, row_step) if along_columns else (row_step, column_step)
    count, start = (shape[1], col0) if along_columns else (shape[0], row0)
    crossed = start + np.arange(count)
    drift = np.round(crossed * (minor / major), 9)
    low = np.floor(drift)
    weight = (drift - low).astype(np.float32)
    ascending = major > 0
    far_first = slice(None, None, -1) if ascending else slice(None)
    first = -(start + count - 1) if ascending else start
    return LineSteps(
        along_columns,
        ascending,
        low.astype(np.int64)[far_first].copy(),
        weight[far_first].copy(),
        first % GROUP,
        1 / abs(major),
    )


@kernel(inline="always")
def _size_before(rope_z, rope_t, size, z, t):  # type: ignore[no-untyped-def]
    """Corners left on a rope when the sample (t, z) is laid at its end; straight ones go too."""
    if size > 1:
        rise, run = np.int64(rope_z[size - 1]) - z, abs(rope_t[size - 1] - t)
        while size > 1:
            next_rise, next_run = np.int64(rope_z[size - 2]) - z, abs(rope_t[size - 2] - t)
            if next_rise * run < rise * next_run:
                break
            rise, run = next_rise, next_run
            size -= 1
    return size


@kernel(inline="always")
def _steepest(rope_z, rope_t, size, at, nearer, z, t):  # type: ignore[no-untyped-def]
    """The corner seen steepest from (t, z), the nearer one of two equals, looked for from `at`."""
    at = min(at, size - 1)
    rise, run = np.int64(rope_z[at]) - z, t - rope_t[at]
    begun = at
    other = at + nearer
    while 0 <= other < size:
        next_rise, next_run = np.int64(rope_z[other]) - z, t - rope_t[other]
        if next_rise * run < rise * next_run:
            break
        at, rise, run = other, next_rise, next_run
        other += nearer
    other = at - nearer if at == begun else -1
    while 0 <= other < size:
        next_rise, next_run = np.int64(rope_z[other]) - z, t - rope_t[other]
        if next_rise * run <= rise * next_run:
            break
        at, rise, run = other, next_rise, next_run
        other -= nearer
    return at, rise, run


@kernel
def _lay_block(z, t, start, stop, rope_z, rope_t, undo, highest):  # type: ignore[no-untyped-def]
    """Lay the rope over tops `start` to `stop`, from the near end outward; return its size."""
    size = 0
    top = UNKNOWN
    for g in range(stop - 1, start - 1, -1):
        k = g - start
        undo[k, 0] = size
        size = _size_before(rope_z, rope_t, size, z[g], t[g])
        undo[k, 1], undo[k, 2] = rope_z[size], rope_t[size]
        rope_z[size], rope_t[size] = z[g], t[g]
        size += 1
        top = max(top, z[g])
        highest[k] = top
    return size


@kernel
def _tops(z, phase, top_z, top_t):  # type: ignore[no-untyped-def]
    """Highest sample of each group of `GROUP`; groups begin where (t + phase) divides evenly."""
    count = (z.size + phase + GROUP - 1) // GROUP
    for g in range(count):
        first = max(g * GROUP - phase, 0)
        best_z, best_t = z[first], first
        for t in range(first + 1, min((g + 1) * GROUP - phase, z.size)):
            if z[t] > best_z:
                best_z, best_t = z[t], t
        top_z[g], top_t[g] = best_z, best_t
    return count


@kernel
def _far_horizon(z, t, window, ropes, undo, highest, far_z, far_t):  # type: ignore[no-untyped-def]
    """Height and place of each top's horizon among the tops `GAP` to `window` before it.

    `UNKNOWN` where there is none.
    """
    own_z, own_t, old_z, old_t = ropes[0], ropes[1], ropes[2], ropes[3]
    block = window - GAP
    far_z[: min(GAP, z.size)] = UNKNOWN
    for start in range(0, z.size - GAP, block):
        own_size, own_at, old_size, old_at = 0, 0, 0, 0
        if start > 0:
            old_size = _lay_block(z, t, start - block, start, old_z, old_t, undo, highest)
        for u in range(start, min(z.size - GAP, start + block)):
            own_size = _size_before(own_z, own_t, own_size, z[u], t[u])
            own_z[own_size], own_t[own_size] = z[u], t[u]
            own_size += 1
            k = u - start
            if k > 0 and old_size > 0:
                # The farthest top drops out of reach: put back what it had pushed aside.
                last = old_size - 1
                old_size = undo[k - 1, 0]
                old_z[last], old_t[last] = undo[k - 1, 1], undo[k - 1, 2]
            eye_z, eye_t = z[u + GAP], t[u + GAP]
            own_at, rise, run = _steepest(own_z, own_t, own_size, own_at, 1, eye_z, eye_t)
            corner_z, corner_t = own_z[own_at], own_t[own_at]
            if old_size > 0:
                # Worth a look only if the block's height, at its nearest (or, seen from above, its
                # farthest) place, would stand steeper.
                most = np.int64(highest[k]) - eye_z
                if most * run > rise * (eye_t - t[start - 1 if most > 0 else u - block]):
                    old_at, old_rise, old_run = _steepest(
                        old_z, old_t, old_size, old_at, -1, eye_z, eye_t
                    )
                    if old_rise * run > rise * old_run:
                        corner_z, corner_t = old_z[old_at], old_t[old_at]
            far_z[u + GAP], far_t[u + GAP] = corner_z, corner_t


@kernel
def _line(z, phase, window, work, far_z, far_run):  # type: ignore[no-untyped-def]
    """Height and distance of each sample's horizon, distance 0 where there is none."""
    tops, ropes, undo, highest = work
    top_z, top_t, horizon_z, horizon_t = tops[0], tops[1], tops[2], tops[3]
    count = _tops(z, phase, top_z, top_t)
    _far_horizon(top_z[:count], top_t[:count], window, ropes, undo, highest, horizon_z, horizon_t)
    for g in range(count):
        seen = horizon_z[g] > UNKNOWN and top_z[g] > UNKNOWN
        for t in range(max(g * GROUP - phase, 0), min((g + 1) * GROUP - phase, z.size)):
            far_z[t] = horizon_z[g]
            far_run[t] = t - horizon_t[g] if seen else 0


@kernel(inline="always")
def _sample(near, far, weight, units):  # type: ignore[no-untyped-def]
    """Height between two cells, in units; `UNKNOWN` where one that counts is missing."""
    height = multiply_add(weight, far - near, near) * units
    bounded = min(max(height, -HIGHEST), HIGHEST)
    return np.int32(np.floor(bounded + np.float32(0.5))) if height > -1e20 else UNKNOWN


@kernel
def _reach(low, line, across):  # type: ignore[no-untyped-def]
    """First and last sample of a line with a cell on the map on one side of it at least."""
    start, stop = 0, low.size
    while start < stop and not -1 <= line + low[start] < across:
        start += 1
    while stop > start and not -1 <= line + low[stop - 1] < across:
        stop -= 1
    return start, stop


@kernel(inline="always")
def _gather(lines, z, first_line, spans, low, weight, units):  # type: ignore[no-untyped-def]
    """Heights along lines over a map turned so that its columns are crossed far end first."""
    across = lines.shape[0]
    for b in range(z.shape[0]):
        for t in range(spans[b, 0], spans[b, 1]):
            i = first_line + b + low[t]
            w = weight[t]
            # On a cell's centre the other cell does not count, and may lie off the map.
            j = i + 1 if w > 0 else i
            if i >= 0 and j < across:
                z[b, t] = _sample(lines[i, t], lines[j, t], w, units)
            else:
                z[b, t] = UNKNOWN


@kernel(inline="always")
def _seen(here, far_z, far_run, per_unit, per_step):  # type: ignore[no-untyped-def]
    return (np.float32(far_z) * per_unit - here) * (per_step / np.float32(far_run))


@kernel(inline="always")
def _scatter(lines, out, far_z, far_run, first_line, spans, low, weight, scale):  # type: ignore[no-untyped-def]
    """Tangents of cells from the horizons of the two lines that pass beside them."""
    per_unit, per_step = scale[1], scale[2]
    for b in range(1, far_z.shape[0]):
        for t in range(spans[b, 0], spans[b, 1]):
            i = first_line + b + low[t]
            if i < 0:
                continue
            here, w = lines[i, t], weight[t]
            one = far_run[b, t]
            two = far_run[b - 1, t] if spans[b - 1, 0] <= t < spans[b - 1, 1] and w > 0 else 0
            if one > 0 and two > 0:
                a = _seen(here, far_z[b, t], one, per_unit, per_step)
                c = _seen(here, far_z[b - 1, t], two, per_unit, per_step)
                out[i, t] = larger(multiply_add(w, c - a, a), out[i, t])
            elif one > 0:
                out[i, t] = larger(_seen(here, far_z[b, t], one, per_unit, per_step), out[i, t])
            elif two > 0:
                out[i, t] = larger(_seen(here, far_z[b - 1, t], two, per_unit, per_step), out[i, t])


@kernel(parallel=True)
def _sweep(lines, low, weight, phase, window, scale, out):  # type: ignore[no-untyped-def]
    across, count = lines.shape
    first = -low.max() - 1
    tasks = (across - low.min() - first + LINES_PER_TASK - 1) // LINES_PER_TASK
    groups = count // GROUP + 2
    reach = min(window, groups) + 2
    for task in prange(tasks):
        # One line more than this task writes: cells lie between two.
        z = np.empty((LINES_PER_TASK + 1, count), np.int32)
        far_z, far_run = np.empty_like(z), np.empty_like(z)
        tops, ropes = np.empty((4, groups), np.int32), np.empty((4, reach), np.int32)
        work = tops, ropes, np.empty((reach, 3), np.int32), np.empty(reach, np.int32)
        spans = np.empty((LINES_PER_TASK + 1, 2), np.int64)
        line = first + task * LINES_PER_TASK - 1
        for b in range(LINES_PER_TASK + 1):
            spans[b, 0], spans[b, 1] = _reach(low, line + b, across)
        _gather(lines, z, line, spans, low, weight, scale[0])
        for b in range(LINES_PER_TASK + 1):
            s, e = spans[b, 0], spans[b, 1]
            if e > s:
                start = (phase + s) % GROUP
                _line(z[b, s:e], start, window, work, far_z[b, s:e], far_run[b, s:e])
        _scatter(lines, out, far_z, far_run, line, spans, low, weight, scale)


def far_horizon(
    ground: NDArray[np.float32],
    steps: LineSteps,
    cell_m: float,
    limit_steps: int | None,
    tangent: NDArray[np.float32],
) -> None:
    """Raise tangents to those of the ground beyond the first `NEAR_STEPS`.

    Parameters
    ----------
    ground : (rows, cols) float32
        As `known_ground` gives it.
    steps : LineSteps
        As `line_steps` gives them.
    cell_m : float
        Side of a cell, m.
    limit_steps : int or None
        Steps to the limit distance, several times `NEAR_STEPS`; None for no limit. By its groups
        the farthest ground looked at lies at the limit or up to four steps short of it.
    tangent : (rows, cols) float32
        As `march` fills it over the near steps; raised in place.
    """
    lines: Any = ground if steps.along_columns else ground.T
    turned: Any = tangent if steps.along_columns else tangent.T
    if steps.ascending:
        lines, turned = lines[:, ::-1], turned[:, ::-1]
    scale = np.array(
        [UNITS_PER_CELL / cell_m, cell_m / UNITS_PER_CELL, 1 / (steps.stride * cell_m)], np.float32
    )
    # Measured from the last sample of the eye's group to the first of the farthest group.
    limit = max(ground.shape) if limit_steps is None else limit_steps
    window = (limit - GROUP + 1) // GROUP
    with parallel_chunksize(4):
        _sweep(lines, steps.low, steps.weight, steps.phase, window, scale, turned)
