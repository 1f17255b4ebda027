"""Cells with a priority, and the position of existing belts and candidates relative to them.

For Monte Carlo runs: the geometry is kept while heights, porosities, curve and wind vary. Only
cells with a priority above 0 count in a benefit, so only those are kept or, where there are very
many, a seeded sample of them.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import NamedTuple

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import norm

from shelterscape.grid import downwind
from shelterscape.kernels.influence import (
    END,
    END_LENGTH_H,
    END_WIDTH_H,
    WOOD_FROM_H,
    end_effect_zones,
)
from shelterscape.kernels.ray_cells import (
    end_entries_of,
    entries_of,
)
from shelterscape.kernels.shelter_curves import REACH_LEEWARD_H, REACH_WINDWARD_H
from shelterscape.kernels.strips import (
    LEFT,
    LONGEST_CHAIN,
    RIGHT,
    Neighbours,
    belt_strips,
    joined_strips,
)
from shelterscape.science.outlines import CLOSE_H
from shelterscape.science.prepared_belts import PreparedBelts, prepare_belts
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.ground import SITING_RAYS, ray_directions

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

MOST_PAIRS = 500_000
"""Largest number of cells × rays; above it, cells are sampled."""

ENDS_REACH = 1.5
"""Ratio of varied to expected height up to which all cells beside belt ends are kept."""


def work_bytes(cells: int, directions: int, rays: int = SITING_RAYS) -> float:
    """Memory that `SampledCells` and one run on them need, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    directions : int
        Directions of the wind set.
    rays : int
        Rays for each direction.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    Pairs with their weights, and entries: on average 8 belts and candidates act on a cell along a
    ray (assumed; 3.6 on the sample), at 36 bytes each.
    """
    pairs = min(MOST_PAIRS, cells * directions * rays)
    return pairs * (20.0 + 8 * 36.0)


class Entries(NamedTuple):
    """Cells that belts affect: pair of ray and cell, belt, distance and depth (see `kernels`)."""

    pair: NDArray[np.int32]
    belt: NDArray[np.int32]
    distance: Field
    depth: Field


class EndEntries(NamedTuple):
    """Cells beside the ends of belts."""

    pair: NDArray[np.int32]
    belt: NDArray[np.int32]
    aside: Field
    behind: Field
    wide: Field


NO_ENTRIES = Entries(*(np.empty(0, t) for t in ("i4", "i4", "f4", "f4")))
NO_END_ENTRIES = EndEntries(*(np.empty(0, t) for t in ("i4", "i4", "f4", "f4", "f4")))


class SeparateBelts(NamedTuple):
    """Belts prepared separately, and the row of the belt of each outline."""

    prepared: PreparedBelts
    row: Numbers


class Chains(NamedTuple):
    """Existing belts close behind each other that act as one.

    Members are rows of belts, -1 after the last; ``gap_m`` is the open ground between them, m.
    """

    members: Numbers
    gap_m: Array


class SampledCells:
    """Geometry of existing belts and candidates relative to cells with a priority.

    Parameters
    ----------
    context : EvaluationContext
    candidates : GeoDataFrame
        As `belt_growth.belts_at` returns them in the case.
    rays : int
        Rays for each direction.
    seed : int
        Seed of the sample, where there are too many cells.
    stop_if_requested : callable
        Called between rays; raises to stop.
    """

    def __init__(
        self,
        context: EvaluationContext,
        candidates: gpd.GeoDataFrame,
        rays: int = SITING_RAYS,
        seed: int = 1,
        stop_if_requested: Callable[[], None] = lambda: None,
    ) -> None:
        self.context = context
        towards, self.direction, self.share = ray_directions(context, rays)
        self.cell, self.priority = sample_cells(
            context.priority_ha(), MOST_PAIRS // len(towards), seed
        )
        self.wind_weight = context.terrain_wind.reshape(-1, context.priority[0].size)[:, self.cell]
        self.groups: dict[tuple[int, ...], int] = {}
        existing, new = (
            _separate_belts(context.belts, context),
            _separate_belts(candidates, context),
        )
        alone, ends, lines = [NO_ENTRIES], [NO_END_ENTRIES], [NO_ENTRIES]
        for ray, direction_deg in enumerate(towards):
            stop_if_requested()
            along = _Ray(self, ray, np.array(downwind(float(direction_deg))))
            if existing is not None:
                alone += [along.entries(existing), along.entries_of_chains(existing)]
                ends += [along.end_entries(existing)] if context.options.ends else []
            if new is not None:
                lines.append(along.entries(new))
        self.existing = Entries(*map(np.concatenate, zip(*alone, strict=True)))
        self.ends = EndEntries(*map(np.concatenate, zip(*ends, strict=True)))
        self.chains = _chains_of(self.groups, existing)
        self._keep(Entries(*map(np.concatenate, zip(*lines, strict=True))), len(candidates))

    def _keep(self, lines: Entries, count: int) -> None:
        """Keep entries of candidates; entries of one candidate on one pair share a slot."""
        order = np.lexsort((lines.pair, lines.belt))
        self.lines = Entries._make(part[order] for part in lines)
        fresh = np.ones(len(order), bool)
        fresh[1:] = (np.diff(self.lines.belt) != 0) | (np.diff(self.lines.pair) != 0)
        self.slot = (np.cumsum(fresh) - 1).astype(np.int32)
        self.pair = self.lines.pair[fresh]
        owner = self.lines.belt[fresh]
        self.first = np.searchsorted(owner, np.arange(count + 1)).astype(np.int64)

    def cell_centres(self) -> tuple[Array, Array]:
        """Columns and rows of the centres of the cells, in the whole raster."""
        grid = self.context.grid
        row, col = np.divmod(self.cell, grid.shape[1])
        return col + grid.col0 + 0.5, row + grid.row0 + 0.5

    def ray_weights(self, weights: Array, spread_deg: float) -> Array:
        """Weight of each ray for varied wind weights and a varied spread of direction.

        Rays do not move. Outer rays count more where the spread is larger, so that the variance of
        direction changes with the spread.

        Parameters
        ----------
        weights : (directions,) float64
        spread_deg : float
            Standard deviation of the direction, degrees.

        Returns
        -------
        (rays,) float64
        """
        options, sector = self.context.options, self.context.sector_deg
        before, now = (
            np.hypot(sector / np.sqrt(12.0), s) for s in (options.spread_deg, spread_deg)
        )
        ratio = np.divide(now, before, out=np.ones_like(now), where=before > 0) ** 2
        count = np.bincount(self.direction, minlength=len(sector))
        parts = [
            ray_weights_for_variance(int(n), float(r)) for n, r in zip(count, ratio, strict=True)
        ]
        return np.concatenate(parts) * weights[self.direction]


def ray_weights_for_variance(rays: int, ratio: float) -> Array:
    """Weights that give rays at equal shares of a normal distribution another variance.

    Parameters
    ----------
    rays : int
    ratio : float
        Required variance divided by that of equally weighted rays.

    Returns
    -------
    (rays,) float64
        Their sum is 1. Of all weights with that variance, those with the largest entropy. The
        variance is limited to 95 % of the largest the rays can represent.
    """
    squares = norm.ppf((np.arange(rays) + 0.5) / rays) ** 2
    if rays < 3 or not squares.any():
        return np.full(rays, 1.0 / rays)
    target = float(np.clip(ratio * squares.mean(), 0.05 * squares.mean(), 0.95 * squares.max()))

    def _weights(steepness: float) -> Array:
        tilt = np.exp(steepness * (squares - squares.max()))
        found: Array = tilt / tilt.sum()
        return found

    steepness = brentq(lambda k: float(_weights(k) @ squares) - target, -60.0, 60.0)
    return _weights(float(steepness))


class _Ray:
    """One ray: the cells in order across it, and the belts that affect them."""

    def __init__(self, cells: SampledCells, number: int, step: Array) -> None:
        x, y = cells.cell_centres()
        across = y * step[0] - x * step[1]
        order = np.argsort(across, kind="stable")
        self.step, self.groups, self.belts = step, cells.groups, len(cells.context.belts)
        self.position = across[order], (x * step[0] + y * step[1])[order]
        self._pair = number * len(x) + order

    def pairs(self, cell: NDArray[np.int32]) -> NDArray[np.int32]:
        """Pairs of this ray and cells in the order across it."""
        return self._pair[cell].astype(np.int32)

    def entries(self, belts: SeparateBelts) -> Entries:
        """Cells that belts affect, each belt by itself."""
        outlines = belts.prepared.outlines
        strips, first = belt_strips(outlines.edges, outlines.first_edge, *self.step)
        outline = np.repeat(np.arange(len(first) - 1), np.diff(first))
        return self._reached(strips, belts.row[outline], belts.prepared.height[outline], False)

    def _reached(self, strips: Array, owner: Numbers, height: Array, joined: bool) -> Entries:
        # Includes belts that vary above their expected height.
        reach = REACH_LEEWARD_H * height, ENDS_REACH * REACH_WINDWARD_H * height
        span = np.searchsorted(self.position[0], strips[:, [LEFT, RIGHT]])
        cell, *rest = entries_of(strips, owner, span, *reach, joined, *self.position)
        return Entries(self.pairs(cell), *rest)

    def entries_of_chains(self, belts: SeparateBelts) -> Entries:
        """Cells affected by close belts that act as one, as in the expected case."""
        prepared, lines = belts.prepared, belts.prepared.outlines
        strips, first = belt_strips(lines.edges, lines.first_edge, *self.step)
        near = Neighbours(
            lines.neighbours, lines.first_neighbour, prepared.height, CLOSE_H, WOOD_FROM_H
        )
        joined, members = joined_strips(strips, first, near)
        groups = [tuple(int(m) for m in row if m >= 0) for row in members]
        owner = [self.groups.setdefault(group, len(self.groups)) for group in groups]
        height = np.array([prepared.height[list(group)].max() for group in groups])
        return self._reached(joined, self.belts + np.array(owner, np.int64), height, True)

    def end_entries(self, belts: SeparateBelts) -> EndEntries:
        """Cells beside the ends of belts."""
        lines, height = belts.prepared.outlines, belts.prepared.height
        zones, extent_h = end_effect_zones(lines.edges, lines.first_edge, height, *self.step)
        width = np.repeat(ENDS_REACH * END_WIDTH_H * height, 2)
        # Two zones for each belt: left of its left end, and right of its right end.
        left = np.arange(len(width)) % 2 == 0
        edges = zones[:, END] - left * width, zones[:, END] + ~left * width
        span = np.searchsorted(self.position[0], np.column_stack(edges))
        length = ENDS_REACH * END_LENGTH_H * height
        cell, outline, *rest = end_entries_of(
            zones, span, extent_h * height, length, *self.position
        )
        return EndEntries(self.pairs(cell), belts.row[outline].astype(np.int32), *rest)


def sample_cells(priority: Field, most: int, seed: int) -> tuple[Numbers, Array]:
    """Cells with a priority above 0, and the weight of each.

    Parameters
    ----------
    priority : (rows, cols) float32
        Priority × area of each cell, ha.
    most : int
        Largest number of cells. Above it, a systematic sample from a seeded start, with a
        probability proportional to priority.
    seed : int

    Returns
    -------
    cell : (n,) int64
        Indices in the flattened raster, ascending.
    priority : (n,) float64
        ha; the sum is that of the argument.
    """
    flat = priority.ravel().astype(float)
    cell = np.flatnonzero(flat > 0)
    if len(cell) <= most:
        return cell, flat[cell]
    total = np.cumsum(flat[cell])
    at = (np.arange(most) + np.random.default_rng(seed).random()) * (total[-1] / most)
    hit, times = np.unique(
        np.minimum(np.searchsorted(total, at), len(cell) - 1), return_counts=True
    )
    return cell[hit], times * (total[-1] / most)


def _separate_belts(frame: gpd.GeoDataFrame, context: EvaluationContext) -> SeparateBelts | None:
    """Belts that exist in the case, prepared separately; None where there are none."""
    if not len(frame):
        return None
    exists = np.flatnonzero(frame["height_m"].to_numpy(dtype=float) > 0)
    if not len(exists):
        return None
    prepared = prepare_belts([frame], context.grid, context.options, apart=True)
    return SeparateBelts(prepared, exists[prepared.outlines.kind])


def _chains_of(groups: dict[tuple[int, ...], int], belts: SeparateBelts | None) -> Chains:
    """Members of each group of outlines as rows of belts, and the gaps between them."""
    members = np.full((len(groups), LONGEST_CHAIN), -1, np.int64)
    gap_m = np.zeros(len(groups))
    for group, number in groups.items():
        assert belts is not None
        lines = belts.prepared.outlines
        members[number, : len(group)] = belts.row[list(group)]
        for one, other in itertools.pairwise(group):
            first, last = lines.first_neighbour[one : one + 2]
            at = first + int(np.flatnonzero(lines.neighbours[first:last] == other)[0])
            gap_m[number] += lines.gap_m[at]
    return Chains(members, gap_m)
