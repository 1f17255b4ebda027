"""Test whether a terrain model represents bare ground, or includes trees and hedges."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from shelterscape.errors import InputError
from shelterscape.science.belts import BANK
from shelterscape.science.terrain.ground import Ground

SIDE_M = 15.0
"""Distance beside a belt at which the ground is examined, m (assumed)."""

STANDS_M = 1.0
"""Median rise on belts above which a model counts as a surface model, m (assumed)."""

NEAR_M = 100.0
"""Distance from the map up to which points along belts are examined, m: more than 2 `SIDE_M`."""

APART_M = 10.0
"""Distance between the points examined along a belt, m."""

PIECE_CELLS = 2048
"""Side of the windows of ground that are read at a time."""

INWARD_M = 5.0
"""Distance inside an area at which the model is examined, if the area is wide enough, m."""


def rise_on_belts(belts: gpd.GeoDataFrame, ground: Ground) -> NDArray[np.float64]:
    """Height of a terrain model on belts above the ground beside them, point by point.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them, in the CRS of the ground.
    ground : Ground

    Returns
    -------
    (n,) float64
        m, every 10 m along every line and outline. Points near missing ground are excluded, and so
        are belts on banks, where the ground does rise.

    Notes
    -----
    On a line: its height minus the higher of the heights 15 m to both sides. At the edge of an
    area: the height up to 5 m inside minus the height 15 m outside, minus the fall over the next
    stretch of equal length, so that a wood on a knoll does not count as a step (assumed values).
    """
    examined = belts[belts["belt_type"] != BANK]
    is_area = shapely.get_dimensions(examined.geometry.to_numpy()) == 2
    lines, areas = examined[~is_area], examined[is_area]
    on, _, normal = _places(lines.geometry.to_numpy(), ground.grid.bounds)
    sides = [_heights(ground, on + s * SIDE_M * normal) for s in (-1, 1)]
    along = _heights(ground, on) - np.maximum(*sides)
    outlines = shapely.boundary(areas.geometry.to_numpy())
    edge, owner, normal = _places(outlines, ground.grid.bounds)
    inward = np.minimum(INWARD_M, areas["width_m"].to_numpy()[owner] / 2)[:, None]
    # The orientation of rings differs between files: a trial step finds the outer side.
    inside = shapely.contains_xy(areas.geometry.to_numpy()[owner], *(edge + inward * normal).T)
    out = np.where(inside[:, None], -normal, normal)
    near, far = edge + SIDE_M * out, edge + (2 * SIDE_M + inward) * out
    within, near, far = (_heights(ground, xy) for xy in (edge - inward * out, near, far))
    step = (within - near) - (near - far)
    found: NDArray[np.float64] = np.concatenate([along, step])
    return found[np.isfinite(found)]


def refuse_surface(belts: gpd.GeoDataFrame, ground: Ground, where: str) -> None:
    """Refuse a terrain model that rises where belts are.

    Parameters
    ----------
    belts : GeoDataFrame
        As for `rise_on_belts`.
    ground : Ground
    where : str
        Name of the terrain model in errors.

    Raises
    ------
    InputError
        ``terrain-surface``: the median of `rise_on_belts` is more than 1 m.
    """
    rise = rise_on_belts(belts, ground)
    if not len(rise) or (median := float(np.median(rise))) <= STANDS_M:
        return
    raise InputError(
        "terrain-surface",
        "The terrain model rises along the belts: it appears to include trees and hedges, which "
        "would count twice.",
        where=where,
        value=f"{median:.1f} m above both sides {SIDE_M:g} m off (median of {len(rise)} points)",
        hint="Use a model of the bare ground. For belts on banks, set belt_type to "
        f"“{BANK}”: they are excluded from this test.",
    )


def _places(
    outlines: NDArray[np.object_], bounds: tuple[float, float, float, float]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """Points along lines: (n, 2) m, the number of their line, and unit vectors across it.

    Only those on the map or near it: work must not grow with a line that leaves it.
    """
    parts, owner = shapely.get_parts(outlines, return_index=True)
    length = shapely.length(parts)
    count = np.maximum(length / APART_M, 1).astype(int)
    part, number = _numbers_near(parts, count, bounds)
    # In the middle of each stretch, because ground beyond the end of a belt is not beside it.
    at = (number + 0.5) / count[part] * length[part]
    reach = np.minimum(APART_M, length[part]) / 2
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(parts[part], at + s * reach))
        for s in (-1, 0, 1)
    ]
    step = ends[2] - ends[0]
    size = np.maximum(np.hypot(*step.T), 1e-9)[:, None]
    return ends[1], owner[part], np.column_stack([-step[:, 1], step[:, 0]]) / size


def _numbers_near(
    parts: NDArray[np.object_],
    count: NDArray[np.int64],
    bounds: tuple[float, float, float, float],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Part and number of each point along lines, without the points far from the bounds."""
    west, south, east, north = shapely.bounds(shapely.buffer(shapely.box(*bounds), NEAR_M))
    parts_at: list[NDArray[np.int64]] = [np.empty(0, np.int64)]
    numbers: list[NDArray[np.int64]] = [np.empty(0, np.int64)]
    for i, part in enumerate(parts):
        low_x, low_y, high_x, high_y = part.bounds
        if not (low_x < west or low_y < south or high_x > east or high_y > north):
            found = np.arange(count[i])
        else:
            ranges = _stretches(shapely.get_coordinates(part), (west, south, east, north))
            step = part.length / count[i]
            spans = np.clip(ranges / step + [-2, 2], 0, count[i]).astype(int)
            spans = [np.arange(first, last) for first, last in spans]
            found = np.unique(np.concatenate([numbers[0], *spans]))
        parts_at.append(np.full(len(found), i))
        numbers.append(found)
    return np.concatenate(parts_at), np.concatenate(numbers)


def _stretches(
    xy: NDArray[np.float64], bounds: tuple[float, float, float, float]
) -> NDArray[np.float64]:
    """Stretches of a line within bounds: distance along it of both ends, (n, 2) m."""
    begins, step = xy[:-1], np.diff(xy, axis=0)
    size = np.hypot(*step.T)
    low, high = np.array(bounds[:2]), np.array(bounds[2:])
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.sort(np.stack([(low - begins) / step, (high - begins) / step]), axis=0)
    # A side of no extent is within the bounds everywhere or nowhere.
    level = step == 0
    ends[0][level], ends[1][level] = 0.0, np.where((begins >= low) & (begins <= high), 1, -1)[level]
    enter, leave = ends[0].max(axis=1).clip(min=0.0), ends[1].min(axis=1).clip(max=1.0)
    along = np.concatenate([[0.0], np.cumsum(size)[:-1]])
    found: NDArray[np.float64] = np.column_stack([along + enter * size, along + leave * size])
    return found[enter <= leave]


def _heights(ground: Ground, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ground at points, bilinear between cell centres; NaN off the map."""
    cols, rows = (ground.grid.to_cells(xy) - [ground.grid.col0 + 0.5, ground.grid.row0 + 0.5]).T
    found = np.full(len(xy), np.nan)
    near = (rows > -1) & (rows < ground.grid.shape[0]) & (cols > -1) & (cols < ground.grid.shape[1])
    across = ground.grid.shape[1] // PIECE_CELLS + 1
    piece = np.maximum(rows, 0) // PIECE_CELLS * across + np.maximum(cols, 0) // PIECE_CELLS
    for number in np.unique(piece[near]):
        here = near & (piece == number)
        # Includes the cells right of and below the last point, for interpolation.
        top, left = (max(int(np.floor(n[here].min())), 0) for n in (rows, cols))
        bottom, right = (int(np.floor(n[here].max())) + 2 for n in (rows, cols))
        shape = min(bottom, ground.grid.shape[0]) - top, min(right, ground.grid.shape[1]) - left
        heights = ground.elevation(ground.grid.window(top, left, shape))
        at = [rows[here] - top, cols[here] - left]
        found[here] = map_coordinates(heights, at, output=np.float64, order=1, cval=np.nan)
    return found
