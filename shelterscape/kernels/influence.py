r"""Ground that belts influence: leeward, windward, inside and beside them, as influence bands.

A strip moved downwind covers an oblique band, which in each row of cells is one span::

            wind     left   right
             |         |______|      edge of the belt
             v         |     /|
                   ====|====/=|====  one row of cells: across within [left, right),
                       |   /  |      along within [low, high)
                       |__/___|

The geometry of each band, in float64: left, right, low_at, low_slope, high_at, high_slope,
origin_at, origin_slope, per_cell (profile entries per cell), and the weight of the second profile
at the left end with its slope across; the weight is limited to 0 to 1.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.strips import IN_AT, IN_SLOPE, LEFT, OUT_AT, OUT_SLOPE, RIGHT

ROWS_PER_BLOCK = 32
"""Rows processed together; their cells and profiles fit the level-2 cache of a core."""

FAR = 1e8
"""Represents no bound on a span, in cells."""

LOW_AT, LOW_SLOPE, HIGH_AT, HIGH_SLOPE, ORIGIN_AT, ORIGIN_SLOPE, PER_CELL = range(2, 9)
WEIGHT_AT, WEIGHT_SLOPE = 9, 10
GEOMETRY_COLUMNS = 11
END = WEIGHT_AT
"""End-effect zones have the position of the end in place of the weight of bands."""

BELT, WOOD, INSIDE = range(3)
ROWS_PER_PROFILE = 3
"""Table rows of each belt profile: leeward of a thin belt, leeward of a deep wood, and inside."""

WOOD_FROM_H, WOOD_FULL_H = 2.0, 5.0
"""Depth along the wind from which a belt acts partly as a wood, and fully as a wood."""

END_WIDTH_H, END_LENGTH_H, END_FULL_H = 2.0, 5.0, 3.0
"""Extent of an end-effect zone across and along the wind, and where its effect begins to fade."""


class BandSettings(NamedTuple):
    """Settings of all influence bands of a call.

    Parameters
    ----------
    windward_h : float
        Length of the bands windward of belts, belt heights.
    step_h : float
        Spacing of the profiles, belt heights.
    joined : bool
        Whether strips are of close belts that act as one. The open ground between them then does
        not count as inside, and their depth does not make a wood.
    """

    windward_h: float
    step_h: float
    joined: bool


class RowBlocks(NamedTuple):
    """Bands or zones of one ray, or of all rays, listed by block of rows.

    Parameters
    ----------
    extents : (n, 4) int64
        As `extents_of` returns them, ray after ray.
    first : (rays, blocks + 1) int64
        Index of the first entry of each block.
    listed : (k,) int64
        Numbers of bands by ray and block, in their order.
    """

    extents: NDArray[np.int64]
    first: NDArray[np.int64]
    listed: NDArray[np.int64]


@kernel(nogil=True)
def influence_bands(strips, profile, height, leeward_h, settings):  # type: ignore[no-untyped-def]
    """Influence bands of each strip: ground leeward of it, windward of it, and inside it.

    Neighbouring strips along the same edge of a belt share one band.

    Parameters
    ----------
    strips : (n, 6) float64
        As `kernels.strips.belt_strips` returns them.
    profile : (n,) int64
        Profile of the belt; its table rows begin at ``ROWS_PER_PROFILE * profile``.
    height : (n,) float64
        Belt height, cells.
    leeward_h : (n,) float64
        Length of the band leeward of each strip, belt heights.
    settings : BandSettings

    Returns
    -------
    geometry : (m, 11) float64
    rows : (m, 2) int64
        Two table rows to mix by the weight.
    """
    n = strips.shape[0]
    geometry, rows = np.empty((3 * n, GEOMETRY_COLUMNS)), np.empty((3 * n, 2), np.int64)
    count = np.int64(0)  # a literal 0 has another type, so callees would be compiled twice
    for s in range(n):
        h = height[s]
        _edge_band(
            strips,
            s,
            strips[s, OUT_AT],
            strips[s, OUT_SLOPE],
            0.0,
            leeward_h[s] * h,
            geometry,
            count,
        )
        geometry[count, PER_CELL] = 1.0 / (h * settings.step_h)
        if not settings.joined:
            _set_wood_weight(strips, s, h, geometry, count)
        rows[count, 0] = ROWS_PER_PROFILE * profile[s]
        rows[count, 1] = rows[count, 0] + WOOD
        count = _kept(geometry, rows, count)
    for s in range(n):
        h = height[s]
        _edge_band(
            strips,
            s,
            strips[s, IN_AT],
            strips[s, IN_SLOPE],
            -settings.windward_h * h,
            0.0,
            geometry,
            count,
        )
        geometry[count, PER_CELL] = 1.0 / (h * settings.step_h)
        rows[count, 0] = rows[count, 1] = ROWS_PER_PROFILE * profile[s]
        count = _kept(geometry, rows, count)
    if settings.joined:
        n = 0
    for s in range(n):
        _edge_band(strips, s, strips[s, IN_AT], strips[s, IN_SLOPE], 0.0, 0.0, geometry, count)
        geometry[count, HIGH_AT], geometry[count, HIGH_SLOPE] = (
            strips[s, OUT_AT],
            strips[s, OUT_SLOPE],
        )
        geometry[count, PER_CELL] = 1.0 / (height[s] * settings.step_h)
        rows[count, 0] = rows[count, 1] = ROWS_PER_PROFILE * profile[s] + INSIDE
        count += 1
    return geometry[:count].copy(), rows[:count].copy()


@kernel
def _edge_band(strips, s, at, slope, low, high, geometry, place):  # type: ignore[no-untyped-def]
    """Fill a row of the geometry: from `low` to `high` along the wind from an edge of a strip."""
    geometry[place, LEFT], geometry[place, RIGHT] = strips[s, LEFT], strips[s, RIGHT]
    geometry[place, ORIGIN_AT], geometry[place, ORIGIN_SLOPE] = at, slope
    geometry[place, LOW_AT], geometry[place, LOW_SLOPE] = at + low, slope
    geometry[place, HIGH_AT], geometry[place, HIGH_SLOPE] = at + high, slope
    geometry[place, WEIGHT_AT] = geometry[place, WEIGHT_SLOPE] = 0.0


@kernel
def _set_wood_weight(strips, s, height, geometry, place):  # type: ignore[no-untyped-def]
    """Set the degree to which a strip acts as a wood, from its depth along the wind."""
    per_depth = 1.0 / (height * (WOOD_FULL_H - WOOD_FROM_H))
    at = (strips[s, OUT_AT] - strips[s, IN_AT] - WOOD_FROM_H * height) * per_depth
    slope = (strips[s, OUT_SLOPE] - strips[s, IN_SLOPE]) * per_depth
    if at > 0 or at + slope * (strips[s, RIGHT] - strips[s, LEFT]) > 0:
        geometry[place, WEIGHT_AT], geometry[place, WEIGHT_SLOPE] = at, slope


@kernel
def _kept(geometry, rows, count):  # type: ignore[no-untyped-def]
    """Join band `count` to the one before if it continues that; return the number of bands."""
    if count == 0:
        return 1
    before, band = geometry[count - 1], geometry[count]
    meets = before[LOW_AT] + before[LOW_SLOPE] * (before[RIGHT] - before[LEFT])
    if (
        before[RIGHT] == band[LEFT]
        and before[LOW_SLOPE] == band[LOW_SLOPE]
        and before[PER_CELL] == band[PER_CELL]
        and before[WEIGHT_AT] == 0.0
        and before[WEIGHT_SLOPE] == 0.0
        and band[WEIGHT_AT] == 0.0
        and band[WEIGHT_SLOPE] == 0.0
        and rows[count - 1, 0] == rows[count, 0]
        and abs(meets - band[LOW_AT]) < 1e-6
    ):
        before[RIGHT] = band[RIGHT]
        return count
    return count + 1


@kernel
def row_range(geometry, s, col_step, row_step):  # type: ignore[no-untyped-def]
    """First row, and the one after the last, of the whole raster that a band can cover."""
    low, high = FAR, -FAR
    for bound in (LOW_AT, HIGH_AT):
        at, width = geometry[s, bound], geometry[s, RIGHT] - geometry[s, LEFT]
        one = at * row_step + geometry[s, LEFT] * col_step
        other = (at + geometry[s, bound + 1] * width) * row_step + geometry[s, RIGHT] * col_step
        low, high = min(low, min(one, other)), max(high, max(one, other))
    return math.floor(max(low, -FAR) - 0.5), math.ceil(min(high, FAR) + 0.5)


@kernel(inline="always")
def col_range(geometry, s, col_step, row_step):  # type: ignore[no-untyped-def]
    """The same for columns: the axes along and across the wind change places."""
    return row_range(geometry, s, -row_step, col_step)


@kernel(nogil=True)
def extents_of(geometry, col_step, row_step):  # type: ignore[no-untyped-def]
    """Rows and columns of the whole raster that each band of one ray can cover.

    Parameters
    ----------
    geometry : (n, 11) float64
    col_step, row_step : float
        Unit step downwind.

    Returns
    -------
    (n, 4) int64
        First row, the one after the last, first column, and the one after the last.
    """
    found = np.empty((geometry.shape[0], 4), np.int64)
    for s in range(geometry.shape[0]):
        found[s, 0], found[s, 1] = row_range(geometry, s, col_step, row_step)
        found[s, 2], found[s, 3] = col_range(geometry, s, col_step, row_step)
    return found


@kernel(nogil=True)
def list_by_rows(extents, corner, shape):  # type: ignore[no-untyped-def]
    """List the bands of one ray that can cover a window, by the blocks of rows they cover.

    Parameters
    ----------
    extents : (n, 4) int64
        As `extents_of` returns them.
    corner : (int, int)
        First row and column of the window in the whole raster.
    shape : (int, int)
        Rows and columns of the window.

    Returns
    -------
    first, listed
        As in `RowBlocks`, for one ray.
    """
    count = (shape[0] + ROWS_PER_BLOCK - 1) // ROWS_PER_BLOCK
    first = np.zeros(count + 1, np.int64)
    blocks = np.empty((extents.shape[0], 2), np.int64)
    for s in range(extents.shape[0]):
        top, bottom = max(extents[s, 0] - corner[0], 0), min(extents[s, 1] - corner[0], shape[0])
        beside = extents[s, 3] <= corner[1] or extents[s, 2] >= corner[1] + shape[1]
        blocks[s, 0], blocks[s, 1] = 0, 0
        if top < bottom and not beside:
            blocks[s, 0] = top // ROWS_PER_BLOCK
            blocks[s, 1] = (bottom - 1) // ROWS_PER_BLOCK + 1
        for block in range(blocks[s, 0], blocks[s, 1]):
            first[block + 1] += 1
    for block in range(count):
        first[block + 1] += first[block]
    listed, place = np.empty(first[count], np.int64), first.copy()
    for s in range(extents.shape[0]):
        for block in range(blocks[s, 0], blocks[s, 1]):
            listed[place[block]] = s
            place[block] += 1
    return first, listed


@kernel(nogil=True)
def end_effect_zones(edges, first_edge, height, col_step, row_step):  # type: ignore[no-untyped-def]
    """Ground beside both ends of each outline, where the wind is deflected around them.

    Parameters
    ----------
    edges, first_edge, col_step, row_step
        As for `kernels.strips.belt_strips`.
    height : (m,) float64
        Belt height, cells.

    Returns
    -------
    geometry : (2 m, 11) float64
        As of bands, with belt heights per cell in place of profile entries and the position of
        the end in place of the weight.
    extent_h : (m,) float64
        Extent of each outline across the wind, belt heights.
    """
    m = first_edge.size - 1
    geometry, extent_h = np.zeros((2 * m, GEOMETRY_COLUMNS)), np.empty(m)
    for i in range(m):
        left, left_along, right, right_along = FAR, 0.0, -FAR, 0.0
        for e in range(first_edge[i], first_edge[i + 1]):
            along = edges[e, 0] * col_step + edges[e, 1] * row_step
            across = edges[e, 1] * col_step - edges[e, 0] * row_step
            if across < left:
                left, left_along = across, along
            if across > right:
                right, right_along = across, along
        extent_h[i] = (right - left) / height[i]
        width = END_WIDTH_H * height[i]
        _end_zone(geometry, 2 * i, left, left_along, left - width, left, height[i])
        _end_zone(geometry, 2 * i + 1, right, right_along, right, right + width, height[i])
    return geometry, extent_h


@kernel
def _end_zone(geometry, place, end, along, left, right, height):  # type: ignore[no-untyped-def]
    geometry[place, LEFT], geometry[place, RIGHT] = left, right
    geometry[place, LOW_AT] = geometry[place, ORIGIN_AT] = along
    geometry[place, HIGH_AT] = along + END_LENGTH_H * height
    geometry[place, PER_CELL], geometry[place, END] = 1.0 / height, end
