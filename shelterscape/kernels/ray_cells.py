"""Relative wind on selected cells for repeated draws of belt height and porosity.

The position of belts does not change between draws. So the relation of each strip of a belt (see
`kernels.strips`) to each cell is calculated once and kept as an entry: the distance along the wind
and the depth of the belt there. All lengths are in cells.
"""

from __future__ import annotations

import numpy as np

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.influence import (
    END,
    END_FULL_H,
    END_LENGTH_H,
    END_WIDTH_H,
    INSIDE,
    LOW_AT,
    ROWS_PER_PROFILE,
    WOOD,
    WOOD_FROM_H,
    WOOD_FULL_H,
)
from shelterscape.kernels.strips import IN_AT, IN_SLOPE, LEFT, OUT_AT, OUT_SLOPE

WITHIN = -1.0
"""Depth of an entry whose cell is inside the belt; its distance is from the windward face."""


@kernel(nogil=True)
def entries_of(strips, owner, span, leeward, windward, joined, across, along):  # type: ignore[no-untyped-def]
    """Entries of all strips of one ray.

    Parameters
    ----------
    strips : (n, 6) float64
        As `kernels.strips.belt_strips` returns them.
    owner : (n,) int64
        Belt of each strip.
    span : (n, 2) int64
        First cell, and the one after the last, between the edges of each strip across the wind.
    leeward, windward : (n,) float64
        Distance leeward and windward of each strip within which cells have entries.
    joined : bool
        Whether strips are of close belts that act as one: no cell is inside, none is a wood.
    across, along : (cells,) float64
        Position of each cell across and along the wind, sorted by `across`.

    Returns
    -------
    cell, belt : (k,) int32
        Number of the cell in that order, and its belt.
    distance, depth : (k,) float32
        Distance along the wind from the leeward face, or below 0 from the windward face; depth of
        the belt, or `WITHIN` for cells inside.
    """
    room, count = 1024, 0
    cell, belt = np.empty(room, np.int32), np.empty(room, np.int32)
    distance, depth = np.empty(room, np.float32), np.empty(room, np.float32)
    for s in range(strips.shape[0]):
        strip = strips[s]
        first, last = span[s]
        if count + last - first > room:
            room = 2 * (count + last - first)
            cell, belt = _grown(cell, room), _grown(belt, room)
            distance, depth = _grown(distance, room), _grown(depth, room)
        for c in range(first, last):
            shift = across[c] - strip[LEFT]
            begin = strip[IN_AT] + strip[IN_SLOPE] * shift
            end = strip[OUT_AT] + strip[OUT_SLOPE] * shift
            if along[c] < begin - windward[s] or along[c] >= end + leeward[s]:
                continue
            cell[count], belt[count] = c, owner[s]
            depth[count] = 0.0 if joined else end - begin
            if along[c] >= end:
                distance[count] = along[c] - end
            elif along[c] < begin:
                distance[count], depth[count] = along[c] - begin, 0.0
            elif joined:
                continue
            else:
                distance[count], depth[count] = along[c] - begin, WITHIN
            count += 1
    return cell[:count].copy(), belt[:count].copy(), distance[:count].copy(), depth[:count].copy()


@kernel
def _grown(array, room):  # type: ignore[no-untyped-def]
    more = np.empty(room, array.dtype)
    more[: array.size] = array
    return more


@kernel(nogil=True)
def end_entries_of(zones, span, extent, length, across, along):  # type: ignore[no-untyped-def]
    """Cells beside the ends of belts along one ray.

    Parameters
    ----------
    zones : (2 m, 11) float64
        As `kernels.influence.end_effect_zones` returns them, two for each belt.
    span : (2 m, 2) int64
        First cell, and the one after the last, of each across the wind.
    extent : (m,) float64
        How far each belt extends across the wind.
    length : (m,) float64
        How far behind an end cells are kept.
    across, along : (cells,) float64
        As for `entries_of`.

    Returns
    -------
    cell, belt : (k,) int32
    aside, behind, wide : (k,) float32
        Distance across and along the wind from the end, and the extent of the belt.
    """
    room, count = 256, 0
    cell, belt = np.empty(room, np.int32), np.empty(room, np.int32)
    aside, behind = np.empty(room, np.float32), np.empty(room, np.float32)
    for j in range(zones.shape[0]):
        one, end, at = j // 2, zones[j, END], zones[j, LOW_AT]
        first, last = span[j]
        if count + last - first > room:
            room = 2 * (count + last - first)
            cell, belt = _grown(cell, room), _grown(belt, room)
            aside, behind = _grown(aside, room), _grown(behind, room)
        for c in range(first, last):
            if at <= along[c] < at + length[one]:
                cell[count], belt[count] = c, one
                aside[count], behind[count] = abs(across[c] - end), along[c] - at
                count += 1
    belt = belt[:count].copy()
    return (
        cell[:count].copy(),
        belt,
        aside[:count].copy(),
        behind[:count].copy(),
        (extent[belt].astype(np.float32)),
    )


@kernel(inline="always")
def _entry(tables, row, place):  # type: ignore[no-untyped-def]
    place = min(max(place, np.float32(0)), np.float32(tables.shape[1] - 2))
    k = np.int32(place)
    low = tables[row, k]
    return low + (place - np.float32(k)) * (tables[row, k + 1] - low)


@kernel(nogil=True)
def look_up(slot, belt, distance, depth, height, look, tables, zero_entry, step_h, product, wind):  # type: ignore[no-untyped-def]
    """Relative wind of slots: the smallest over their entries, or the product.

    Parameters
    ----------
    slot, belt, distance, depth : (k,) arrays
        Slot of each entry, and the entry as `entries_of` returns it.
    height : (belts,) float64
        Belt heights.
    look : (belts,) int64
        Profile of each belt; a profile has three rows in `tables`.
    tables : (rows, entries) float32
        Relative wind by distance in belt heights; origin at `zero_entry`, spacing `step_h`.
    product : bool
        Whether relative winds of several belts are multiplied.
    wind : (slots,) float32
        Changed in place.
    """
    for e in range(slot.size):
        one = belt[e]
        row = ROWS_PER_PROFILE * look[one]
        place = np.float32(distance[e] / (height[one] * step_h) + zero_entry)
        if depth[e] == WITHIN:
            r = _entry(tables, row + INSIDE, place)
        else:
            r = _entry(tables, row, place)
            share = (depth[e] / height[one] - WOOD_FROM_H) / (WOOD_FULL_H - WOOD_FROM_H)
            if share > 0.0 and distance[e] >= 0.0:
                wood = _entry(tables, row + WOOD, place)
                r += np.float32(min(share, 1.0)) * (wood - r)
        if product:
            wind[slot[e]] *= r
        elif r < wind[slot[e]]:
            wind[slot[e]] = r


@kernel(nogil=True)
def raise_beside_ends(slot, belt, aside, behind, wide, height, rise, full_extent_h, wind):  # type: ignore[no-untyped-def]
    """Raise relative wind beside the ends of belts where no belt shelters, after `look_up`."""
    for e in range(slot.size):
        h = height[belt[e]]
        fade = min((END_LENGTH_H - behind[e] / h) / (END_LENGTH_H - END_FULL_H), 1.0)
        gust = max(1.0 - aside[e] / (h * END_WIDTH_H), 0.0) * max(fade, 0.0)
        extent = min(wide[e] / (h * full_extent_h), 1.0)
        r = np.float32(1.0 + rise[belt[e]] * extent * gust)
        if wind[slot[e]] >= 1 and r > wind[slot[e]]:
            wind[slot[e]] = r


@kernel(nogil=True)
def gains_in_cells(which, first, pair, lowered, wind, weight, out):  # type: ignore[no-untyped-def]
    """Benefit on selected cells that each of some lines would add to the existing belts.

    Parameters
    ----------
    which : (w,) int64
    first : (n + 1,) int64
        Index of the first slot of each line.
    pair : (slots,) int32
        Ray and cell of each slot.
    lowered : (slots,) float32
        Relative wind of each slot beside the line alone.
    wind, weight : (pairs,) float32 and float64
        Relative wind with the existing belts, and the weight of a full reduction.
    out : (w,) float64
        Filled.
    """
    for i in range(which.size):
        total = 0.0
        for s in range(first[which[i]], first[which[i] + 1]):
            lost = wind[pair[s]] - lowered[s]
            if lost > 0:
                total += weight[pair[s]] * lost
        out[i] = total


@kernel(nogil=True)
def plant_in_cells(first, last, pair, lowered, wind, weight):  # type: ignore[no-untyped-def]
    """Add one line; return the benefit it adds and the relative wind of its slots before."""
    before = np.empty(last - first, np.float32)
    total = 0.0
    for s in range(first, last):
        here = wind[pair[s]]
        before[s - first] = here
        if lowered[s] < here:
            total += weight[pair[s]] * (here - lowered[s])
            wind[pair[s]] = lowered[s]
    return total, before


@kernel(nogil=True)
def added_sums(which, first, pair, lowered_worth, worth, unit, group, out):  # type: ignore[no-untyped-def]
    """Sums over groups of pairs that each of some lines would add to the planted ones.

    Parameters
    ----------
    which, first, pair
        As for `gains_in_cells`.
    lowered_worth : (slots,) float32
        Worth of the wind beside the line alone, for one unit.
    worth : (pairs,) float32
        Worth of the wind with the planted lines, for one unit.
    unit : (pairs,) float64
    group : (pairs,) int64
        Group of each pair.
    out : (w, groups) float64
        Filled, in the order of the slots.
    """
    out[:] = 0.0
    for i in range(which.size):
        for s in range(first[which[i]], first[which[i] + 1]):
            p = pair[s]
            if lowered_worth[s] > worth[p]:
                out[i, group[p]] += unit[p] * lowered_worth[s] - unit[p] * worth[p]
