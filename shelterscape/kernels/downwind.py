"""Relative wind on cells leeward, windward, inside and beside every belt.

Only cells that belts influence are visited: each influence band (see `kernels.influence`) covers
one span of columns in each row, found in closed form. Spans are calculated for many rows at once
with vector instructions, in rows and columns of the whole raster, so that a tile has the same
values as the whole.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.influence import (
    END,
    END_FULL_H,
    END_LENGTH_H,
    END_WIDTH_H,
    FAR,
    HIGH_AT,
    HIGH_SLOPE,
    LOW_AT,
    LOW_SLOPE,
    ORIGIN_AT,
    ORIGIN_SLOPE,
    PER_CELL,
    ROWS_PER_BLOCK,
    WEIGHT_AT,
    WEIGHT_SLOPE,
    RowBlocks,
    row_range,
)
from shelterscape.kernels.strips import LEFT, RIGHT

FLAT = 1e-12
"""Slope below which a line counts as parallel to a row of cells."""


class Bands(NamedTuple):
    """Influence bands of some rays, ray after ray.

    Parameters
    ----------
    geometry : (n, 11) float64
    rows : (n, 2) int64
        As `kernels.influence.influence_bands` returns them.
    blocks : RowBlocks
    """

    geometry: NDArray[np.float64]
    rows: NDArray[np.int64]
    blocks: RowBlocks


class EndZones(NamedTuple):
    """End-effect zones of some rays, ray after ray.

    Parameters
    ----------
    geometry : (n, 11) float64
        As `kernels.influence.end_effect_zones` returns them.
    rise : (cases, n) float32
        Largest rise of relative wind in each.
    blocks : RowBlocks
    """

    geometry: NDArray[np.float64]
    rise: NDArray[np.float32]
    blocks: RowBlocks


class Profiles(NamedTuple):
    """Tables of relative wind, and how the effects of several belts on one cell are combined.

    Parameters
    ----------
    tables : (cases, k, entries) float32
        Relative wind by table row and distance.
    zero_entry : float
        Entry of a table at its origin.
    product : bool
        Whether relative winds of several belts are multiplied; otherwise the smallest applies.
    """

    tables: NDArray[np.float32]
    zero_entry: float
    product: bool


class View(NamedTuple):
    """One ray over a window of the raster.

    Parameters
    ----------
    col_step, row_step : float
        Unit step downwind.
    row0, col0 : int
        Row and column of the first cell of the window in the whole raster.
    """

    col_step: float
    row_step: float
    row0: int
    col0: int


class Spans(NamedTuple):
    """Columns that a band covers in consecutive rows of the whole raster.

    Parameters
    ----------
    first, last : (rows,) int32
        First column, and the one after the last.
    start : (rows,) float64
        With `rise`: distance along the wind from the origin is rise * (col + .5) + start, cells.
    entry : (rows,) float32
        Table entry at the first column.
    """

    first: NDArray[np.int32]
    last: NDArray[np.int32]
    start: NDArray[np.float64]
    entry: NDArray[np.float32]


@kernel
def empty_spans():  # type: ignore[no-untyped-def]
    """Working memory for one thread."""
    n = ROWS_PER_BLOCK
    return Spans(np.empty(n, np.int32), np.empty(n, np.int32), np.empty(n), np.empty(n, np.float32))


@kernel(inline="always")
def _not_flat(rise):  # type: ignore[no-untyped-def]
    # A row parallel to a line is on one side of it; dividing by nearly zero puts the crossing far
    # off, on the correct side.
    return rise if abs(rise) > FLAT else FLAT


@kernel(error_model="numpy")
def _find_spans(geometry, s, view, zero_entry, top, count, spans):  # type: ignore[no-untyped-def]
    """Fill the spans of `count` rows from `top` on; return the change along the wind by column."""
    # Scalars and code without branches allow vector instructions.
    left, right = geometry[s, LEFT], geometry[s, RIGHT]
    low_at, low_slope = geometry[s, LOW_AT], geometry[s, LOW_SLOPE]
    high_at, high_slope = geometry[s, HIGH_AT], geometry[s, HIGH_SLOPE]
    origin_at, origin_slope = geometry[s, ORIGIN_AT], geometry[s, ORIGIN_SLOPE]
    per_cell, col_step, row_step = geometry[s, PER_CELL], view.col_step, view.row_step
    by_across = 1.0 / (-row_step if abs(row_step) > FLAT else -FLAT)
    by_low = 1.0 / _not_flat(col_step + low_slope * row_step)
    by_high = 1.0 / _not_flat(col_step + high_slope * row_step)
    rise = col_step + origin_slope * row_step
    first_is_low, last_is_high = by_low > 0, by_high > 0
    firsts, lasts, starts, entries = spans.first, spans.last, spans.start, spans.entry
    for i in range(count):
        y = (top + i) + 0.5
        shift = y * col_step - left  # across from the left end, at column 0
        along = y * row_step
        one, other = -shift * by_across, (right - y * col_step) * by_across
        low = (low_at + low_slope * shift - along) * by_low
        high = (high_at + high_slope * shift - along) * by_high
        first, last = (one, other) if one < other else (other, one)
        later, sooner = (low if low > first else first), (low if low < last else last)
        first, last = (later if first_is_low else first), (last if first_is_low else sooner)
        later, sooner = (high if high > first else first), (high if high < last else last)
        first, last = (first if last_is_high else later), (sooner if last_is_high else last)
        first = -FAR if first < -FAR else (FAR if first > FAR else first)
        last = -FAR if last < -FAR else (FAR if last > FAR else last)
        begin = np.ceil(first - 0.5)
        starts[i] = along - origin_at - origin_slope * shift
        firsts[i], lasts[i] = np.int32(begin), np.int32(np.ceil(last - 0.5))
        # Counted from the first column of the span, not of the tile, so that rounding is the same
        # in every tile.
        entries[i] = np.float32((rise * (begin + 0.5) + starts[i]) * per_cell + zero_entry)
    return rise


@kernel
def lower_by_band(geometry, rows, s, view, profiles, top, bottom, spans, field):  # type: ignore[no-untyped-def]
    """Reduce relative wind in a window by one influence band.

    Parameters
    ----------
    geometry, rows
        As in `Bands`.
    s : int
        Number of the band.
    view : View
        Window of `field`.
    profiles : Profiles
    top, bottom : int
        First row, and the one after the last, of the whole raster to process, within `field`.
    spans : Spans
        Working memory.
    field : (cases, rows, cols) float32
        Changed in place.
    """
    tables = profiles.tables
    weight_at, weight_slope = geometry[s, WEIGHT_AT], geometry[s, WEIGHT_SLOPE]
    simple = weight_at == 0 and weight_slope == 0 and not profiles.product
    for begin in range(top, bottom, ROWS_PER_BLOCK):
        count = min(ROWS_PER_BLOCK, bottom - begin)
        rise = _find_spans(geometry, s, view, profiles.zero_entry, begin, count, spans)
        per_col = np.float32(rise * geometry[s, PER_CELL])
        for c in range(field.shape[0]):
            part, table = field[c, begin - view.row0 :], tables[c, rows[s, 0]]
            if simple:
                _lower(part, table, count, view.col0, spans, per_col)
            else:
                weight = (weight_at, weight_slope, geometry[s, LEFT], profiles.product)
                other = tables[c, rows[s, 1]]
                _lower_mixed(part, table, other, begin, count, view, spans, per_col, weight)


@kernel(inline="always")
def _in_table(entry, table):  # type: ignore[no-untyped-def]
    # The last entry is 1 like the one before it, so this bound changes no value.
    top = np.float32(table.size - 2)
    entry = entry if entry > np.float32(0) else np.float32(0)
    return entry if entry < top else top


@kernel(inline="always")
def _at(table, entry):  # type: ignore[no-untyped-def]
    # An unsigned index avoids the test for indices counted from the end.
    whole = np.int32(entry)
    k = np.uint64(np.uint32(whole))
    low = table[k]
    return low + (entry - np.float32(whole)) * (table[k + np.uint64(1)] - low)


@kernel
def _lower(field, table, count, col0, spans, per_col):  # type: ignore[no-untyped-def]
    """Reduce relative wind in the spans of some rows by a profile."""
    for i in range(count):
        first = np.int64(spans.first[i])
        left, right = max(first, col0), min(np.int64(spans.last[i]), col0 + field.shape[1])
        if left >= right:
            continue
        cells, entry = field[i, left - col0 : right - col0], spans.entry[i]
        skip = np.int32(left - first)
        for j in range(cells.size):
            r = _at(table, _in_table(entry + per_col * np.float32(np.int32(j) + skip), table))
            here = cells[j]
            cells[j] = r if r < here else here


@kernel
def _lower_mixed(field, one, other, top, count, view, spans, per_col, weight):  # type: ignore[no-untyped-def]
    """The same for a mix of two profiles with a weight that changes along the row, or a product."""
    weight_at, weight_slope, edge, product = weight
    slope = np.float32(-weight_slope * view.row_step)
    for i in range(count):
        first = np.int64(spans.first[i])
        left = max(first, view.col0)
        right = min(np.int64(spans.last[i]), view.col0 + field.shape[1])
        if left >= right:
            continue
        cells = field[i, left - view.col0 : right - view.col0]
        entry, skip = spans.entry[i], np.int32(left - first)
        across = (top + i + 0.5) * view.col_step - (first + 0.5) * view.row_step - edge
        share_at = np.float32(weight_at + weight_slope * across)
        for j in range(cells.size):
            place = np.float32(np.int32(j) + skip)
            at = _in_table(entry + per_col * place, one)
            share = share_at + slope * place
            share = share if share > np.float32(0) else np.float32(0)
            share = share if share < np.float32(1) else np.float32(1)
            low = _at(one, at)
            r = low + share * (_at(other, at) - low)
            here = cells[j]
            lower = r if r < here else here
            cells[j] = here * r if product else lower


@kernel
def raise_by_zone(geometry, rise_by_case, s, view, top, bottom, spans, field):  # type: ignore[no-untyped-def]
    """Raise relative wind in a window beside one end of a belt, where no belt shelters.

    Parameters
    ----------
    geometry, rise_by_case
        As in `EndZones`.
    s : int
        Number of the zone.
    view, top, bottom, spans, field
        As for `lower_by_band`.
    """
    per_cell, end = geometry[s, PER_CELL], geometry[s, END]
    for begin in range(top, bottom, ROWS_PER_BLOCK):
        count = min(ROWS_PER_BLOCK, bottom - begin)
        rise = _find_spans(geometry, s, view, 0.0, begin, count, spans)
        for i in range(count):
            row, start = begin + i, spans.start[i]
            left = max(np.int64(spans.first[i]), view.col0)
            right = min(np.int64(spans.last[i]), view.col0 + field.shape[2])
            y = row + 0.5
            for col in range(left, right):
                x = col + 0.5
                along = (rise * x + start) * per_cell
                aside = abs(y * view.col_step - x * view.row_step - end) * per_cell
                fade = min((END_LENGTH_H - along) / (END_LENGTH_H - END_FULL_H), 1.0)
                share = max(1.0 - aside / END_WIDTH_H, 0.0) * max(fade, 0.0)
                for c in range(field.shape[0]):
                    r = np.float32(1.0 + rise_by_case[c, s] * share)
                    here = field[c, row - view.row0, col - view.col0]
                    if here >= 1 and r > here:
                        field[c, row - view.row0, col - view.col0] = r


@kernel(nogil=True)
def add_wind_reduction(first, last, bands, zones, profiles, steps, corner, out):  # type: ignore[no-untyped-def]
    """Add the mean wind reduction over some rays to rows `first` to `last` − 1 of `out`.

    Where several belts act on a cell the smallest relative wind applies, so their order has no
    effect. Ends make a cell windier only where no belt shelters it.

    Parameters
    ----------
    first, last : int
        Rows of `out`; `first` is a multiple of `ROWS_PER_BLOCK`.
    bands : Bands
    zones : EndZones
    profiles : Profiles
    steps : (rays, 2) float64
        Unit step downwind of each ray, columns and rows.
    corner : (2,) int64
        Row and column of the first cell of `out` in the whole raster.
    out : (cases, rows, cols) float32
        Changed in place.
    """
    spans = empty_spans()
    cases, cols = out.shape[0], out.shape[2]
    field = np.ones((cases, ROWS_PER_BLOCK, cols), np.float32)
    share, one = np.float32(1 / steps.shape[0]), np.float32(1)
    for begin in range(first, last, ROWS_PER_BLOCK):
        count = min(ROWS_PER_BLOCK, last - begin)
        for ray in range(steps.shape[0]):
            view = View(steps[ray, 0], steps[ray, 1], corner[0] + begin, corner[1])
            _change_block(bands, zones, profiles, view, ray, begin, count, spans, field)
            for c in range(cases):
                for i in range(count):
                    total, row = out[c, begin + i], field[c, i]
                    for j in range(cols):
                        total[j] += share * (one - row[j])
                        row[j] = one  # ready for the next ray while it is in cache


@kernel
def _change_block(bands, zones, profiles, view, ray, begin, count, spans, field):  # type: ignore[no-untyped-def]
    """Apply the bands and zones of one ray to a block of rows."""
    block = begin // ROWS_PER_BLOCK
    blocks, end = bands.blocks, view.row0 + count
    for k in range(blocks.first[ray, block], blocks.first[ray, block + 1]):
        s = blocks.listed[k]
        top, bottom = max(view.row0, blocks.extents[s, 0]), min(end, blocks.extents[s, 1])
        lower_by_band(bands.geometry, bands.rows, s, view, profiles, top, bottom, spans, field)
    blocks = zones.blocks
    for k in range(blocks.first[ray, block], blocks.first[ray, block + 1]):
        s = blocks.listed[k]
        top, bottom = max(view.row0, blocks.extents[s, 0]), min(end, blocks.extents[s, 1])
        raise_by_zone(zones.geometry, zones.rise, s, view, top, bottom, spans, field)


@kernel
def lower_window(geometry, rows, begin, end, view, profiles, spans, field):  # type: ignore[no-untyped-def]
    """Reduce relative wind in a window by bands `begin` to `end` − 1 of one ray."""
    for s in range(begin, end):
        top, bottom = row_range(geometry, s, view.col_step, view.row_step)
        top, bottom = max(top, view.row0), min(bottom, view.row0 + field.shape[1])
        lower_by_band(geometry, rows, s, view, profiles, top, bottom, spans, field)


@kernel(nogil=True)
def wind_along_ray(bands, first, zones, first_zone, profiles, step, corner, ray, wind):  # type: ignore[no-untyped-def]
    """Relative wind beside belts along one ray.

    Parameters
    ----------
    bands, zones, profiles
        As for `add_wind_reduction`, of one case.
    first, first_zone : (rays + 1,) int64
        Index of the first band and zone of each ray.
    step : (2,) float64
    corner : (2,) int64
    ray : int
    wind : (rays, rows, cols) float32
        Filled for this ray.
    """
    here = wind[ray : ray + 1]
    here[:] = np.float32(1)
    spans, view = empty_spans(), View(step[0], step[1], corner[0], corner[1])
    begin, end = first[ray], first[ray + 1]
    lower_window(bands.geometry, bands.rows, begin, end, view, profiles, spans, here)
    for s in range(first_zone[ray], first_zone[ray + 1]):
        top, bottom = row_range(zones.geometry, s, view.col_step, view.row_step)
        top, bottom = max(top, view.row0), min(bottom, view.row0 + here.shape[1])
        raise_by_zone(zones.geometry, zones.rise, s, view, top, bottom, spans, here)
