"""Skeletons as networks: branches between ends and junctions, without spurs."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

Cells = NDArray[np.float64]

STRAIGHT = ((-1, 0), (0, 1), (1, 0), (0, -1))
DIAGONAL = ((-1, 1), (1, 1), (1, -1), (-1, -1))


@dataclass(frozen=True)
class Branch:
    """A part of a skeleton between two nodes.

    Parameters
    ----------
    cells : (n, 2) float64
        Row and column of its cells from one node to the other.
    nodes : tuple of int
        Numbers of its nodes.
    """

    cells: Cells
    nodes: tuple[int, int]

    @property
    def length(self) -> float:
        """Length in cells."""
        return float(np.hypot(*np.diff(self.cells, axis=0).T).sum())


def branches_of(skeleton: NDArray[np.bool_]) -> list[Branch]:
    """Branches of a skeleton.

    Parameters
    ----------
    skeleton : (rows, cols) bool
        Lines one cell wide.

    Returns
    -------
    list of Branch
        A closed ring is a branch from a node to itself; a single cell has no length.
    """
    cells = np.argwhere(skeleton)
    links = _links(skeleton, cells)
    degree = (links >= 0).sum(axis=1)
    node, centre = _nodes(cells, links, degree)
    found, used = [], set()
    starts = np.flatnonzero(degree != 2)
    for start in starts:
        for step in links[start][links[start] >= 0]:
            if (start, step) in used or (node[step] >= 0 and node[step] == node[start]):
                continue
            path = _walk(int(start), int(step), links, degree)
            used.add((path[-1], path[-2]))
            found.append(_branch(path, cells, node, centre))
    found += [
        Branch(np.repeat(centre[node[i]][None], 2, axis=0), (int(node[i]),) * 2)
        for i in np.flatnonzero(degree == 0)
    ]
    return found + _rings(cells, links, degree, len(centre))


def _links(skeleton: NDArray[np.bool_], cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Neighbours of each cell, (n, 8), -1 for none; no diagonal where a straight way exists."""
    number = np.full((skeleton.shape[0] + 2, skeleton.shape[1] + 2), -1, dtype=np.int32)
    row, col = cells.T + 1
    number[row, col] = np.arange(len(cells))
    links = [number[row + r, col + c] for r, c in STRAIGHT]
    for r, c in DIAGONAL:
        around = (number[row + r, col] >= 0) | (number[row, col + c] >= 0)
        links.append(np.where(around, -1, number[row + r, col + c]))
    return np.stack(links, axis=1).astype(np.int64) if len(cells) else np.empty((0, 8), np.int64)


def _nodes(
    cells: NDArray[np.int64], links: NDArray[np.int64], degree: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Cells]:
    """Number of the node of each cell, -1 for none, and the centre of each node.

    Junction cells that touch are one node.
    """
    count = len(cells)
    start, slot = np.nonzero(links >= 0)
    end = links[start, slot]
    joined = (degree[start] > 2) & (degree[end] > 2)
    ones = np.ones(int(joined.sum()), dtype=np.int8)
    graph = sparse.coo_matrix((ones, (start[joined], end[joined])), (count, count))
    group = csgraph.connected_components(graph, directed=False)[1] if count else np.empty(0, int)
    is_node = degree != 2
    _, numbered = np.unique(group[is_node], return_inverse=True)
    node = np.full(count, -1)
    node[is_node] = numbered
    size = np.bincount(numbered) if count else np.empty(0)
    centre = np.stack(
        [np.bincount(numbered, weights=cells[is_node, i]) / np.maximum(size, 1) for i in (0, 1)],
        axis=1,
    )
    return node, centre


def _walk(start: int, step: int, links: NDArray[np.int64], degree: NDArray[np.int64]) -> list[int]:
    """Cells from one node along a branch to the next node."""
    path = [start, step]
    while degree[path[-1]] == 2:
        around = links[path[-1]]
        ahead = [int(i) for i in around[around >= 0] if i != path[-2]]
        path.append(ahead[0])
    return path


def _branch(
    path: list[int], cells: NDArray[np.int64], node: NDArray[np.int64], centre: Cells
) -> Branch:
    first, last = int(node[path[0]]), int(node[path[-1]])
    inner = cells[path[1:-1]].astype(float)
    return Branch(np.vstack([centre[first], inner, centre[last]]), (first, last))


def _rings(
    cells: NDArray[np.int64], links: NDArray[np.int64], degree: NDArray[np.int64], first: int
) -> list[Branch]:
    """Closed rings without a node."""
    count = len(cells)
    plain = degree == 2
    start, slot = np.nonzero((links >= 0) & plain[:, None])
    end = links[start, slot]
    inside = plain[end]
    graph = sparse.coo_matrix(
        (np.ones(int(inside.sum()), dtype=np.int8), (start[inside], end[inside])), (count, count)
    )
    if not count:
        return []
    number, group = csgraph.connected_components(graph, directed=False)
    # In a ring every link leads to another plain cell.
    open_ends = np.bincount(group[start], weights=~inside, minlength=number)
    size = np.bincount(group[plain], minlength=number)
    rings: list[Branch] = []
    for ring in np.flatnonzero((open_ends == 0) & (size > 3)):
        members = np.flatnonzero(plain & (group == ring))
        path = [int(members[0]), int(links[members[0]][links[members[0]] >= 0][0])]
        while path[-1] != path[0]:
            around = links[path[-1]]
            path.append(next(int(i) for i in around[around >= 0] if i != path[-2]))
        rings.append(Branch(cells[path].astype(float), (first + len(rings),) * 2))
    return rings


def without_spurs(
    branches: list[Branch], distance: NDArray[np.float64], least: float
) -> list[Branch]:
    """Branches without short side branches, which an uneven edge of canopy causes.

    Parameters
    ----------
    branches : list of Branch
    distance : (rows, cols) float64
        Distance to the edge of the canopy, cells.
    least : float
        Length that a side branch must have beyond the edge of the belt it branches from, cells.

    Returns
    -------
    list of Branch
        Branches that are no longer divided by a junction are joined.
    """
    while True:
        ends = _branches_at(branches)
        spurs = set()
        for i, branch in enumerate(branches):
            free = [len(ends[n]) == 1 for n in branch.nodes]
            if sum(free) != 1 or branch.nodes[0] == branch.nodes[1]:
                continue
            row, col = branch.cells[-1 if free[0] else 0].round().astype(int)
            if branch.length - distance[row, col] < least:
                spurs.add(i)
        # Where all branches of a junction are short, the longest remains.
        spurs -= _longest_of_stars(branches, ends, spurs)
        if not spurs:
            return branches
        branches = joined([b for i, b in enumerate(branches) if i not in spurs])


def _branches_at(branches: list[Branch]) -> dict[int, list[int]]:
    """Numbers of branches by node; a ring counts twice."""
    found: dict[int, list[int]] = defaultdict(list)
    for i, branch in enumerate(branches):
        for node in branch.nodes:
            found[node].append(i)
    return found


def _longest_of_stars(
    branches: list[Branch], ends: dict[int, list[int]], spurs: set[int]
) -> set[int]:
    """The two longest branches of each junction whose branches are all spurs."""
    kept = set()
    for around in ends.values():
        if len(around) > 2 and set(around) <= spurs:
            kept |= set(sorted(around, key=lambda i: (-branches[i].length, i))[:2])
    return kept


def joined(branches: list[Branch]) -> list[Branch]:
    """Branches with those joined that meet at a node of two branches only.

    Parameters
    ----------
    branches : list of Branch

    Returns
    -------
    list of Branch
    """
    found = {i: branch for i, branch in enumerate(branches)}
    ends = {node: list(around) for node, around in _branches_at(branches).items()}
    for node, around in ends.items():
        if len(around) != 2 or around[0] == around[1]:
            continue
        first, second = (_ending_at(found[i], node, last=k == 0) for k, i in enumerate(around))
        whole = Branch(
            np.vstack([first.cells, second.cells[1:]]), (first.nodes[0], second.nodes[1])
        )
        kept, gone = around
        found[kept] = whole
        del found[gone]
        for other in whole.nodes:
            ends[other] = [kept if i == gone else i for i in ends[other]]
        ends[node] = []
    return list(found.values())


def _ending_at(branch: Branch, node: int, *, last: bool) -> Branch:
    """A branch turned so that a node is its last or first one."""
    if (branch.nodes[1] if last else branch.nodes[0]) == node:
        return branch
    return replace(branch, cells=branch.cells[::-1], nodes=branch.nodes[::-1])
