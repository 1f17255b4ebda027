r"""Strips of belts along the wind: where each ray enters and leaves them.

With one axis along the wind, every outline is cut at its corners into strips. In a strip the wind
enters across one straight edge and leaves across another, so depth and distance are linear in the
position across the wind::

      wind
       |     |  strip |
       |     |________|   in   (along = in_at + in_slope * (across - left))
       v     |        |
             |________|   out
             left     right        --> across

Rows of a strip array: left, right, in_at, in_slope, out_at, out_slope; all in cells.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel

LEFT, RIGHT, IN_AT, IN_SLOPE, OUT_AT, OUT_SLOPE = range(6)

NARROW = 1e-6
"""A strip narrower than this, in cells, contains no cell centre."""

LONGEST_CHAIN = 4
"""Most belts that act together as one."""


class Neighbours(NamedTuple):
    """Outlines that may act together with others, and the conditions for it.

    Parameters
    ----------
    neighbours : (k,) int64
        Other outlines near each outline.
    first : (m + 1,) int64
        Index of the first neighbour of each outline.
    height : (m,) float64
        Belt height, cells.
    gap_h : float
        Widest gap along the wind, in heights of the lower belt.
    depth_h : float
        Greatest depth of each belt along the wind, in its own heights.
    """

    neighbours: NDArray[np.int64]
    first: NDArray[np.int64]
    height: NDArray[np.float64]
    gap_h: float
    depth_h: float


# Sorting functions of numba, and assignments to slices, take seconds to compile: hence loops.
@kernel
def _enlarged(rows, count, larger):  # type: ignore[no-untyped-def]
    """The first `count` rows in a larger array."""
    for i in range(count):
        for k in range(rows.shape[1]):
            larger[i, k] = rows[i, k]
    return larger


@kernel
def _sort(keys, places):  # type: ignore[no-untyped-def]
    """Sort places by their keys; the order of equal keys is arbitrary but fixed (Shell sort)."""
    n = places.size
    gap = 1
    while gap < n // 9:
        gap = 3 * gap + 1
    while gap > 0:
        for i in range(gap, n):
            place = places[i]
            j = i
            while j >= gap and keys[places[j - gap]] > keys[place]:
                places[j] = places[j - gap]
                j -= gap
            places[j] = place
        gap //= 3


@kernel(nogil=True)
def belt_strips(edges, first_edge, col_step, row_step):  # type: ignore[no-untyped-def]
    """Cut outlines into strips along one wind direction.

    Parameters
    ----------
    edges : (n, 4) float64
        Column and row of both ends of each edge, outline after outline.
    first_edge : (m + 1,) int64
        Index of the first edge of each outline.
    col_step, row_step : float
        Unit step downwind.

    Returns
    -------
    strips : (k, 6) float64
    first_strip : (m + 1,) int64
        Index of the first strip of each outline.
    """
    first_strip = np.zeros(first_edge.size, np.int64)
    strips = np.empty((4 * edges.shape[0] + 16, 6))
    count = np.int64(0)  # a literal 0 has another type, so callees would be compiled twice
    for outline in range(first_edge.size - 1):
        begin, end = first_edge[outline], first_edge[outline + 1]
        turned = np.empty((end - begin, 4))
        for e in range(begin, end):
            _turn(edges, e, col_step, row_step, turned, e - begin)
        strips, count = _cut(turned, strips, count)
        first_strip[outline + 1] = count
    return strips[:count].copy(), first_strip


@kernel
def _turn(edges, e, col_step, row_step, turned, place):  # type: ignore[no-untyped-def]
    """One edge as (across, along) of its left end, then of its right end."""
    along_a = edges[e, 0] * col_step + edges[e, 1] * row_step
    across_a = edges[e, 1] * col_step - edges[e, 0] * row_step
    along_b = edges[e, 2] * col_step + edges[e, 3] * row_step
    across_b = edges[e, 3] * col_step - edges[e, 2] * row_step
    first = 0 if across_a <= across_b else 2
    turned[place, first], turned[place, first + 1] = across_a, along_a
    turned[place, 2 - first], turned[place, 3 - first] = across_b, along_b


@kernel
def _cut(turned, strips, count):  # type: ignore[no-untyped-def]
    """Append the strips of one outline after the first `count`; return the array and the count.

    Between two neighbouring corners across the wind, a ray crosses the same edges, sorted by their
    distance along the wind, and every second interval between them is inside the outline.
    """
    n = turned.shape[0]
    knots, by_left, by_knot = np.empty(2 * n), np.empty(n, np.int64), np.empty(2 * n, np.int64)
    for e in range(n):
        knots[e], knots[n + e] = turned[e, 0], turned[e, 2]
        by_left[e], by_knot[e], by_knot[n + e] = e, e, n + e
    _sort(knots, by_left)
    _sort(knots, by_knot)
    active, order, middles = np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n)
    live, coming = 0, 0
    for k in range(2 * n - 1):
        left, right = knots[by_knot[k]], knots[by_knot[k + 1]]
        if right - left < NARROW:
            continue
        middle = 0.5 * (left + right)
        while coming < n and turned[by_left[coming], 0] < middle:
            active[live] = by_left[coming]
            live += 1
            coming += 1
        kept = 0
        for j in range(live):
            if turned[active[j], 2] > middle:
                active[kept] = active[j]
                kept += 1
        live = kept
        for j in range(live):
            order[j] = j
            middles[j] = _along(turned, active[j], middle)
        _sort(middles, order[:live])
        if count + live > strips.shape[0]:
            strips = _enlarged(strips, count, np.empty((2 * (count + live), 6)))
        for j in range(0, live - 1, 2):
            one, other = active[order[j]], active[order[j + 1]]
            strips[count, LEFT], strips[count, RIGHT] = left, right
            strips[count, IN_AT], strips[count, IN_SLOPE] = (
                _along(turned, one, left),
                _slope(turned, one),
            )
            strips[count, OUT_AT], strips[count, OUT_SLOPE] = (
                _along(turned, other, left),
                _slope(turned, other),
            )
            count += 1
    return strips, count


@kernel(inline="always")
def _slope(turned, e):  # type: ignore[no-untyped-def]
    return (turned[e, 3] - turned[e, 1]) / (turned[e, 2] - turned[e, 0])


@kernel(inline="always")
def _along(turned, e, across):  # type: ignore[no-untyped-def]
    return turned[e, 1] + _slope(turned, e) * (across - turned[e, 0])


@kernel(nogil=True)
def joined_strips(strips, first_strip, near):  # type: ignore[no-untyped-def]
    """Strips of belts that are so close to each other along the wind that they act as one.

    Parameters
    ----------
    strips, first_strip
        As `belt_strips` returns them.
    near : Neighbours

    Returns
    -------
    joined : (k, 6) float64
        Entry at the windward belt, exit at the leeward one.
    members : (k, 4) int64
        Outlines that act together, leeward first, -1 after the last.
    """
    joined, members = np.empty((64, 6)), np.empty((64, LONGEST_CHAIN), np.int64)
    strip, chain = np.empty(6), np.empty(LONGEST_CHAIN, np.int64)
    count = np.int64(0)
    for lee in range(first_strip.size - 1):
        if near.first[lee] == near.first[lee + 1]:
            continue
        for s in range(first_strip[lee], first_strip[lee + 1]):
            if depth_of(strips, s) > near.depth_h * near.height[lee]:
                continue
            # Chains grow by one belt at a time: first pairs, then belts that join a pair.
            for k in range(6):
                strip[k] = strips[s, k]
            for k in range(LONGEST_CHAIN):
                chain[k] = lee if k == 0 else -1
            todo = count
            joined, members, count = _grow(
                strip, chain, strips, first_strip, near, joined, members, count
            )
            while todo < count:
                for k in range(6):
                    strip[k] = joined[todo, k]
                for k in range(LONGEST_CHAIN):
                    chain[k] = members[todo, k]
                joined, members, count = _grow(
                    strip, chain, strips, first_strip, near, joined, members, count
                )
                todo += 1
    return joined[:count].copy(), members[:count].copy()


@kernel
def _grow(strip, chain, strips, first_strip, near, joined, members, count):  # type: ignore[no-untyped-def]
    """Append every chain that consists of this one and one more belt windward of it."""
    length = 1
    while length < LONGEST_CHAIN and chain[length] >= 0:
        length += 1
    if length == LONGEST_CHAIN:
        return joined, members, count
    front = chain[length - 1]
    for n in range(near.first[front], near.first[front + 1]):
        other = near.neighbours[n]
        known = False
        for m in range(length):
            known = known or chain[m] == other
        if known:
            continue
        widest = near.gap_h * min(near.height[front], near.height[other])
        for t in range(first_strip[other], first_strip[other + 1]):
            if count == joined.shape[0]:
                joined = _enlarged(joined, count, np.empty((2 * count, 6)))
                more = np.empty((2 * count, LONGEST_CHAIN), np.int64)
                members = _enlarged(members, count, more)
            if _join(strips, t, strip, widest, near.depth_h * near.height[other], joined, count):
                for k in range(LONGEST_CHAIN):
                    members[count, k] = other if k == length else chain[k]
                count += 1
    return joined, members, count


@kernel(inline="always")
def depth_of(strips, s):  # type: ignore[no-untyped-def]
    """Depth of a strip along the wind, at its middle."""
    half = 0.5 * (strips[s, RIGHT] - strips[s, LEFT])
    slope = strips[s, OUT_SLOPE] - strips[s, IN_SLOPE]
    return strips[s, OUT_AT] - strips[s, IN_AT] + slope * half


@kernel
def _join(strips, t, leeward, widest, deepest, joined, place):  # type: ignore[no-untyped-def]
    """Whether strip `t` is close windward of another; if so, fill a row of `joined`."""
    windward, out = strips[t], joined[place]
    left, right = max(windward[LEFT], leeward[LEFT]), min(windward[RIGHT], leeward[RIGHT])
    if right - left < NARROW:
        return False
    middle = 0.5 * (left + right)
    outward = windward[OUT_AT] + windward[OUT_SLOPE] * (middle - windward[LEFT])
    inward = windward[IN_AT] + windward[IN_SLOPE] * (middle - windward[LEFT])
    into = leeward[IN_AT] + leeward[IN_SLOPE] * (middle - leeward[LEFT])
    out_of = leeward[OUT_AT] + leeward[OUT_SLOPE] * (middle - leeward[LEFT])
    # The order follows from the middle of each strip, so overlapping belts have an order too.
    if inward + outward >= into + out_of or into - outward >= widest:
        return False
    # A deep belt is a wood; its shelter does not combine with that of others.
    if outward - inward > deepest:
        return False
    out[LEFT], out[RIGHT] = left, right
    out[IN_AT] = windward[IN_AT] + windward[IN_SLOPE] * (left - windward[LEFT])
    out[IN_SLOPE] = windward[IN_SLOPE]
    out[OUT_AT] = leeward[OUT_AT] + leeward[OUT_SLOPE] * (left - leeward[LEFT])
    out[OUT_SLOPE] = leeward[OUT_SLOPE]
    return True
