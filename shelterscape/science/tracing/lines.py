"""Branches of a skeleton as lines on the map, and rows of lines that belong together."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from shelterscape.grid import Grid
from shelterscape.science.canopy import belt_mask, skeleton
from shelterscape.science.tracing.network import Branch, branches_of, joined, without_spurs

Cells = NDArray[np.float64]

SMOOTHED_CELLS = 5
"""Cells over which a line is smoothed."""
SIMPLIFIED_CELLS = 0.4
"""Largest distance from a line to its simplified form, cells."""
END_CELLS = 8
"""Cells from the end of a line that give its direction."""
HALF_WIDTH_CELLS = 20
"""Cells at the end of a line that give its width there."""
CLOSE_CELLS = 2.0
"""Ends as close as this may be beside each other: the turn between the lines decides."""
RING_GAPS = 4.0
"""A line around a field is longer than its gap by this factor."""
ASIDE_CELLS = 1.5
"""Offset between two lines of one row that the raster itself may cause, cells."""
TURN_DEG = 30.0
"""Largest turn between two lines of one row and the gap between them, degrees (assumed value)."""
SHORT_GAP_CELLS = 2.0
"""Gaps up to this length, cells, are closed. A gap of a little more than three cells may show as
three."""
LEAST_SLENDERNESS = 2.0
"""Least length of a row divided by its width; below, it is a tree or a group of trees (assumed)."""
LEAST_ROW_SHARE = 0.5
"""Least share of the length of a row that has canopy (assumed value)."""


@dataclass(frozen=True)
class Rows:
    """Lines traced in a raster.

    Parameters
    ----------
    lines : list of (n, 2) float64
        Rows and columns along each line.
    gaps : list of (2, 2) float64
        Ends of each gap between two lines of one row.
    half_width : (rows, cols) float64
        Distance to the edge of the canopy, cells.
    """

    lines: list[Cells]
    gaps: list[Cells]
    half_width: NDArray[np.float64]


def traced(
    belts: NDArray[np.bool_], cell_m: float, *, least_belt_m: float, longest_gap_m: float
) -> Rows:
    """Lines along the canopy of belts.

    Parameters
    ----------
    belts : (rows, cols) bool
        Canopy of belts.
    cell_m : float
    least_belt_m : float
        Rows that are shorter are left out, m.
    longest_gap_m : float
        Longest gap within a row, m.

    Returns
    -------
    Rows
    """
    mask = belt_mask(belts, cell_m)
    thin, distance = skeleton(mask)
    branches = without_spurs(branches_of(thin), distance, least_belt_m / 2 / cell_m)
    branches = [_extended(b, free, distance) for b, free in _with_free_ends(branches)]
    branches = _without_short_gaps(branches)
    gaps = _row_gaps(branches, longest_gap_m / cell_m)
    return _long_rows(branches, gaps, distance, least_belt_m / cell_m)


def _with_free_ends(branches: list[Branch]) -> list[tuple[Branch, tuple[bool, bool]]]:
    """Branches with whether they end freely at their first and at their last node."""
    if not branches:
        return []
    nodes = np.array([b.nodes for b in branches])
    count = np.bincount(nodes.ravel())
    # A single cell has one node, but two ends.
    single = np.array([len(b.cells) == 2 for b in branches]) & (nodes[:, 0] == nodes[:, 1])
    nodes[single, 1] = len(count) + np.arange(int(single.sum()))
    count = np.bincount(nodes.ravel())
    return [
        (replace(b, nodes=(int(one), int(two))), (bool(count[one] == 1), bool(count[two] == 1)))
        for b, (one, two) in zip(branches, nodes, strict=True)
    ]


def _smoothed(branch: Branch) -> Cells:
    """Cells of a branch as a line without the steps of the raster; both ends are kept."""
    cells = branch.cells
    if len(cells) < 3:
        return cells
    size = min(SMOOTHED_CELLS, len(cells) // 2 * 2 - 1)
    inner = ndimage.uniform_filter1d(cells, size, axis=0, mode="nearest")
    return np.vstack([cells[:1], inner[1:-1], cells[-1:]])


def _extended(branch: Branch, free: tuple[bool, bool], distance: NDArray[np.float64]) -> Branch:
    """A smooth line whose free ends reach the edge of the canopy: a skeleton ends inside it."""
    line = _smoothed(branch)
    for last in (False, True):
        if free[last] and len(line) > 2:
            turned = line if last else line[::-1]
            turned = _to_edge(turned, distance)
            line = turned if last else turned[::-1]
    return replace(branch, cells=line)


def _to_edge(line: Cells, distance: NDArray[np.float64]) -> Cells:
    """A line continued straight to the edge of its canopy.

    Its last cells, which may lead into a corner of the canopy, are replaced.
    """
    half = _half_width(line[-HALF_WIDTH_CELLS:], distance)
    cut = min(math.ceil(half), len(line) - 3) if half > 1.5 else 0
    line = line[: len(line) - cut]
    ahead = _ahead(line)
    steps = np.arange(0.0, cut + 2 * half + 1.0, 0.25)
    way = line[-1] + steps[:, None] * ahead
    row, col = way.round().astype(int).T
    inside = (row >= 0) & (col >= 0) & (row < distance.shape[0]) & (col < distance.shape[1])
    inside[inside] = distance[row[inside], col[inside]] > 0
    reach = steps[-1] if inside.all() else steps[int(np.argmin(inside))]
    return np.vstack([line, line[-1] + (reach - 0.125) * ahead]) if reach > 0 else line


def _without_short_gaps(branches: list[Branch]) -> list[Branch]:
    """Branches joined across gaps that are too short for the raster to show."""
    ends, owner = _ends(branches)
    nodes = [list(b.nodes) for b in branches]
    for a, b in _facing(ends, [i for i, _ in owner], SHORT_GAP_CELLS + 0.5, _lengths(branches)):
        (one, last), (other, other_last) = owner[a], owner[b]
        nodes[other][other_last] = nodes[one][last]
    moved = zip(branches, nodes, strict=True)
    return joined([replace(b, nodes=(n[0], n[1])) for b, n in moved])


def _row_gaps(branches: list[Branch], longest: float) -> list[tuple[Cells, int, int]]:
    """Gaps between lines that continue each other, with the numbers of both lines."""
    ends, owner = _ends(branches)
    pairs = _facing(ends, [i for i, _ in owner], longest, _lengths(branches))
    return [(np.stack([ends[a][0], ends[b][0]]), owner[a][0], owner[b][0]) for a, b in pairs]


def _lengths(branches: list[Branch]) -> NDArray[np.float64]:
    """Length of each branch, cells."""
    return np.array([b.length for b in branches])


def _ends(branches: list[Branch]) -> tuple[list[tuple[Cells, Cells]], list[tuple[int, int]]]:
    """Free ends with their directions, and the branch and side (0 first, 1 last) of each."""
    ends, owner = [], []
    for i, (branch, free) in enumerate(_with_free_ends(branches)):
        line = branch.cells
        if free[0]:
            ends.append((line[0], _ahead(line[::-1])))
            owner.append((i, 0))
        if free[1]:
            ends.append((line[-1], _ahead(line)))
            owner.append((i, 1))
    return ends, owner


def _ahead(line: Cells) -> Cells:
    """Direction in which a line ends, of length 1; 0 for a line without length."""
    step = line[-1] - line[-min(END_CELLS, len(line))]
    length = float(np.hypot(*step))
    return step / length if length > 1.5 else np.zeros(2)


def _facing(
    ends: list[tuple[Cells, Cells]], line: list[int], longest: float, long: NDArray[np.float64]
) -> list[tuple[int, int]]:
    """Pairs of ends that continue each other, the nearest first; each end is in one pair only."""
    if len(ends) < 2:
        return []
    at, ahead = np.array([e[0] for e in ends]), np.array([e[1] for e in ends])
    pairs = cKDTree(at).query_pairs(longest, output_type="ndarray")
    first, second = pairs.T
    step = at[second] - at[first]
    length = np.hypot(*step.T)
    least = np.cos(np.radians(TURN_DEG))
    # A single crown has no direction: a line with one may lead to it across a short gap.
    crown = (ahead == 0).all(axis=1)
    crowns = crown[first].astype(int) + crown[second]
    turn = -(ahead[first] * ahead[second]).sum(axis=1)
    good = ((turn >= least) & (crowns == 0)) | ((crowns == 1) & (length <= SHORT_GAP_CELLS + 0.5))
    for end, way in ((first, step), (second, -step)):
        onward = (ahead[end] * way).sum(axis=1)
        aside = np.abs(ahead[end, 0] * way[:, 1] - ahead[end, 1] * way[:, 0])
        straight = (onward >= least * length) | ((aside <= ASIDE_CELLS) & (onward >= 0))
        good &= straight | crown[end] | (length <= CLOSE_CELLS)
    # The ends of one line face each other where it surrounds a field.
    own = np.array(line)
    good &= (own[first] != own[second]) | (long[own[first]] > RING_GAPS * length)
    order = np.lexsort([second[good], first[good], length[good]])
    taken: set[int] = set()
    found = []
    for a, b in pairs[good][order].tolist():
        if a not in taken and b not in taken:
            taken |= {a, b}
            found.append((a, b))
    return found


def _long_rows(
    branches: list[Branch],
    gaps: list[tuple[Cells, int, int]],
    distance: NDArray[np.float64],
    least: float,
) -> Rows:
    """Rows that are long for their width and have enough canopy; networks count as a whole."""
    if not branches:
        return Rows([], [], distance)
    count = len(branches)
    first, second = np.array([gap[1:] for gap in gaps], dtype=int).reshape(-1, 2).T
    nodes = np.array([b.nodes for b in branches])
    size = count + int(nodes.max()) + 1
    start = np.concatenate([first, np.arange(count), np.arange(count)])
    end = np.concatenate([second, count + nodes[:, 0], count + nodes[:, 1]])
    graph = sparse.coo_matrix((np.ones(len(start)), (start, end)), (size, size))
    group = csgraph.connected_components(graph, directed=False)[1][:count]
    length = _lengths(branches)
    missing = np.array([float(np.hypot(*(gap[1] - gap[0]))) for gap, _, _ in gaps])
    canopy = np.bincount(group, weights=length)
    whole = canopy + np.bincount(group[first], weights=missing, minlength=len(canopy))
    half = np.array([_half_width(b.cells, distance) for b in branches])
    width = 2 * np.bincount(group, weights=half * length) / np.maximum(canopy, 1e-9)
    good = (whole >= least) & (whole >= LEAST_SLENDERNESS * width)
    kept = (good & (canopy >= LEAST_ROW_SHARE * whole))[group]
    lines = [b.cells for b, keep in zip(branches, kept, strict=True) if keep]
    return Rows(lines, [gap for gap, one, _ in gaps if kept[one]], distance)


def _half_width(line: Cells, distance: NDArray[np.float64]) -> float:
    """Median distance from a line to the edge of its canopy, cells."""
    row, col = np.clip(line.round().astype(int), 0, np.array(distance.shape) - 1).T
    return float(np.median(distance[row, col]))


def on_map(cells: Cells, grid: Grid) -> shapely.LineString:
    """A line of cells as a line on the map, simplified.

    Parameters
    ----------
    cells : (n, 2) float64
        Rows and columns; whole numbers are centres of cells.
    grid : Grid

    Returns
    -------
    LineString
    """
    a = grid.affine
    line = shapely.linestrings(a.c + a.a * (cells[:, 1] + 0.5), a.f + a.e * (cells[:, 0] + 0.5))
    return shapely.simplify(line, SIMPLIFIED_CELLS * grid.cell_m)


def in_cells(line: shapely.LineString, grid: Grid) -> Cells:
    """Points on the map in rows and columns.

    Parameters
    ----------
    line : geometry or array of geometry
    grid : Grid

    Returns
    -------
    (n, 2) float64
        Whole numbers are centres of cells.
    """
    x, y = shapely.get_coordinates(line).T
    a = grid.affine
    return np.stack([(y - a.f) / a.e - 0.5, (x - a.c) / a.a - 0.5], axis=1)
