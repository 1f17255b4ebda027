"""What lines would add to the shelter that stands, ray by ray.

The wind over the ground is kept for every ray apart. A line is laid, by the very spans that lay
belts, on a copy of the small window it reaches; what the window loses there is what it adds.
Windows are worked out line by line and ray by ray, so that nothing depends on threads.
"""

from __future__ import annotations

import numpy as np
from numba import prange

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.downwind import lower_window, raise_window
from shelterscape.kernels.paints import FAR, col_range, paints_of, row_range
from shelterscape.kernels.strips import strips_of

LOTS = 64
"""Lots into which lines are dealt, each with a window of its own to work in. Lines of one lot
should lie near each other, so that the ground they share stays close to the processor."""


@kernel(parallel=True)
def ray_by_ray(paints, rows, first, jets, strength, first_jet, tables, zero_entry, rays, wind):  # type: ignore[no-untyped-def]
    """Relative wind beside belts along each ray alone.

    Parameters
    ----------
    paints, rows, jets, strength, tables, zero_entry
        As for `kernels.downwind.add_rays`, of one case.
    first, first_jet : (rays + 1,) int64
        Where those of each ray begin.
    rays : tuple
        ``steps`` (rays, 2), ``corner`` (2,) and whether belts multiply, as there.
    wind : (rays, rows, cols) float32
        Filled.
    """
    steps, corner, product = rays
    for ray in prange(steps.shape[0]):
        here = wind[ray : ray + 1]
        here[:] = np.float32(1)
        mine = slice(first[ray], first[ray + 1])
        lower_window(
            paints[mine], rows[mine], tables, zero_entry, steps[ray], corner, product, here
        )
        mine = slice(first_jet[ray], first_jet[ray + 1])
        raise_window(jets[mine], strength[:, mine], steps[ray], corner, here)


@kernel
def _paints_along(lines, one, step):  # type: ignore[no-untyped-def]
    """Paints of one line along one ray."""
    first_outline, first_edge, edges, height, look, reach_h, windward_h, step_h, _, _ = lines
    begin, end = first_outline[one], first_outline[one + 1]
    first = first_edge[begin : end + 1]
    strips, first_strip = strips_of(edges[first[0] : first[-1]], first - first[0], step)
    heights, looks = np.empty(len(strips)), np.empty(len(strips), np.int64)
    for i in range(end - begin):
        heights[first_strip[i] : first_strip[i + 1]] = height[begin + i]
        looks[first_strip[i] : first_strip[i + 1]] = look[begin + i]
    return paints_of(strips, looks, heights, reach_h[looks], windward_h, step_h, False)


@kernel
def _window(paints, step, corner, shape):  # type: ignore[no-untyped-def]
    """First and last row and column of the map that some paints of one ray can reach."""
    top, bottom, left, right = FAR, -FAR, FAR, -FAR
    for s in range(paints.shape[0]):
        one, other = row_range(paints[s], step[0], step[1])
        top, bottom = min(top, one), max(bottom, other)
        one, other = col_range(paints[s], step[0], step[1])
        left, right = min(left, one), max(right, other)
    rows = max(int(top) - corner[0], 0), min(int(bottom) - corner[0], shape[0])
    cols = max(int(left) - corner[1], 0), min(int(right) - corner[1], shape[1])
    return rows[0], max(rows[0], rows[1]), cols[0], max(cols[0], cols[1])


# Sums may be taken in any order, so that they run on vector instructions; missing values stay.
@kernel(fastmath={"reassoc", "nsz"})
def _lost(before, after, weight):  # type: ignore[no-untyped-def]
    """Weighted sum of what a row loses."""
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
def _laid(lines, one, wind, step, corner, room):  # type: ignore[no-untyped-def]
    """The window one line reaches along one ray, as it would stand with the line; and the room."""
    paints, rows = _paints_along(lines, one, step)
    top, bottom, left, right = _window(paints, step, corner, wind.shape)
    high, wide = bottom - top, right - left
    if room.size < high * wide:
        room = np.empty(2 * high * wide, np.float32)
    field = room[: high * wide].reshape((1, high, wide))
    for row in range(high):
        field[0, row] = wind[top + row, left:right]
    at = np.array((corner[0] + top, corner[1] + left))
    lower_window(paints, rows, lines[8], lines[9], step, at, False, field)
    return field[0], top, left, room


def _gains(lines, which, wind, rays, need, windy, out):  # type: ignore[no-untyped-def]
    """What each of some lines alone would add to what stands.

    Parameters
    ----------
    lines : tuple
        ``first_outline`` (n + 1,) and ``first_edge`` (m + 1,) int64, where the outlines of each
        line and the edges of each outline begin; ``edges`` (k, 4) float64, ends in cells;
        ``height`` (m,) float64, cells, and ``look`` (m,) int64; ``reach_h`` by look; how far to
        windward to paint and the spacing of the tables, belt heights; ``tables`` (1, rows,
        entries) float32 and the entry at the origin.
    which : (w,) int64
        Lines to work out.
    wind : (rays, rows, cols) float32
        Relative wind as it stands.
    rays : tuple
        ``steps`` (rays, 2) float64, unit step down the wind; ``direction`` (rays,) int64, the
        direction each stands for; ``share`` (rays,) float64, how much each counts; ``corner``
        (2,) int64, row and column of the map's first cell in the whole raster.
    need : (rows, cols) float32
        What a full loss of wind counts on each cell.
    windy : (0 or directions, rows, cols) float32
        How much more it counts there in each direction.
    out : (w, directions) float64
        Filled with Σ share × need × loss.
    """
    for lot in prange(LOTS):
        room, none, no_box = np.empty(1, np.float32), np.empty((0, 0), np.float32), (0, 0, 0, 0)
        begin, end = lot * which.size // LOTS, (lot + 1) * which.size // LOTS
        out[begin:end] = 0.0
        for ray in range(rays[0].shape[0]):
            for i in range(begin, end):
                room = _one_gain(
                    lines, which[i], wind[ray], rays, ray, need, windy, room, out[i], no_box, none
                )


gains = kernel(parallel=True)(_gains)
gains_alone = kernel(_gains)
"""The same on one thread, quicker for a line or two."""


@kernel
def _one_gain(  # type: ignore[no-untyped-def]
    lines, one, wind, rays, ray, need, windy, room, out, box, seen
):
    """Add the gain along one ray to `out`, and the loss of each cell of a box to `seen` if any."""
    steps, direction, share, corner = rays
    field, top, left, room = _laid(lines, one, wind, steps[ray], corner, room)
    toward, right = direction[ray], left + field.shape[1]
    total, part = 0.0, np.float32(share[ray])
    for i in range(field.shape[0]):
        row = top + i
        before = wind[row, left:right]
        total += _row_lost(before, field[i], row, left, toward, need, windy)
        if seen.size:
            spot = seen[row - box[0], left - box[2] : right - box[2]]
            if windy.shape[0]:
                _add_windy(before, field[i], part, windy[toward, row, left:right], spot)
            else:
                _add(before, field[i], part, spot)
    out[toward] += share[ray] * total
    return room


@kernel
def _row_lost(before, after, row, left, toward, need, windy):  # type: ignore[no-untyped-def]
    """Weighted sum of what a stretch of a row of the map loses."""
    right = left + before.size
    weight = need[row, left:right]
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


@kernel(parallel=True)
def served(lines, which, wind, rays, total, windy, ground, out, parts, by_place):  # type: ignore[no-untyped-def]
    """What some lines would add, each alone, and for what and for whom.

    Parameters
    ----------
    lines, which, wind, rays, windy, out
        As for `gains`, with `total` for its need.
    ground : tuple
        ``need`` (purposes, rows, cols) float32; ``owner`` (rows, cols) int32, the holding of each
        cell, -1 where public; ``mine`` (n,) int32, the holding of each line; ``first`` (cells + 1,)
        int64, ``place`` (k,) int32 and ``weight`` (k,) float32, places on each cell and what a full
        loss of wind counts there.
    parts : (w, purposes, 3) float64
        Filled with the loss on the own holding, on neighbours' and on public ground.
    by_place : (w, places) float64
        Filled with the loss on each place.
    """
    for lot in prange(LOTS):
        room = np.empty(1, np.float32)
        loss = np.empty(1, np.float32)
        for i in range(lot * which.size // LOTS, (lot + 1) * which.size // LOTS):
            out[i], parts[i], by_place[i] = 0.0, 0.0, 0.0
            box = _box(lines, which[i], rays[3], wind.shape[1:])
            high, wide = box[1] - box[0], box[3] - box[2]
            if loss.size < high * wide:
                loss = np.empty(2 * high * wide, np.float32)
            seen = loss[: high * wide].reshape((high, wide))
            seen[:] = np.float32(0)
            for ray in range(rays[0].shape[0]):
                room = _one_gain(
                    lines, which[i], wind[ray], rays, ray, total, windy, room, out[i], box, seen
                )  # fmt: skip
            _share_out(seen, box, ground, ground[2][which[i]], parts[i], by_place[i])


@kernel
def _box(lines, one, corner, shape):  # type: ignore[no-untyped-def]
    """A window of the map that holds all one line can reach along any ray."""
    first_outline, first_edge, edges, height, look, reach_h, windward_h, _, _, _ = lines
    top, bottom, left, right = FAR, -FAR, FAR, -FAR
    for i in range(first_outline[one], first_outline[one + 1]):
        far = height[i] * max(reach_h[look[i]], windward_h) + 1.0
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
    """Add the loss on each cell to whom and what it serves."""
    need, owner, _, first, place, weight = ground
    for i in range(seen.shape[0]):
        row = box[0] + i
        for j in range(seen.shape[1]):
            loss = seen[i, j]
            if loss <= 0:
                continue
            col = box[2] + j
            whose = 2 if owner[row, col] == -1 else (0 if owner[row, col] == mine else 1)
            for p in range(need.shape[0]):
                parts[p, whose] += need[p, row, col] * loss
            cell = row * owner.shape[1] + col
            for k in range(first[cell], first[cell + 1]):
                by_place[place[k]] += weight[k] * loss


@kernel
def plant(lines, one, wind, rays, need, windy, out):  # type: ignore[no-untyped-def]
    """Lay one line on what stands, keeping what was there.

    Parameters
    ----------
    lines, wind, rays, need, windy
        As for `gains`; `wind` is changed in place.
    one : int
    out : (directions,) float64
        Filled with what it adds, as `gains` would.

    Returns
    -------
    found : (rays, 4) int64
        First and last row and column of its window along each ray.
    saved : (k,) float32
        What stood in the windows, ray after ray.
    """
    steps, direction, share, corner = rays
    found = np.empty((steps.shape[0], 4), np.int64)
    saved, place = np.empty(1 << 16, np.float32), 0
    out[:] = 0.0
    for ray in range(steps.shape[0]):
        paints, rows = _paints_along(lines, one, steps[ray])
        top, bottom, left, right = _window(paints, steps[ray], corner, wind.shape[1:])
        found[ray] = np.array((top, bottom, left, right))
        wide = right - left
        if place + (bottom - top) * wide > saved.size:
            more = np.empty(2 * (place + (bottom - top) * wide), np.float32)
            more[:place] = saved[:place]
            saved = more
        for row in range(top, bottom):
            begin = place + (row - top) * wide
            saved[begin : begin + wide] = wind[ray, row, left:right]
        here = wind[ray : ray + 1]
        lower_window(paints, rows, lines[8], lines[9], steps[ray], corner, False, here)
        total = 0.0
        for row in range(top, bottom):
            before, after = saved[place : place + wide], wind[ray, row, left:right]
            total += _row_lost(before, after, row, left, direction[ray], need, windy)
            place += wide
        out[direction[ray]] += share[ray] * total
    return found, saved[:place].copy()


@kernel
def put_back(wind, found, saved):  # type: ignore[no-untyped-def]
    """Undo `plant`; lines come off in the reverse of the order they went on."""
    place = 0
    for ray in range(found.shape[0]):
        top, bottom, left, right = found[ray]
        for row in range(top, bottom):
            wind[ray, row, left:right] = saved[place : place + right - left]
            place += right - left
