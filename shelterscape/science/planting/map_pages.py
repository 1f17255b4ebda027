"""Pages of a map to scale: the scale that fits, and the middle of each page."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray

SCALES = (500.0, 1000.0, 1250.0, 2500.0, 5000.0, 10000.0)
"""Usual scales, metres on the ground for one metre on the map, largest first."""

MARGIN = 0.08
"""Share of the frame left free around the belts."""


def map_pages(
    lines: NDArray[np.object_], frame_mm: tuple[float, float], scale: float | None = None
) -> tuple[float, list[tuple[float, float]]]:
    """Scale and middles of the pages that show all lines.

    Parameters
    ----------
    lines : (n,) array of geometries
        At least one; coordinates in metres.
    frame_mm : tuple of float
        Width and height of the map on a page, mm.
    scale : float, optional
        Metres on the ground for one metre on the map; by default the largest of `SCALES` that
        fits one page, otherwise the smallest.

    Returns
    -------
    scale : float
    middles : list of tuple of float
        x and y of the middle of each page, m, from north-west by row; pages without a line are
        left out.
    """
    west, south, east, north = shapely.total_bounds(lines)
    usable = [size / 1000.0 * (1 - 2 * MARGIN) for size in frame_mm]
    extent = east - west, north - south
    if scale is None:
        least = max(e / u for e, u in zip(extent, usable, strict=True))
        scale = next((s for s in SCALES if s >= least), SCALES[-1])
    wide, high = (u * scale for u in usable)
    cols, rows = (max(math.ceil(e / s), 1) for e, s in zip(extent, (wide, high), strict=True))
    middle = (west + east) / 2, (south + north) / 2
    found = []
    for row in range(rows):
        for col in range(cols):
            x = middle[0] + (col - (cols - 1) / 2) * wide
            y = middle[1] - (row - (rows - 1) / 2) * high
            page = shapely.box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
            if shapely.intersects(lines, page).any():
                found.append((float(x), float(y)))
    return scale, found
