"""From belts to cells: relative wind behind, before, inside and beside every belt.

The work follows the ground that belts reach and not the whole map: each paint (see
`kernels.paints`) is laid on one span of columns in closed form, row by row.
"""

from __future__ import annotations

import math

import numpy as np
from numba import prange

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.paints import (
    END,
    FAR,
    FLAT,
    HIGH_AT,
    HIGH_SLOPE,
    JET_FULL_H,
    JET_LENGTH_H,
    JET_WIDTH_H,
    LOW_AT,
    LOW_SLOPE,
    ORIGIN_AT,
    ORIGIN_SLOPE,
    PER_CELL,
    ROWS_PER_BAND,
    SHARE_AT,
    SHARE_SLOPE,
    row_range,
)
from shelterscape.kernels.strips import LEFT, RIGHT


@kernel(inline="always")
def _slant(paint, at, col_step, row_step):  # type: ignore[no-untyped-def]
    """How distance along the wind from a line of a paint grows with the column."""
    rise = col_step + paint[at + 1] * row_step
    # A row that runs along the line lies wholly to one side of it; dividing by next to nothing
    # puts the crossing far off, on the right side.
    return rise if abs(rise) > FLAT else FLAT


@kernel(inline="always")
def _spans(paint, col_step, row_step):  # type: ignore[no-untyped-def]
    """What the spans of all rows of a paint have in common."""
    across = -row_step if abs(row_step) > FLAT else -FLAT
    low = _slant(paint, LOW_AT, col_step, row_step)
    high = _slant(paint, HIGH_AT, col_step, row_step)
    origin = col_step + paint[ORIGIN_SLOPE] * row_step
    return 1.0 / across, 1.0 / low, 1.0 / high, origin


@kernel(inline="always")
def _row_span(row, p, spans, col_step, row_step):  # type: ignore[no-untyped-def]
    """Columns [first, last) of a row that a paint covers, and along = rise * (col + .5) + start
    counted from its origin."""
    by_across, by_low, by_high, rise = spans
    y = row + 0.5
    shift = y * col_step - p[LEFT]  # across from the left end, at column 0
    one, other = -shift * by_across, (p[RIGHT] - y * col_step) * by_across
    first, last = min(one, other), max(one, other)
    along = y * row_step
    low = (p[LOW_AT] + p[LOW_SLOPE] * shift - along) * by_low
    high = (p[HIGH_AT] + p[HIGH_SLOPE] * shift - along) * by_high
    if by_low > 0:
        first = max(first, low)
    else:
        last = min(last, low)
    if by_high > 0:
        last = min(last, high)
    else:
        first = max(first, high)
    first, last = min(max(first, -FAR), FAR), min(max(last, -FAR), FAR)
    start = along - p[ORIGIN_AT] - p[ORIGIN_SLOPE] * shift
    return math.ceil(first - 0.5), math.ceil(last - 0.5), rise, start


@kernel(parallel=True)
def add_rays(  # type: ignore[no-untyped-def]
    paints, rows, ray, sorted_paints, jets, strength, jet_ray, sorted_jets, tables, zero_entry,
    steps, corner, product, out,
):  # fmt: skip
    """Add the mean of what belts take off the wind over some rays to `out`.

    Where several belts act on a cell the smallest relative wind rules, so their order never
    matters; ends make it windier only where no belt shelters. Spans are worked out in the rows and
    columns of the whole raster: a tile gets the very values of the whole.

    Parameters
    ----------
    paints, rows : arrays
        As `paints_of` gives them, ray after ray.
    ray : (n,) int64
        The ray each paint belongs to.
    sorted_paints : tuple
        As `by_band` gives it for `out`.
    jets, strength, jet_ray, sorted_jets
        The same for `jets_of`, with the largest rise of wind by case and jet.
    tables : (cases, k, entries) float32
        Relative wind by table row and distance.
    zero_entry : float
        Entry of a table at its origin.
    steps : (rays, 2) float64
        Unit step down the wind of each ray, columns and rows.
    corner : (2,) int64
        Row and column of the first cell of `out` within the whole raster.
    product : bool
        Whether belts multiply instead, the hopeful alternative.
    out : (cases, rows, cols) float32
        Changed in place.
    """
    for band in prange(sorted_paints[1].size - 1):
        begin = band * ROWS_PER_BAND
        end = min(out.shape[1], begin + ROWS_PER_BAND)
        field = np.empty((out.shape[0], end - begin, out.shape[2]), np.float32)
        k, j = sorted_paints[1][band], sorted_jets[1][band]
        for now in range(steps.shape[0]):
            field[:] = np.float32(1)
            k = _paint_band(
                paints, rows, ray, sorted_paints, tables, zero_entry, steps[now], corner, product,
                field, band, k, now,
            )  # fmt: skip
            j = _jet_band(
                jets, strength, jet_ray, sorted_jets, steps[now], corner, field, band, j, now
            )
            for c in range(out.shape[0]):
                for row in range(begin, end):
                    _add_taken(out[c, row], field[c, row - begin], np.float32(1 / steps.shape[0]))


@kernel
def lower_window(paints, rows, tables, zero_entry, step, corner, product, field):  # type: ignore[no-untyped-def]
    """Lower the wind in a cut-out to what the paints of one ray leave of it.

    Parameters
    ----------
    paints, rows : arrays
        Of one ray, as `paints_of` gives them.
    tables, zero_entry, corner, product
        As for `add_rays`.
    step : (2,) float64
        Unit step down the wind, columns and rows.
    field : (cases, rows, cols) float32
        Changed in place.
    """
    for s in range(paints.shape[0]):
        spans = _spans(paints[s], step[0], step[1])
        top, last = row_range(paints[s], step[0], step[1])
        for row in range(max(0, top - corner[0]), min(field.shape[1], last - corner[0])):
            _paint_row(
                paints[s], spans, rows[s], tables, zero_entry, step, corner, product, row, field, 0
            )


@kernel
def raise_window(jets, strength, step, corner, field):  # type: ignore[no-untyped-def]
    """Raise the wind in a cut-out outside the ends of belts, after `lower_window`."""
    for s in range(jets.shape[0]):
        spans = _spans(jets[s], step[0], step[1])
        top, last = row_range(jets[s], step[0], step[1])
        for row in range(max(0, top - corner[0]), min(field.shape[1], last - corner[0])):
            _paint_jet(jets[s], spans, strength[:, s], step, corner, row, field, 0)


@kernel
def _paint_band(  # type: ignore[no-untyped-def]
    paints, rows, ray, sorted_paints, tables, zero_entry, step, corner, product, field, band, k, now
):
    """Paint what one ray does in a band of rows; returns where the next ray's paints begin."""
    ranges, first, listed = sorted_paints
    begin = band * ROWS_PER_BAND
    while k < first[band + 1] and ray[listed[k]] == now:
        s = listed[k]
        k += 1
        spans = _spans(paints[s], step[0], step[1])
        top, last = ranges[s, 0] - corner[0], ranges[s, 1] - corner[0]
        for row in range(max(begin, top), min(begin + field.shape[1], last)):
            _paint_row(
                paints[s], spans, rows[s], tables, zero_entry, step, corner, product, row, field,
                begin,
            )  # fmt: skip
    return k


@kernel
def _jet_band(jets, strength, jet_ray, sorted_jets, step, corner, field, band, j, now):  # type: ignore[no-untyped-def]
    """The same for the ground outside ends."""
    ranges, first, listed = sorted_jets
    begin = band * ROWS_PER_BAND
    while j < first[band + 1] and jet_ray[listed[j]] == now:
        s = listed[j]
        j += 1
        spans = _spans(jets[s], step[0], step[1])
        top, last = ranges[s, 0] - corner[0], ranges[s, 1] - corner[0]
        for row in range(max(begin, top), min(begin + field.shape[1], last)):
            _paint_jet(jets[s], spans, strength[:, s], step, corner, row, field, begin)
    return j


@kernel
def _add_taken(total, ray, weight):  # type: ignore[no-untyped-def]
    for col in range(total.size):
        total[col] += weight * (np.float32(1) - ray[col])


@kernel(inline="always")
def _paint_row(p, spans, rows, tables, zero_entry, step, corner, product, row, field, begin):  # type: ignore[no-untyped-def]
    first, last, rise, start = _row_span(row + corner[0], p, spans, step[0], step[1])
    left, right = max(first, corner[1]), min(last, corner[1] + field.shape[2])
    if left >= right:
        return
    # Counted from the span's own first column, never the tile's, so that rounding is the same in
    # every tile.
    entry0 = np.float32((rise * (first + 0.5) + start) * p[PER_CELL] + zero_entry)
    per_col = np.float32(rise * p[PER_CELL])
    place = (left - corner[1], right - left, np.int32(left - first), entry0, per_col)
    across = (row + corner[0] + 0.5) * step[0] - (first + 0.5) * step[1] - p[LEFT]
    share = (
        np.float32(p[SHARE_AT] + p[SHARE_SLOPE] * across),
        np.float32(-p[SHARE_SLOPE] * step[1]),
    )
    if field.shape[0] == 2 and not product and share[0] == 0 and share[1] == 0:
        _lower_two(field, row - begin, tables, rows[0], place)
        return
    for c in range(field.shape[0]):
        if product:
            _multiply(field, c, row - begin, tables, rows, share, place)
        elif share[0] != 0 or share[1] != 0:
            _lower_mixed(field, c, row - begin, tables, rows, share, place)
        else:
            _lower(field, c, row - begin, tables, rows[0], place)


@kernel(inline="always")
def _entry(tables, c, row, place):  # type: ignore[no-untyped-def]
    # The last entry is 1 like the one before it, so stopping there costs nothing.
    top = np.float32(tables.shape[2] - 2)
    place = place if place > np.float32(0) else np.float32(0)
    place = place if place < top else top
    k = np.int32(place)
    low = tables[c, row, k]
    return low + (place - np.float32(k)) * (tables[c, row, k + 1] - low)


@kernel(inline="always")
def _share(share, j):  # type: ignore[no-untyped-def]
    wood = share[0] + share[1] * np.float32(j)
    wood = wood if wood > np.float32(0) else np.float32(0)
    return wood if wood < np.float32(1) else np.float32(1)


@kernel
def _lower(field, c, i, tables, row, place):  # type: ignore[no-untyped-def]
    left, count, skip, entry0, per_col = place
    for j in range(np.int32(count)):
        r = _entry(tables, c, row, entry0 + per_col * np.float32(j + skip))
        here = field[c, i, left + j]
        field[c, i, left + j] = r if r < here else here


@kernel
def _lower_two(field, i, tables, row, place):  # type: ignore[no-untyped-def]
    """Both seasons at once, since finding the place in the table is half of the work."""
    left, count, skip, entry0, per_col = place
    top = np.float32(tables.shape[2] - 2)
    for j in range(np.int32(count)):
        at = entry0 + per_col * np.float32(j + skip)
        at = at if at > np.float32(0) else np.float32(0)
        at = at if at < top else top
        k = np.int32(at)
        w = at - np.float32(k)
        for c in range(2):
            low = tables[c, row, k]
            r = low + w * (tables[c, row, k + 1] - low)
            here = field[c, i, left + j]
            field[c, i, left + j] = r if r < here else here


@kernel
def _lower_mixed(field, c, i, tables, rows, share, place):  # type: ignore[no-untyped-def]
    left, count, skip, entry0, per_col = place
    for j in range(np.int32(count)):
        at = entry0 + per_col * np.float32(j + skip)
        one, two = _entry(tables, c, rows[0], at), _entry(tables, c, rows[1], at)
        r = one + _share(share, j + skip) * (two - one)
        here = field[c, i, left + j]
        field[c, i, left + j] = r if r < here else here


@kernel
def _multiply(field, c, i, tables, rows, share, place):  # type: ignore[no-untyped-def]
    left, count, skip, entry0, per_col = place
    for j in range(np.int32(count)):
        at = entry0 + per_col * np.float32(j + skip)
        one, two = _entry(tables, c, rows[0], at), _entry(tables, c, rows[1], at)
        field[c, i, left + j] *= one + _share(share, j + skip) * (two - one)


@kernel
def _paint_jet(jet, spans, strength, step, corner, row, field, begin):  # type: ignore[no-untyped-def]
    """Raise the wind outside an end in one row, where nothing shelters."""
    first, last, rise, start = _row_span(row + corner[0], jet, spans, step[0], step[1])
    left, right = max(first, corner[1]), min(last, corner[1] + field.shape[2])
    y = row + corner[0] + 0.5
    for col in range(left, right):
        x = col + 0.5
        along = (rise * x + start) * jet[PER_CELL]
        aside = abs(y * step[0] - x * step[1] - jet[END]) * jet[PER_CELL]
        fade = min((JET_LENGTH_H - along) / (JET_LENGTH_H - JET_FULL_H), 1.0)
        gust = max(1.0 - aside / JET_WIDTH_H, 0.0) * max(fade, 0.0)
        for c in range(field.shape[0]):
            r = np.float32(1.0 + strength[c] * gust)
            here = field[c, row - begin, col - corner[1]]
            if here >= 1 and r > here:
                field[c, row - begin, col - corner[1]] = r
