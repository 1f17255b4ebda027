"""Measurements along lines: canopy, height, width, gaps and tall trees."""

from __future__ import annotations

import bisect
import itertools
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.ops import substring

from shelterscape.grid import Grid
from shelterscape.science.canopy import Field, Mask
from shelterscape.science.tracing.lines import SHORT_GAP_CELLS, in_cells

LEAST_WIDTH_CELLS = 3.0
"""Below this width, cells, a width is not measured."""
REACH_CELLS = 1.5
"""Canopy belongs to a line up to this distance beyond its half width, cells."""
STEP_SAMPLES, STEP_M, STEP_SHARE = 3, 1.0, 0.15
"""A belt is divided where the median height of at least this many samples differs by this much, m,
and by this share of the higher side (assumed values)."""
TALL_FACTOR, TALL_MORE_M, TALL_SAMPLES = 1.6, 3.0, 2
"""A tall tree is higher than the belt by this factor and at least this much, m, over at most this
many samples in a row (assumed values)."""


@dataclass(frozen=True)
class Points:
    """Points along lines, about one cell apart.

    Parameters
    ----------
    line : (n,) int64
        Number of the line of each point; rising.
    cells : (n, 2) float64
        Row and column.
    along_m : (n,) float64
        Distance from the start of the line, m.
    step_m : (n,) float64
        Length of line that a point represents, m.
    reach : (n,) float64
        Distance up to which canopy belongs to the line, cells.
    """

    line: NDArray[np.int64]
    cells: NDArray[np.float64]
    along_m: NDArray[np.float64]
    step_m: NDArray[np.float64]
    reach: NDArray[np.float64]


@dataclass(frozen=True)
class Profile:
    """Samples along one line.

    Parameters
    ----------
    along_m : (n,) float64
        Middle of each sample, m from the start of the line.
    height_m : (n,) float64
        Highest canopy of each sample; NaN without canopy.
    width_m : (n,) float64
        Area of canopy divided by length; NaN without canopy.
    canopy_share : (n,) float64
        Share of the length with canopy.
    highest : (n, 2) float64
        Row and column of the highest canopy.
    """

    along_m: NDArray[np.float64]
    height_m: NDArray[np.float64]
    width_m: NDArray[np.float64]
    canopy_share: NDArray[np.float64]
    highest: NDArray[np.float64]

    @property
    def belt_height_m(self) -> float:
        """Median of the heights of the samples, m; NaN without canopy."""
        known = self.height_m[np.isfinite(self.height_m)]
        return float(np.median(known)) if len(known) else np.nan

    def belt_width_m(self, cell_m: float) -> float:
        """Median of the widths of samples, m; NaN below three cells.

        Parameters
        ----------
        cell_m : float

        Returns
        -------
        float
        """
        full = self.width_m[np.isfinite(self.width_m) & (self.canopy_share > 0.5)]
        width = float(np.median(full)) if len(full) else np.nan
        return width if width >= LEAST_WIDTH_CELLS * cell_m else np.nan

    def tall(self) -> NDArray[np.int64]:
        """Samples with a single tree much taller than the belt; they are few in a row."""
        usual = self.belt_height_m
        high = self.height_m > max(TALL_FACTOR * usual, usual + TALL_MORE_M)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], high.astype(int), [0]])))
        runs = edges.reshape(-1, 2)
        chosen = [
            a + int(np.nanargmax(self.height_m[a:b])) for a, b in runs if b - a <= TALL_SAMPLES
        ]
        return np.array(chosen, dtype=np.int64)


def height_steps(profile: Profile) -> list[float]:
    """Distances along a line at which its height changes for good, m: there another belt begins.

    Parameters
    ----------
    profile : Profile

    Returns
    -------
    list of float
        Rising.
    """
    height = profile.height_m
    if len(height) < 2 * STEP_SAMPLES:
        return []
    edges = (profile.along_m[1:] + profile.along_m[:-1]) / 2
    return [float(edges[k - 1]) for k in _steps(height, 0, len(height))]


def _steps(height: NDArray[np.float64], first: int, last: int) -> list[int]:
    """Numbers of samples at which the height changes, by halving at the largest change."""
    part = height[first:last]
    before, after = _running_medians(part), _running_medians(part[::-1])[::-1]
    change = np.abs(after - before)
    change[:STEP_SAMPLES], change[len(part) - STEP_SAMPLES + 1 :] = 0.0, 0.0
    least = np.maximum(STEP_M, STEP_SHARE * np.maximum(before, after))
    best, where = 0.0, 0
    for k in np.flatnonzero(change > least).tolist():
        sides = np.abs(part[:k] - before[k]), np.abs(part[k:] - after[k])
        # Among equal changes of medians, the one that leaves the least deviation is the step.
        score = -sum(float(np.nansum(side)) for side in sides)
        spread = max(float(np.nanmedian(side)) for side in sides)
        if change[k] > 3 * spread and (not where or score > best):
            best, where = score, first + k
    if not where:
        return []
    return [*_steps(height, first, where), where, *_steps(height, where, last)]


def _running_medians(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Medians of the known ones of the first 0, 1, … values; NaN where none is known."""
    known: list[float] = []
    found = [np.nan]
    for value in values.tolist():
        if value == value:
            bisect.insort(known, value)
        middle = len(known) // 2
        found.append((known[~middle] + known[middle]) / 2 if known else np.nan)
    return np.array(found)


def stations(
    lines: NDArray[np.object_], spacing_m: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Middles of equal steps along lines.

    Parameters
    ----------
    lines : array of LineString
    spacing_m : float
        Length of a step, m, as nearly as whole steps fit a line.

    Returns
    -------
    line : (n,) int64
        Number of the line of each step; rising.
    along_m, step_m : (n,) float64
        Middle of the step from the start of its line, and its length, m.
    """
    length = shapely.length(lines)
    count = np.maximum(1, np.round(length / spacing_m).astype(int))
    line = np.repeat(np.arange(len(lines)), count)
    within = np.arange(len(line)) - np.repeat(np.cumsum(count) - count, count)
    step_m = (length / count)[line]
    return line, (within + 0.5) * step_m, step_m


def points_along(
    lines: NDArray[np.object_], grid: Grid, half_width: NDArray[np.float64] | float
) -> Points:
    """Points along lines on the map.

    Parameters
    ----------
    lines : array of LineString
    grid : Grid
    half_width : float or (rows, cols) float64
        Half width of the canopy of belts in cells: of all lines, or of each cell.

    Returns
    -------
    Points
    """
    line, along_m, step_m = stations(lines, grid.cell_m)
    at = shapely.line_interpolate_point(lines[line], along_m)
    cells = in_cells(at, grid)
    if isinstance(half_width, np.ndarray):
        row, col = (np.clip(cells.round().astype(int), 0, np.array(grid.shape) - 1)).T
        reach = half_width[row, col] + REACH_CELLS
    else:
        reach = np.full(len(line), half_width)
    return Points(line, cells, along_m, step_m, reach)


def canopy_of(points: Points, belts: Mask) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cells of canopy that belong to lines, and the nearest point of each.

    Parameters
    ----------
    points : Points
    belts : (rows, cols) bool
        Canopy that may belong to a line.

    Returns
    -------
    cells : (n, 2) int64
        Row and column.
    nearest : (n,) int64
        Number of the point.
    """
    if not len(points.line):
        return np.empty((0, 2), np.int64), np.empty(0, np.int64)
    cells = np.argwhere(belts)
    most = float(points.reach.max())
    distance, nearest = cKDTree(points.cells).query(cells, distance_upper_bound=most)
    found = np.isfinite(distance)
    found[found] = distance[found] <= points.reach[nearest[found]]
    return cells[found], nearest[found].astype(np.int64)


def covered(
    points: Points, nearest: NDArray[np.int64], longest: float = SHORT_GAP_CELLS
) -> NDArray[np.bool_]:
    """Points with canopy, or in a short gap.

    Parameters
    ----------
    points : Points
    nearest : (n,) int64
        As `canopy_of` returns it.
    longest : float
        Longest gap that counts as canopy, cells.

    Returns
    -------
    (n,) bool
    """
    found = np.bincount(nearest, minlength=len(points.line)) > 0
    for start, stop in _runs(~found, points.line):
        inside = (
            start > 0
            and stop < len(found)
            and points.line[start - 1] == points.line[start]
            and points.line[stop - 1] == points.line[stop]
        )
        if inside and stop - start <= longest:
            found[start:stop] = True
    return found


def _runs(values: NDArray[np.bool_], line: NDArray[np.int64]) -> list[tuple[int, int]]:
    """First and last-plus-one numbers of runs of true values, divided at the ends of lines."""
    if not values.any():
        return []
    new = np.concatenate([[True], (np.diff(values.astype(int)) != 0) | (np.diff(line) != 0)])
    starts = np.flatnonzero(new)
    stops = np.concatenate([starts[1:], [len(values)]])
    return [(int(a), int(b)) for a, b in zip(starts, stops, strict=True) if values[a]]


def divided_at_gaps(
    lines: NDArray[np.object_], points: Points, has_canopy: NDArray[np.bool_]
) -> tuple[NDArray[np.object_], NDArray[np.int64], NDArray[np.object_]]:
    """Lines without their gaps and their ends without canopy.

    Parameters
    ----------
    lines : array of LineString
    points : Points
        Points along these lines.
    has_canopy : (n,) bool
        Whether each point has canopy, or is in a short gap.

    Returns
    -------
    parts : array of LineString
        Parts of lines with canopy.
    part_of : (n,) int64
        Number of the line of each part.
    gaps : array of LineString
        Gaps between two parts of one line.
    """
    parts: list[shapely.LineString] = []
    gaps: list[shapely.LineString] = []
    part_of: list[int] = []
    previous = 0.0
    for start, stop in _runs(has_canopy, points.line):
        number = int(points.line[start])
        half = points.step_m[start] / 2
        begin, end = points.along_m[start] - half, points.along_m[stop - 1] + half
        if part_of and part_of[-1] == number:
            gaps.append(substring(lines[number], previous, begin))
        parts.append(substring(lines[number], begin, end))
        part_of.append(number)
        previous = end
    as_lines = [np.array(shapes, dtype=object) for shapes in (parts, gaps)]
    return as_lines[0], np.array(part_of, int), as_lines[1]


def profiles(
    points: Points,
    cells: NDArray[np.int64],
    nearest: NDArray[np.int64],
    height: Field,
    cell_m: float,
    spacing_m: float,
) -> list[Profile]:
    """Samples along each line.

    Parameters
    ----------
    points : Points
    cells, nearest
        As `canopy_of` returns them.
    height : (rows, cols) float32
        Canopy height, m.
    cell_m : float
    spacing_m : float
        Distance between samples, m; samples of a line have equal lengths.

    Returns
    -------
    list of Profile
    """
    count = int(points.line[-1]) + 1 if len(points.line) else 0
    length = np.bincount(points.line, weights=points.step_m, minlength=count)
    number = np.maximum(1, np.round(length / spacing_m).astype(int))
    first = np.concatenate([[0], np.cumsum(number)])
    within = points.along_m / length[points.line] * number[points.line]
    sample = first[points.line] + within.astype(int)
    total = int(first[-1])
    canopy = sample[nearest]
    values = height[tuple(cells.T)].astype(float)
    order = np.lexsort([values, canopy])
    last = np.flatnonzero(np.diff(np.concatenate([canopy[order], [total]])))
    top, highest = np.full(total, np.nan), np.full((total, 2), np.nan)
    top[canopy[order][last]] = values[order][last]
    highest[canopy[order][last]] = cells[order][last]
    # Along a diagonal of single cells every third point has no cell.
    share = _mean(covered(points, nearest, longest=1), points, sample, total)
    area = np.bincount(canopy, minlength=total) * cell_m**2
    covered_m = np.maximum(share * np.repeat(length / number, number), 1e-9)
    width = np.where(area > 0, area / covered_m, np.nan)
    middle = (np.arange(total) - np.repeat(first[:-1], number) + 0.5) * np.repeat(
        length / number, number
    )
    return [
        Profile(middle[a:b], top[a:b], width[a:b], share[a:b], highest[a:b])
        for a, b in itertools.pairwise(first)
    ]


def _mean(
    values: NDArray[np.bool_], points: Points, sample: NDArray[np.int64], total: int
) -> NDArray[np.float64]:
    """Share of the length of each sample for which values are true."""
    weight = np.bincount(sample, weights=points.step_m, minlength=total)
    hits = np.bincount(sample, weights=points.step_m * values, minlength=total)
    share: NDArray[np.float64] = hits / np.maximum(weight, 1e-9)
    return share
