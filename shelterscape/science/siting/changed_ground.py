"""Ground on which the wind can differ between two sets of belts."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from shelterscape.grid import Grid
from shelterscape.kernels.influence import WOOD_FROM_H
from shelterscape.kernels.shelter_curves import REACH_LEEWARD_H, REACH_WINDWARD_H
from shelterscape.kernels.strips import LONGEST_CHAIN
from shelterscape.science.outlines import CLOSE_H, Outlines
from shelterscape.science.prepared_belts import PreparedBelts

Array = NDArray[np.float64]

FACES_H = 2.0 * (CLOSE_H + WOOD_FROM_H) + WOOD_FROM_H
"""Farthest along the wind from the windward face of a belt to that of a close belt windward of it,
heights of the taller: gap and depth are limited at the middle of a strip and may be twice as large
at its end, and belts may overlap by half the depth of one, again twice as deep at an end."""

MOST_IN_WINDOWS = 0.8
"""Share of the grid, and of the outlines, above which all of them takes less time."""


class OutlineReach:
    """Ground on which outlines of belts act, alone or with close belts.

    Parameters
    ----------
    belts : PreparedBelts or None
        In one case; None without belts.
    """

    def __init__(self, belts: PreparedBelts | None) -> None:
        self.keys: list[Hashable] = []
        self.boxes, self.leeward = np.empty((0, 4)), np.empty(0)
        if belts is None or not len(belts.outlines.kind):
            return
        lines, height = belts.outlines, belts.height.copy()
        count = len(height)
        owner = np.repeat(np.arange(count), np.diff(lines.first_neighbour))
        pairs = coo_array((np.ones(len(owner)), (owner, lines.neighbours)), (count, count))
        group = connected_components(pairs)[1]
        links = np.minimum(np.bincount(group)[group], LONGEST_CHAIN) - 1
        for _ in range(LONGEST_CHAIN - 1):
            np.maximum.at(height, owner, height[lines.neighbours])
        # The profile of close belts together is not known before they are examined along rays.
        alone = belts.tables.reach_h()[belts.profile_index[lines.kind]]
        self.leeward = np.where(links > 0, REACH_LEEWARD_H, alone) * height
        boxes = []
        for number, kind in enumerate(lines.kind):
            edges = lines.edges[lines.first_edge[number] : lines.first_edge[number + 1]]
            # All on which the effect of the outline depends.
            shape = edges.tobytes(), float(belts.height[number]), float(belts.width_m[kind])
            effect = belts.density[:, number].tobytes(), belts.profiles[kind]
            self.keys.append((*shape, *effect))
            ends = edges.reshape(-1, 2)
            boxes.append(np.hstack([ends.min(axis=0), ends.max(axis=0)]))
        # Windward and beside the ends; leeward the same is added to the reach of the curves.
        beside = (REACH_WINDWARD_H + FACES_H * links) * height
        self.boxes = np.array(boxes) + np.outer(beside, [-1.0, -1.0, 1.0, 1.0])

    def along(self, steps: Array) -> Array:
        """Boxes of the ground on which each acts along rays, in cells of the whole raster.

        Parameters
        ----------
        steps : (rays, 2) float64
            Unit step downwind along each ray, columns and rows.

        Returns
        -------
        (outlines, 4) float64
            First column and row, last column and row.
        """
        turns = np.vstack([np.zeros(2), steps])
        lee = np.outer(self.leeward, np.hstack([turns.min(axis=0), turns.max(axis=0)]))
        boxes: Array = self.boxes + lee
        return boxes


class ChangedGround:
    """Ground on which the wind can differ between two sets of belts.

    Parameters
    ----------
    before, after : PreparedBelts or None
        In one case, with the same options; None without belts.

    Notes
    -----
    Outlines are compared, not lines: a new line that continues an existing belt becomes part of
    its outline. A product of several belts depends on their order, so it may change everywhere.
    """

    def __init__(self, before: PreparedBelts | None, after: PreparedBelts | None) -> None:
        self._after, self._both = after, (OutlineReach(before), OutlineReach(after))
        known = [set(one.keys) for one in self._both]
        self._changed = [
            np.array([key not in other for key in one.keys], dtype=bool)
            for one, other in zip(self._both, reversed(known), strict=True)
        ]
        options = [one.options for one in (before, after) if one is not None]
        self._everywhere = any(one.combine != "smallest" for one in options)

    def windows(self, steps: Array, grid: Grid) -> list[Grid]:
        """Windows outside which the wind is the same with both sets, to the last bit.

        Parameters
        ----------
        steps : (rays, 2) float64
            Unit step downwind along each ray, columns and rows.
        grid : Grid

        Returns
        -------
        list of Grid
        """
        if self._everywhere:
            return [grid]
        pairs = zip(self._both, self._changed, strict=True)
        boxes = np.vstack([reach.along(steps)[changed] for reach, changed in pairs])
        corner, size = np.tile([grid.col0, grid.row0], 2), np.tile(grid.shape[::-1], 2)
        inside = np.clip(boxes - corner, 0, size)
        inside = np.hstack([np.floor(inside[:, :2]), np.ceil(inside[:, 2:])]).astype(int)
        merged = _merged(inside.tolist())
        if sum(map(_cells, merged)) > MOST_IN_WINDOWS * size[0] * size[1]:
            return [grid]
        return [
            grid.window(top, left, (bottom - top, right - left))
            for left, top, right, bottom in merged
            if right > left and bottom > top
        ]

    def belts_on(self, windows: list[Grid], steps: Array) -> PreparedBelts | None:
        """Belts of the set `after` that can act on any of the windows along the rays.

        Parameters
        ----------
        windows : list of Grid
            As `windows` returns them.
        steps : (rays, 2) float64

        Returns
        -------
        PreparedBelts or None
        """
        if self._after is None or self._everywhere:
            return self._after
        left, top, right, bottom = self._both[1].along(steps).T
        acts = np.zeros(len(left), dtype=bool)
        for one in windows:
            rows, cols = one.shape
            acts |= (
                (left <= one.col0 + cols)
                & (right >= one.col0)
                & ((top <= one.row0 + rows) & (bottom >= one.row0))
            )
        # The whole set keeps the profiles of close belts from one direction to the next.
        most = acts.mean() > MOST_IN_WINDOWS if len(acts) else True
        return self._after if most else _some_outlines(self._after, acts)


def _some_outlines(belts: PreparedBelts, keep: NDArray[np.bool_]) -> PreparedBelts:
    """Belts with some of their outlines."""
    lines, number = belts.outlines, np.cumsum(keep) - 1
    edges = np.repeat(keep, np.diff(lines.first_edge))
    owner = np.repeat(np.arange(len(keep)), np.diff(lines.first_neighbour))
    pairs = keep[owner] & keep[lines.neighbours]
    count = int(keep.sum())
    outlines = Outlines(
        lines.edges[edges],
        np.append(0, np.cumsum(np.diff(lines.first_edge)[keep])),
        lines.kind[keep],
        number[lines.neighbours[pairs]],
        np.searchsorted(number[owner[pairs]], np.arange(count + 1)).astype(np.int64),
        lines.gap_m[pairs],
    )
    height, density = belts.height[keep], belts.density[:, keep]
    # Sets of close belts are named by numbers of outlines.
    return replace(belts, outlines=outlines, height=height, density=density, chains={})


def _merged(boxes: list[list[int]]) -> list[list[int]]:
    """Boxes merged where one around two has no more cells than both."""
    found: list[list[int]] = []
    todo = sorted(boxes)
    while todo:
        box = todo.pop()
        for other in found:
            around = [*map(min, box[:2], other[:2]), *map(max, box[2:], other[2:])]
            if _cells(around) <= _cells(box) + _cells(other):
                found.remove(other)
                todo.append(around)
                break
        else:
            found.append(box)
    return found


def _cells(box: list[int]) -> int:
    return (box[2] - box[0]) * (box[3] - box[1])
