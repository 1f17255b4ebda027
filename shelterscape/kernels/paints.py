r"""What belts act on: the ground behind, before, inside and beside them, as slanted bands.

A strip swept down the wind covers a slanted band, which in each row of cells is one span::

            wind     left   right
             |         |______|      edge of the belt
             v         |     /|
                   ====|====/=|====  one row of cells: across within [left, right),
                       |   /  |      along within [low, high)
                       |__/___|

Each paint, in float64: left, right, low_at, low_slope, high_at, high_slope, origin_at,
origin_slope, per_cell (table entries a cell), and the share of the second table row at the left end
with its slope across, to be kept within 0 and 1.
"""

from __future__ import annotations

import math

import numpy as np
from numba import prange

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.strips import IN_AT, IN_SLOPE, LEFT, OUT_AT, OUT_SLOPE, RIGHT

ROWS_PER_BAND = 16
FAR = 1e8
"""Stands for no bound on a span, in cells."""

FLAT = 1e-12
"""Slope below which a line counts as running along a row of cells."""

LOW_AT, LOW_SLOPE, HIGH_AT, HIGH_SLOPE, ORIGIN_AT, ORIGIN_SLOPE, PER_CELL = range(2, 9)
SHARE_AT, SHARE_SLOPE = 9, 10
PAINT_COLUMNS = 11
END = SHARE_AT
"""Jets keep the place of the end they start from where paints keep a share."""

BELT, WOOD, INSIDE = range(3)
ROWS_PER_LOOK = 3
"""Table rows of each look of a belt: a thin belt's curve, a deep wood's, and inside."""

BEFORE, BEHIND = 3, 4

WOOD_FROM_H, WOOD_FULL_H = 2.0, 5.0
"""Depth along the wind at which a belt begins to act as a wood, and does so wholly."""

JET_WIDTH_H, JET_LENGTH_H, JET_FULL_H = 2.0, 5.0, 3.0


@kernel(nogil=True)
def paints_of(strips, look, height, leeward_h, windward_h, step_h, joined):  # type: ignore[no-untyped-def]
    """What each strip paints: the ground behind it, before it, and inside it.

    Neighbouring strips that share an edge of the belt paint the ground beyond it in one piece.

    Parameters
    ----------
    strips : (n, 6) float64
        As `kernels.strips.strips_of` gives them.
    look : (n,) int64
        Look of the belt; its table rows begin at ``ROWS_PER_LOOK * look``.
    height : (n,) float64
        Belt height, in cells.
    leeward_h : (n,) float64
        How far behind each to paint, in belt heights.
    windward_h, step_h : float
        How far before, and spacing of the tables, in belt heights.
    joined : bool
        Whether the strips are of close belts taken together: then the open ground between them is
        no inside, and their depth makes no wood.

    Returns
    -------
    paints : (m, 11) float64
    rows : (m, 2) int64
        Two table rows to mix by the share.
    """
    n = strips.shape[0]
    paints = np.empty((3 * n, PAINT_COLUMNS))
    rows = np.empty((3 * n, 2), np.int64)
    count = 0
    for part in (BEHIND, BEFORE, INSIDE):
        if part == INSIDE and joined:
            continue
        for s in range(n):
            strip, h = strips[s], height[s]
            p = paints[count]
            p[LEFT], p[RIGHT] = strip[LEFT], strip[RIGHT]
            p[PER_CELL] = 1.0 / (h * step_h)
            p[SHARE_AT] = p[SHARE_SLOPE] = 0.0
            rows[count, 0] = rows[count, 1] = ROWS_PER_LOOK * look[s]
            if part == BEHIND:
                _reach(p, strip[OUT_AT], strip[OUT_SLOPE], 0.0, leeward_h[s] * h)
                if not joined:
                    _set_wood_share(p, strip, h)
                rows[count, 1] += WOOD
            elif part == BEFORE:
                _reach(p, strip[IN_AT], strip[IN_SLOPE], -windward_h * h, 0.0)
            else:
                _reach(p, strip[IN_AT], strip[IN_SLOPE], 0.0, 0.0)
                p[HIGH_AT], p[HIGH_SLOPE] = strip[OUT_AT], strip[OUT_SLOPE]
                rows[count] += INSIDE
            if part != INSIDE and count > 0 and _goes_on(paints[count - 1], p, rows, count):
                paints[count - 1, RIGHT] = p[RIGHT]
            else:
                count += 1
    return paints[:count].copy(), rows[:count].copy()


@kernel(inline="always")
def _reach(paint, at, slope, low, high):  # type: ignore[no-untyped-def]
    """From `low` to `high` along the wind from an edge."""
    paint[ORIGIN_AT], paint[LOW_AT], paint[HIGH_AT] = at, at + low, at + high
    paint[ORIGIN_SLOPE] = paint[LOW_SLOPE] = paint[HIGH_SLOPE] = slope


@kernel(inline="always")
def _set_wood_share(paint, strip, height):  # type: ignore[no-untyped-def]
    """How much a strip acts as a wood, by its depth along the wind from its left to its right."""
    per_depth = 1.0 / (height * (WOOD_FULL_H - WOOD_FROM_H))
    at = (strip[OUT_AT] - strip[IN_AT] - WOOD_FROM_H * height) * per_depth
    slope = (strip[OUT_SLOPE] - strip[IN_SLOPE]) * per_depth
    if at > 0 or at + slope * (strip[RIGHT] - strip[LEFT]) > 0:
        paint[SHARE_AT], paint[SHARE_SLOPE] = at, slope


@kernel(inline="always")
def _goes_on(before, paint, rows, count):  # type: ignore[no-untyped-def]
    """Whether a paint is the next piece of the one before it, off the same edge."""
    meets = before[LOW_AT] + before[LOW_SLOPE] * (before[RIGHT] - before[LEFT])
    return (
        before[RIGHT] == paint[LEFT]
        and before[LOW_SLOPE] == paint[LOW_SLOPE]
        and before[PER_CELL] == paint[PER_CELL]
        and before[SHARE_AT] == before[SHARE_SLOPE] == paint[SHARE_AT] == paint[SHARE_SLOPE] == 0.0
        and rows[count - 1, 0] == rows[count, 0]
        and abs(meets - paint[LOW_AT]) < 1e-6
    )


@kernel
def _corner_rows(p, low, col_step, row_step):  # type: ignore[no-untyped-def]
    """Rows of the two corners of a paint on one of its bounding lines."""
    along_left, width = p[low], p[RIGHT] - p[LEFT]
    along_right = along_left + p[low + 1] * width
    return (
        along_left * row_step + p[LEFT] * col_step,
        along_right * row_step + p[RIGHT] * col_step,
    )


@kernel
def row_range(paint, col_step, row_step):  # type: ignore[no-untyped-def]
    """First row, and the one after the last, in the whole raster, that a paint can reach."""
    a, b = _corner_rows(paint, LOW_AT, col_step, row_step)
    c, d = _corner_rows(paint, HIGH_AT, col_step, row_step)
    return (
        math.floor(max(min(min(a, b), min(c, d)), -FAR) - 0.5),
        math.ceil(min(max(max(a, b), max(c, d)), FAR) + 0.5),
    )


@kernel(inline="always")
def col_range(paint, col_step, row_step):  # type: ignore[no-untyped-def]
    """The same for columns: what lies across the wind on a row lies down it on a column."""
    return row_range(paint, -row_step, col_step)


@kernel(parallel=True)
def _row_ranges(paints, ray, steps):  # type: ignore[no-untyped-def]
    """First and last row, in the whole raster, that each paint can reach."""
    ranges = np.empty((paints.shape[0], 2), np.int64)
    for s in prange(paints.shape[0]):
        ranges[s, 0], ranges[s, 1] = row_range(paints[s], steps[ray[s], 0], steps[ray[s], 1])
    return ranges


@kernel
def by_band(paints, ray, steps, begin, rows):  # type: ignore[no-untyped-def]
    """Sort paints into bands of rows.

    Parameters
    ----------
    paints : (n, 11) float64
    ray : (n,) int64
        The ray each belongs to, rising.
    steps : (rays, 2) float64
        Unit step down the wind of each ray, columns and rows.
    begin, rows : int
        First row of a cut-out within the whole raster, and how many it has.

    Returns
    -------
    ranges : (n, 2) int64
        Rows each paint can reach.
    first : (bands + 1,) int64
        Where the list of each band begins.
    listed : array of int64
        Paints by band, in their order.
    """
    count = (rows + ROWS_PER_BAND - 1) // ROWS_PER_BAND
    ranges = _row_ranges(paints, ray, steps)
    first = np.zeros(count + 1, np.int64)
    for s in range(paints.shape[0]):
        low, high = max(ranges[s, 0] - begin, 0), min(ranges[s, 1] - begin, rows)
        if low < high:
            for band in range(low // ROWS_PER_BAND, (high - 1) // ROWS_PER_BAND + 1):
                first[band + 1] += 1
    for band in range(count):
        first[band + 1] += first[band]
    listed = np.empty(first[count], np.int64)
    place = first[:-1].copy()
    for s in range(paints.shape[0]):
        low, high = max(ranges[s, 0] - begin, 0), min(ranges[s, 1] - begin, rows)
        if low < high:
            for band in range(low // ROWS_PER_BAND, (high - 1) // ROWS_PER_BAND + 1):
                listed[place[band]] = s
                place[band] += 1
    return ranges, first, listed


@kernel(nogil=True)
def jets_of(edges, first_edge, height, step):  # type: ignore[no-untyped-def]
    """The ground outside both ends of each outline, where the wind is squeezed aside.

    Parameters
    ----------
    edges, first_edge, step
        As for `kernels.strips.strips_of`.
    height : (m,) float64
        Belt height, in cells.

    Returns
    -------
    jets : (2 m, 11) float64
        As paints, with belt heights a cell for table entries and the end itself for the share.
    extent_h : (m,) float64
        How far each outline stands across the wind, in belt heights.
    """
    m = first_edge.size - 1
    jets, extent_h = np.zeros((2 * m, PAINT_COLUMNS)), np.empty(m)
    for i in range(m):
        ends = np.array((FAR, 0.0, -FAR, 0.0))
        for e in range(first_edge[i], first_edge[i + 1]):
            along = edges[e, 0] * step[0] + edges[e, 1] * step[1]
            across = edges[e, 1] * step[0] - edges[e, 0] * step[1]
            if across < ends[0]:
                ends[0], ends[1] = across, along
            if across > ends[2]:
                ends[2], ends[3] = across, along
        extent_h[i] = (ends[2] - ends[0]) / height[i]
        width = JET_WIDTH_H * height[i]
        for side in range(2):
            jet, end, at = jets[2 * i + side], ends[2 * side], ends[2 * side + 1]
            jet[LEFT], jet[RIGHT] = end - (1 - side) * width, end + side * width
            jet[LOW_AT] = jet[ORIGIN_AT] = at
            jet[HIGH_AT] = at + JET_LENGTH_H * height[i]
            jet[PER_CELL], jet[END] = 1.0 / height[i], end
    return jets, extent_h
