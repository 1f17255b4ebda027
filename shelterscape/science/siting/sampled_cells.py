"""Cells with a need, and what existing belts and candidates are to each of them along rays.

For Monte Carlo runs: geometry is kept, heights, porosities, curve and wind are drawn again. Only
cells with a need count in a benefit, so only those are kept; where there are very many, a seeded
sample of them.
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
from shelterscape.science.scene import Scene, scene_of
from shelterscape.science.siting.ground import SITING_RAYS, ray_directions
from shelterscape.science.siting.setting import Setting

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

MOST_PAIRS = 500_000
"""Cells times rays that are kept at most; beyond, cells are sampled."""

ENDS_REACH = 1.5
"""How much taller than expected a belt may be drawn before cells beside its ends are missed."""


def work_bytes(cells: int, directions: int, rays: int = SITING_RAYS) -> float:
    """Memory that `SampledCells` and one draw on them take, bytes.

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
    Pairs with their weights, and entries: belts and candidates reach a cell along a
    ray 8 times on average (assumed; 3.6 times on the sample), at 36 bytes each.
    """
    pairs = min(MOST_PAIRS, cells * directions * rays)
    return pairs * (20.0 + 8 * 36.0)


class Entries(NamedTuple):
    """Cells that belts reach: pair of ray and cell, belt, distance and depth (see `kernels`)."""

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


class Apart(NamedTuple):
    """Belts each by itself, ready for rays: their scene, and the belt each outline is of."""

    scene: Scene
    row: Numbers


class Chains(NamedTuple):
    """Existing belts close behind each other that act as one.

    Members are rows of belts, -1 behind the last; ``gap_m`` is the open ground between them.
    """

    members: Numbers
    gap_m: Array


class SampledCells:
    """Geometry of existing belts and candidates, as seen from cells with a need.

    Parameters
    ----------
    setting : Setting
    candidates : GeoDataFrame
        As `growth.belts_at` returns them in the case.
    rays : int
        Rays for each direction.
    seed : int
        Of the sample of cells, where there are too many.
    stop_if_asked : callable
        Called between rays; raises to stop.
    """

    def __init__(
        self,
        setting: Setting,
        candidates: gpd.GeoDataFrame,
        rays: int = SITING_RAYS,
        seed: int = 1,
        stop_if_asked: Callable[[], None] = lambda: None,
    ) -> None:
        self.setting = setting
        towards, self.direction, self.share = ray_directions(setting, rays)
        self.cell, self.need = sample_of(setting.need_ha(), MOST_PAIRS // len(towards), seed)
        self.windy = setting.open_wind.reshape(-1, setting.need[0].size)[:, self.cell]
        self.groups: dict[tuple[int, ...], int] = {}
        existing, new = _apart(setting.belts, setting), _apart(candidates, setting)
        alone, ends, lines = [NO_ENTRIES], [NO_END_ENTRIES], [NO_ENTRIES]
        for ray, direction_deg in enumerate(towards):
            stop_if_asked()
            along = _Ray(self, ray, np.array(downwind(float(direction_deg))))
            if existing is not None:
                alone += [along.entries(existing), along.chained(existing)]
                ends += [along.beside_ends(existing)] if setting.how.ends else []
            if new is not None:
                lines.append(along.entries(new))
        self.existing = Entries(*map(np.concatenate, zip(*alone, strict=True)))
        self.ends = EndEntries(*map(np.concatenate, zip(*ends, strict=True)))
        self.chains = _chains_of(self.groups, existing)
        self._keep(Entries(*map(np.concatenate, zip(*lines, strict=True))), len(candidates))

    def _keep(self, lines: Entries, count: int) -> None:
        """Keep entries of candidates; those of one on one pair share a slot."""
        order = np.lexsort((lines.pair, lines.belt))
        self.lines = Entries._make(part[order] for part in lines)
        fresh = np.ones(len(order), bool)
        fresh[1:] = (np.diff(self.lines.belt) != 0) | (np.diff(self.lines.pair) != 0)
        self.slot = (np.cumsum(fresh) - 1).astype(np.int32)
        self.pair = self.lines.pair[fresh]
        owner = self.lines.belt[fresh]
        self.first = np.searchsorted(owner, np.arange(count + 1)).astype(np.int64)

    def at(self) -> tuple[Array, Array]:
        """Columns and rows of the middles of the cells, in the whole raster."""
        grid = self.setting.grid
        row, col = np.divmod(self.cell, grid.shape[1])
        return col + grid.col0 + 0.5, row + grid.row0 + 0.5

    def ray_weights(self, weights: Array, spread_deg: float) -> Array:
        """Weight of each ray for drawn wind weights and a drawn spread of direction.

        Rays stay where they are; the outer ones count more where the spread is larger, such that
        the variance of direction changes as that of the spread does.

        Parameters
        ----------
        weights : (directions,) float64
        spread_deg : float
            Standard deviation of the swing, degrees.

        Returns
        -------
        (rays,) float64
        """
        how, sector = self.setting.how, self.setting.sector_deg
        before, now = (np.hypot(sector / np.sqrt(12.0), s) for s in (how.spread_deg, spread_deg))
        ratio = np.divide(now, before, out=np.ones_like(now), where=before > 0) ** 2
        count = np.bincount(self.direction, minlength=len(sector))
        parts = [tilted(int(n), float(r)) for n, r in zip(count, ratio, strict=True)]
        return np.concatenate(parts) * weights[self.direction]


def tilted(rays: int, ratio: float) -> Array:
    """Weights of rays at equal shares of a normal distribution for another variance.

    Parameters
    ----------
    rays : int
    ratio : float
        Variance required divided by that of the rays when they count the same.

    Returns
    -------
    (rays,) float64
        Their sum is 1. Of all weights with that variance those of the greatest entropy; beyond
        what the rays can show, 95 % of the way to the outermost of them.
    """
    squares = norm.ppf((np.arange(rays) + 0.5) / rays) ** 2
    if rays < 3 or not squares.any():
        return np.full(rays, 1.0 / rays)
    wanted = float(np.clip(ratio * squares.mean(), 0.05 * squares.mean(), 0.95 * squares.max()))

    def _weights(steepness: float) -> Array:
        tilt = np.exp(steepness * (squares - squares.max()))
        found: Array = tilt / tilt.sum()
        return found

    steepness = brentq(lambda k: float(_weights(k) @ squares) - wanted, -60.0, 60.0)
    return _weights(float(steepness))


class _Ray:
    """One ray: the cells in order across it, and what belts are to them."""

    def __init__(self, cells: SampledCells, number: int, step: Array) -> None:
        x, y = cells.at()
        across = y * step[0] - x * step[1]
        order = np.argsort(across, kind="stable")
        self.step, self.groups, self.belts = step, cells.groups, len(cells.setting.belts)
        self.at = across[order], (x * step[0] + y * step[1])[order]
        self._pair = number * len(x) + order

    def pairs(self, cell: NDArray[np.int32]) -> NDArray[np.int32]:
        """Pairs of this ray and cells in the order across it."""
        return self._pair[cell].astype(np.int32)

    def entries(self, belts: Apart) -> Entries:
        """What belts are to the cells, each by itself."""
        outlines = belts.scene.outlines
        strips, first = belt_strips(outlines.edges, outlines.first_edge, *self.step)
        outline = np.repeat(np.arange(len(first) - 1), np.diff(first))
        return self._reached(strips, belts.row[outline], belts.scene.height[outline], False)

    def _reached(self, strips: Array, owner: Numbers, height: Array, joined: bool) -> Entries:
        # Tall enough for belts drawn taller than expected.
        reach = REACH_LEEWARD_H * height, ENDS_REACH * REACH_WINDWARD_H * height
        span = np.searchsorted(self.at[0], strips[:, [LEFT, RIGHT]])
        cell, *rest = entries_of(strips, owner, span, *reach, joined, *self.at)
        return Entries(self.pairs(cell), *rest)

    def chained(self, belts: Apart) -> Entries:
        """What close belts that act as one are to the cells; which do stays as expected."""
        scene, lines = belts.scene, belts.scene.outlines
        strips, first = belt_strips(lines.edges, lines.first_edge, *self.step)
        near = Neighbours(
            lines.neighbours, lines.first_neighbour, scene.height, CLOSE_H, WOOD_FROM_H
        )
        joined, members = joined_strips(strips, first, near)
        groups = [tuple(int(m) for m in row if m >= 0) for row in members]
        owner = [self.groups.setdefault(group, len(self.groups)) for group in groups]
        height = np.array([scene.height[list(group)].max() for group in groups])
        return self._reached(joined, self.belts + np.array(owner, np.int64), height, True)

    def beside_ends(self, belts: Apart) -> EndEntries:
        """Cells beside the ends of belts."""
        lines, height = belts.scene.outlines, belts.scene.height
        zones, extent_h = end_effect_zones(lines.edges, lines.first_edge, height, *self.step)
        width = np.repeat(ENDS_REACH * END_WIDTH_H * height, 2)
        # Two zones for each belt: left of its left end, and right of its right end.
        left = np.arange(len(width)) % 2 == 0
        edges = zones[:, END] - left * width, zones[:, END] + ~left * width
        span = np.searchsorted(self.at[0], np.column_stack(edges))
        length = ENDS_REACH * END_LENGTH_H * height
        cell, outline, *rest = end_entries_of(zones, span, extent_h * height, length, *self.at)
        return EndEntries(self.pairs(cell), belts.row[outline].astype(np.int32), *rest)


def sample_of(need: Field, most: int, seed: int) -> tuple[Numbers, Array]:
    """Cells with a need, and what each counts.

    Parameters
    ----------
    need : (rows, cols) float32
        Need of each cell, in hectares.
    most : int
        Cells at most: beyond, a systematic sample of which each cell is as likely as its need is
        great, from a seeded start.
    seed : int

    Returns
    -------
    cell : (n,) int64
        Numbers in the flat raster, rising.
    need : (n,) float64
        In hectares, of the same sum as `need`.
    """
    flat = need.ravel().astype(float)
    cell = np.flatnonzero(flat > 0)
    if len(cell) <= most:
        return cell, flat[cell]
    total = np.cumsum(flat[cell])
    at = (np.arange(most) + np.random.default_rng(seed).random()) * (total[-1] / most)
    hit, times = np.unique(
        np.minimum(np.searchsorted(total, at), len(cell) - 1), return_counts=True
    )
    return cell[hit], times * (total[-1] / most)


def _apart(frame: gpd.GeoDataFrame, setting: Setting) -> Apart | None:
    """Belts that exist in the case, each a kind of its own; None where there is none."""
    if not len(frame):
        return None
    exists = np.flatnonzero(frame["height_m"].to_numpy(dtype=float) > 0)
    if not len(exists):
        return None
    scene = scene_of([frame], setting.grid, setting.how, apart=True)
    return Apart(scene, exists[scene.outlines.kind])


def _chains_of(groups: dict[tuple[int, ...], int], belts: Apart | None) -> Chains:
    """Members of each group of outlines as rows of belts, and the gaps between them."""
    members = np.full((len(groups), LONGEST_CHAIN), -1, np.int64)
    gap_m = np.zeros(len(groups))
    for group, number in groups.items():
        assert belts is not None
        lines = belts.scene.outlines
        members[number, : len(group)] = belts.row[list(group)]
        for one, other in itertools.pairwise(group):
            first, last = lines.first_neighbour[one : one + 2]
            at = first + int(np.flatnonzero(lines.neighbours[first:last] == other)[0])
            gap_m[number] += lines.gap_m[at]
    return Chains(members, gap_m)
