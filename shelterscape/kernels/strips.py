r"""Belts seen along the wind: where each ray goes in and comes out.

Turned so that the wind blows straight along one axis, every outline is cut at its corners into
strips. In a strip the wind goes in over one straight edge and comes out over another, so depth and
distance are linear in the position across the wind::

      wind
       |     |  strip |
       |     |________|   in   (along = in_at + in_slope * (across - left))
       v     |        |
             |________|   out
             left     right        --> across

Rows of a strip array: left, right, in_at, in_slope, out_at, out_slope; all in cells.
"""

from __future__ import annotations

import numpy as np

from shelterscape.kernels.cache import kernel

LEFT, RIGHT, IN_AT, IN_SLOPE, OUT_AT, OUT_SLOPE = range(6)

NARROW = 1e-6
"""A strip narrower than this, in cells, holds no cell centre worth the name."""

LONGEST_CHAIN = 4
"""Most belts that are taken together as one."""


@kernel(nogil=True)
def strips_of(edges, first_edge, step):  # type: ignore[no-untyped-def]
    """Cut outlines into strips along one wind.

    Parameters
    ----------
    edges : (n, 4) float64
        Column and row of both ends of each edge, outline after outline.
    first_edge : (m + 1,) int64
        Where the edges of each outline begin.
    step : (2,) float64
        Unit step down the wind, columns and rows.

    Returns
    -------
    strips : (k, 6) float64
    first_strip : (m + 1,) int64
        Where the strips of each outline begin.
    """
    outlines = first_edge.size - 1
    first_strip = np.zeros(outlines + 1, np.int64)
    room = 4 * edges.shape[0] + 16
    strips = np.empty((room, 6))
    count = 0
    for i in range(outlines):
        turned = _turned(edges[first_edge[i] : first_edge[i + 1]], step)
        # An outline of n edges has at most n strips in each of its n slabs.
        n = turned.shape[0]
        most = count + n * n // 2 + n
        if most > room:
            room = 2 * most
            grown = np.empty((room, 6))
            grown[:count] = strips[:count]
            strips = grown
        count = _cut(turned, strips, count)
        first_strip[i + 1] = count
    return strips[:count].copy(), first_strip


@kernel
def _turned(edges, step):  # type: ignore[no-untyped-def]
    """Edges as (across, along) from left to right, in order of their left end."""
    n = edges.shape[0]
    turned = np.empty((n, 4))
    for e in range(n):
        along_a = edges[e, 0] * step[0] + edges[e, 1] * step[1]
        across_a = edges[e, 1] * step[0] - edges[e, 0] * step[1]
        along_b = edges[e, 2] * step[0] + edges[e, 3] * step[1]
        across_b = edges[e, 3] * step[0] - edges[e, 2] * step[1]
        if across_a <= across_b:
            turned[e] = np.array((across_a, along_a, across_b, along_b))
        else:
            turned[e] = np.array((across_b, along_b, across_a, along_a))
    return turned[np.argsort(turned[:, 0])]


@kernel
def _cut(turned, strips, count):  # type: ignore[no-untyped-def]
    """Write the strips of one outline after the first `count`; returns the new count."""
    n = turned.shape[0]
    knots = np.sort(np.concatenate((turned[:, 0], turned[:, 2])))
    active = np.empty(n, np.int64)
    places = np.empty(n)
    live, coming = 0, 0
    for k in range(knots.size - 1):
        left, right = knots[k], knots[k + 1]
        if right - left < NARROW:
            continue
        middle = 0.5 * (left + right)
        while coming < n and turned[coming, 0] < middle:
            active[live] = coming
            live += 1
            coming += 1
        kept = 0
        for j in range(live):
            if turned[active[j], 2] > middle:
                active[kept] = active[j]
                kept += 1
        live = kept
        for j in range(live):
            places[j] = _along(turned[active[j]], middle)
        order = np.argsort(places[:live])
        for j in range(0, live - 1, 2):
            inward, outward = turned[active[order[j]]], turned[active[order[j + 1]]]
            strips[count, LEFT], strips[count, RIGHT] = left, right
            strips[count, IN_AT], strips[count, OUT_AT] = (
                _along(inward, left),
                _along(outward, left),
            )
            strips[count, IN_SLOPE], strips[count, OUT_SLOPE] = _slope(inward), _slope(outward)
            count += 1
    return count


@kernel(inline="always")
def _slope(edge):  # type: ignore[no-untyped-def]
    return (edge[3] - edge[1]) / (edge[2] - edge[0])


@kernel(inline="always")
def _along(edge, across):  # type: ignore[no-untyped-def]
    return edge[1] + _slope(edge) * (across - edge[0])


@kernel(nogil=True)
def close_chains(strips, first_strip, neighbours, first_neighbour, height, gap_h, depth_h):  # type: ignore[no-untyped-def]
    """Strips of belts that stand so close behind each other that they act as one.

    Parameters
    ----------
    strips, first_strip
        As `strips_of` gives them.
    neighbours, first_neighbour
        For each outline the others near enough to be looked at.
    height : (m,) float64
        Belt height, in cells.
    gap_h, depth_h : float
        Widest gap along the wind, in heights of the lower belt, and greatest depth of each, in its
        own.

    Returns
    -------
    joined : (k, 6) float64
        In over the windward belt, out over the leeward one.
    members : (k, 4) int64
        Outlines taken together, leeward first, -1 behind the last.
    """
    joined, members = np.empty((64, 6)), np.full((64, LONGEST_CHAIN), -1, np.int64)
    alone = np.full(LONGEST_CHAIN, -1, np.int64)
    near = (strips, first_strip, neighbours, first_neighbour, height, gap_h, depth_h)
    count = 0
    for lee in range(first_strip.size - 1):
        if first_neighbour[lee] == first_neighbour[lee + 1]:
            continue
        alone[0] = lee
        for s in range(first_strip[lee], first_strip[lee + 1]):
            if depth_of(strips[s]) > depth_h * height[lee]:
                continue
            # Chains grow one belt at a time: first the pairs, then what joins a pair, and so on.
            todo = count
            joined, members, count = _grow(strips[s], alone, near, joined, members, count)
            while todo < count:
                strip, chain = joined[todo].copy(), members[todo].copy()
                joined, members, count = _grow(strip, chain, near, joined, members, count)
                todo += 1
    return joined[:count].copy(), members[:count].copy()


@kernel
def _grow(strip, chain, near, joined, members, count):  # type: ignore[no-untyped-def]
    """Add every chain that is this one and one more belt to windward."""
    strips, first_strip, neighbours, first_neighbour, height, gap_h, depth_h = near
    length = np.sum(chain >= 0)
    if length == LONGEST_CHAIN:
        return joined, members, count
    front = chain[length - 1]
    for n in range(first_neighbour[front], first_neighbour[front + 1]):
        other = neighbours[n]
        if np.any(chain == other):
            continue
        widest = gap_h * min(height[front], height[other])
        for t in range(first_strip[other], first_strip[other + 1]):
            if count == joined.shape[0]:
                joined, members = _with_room(joined, members)
            if _join(strips[t], strip, widest, depth_h * height[other], joined[count]):
                members[count] = chain
                members[count, length] = other
                count += 1
    return joined, members, count


@kernel
def _with_room(joined, members):  # type: ignore[no-untyped-def]
    more, others = np.empty((2 * len(joined), 6)), np.full((2 * len(joined), LONGEST_CHAIN), -1)
    more[: len(joined)] = joined
    others[: len(joined)] = members
    return more, others


@kernel(inline="always")
def depth_of(strip):  # type: ignore[no-untyped-def]
    """Depth of a strip along the wind, at its middle."""
    half = 0.5 * (strip[RIGHT] - strip[LEFT])
    return strip[OUT_AT] - strip[IN_AT] + (strip[OUT_SLOPE] - strip[IN_SLOPE]) * half


@kernel
def _join(windward, leeward, widest, deepest, out):  # type: ignore[no-untyped-def]
    """Whether two strips overlap across the wind with a small gap; fills `out` when they do."""
    left, right = max(windward[LEFT], leeward[LEFT]), min(windward[RIGHT], leeward[RIGHT])
    if right - left < NARROW:
        return False
    middle = 0.5 * (left + right)
    outward = windward[OUT_AT] + windward[OUT_SLOPE] * (middle - windward[LEFT])
    inward = windward[IN_AT] + windward[IN_SLOPE] * (middle - windward[LEFT])
    into = leeward[IN_AT] + leeward[IN_SLOPE] * (middle - leeward[LEFT])
    out_of = leeward[OUT_AT] + leeward[OUT_SLOPE] * (middle - leeward[LEFT])
    # The windward one comes first by its middle; belts drawn overlapping still follow each other.
    if inward + outward >= into + out_of or into - outward >= widest:
        return False
    # Depth makes a wood of a belt, whose lee does not add up with that of others.
    if outward - inward > deepest:
        return False
    out[LEFT], out[RIGHT] = left, right
    out[IN_AT] = windward[IN_AT] + windward[IN_SLOPE] * (left - windward[LEFT])
    out[IN_SLOPE] = windward[IN_SLOPE]
    out[OUT_AT] = leeward[OUT_AT] + leeward[OUT_SLOPE] * (left - leeward[LEFT])
    out[OUT_SLOPE] = leeward[OUT_SLOPE]
    return True
