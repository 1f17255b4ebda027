"""Lines added to the existing belts on the ground, and removed again, ray by ray."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.downwind import empty_spans
from shelterscape.kernels.siting import (
    CandidateLines,
    SitingRays,
    bands_along,
    copy_row,
    row_lost,
    window,
    with_line,
)
from shelterscape.kernels.threads import map_threads

RAY_LOTS, FEW_CELLS = 4, 1 << 17
"""Lots of rays in which a line is planted or removed; below this number of cells one thread is
faster."""


def plant(
    lines: CandidateLines,
    one: int,
    wind: NDArray[np.float32],
    rays: SitingRays,
    priority: NDArray[np.float32],
    windy: NDArray[np.float32],
    out: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Add one line to the existing belts, and save the values it changes.

    Parameters
    ----------
    lines, wind, rays, priority, windy
        As for `gains`; `wind` is changed in place.
    one : int
    out : (directions,) float64
        Filled with its benefit, as by `gains`.

    Returns
    -------
    found : (rays, 4) int64
        First and last row and column of its window along each ray.
    saved : (k,) float32
        Former values of the windows, ray after ray.
    """
    lines, rays = CandidateLines(*lines), SitingRays(*rays)
    found, first = _windows(lines, one, rays, wind.shape[1], wind.shape[2])
    saved, totals = np.empty(first[-1], np.float32), np.empty(len(found))
    given = (lines, one, wind, rays, priority, windy, first, saved, totals)
    _by_rays(lambda begin, end: _plant(begin, end, *given), first)
    out[:] = 0.0
    for ray, total in enumerate(totals):
        out[rays.direction[ray]] += rays.share[ray] * total
    return found, saved


def _by_rays(work: Callable[[int, int], Any], first: NDArray[np.int64]) -> None:
    """Call `work` with the first of some rays and the one after the last."""
    rays = first.size - 1
    lots = 1 if first[-1] < FEW_CELLS else min(rays, RAY_LOTS)
    bounds = [lot * rays // lots for lot in range(lots + 1)]
    map_threads(lambda lot: work(bounds[lot], bounds[lot + 1]), range(lots))


@kernel
def _windows(lines, one, rays, high, wide):  # type: ignore[no-untyped-def]
    """First and last row and column of the window of a line along each ray, and its first cell."""
    count = rays.steps.shape[0]
    found, first = np.empty((count, 4), np.int64), np.zeros(count + 1, np.int64)
    for ray in range(count):
        col_step, row_step = rays.steps[ray, 0], rays.steps[ray, 1]
        geometry, _ = bands_along(lines, one, col_step, row_step)
        box = window(geometry, col_step, row_step, rays.corner, (high, wide))
        found[ray, 0], found[ray, 1], found[ray, 2], found[ray, 3] = box
        first[ray + 1] = first[ray] + (box[1] - box[0]) * (box[3] - box[2])
    return found, first


@kernel(nogil=True)
def _plant(  # type: ignore[no-untyped-def]
    begin, end, lines, one, wind, rays, priority, windy, first, saved, totals
):
    memory, spans = np.empty(1, np.float32), empty_spans()
    for ray in range(begin, end):
        field, top, left, memory = with_line(lines, one, wind, rays, ray, memory, spans)
        high, wide = field.shape
        total, place = 0.0, first[ray]
        for i in range(high):
            before, here = saved[place : place + wide], wind[ray, top + i, left : left + wide]
            copy_row(here, before)
            copy_row(field[i], here)
            total += row_lost(before, field[i], top + i, left, rays.direction[ray], priority, windy)
            place += wide
        totals[ray] = total


def put_back(
    wind: NDArray[np.float32], found: NDArray[np.int64], saved: NDArray[np.float32]
) -> None:
    """Undo `plant`; lines must be removed in the reverse of the order in which they were added.

    Parameters
    ----------
    wind : (rays, rows, cols) float32
        Changed in place.
    found, saved
        As `plant` returns them.
    """
    cells = (found[:, 1] - found[:, 0]) * (found[:, 3] - found[:, 2])
    first = np.concatenate([[0], np.cumsum(cells)])
    _by_rays(lambda begin, end: _put_back(begin, end, wind, found, first, saved), first)


@kernel(nogil=True)
def _put_back(begin, end, wind, found, first, saved):  # type: ignore[no-untyped-def]
    for ray in range(begin, end):
        place, left, right = first[ray], found[ray, 2], found[ray, 3]
        for row in range(found[ray, 0], found[ray, 1]):
            copy_row(saved[place : place + right - left], wind[ray, row, left:right])
            place += right - left
