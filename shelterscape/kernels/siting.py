"""Benefit that lines would add to the existing shelter, ray by ray.

Relative wind is kept for every ray separately. A line is evaluated with the spans of belts on a
copy of the window that it influences; the reduction there is its benefit. Windows are processed
line by line and ray by ray, so that results do not depend on threads.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.downwind import Profiles, View, empty_spans, lower_window
from shelterscape.kernels.influence import FAR, BandSettings, col_range, influence_bands, row_range
from shelterscape.kernels.strips import belt_strips
from shelterscape.kernels.threads import map_threads

LOTS = 64
"""Lots into which lines are divided, each with its own working window. Lines of one lot should be
near each other, so that the ground they share stays in the cache."""

FEW = 2
"""Up to this number of lines one thread is faster."""


class CandidateLines(NamedTuple):
    """Lines, each of one or more outlines, in the form the kernels require.

    Parameters
    ----------
    first_outline : (n + 1,) int64
        Index of the first outline of each line.
    first_edge : (m + 1,) int64
        Index of the first edge of each outline.
    edges : (k, 4) float64
        Column and row of both ends of each edge.
    height : (m,) float64
        Belt height, cells.
    profile : (m,) int64
        Profile of each outline.
    reach_h : (profiles,) float64
        Distance leeward to which each profile acts, belt heights.
    windward_h, step_h : float
        Length of the bands windward of belts, and spacing of the tables, belt heights.
    tables : (1, rows, entries) float32
        Relative wind by table row and distance.
    zero_entry : float
        Entry of a table at its origin.
    """

    first_outline: NDArray[np.int64]
    first_edge: NDArray[np.int64]
    edges: NDArray[np.float64]
    height: NDArray[np.float64]
    profile: NDArray[np.int64]
    reach_h: NDArray[np.float64]
    windward_h: float
    step_h: float
    tables: NDArray[np.float32]
    zero_entry: float


class SitingRays(NamedTuple):
    """Rays of all wind directions.

    Parameters
    ----------
    steps : (rays, 2) float64
        Unit step downwind, columns and rows.
    direction : (rays,) int64
        Wind direction of each ray.
    share : (rays,) float64
        Weight of each ray.
    corner : (2,) int64
        Row and column of the first cell of the map in the whole raster.
    """

    steps: NDArray[np.float64]
    direction: NDArray[np.int64]
    share: NDArray[np.float64]
    corner: NDArray[np.int64]


class LandUse(NamedTuple):
    """Purposes, owners and places on the ground.

    Parameters
    ----------
    priority : (purposes, rows, cols) float32
        Weight of a full wind reduction for each purpose.
    owner : (rows, cols) int32
        Holding of each cell, -1 where public.
    holding : (lines,) int32
        Holding of each line.
    first : (cells + 1,) int64
        Index of the first place on each cell.
    place : (k,) int32
        Places on cells.
    weight : (k,) float32
        Weight of a full wind reduction on each of them.
    """

    priority: NDArray[np.float32]
    owner: NDArray[np.int32]
    holding: NDArray[np.int32]
    first: NDArray[np.int64]
    place: NDArray[np.int32]
    weight: NDArray[np.float32]


@kernel
def bands_along(lines, one, col_step, row_step):  # type: ignore[no-untyped-def]
    """Influence bands of one line along one ray."""
    begin, end = lines.first_outline[one], lines.first_outline[one + 1]
    first = lines.first_edge[begin : end + 1] - lines.first_edge[begin]
    edges = lines.edges[lines.first_edge[begin] : lines.first_edge[end]]
    strips, first_strip = belt_strips(edges, first, col_step, row_step)
    n = strips.shape[0]
    height, profile, reach_h = np.empty(n), np.empty(n, np.int64), np.empty(n)
    for i in range(end - begin):
        for s in range(first_strip[i], first_strip[i + 1]):
            height[s], profile[s] = lines.height[begin + i], lines.profile[begin + i]
            reach_h[s] = lines.reach_h[profile[s]]
    settings = BandSettings(lines.windward_h, lines.step_h, False)
    return influence_bands(strips, profile, height, reach_h, settings)


@kernel
def window(geometry, col_step, row_step, corner, shape):  # type: ignore[no-untyped-def]
    """First and last row and column of the map that some bands of one ray can cover."""
    top, bottom, left, right = FAR, -FAR, FAR, -FAR
    for s in range(geometry.shape[0]):
        one, other = row_range(geometry, s, col_step, row_step)
        top, bottom = min(top, one), max(bottom, other)
        one, other = col_range(geometry, s, col_step, row_step)
        left, right = min(left, one), max(right, other)
    rows = max(int(top) - corner[0], 0), min(int(bottom) - corner[0], shape[0])
    cols = max(int(left) - corner[1], 0), min(int(right) - corner[1], shape[1])
    return rows[0], max(rows[0], rows[1]), cols[0], max(cols[0], cols[1])


# Sums may be formed in any order, so that they use vector instructions; missing values remain.
@kernel(fastmath={"reassoc", "nsz"})
def _lost(before, after, weight):  # type: ignore[no-untyped-def]
    """Weighted sum of the wind reduction along a row."""
    total = np.float32(0)
    for j in range(before.size):
        total += weight[j] * (before[j] - after[j])
    return total


@kernel(fastmath={"reassoc", "nsz"})
def _lost_where_windy(before, after, weight, windy):  # type: ignore[no-untyped-def]
    """The same with a second weight."""
    total = np.float32(0)
    for j in range(before.size):
        total += weight[j] * windy[j] * (before[j] - after[j])
    return total


@kernel
def copy_row(source, target):  # type: ignore[no-untyped-def]
    """Copy part of a row; about three times as fast as indexing the whole array in the loop."""
    for j in range(target.size):
        target[j] = source[j]


@kernel
def with_line(lines, one, wind, rays, ray, memory, spans):  # type: ignore[no-untyped-def]
    """Relative wind with a line in the window it influences along one ray; and the memory."""
    col_step, row_step, corner = rays.steps[ray, 0], rays.steps[ray, 1], rays.corner
    geometry, rows = bands_along(lines, one, col_step, row_step)
    shape = (wind.shape[1], wind.shape[2])
    top, bottom, left, right = window(geometry, col_step, row_step, corner, shape)
    high, wide = bottom - top, right - left
    if memory.size < high * wide:
        memory = np.empty(2 * high * wide, np.float32)
    field = memory[: high * wide].reshape((1, high, wide))
    for i in range(high):
        copy_row(wind[ray, top + i, left:right], field[0, i])
    view = View(col_step, row_step, corner[0] + top, corner[1] + left)
    profiles = Profiles(lines.tables, lines.zero_entry, False)
    lower_window(geometry, rows, 0, geometry.shape[0], view, profiles, spans, field)
    return field[0], top, left, memory


def gains(
    lines: CandidateLines,
    which: NDArray[np.int64],
    wind: NDArray[np.float32],
    rays: SitingRays,
    priority: NDArray[np.float32],
    windy: NDArray[np.float32],
    out: NDArray[np.float64],
) -> None:
    """Benefit that each of some lines alone would add to the existing shelter.

    Parameters
    ----------
    lines : CandidateLines
    which : (w,) int64
        Lines to evaluate.
    wind : (rays, rows, cols) float32
        Relative wind without these lines.
    rays : SitingRays
    priority : (rows, cols) float32
        Weight of a full wind reduction on each cell.
    windy : (0 or directions, rows, cols) float32
        Additional factor on it in each wind direction.
    out : (w, directions) float64
        Filled with Σ share × priority × wind reduction.
    """
    given = (CandidateLines(*lines), which, wind, SitingRays(*rays), priority, windy, out)
    _by_lots(lambda begin, end: _gains(begin, end, *given), which.size)


def _by_lots(work: Callable[[int, int], Any], count: int) -> None:
    """Call `work` with the first line of every lot and the one after its last."""
    lots = 1 if count <= FEW else min(count, LOTS)
    bounds = [lot * count // lots for lot in range(lots + 1)]
    map_threads(lambda lot: work(bounds[lot], bounds[lot + 1]), range(lots))


@kernel(nogil=True)
def _gains(begin, end, lines, which, wind, rays, priority, windy, out):  # type: ignore[no-untyped-def]
    memory, none, no_box = np.empty(1, np.float32), np.empty((0, 0), np.float32), (0, 0, 0, 0)
    spans = empty_spans()
    out[begin:end] = 0.0
    for ray in range(rays.steps.shape[0]):
        for i in range(begin, end):
            memory = _one_gain(
                lines,
                which[i],
                wind,
                rays,
                ray,
                priority,
                windy,
                memory,
                spans,
                out,
                i,
                no_box,
                none,
            )


@kernel
def _one_gain(  # type: ignore[no-untyped-def]
    lines, one, wind, rays, ray, priority, windy, memory, spans, out, place, box, seen
):
    """Add the benefit along one ray to `out`, and reductions to `seen` if it has cells."""
    field, top, left, memory = with_line(lines, one, wind, rays, ray, memory, spans)
    toward, right = rays.direction[ray], left + field.shape[1]
    total, part = 0.0, np.float32(rays.share[ray])
    for i in range(field.shape[0]):
        row = top + i
        before = wind[ray, row, left:right]
        total += row_lost(before, field[i], row, left, toward, priority, windy)
        if seen.size:
            spot = seen[row - box[0], left - box[2] : right - box[2]]
            if windy.shape[0]:
                _add_windy(before, field[i], part, windy[toward, row, left:right], spot)
            else:
                _add(before, field[i], part, spot)
    out[place, toward] += rays.share[ray] * total
    return memory


@kernel
def row_lost(before, after, row, left, toward, priority, windy):  # type: ignore[no-untyped-def]
    """Weighted sum of the wind reduction along part of a row of the map."""
    right = left + before.size
    weight = priority[row, left:right]
    if windy.shape[0]:
        return _lost_where_windy(before, after, weight, windy[toward, row, left:right])
    return _lost(before, after, weight)


@kernel
def _add(before, after, part, spot):  # type: ignore[no-untyped-def]
    for j in range(before.size):
        spot[j] += part * (before[j] - after[j])


@kernel
def _add_windy(before, after, part, more, spot):  # type: ignore[no-untyped-def]
    for j in range(before.size):
        spot[j] += part * more[j] * (before[j] - after[j])


def served(
    lines: CandidateLines,
    which: NDArray[np.int64],
    wind: NDArray[np.float32],
    rays: SitingRays,
    total: NDArray[np.float32],
    windy: NDArray[np.float32],
    ground: LandUse,
    out: NDArray[np.float64],
    parts: NDArray[np.float64],
    by_place: NDArray[np.float64],
) -> None:
    """Benefit that each of some lines alone would add, by purpose, owner and place.

    Parameters
    ----------
    lines, which, wind, rays, windy, out
        As for `gains`, with `total` in place of `priority`.
    ground : LandUse
    parts : (w, purposes, 3) float64
        Filled with the benefit on the own holding, on holdings of neighbours and on public land.
    by_place : (w, places) float64
        Filled with the benefit on each place.
    """
    given = (CandidateLines(*lines), which, wind, SitingRays(*rays), total, windy)
    filled = (LandUse(*ground), out, parts, by_place)
    _by_lots(lambda begin, end: _served(begin, end, *given, *filled), which.size)


@kernel(nogil=True)
def _served(  # type: ignore[no-untyped-def]
    begin, end, lines, which, wind, rays, total, windy, ground, out, parts, by_place
):
    memory, loss, spans = np.empty(1, np.float32), np.empty(1, np.float32), empty_spans()
    out[begin:end], parts[begin:end], by_place[begin:end] = 0.0, 0.0, 0.0
    shape = (wind.shape[1], wind.shape[2])
    for i in range(begin, end):
        box = _box(lines, which[i], rays.corner, shape)
        high, wide = box[1] - box[0], box[3] - box[2]
        if loss.size < high * wide:
            loss = np.empty(2 * high * wide, np.float32)
        seen = loss[: high * wide].reshape((high, wide))
        seen[:] = np.float32(0)
        for ray in range(rays.steps.shape[0]):
            memory = _one_gain(
                lines, which[i], wind, rays, ray, total, windy, memory, spans, out, i, box, seen
            )
        _share_out(seen, box, ground, ground.holding[which[i]], parts[i], by_place[i])


@kernel
def boxes(lines, corner, shape):  # type: ignore[no-untyped-def]
    """For each line a window of the map that contains all cells it can influence.

    Parameters
    ----------
    lines : CandidateLines
    corner : (2,) int64
        Row and column of the first cell of the map in the whole raster.
    shape : (int, int)
        Rows and columns of the map.

    Returns
    -------
    (lines, 4) int64
        First row, the one after the last, first column, and the one after the last.
    """
    found = np.empty((lines.first_outline.size - 1, 4), np.int64)
    for one in range(found.shape[0]):
        found[one, 0], found[one, 1], found[one, 2], found[one, 3] = _box(lines, one, corner, shape)
    return found


@kernel
def _box(lines, one, corner, shape):  # type: ignore[no-untyped-def]
    """A window of the map that contains all cells one line can influence along any ray."""
    edges, first_edge = lines.edges, lines.first_edge
    top, bottom, left, right = FAR, -FAR, FAR, -FAR
    for i in range(lines.first_outline[one], lines.first_outline[one + 1]):
        far = lines.height[i] * max(lines.reach_h[lines.profile[i]], lines.windward_h) + 1.0
        for e in range(first_edge[i], first_edge[i + 1]):
            left, right = min(left, edges[e, 0] - far), max(right, edges[e, 0] + far)
            top, bottom = min(top, edges[e, 1] - far), max(bottom, edges[e, 1] + far)
    first_row, first_col = max(int(top) - corner[0] - 1, 0), max(int(left) - corner[1] - 1, 0)
    return (
        first_row,
        max(first_row, min(int(bottom) - corner[0] + 2, shape[0])),
        first_col,
        max(first_col, min(int(right) - corner[1] + 2, shape[1])),
    )


@kernel
def _share_out(seen, box, ground, mine, parts, by_place):  # type: ignore[no-untyped-def]
    """Add the reduction on each cell to the sums by purpose, owner and place."""
    priority, owner, first = ground.priority, ground.owner, ground.first
    for i in range(seen.shape[0]):
        row = box[0] + i
        for j in range(seen.shape[1]):
            loss = seen[i, j]
            if loss <= 0:
                continue
            col = box[2] + j
            whose = 2 if owner[row, col] == -1 else (0 if owner[row, col] == mine else 1)
            for p in range(priority.shape[0]):
                parts[p, whose] += priority[p, row, col] * loss
            cell = row * owner.shape[1] + col
            for k in range(first[cell], first[cell + 1]):
                by_place[ground.place[k]] += ground.weight[k] * loss
