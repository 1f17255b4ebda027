"""What prepared belts do along some winds, and its evaluation on the cells of a map."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid, downwind
from shelterscape.kernels.downwind import (
    Bands,
    EndZones,
    Profiles,
    add_wind_reduction,
    wind_along_ray,
)
from shelterscape.kernels.influence import (
    GEOMETRY_COLUMNS,
    ROWS_PER_BLOCK,
    WOOD_FROM_H,
    BandSettings,
    RowBlocks,
    end_effect_zones,
    influence_bands,
    list_by_rows,
)
from shelterscape.kernels.shelter_curves import REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.kernels.strips import Neighbours, belt_strips, joined_strips
from shelterscape.kernels.threads import map_threads
from shelterscape.science.belt_profiles import belt_profile
from shelterscape.science.outlines import CLOSE_H, Outlines
from shelterscape.science.scene import END_FULL_EXTENT_H, END_RISE, Scene

Array = NDArray[np.float64]
Field = NDArray[np.float32]


@dataclass(frozen=True)
class Rays:
    """All that belts do along some winds, ready to be evaluated on any cut-out of the map.

    Parameters
    ----------
    steps : (rays, 2) float64
        Unit step downwind along each ray, columns and rows.
    geometry, rows : (n, 11) float64, (n, 2) int64
        Influence bands, ray after ray.
    first : (rays + 1,) int64
        Where those of each ray begin.
    zones, rise, first_zone : (k, 11) float64, (cases, k) float32, (rays + 1,) int64
        The same for end-effect zones.
    tables : (cases, profile rows, entries) float32
    """

    steps: Array
    geometry: Array
    rows: NDArray[np.int64]
    first: NDArray[np.int64]
    zones: Array
    rise: Field
    first_zone: NDArray[np.int64]
    tables: Field


def rays_of(scene: Scene, directions_deg: Array) -> Rays:
    """What belts do along some winds (degrees from grid north) that count the same.

    Parameters
    ----------
    scene : Scene
    directions_deg : (rays,) float64

    Returns
    -------
    Rays
    """
    steps = np.array([downwind(float(d)) for d in directions_deg])
    cut = map_threads(partial(_cut_along, scene), steps)
    # Profiles are numbered as they are met, so this must keep its order.
    close = [_close(scene, joined, members) for _, _, joined, members in cut]
    reach_h = scene.tables.reach_h()
    given = list(zip(steps, cut, close, strict=True))
    each = map_threads(lambda one: _act_along(scene, reach_h, *one), given)
    geometry, rows, zones, rise = (list(part) for part in zip(*each, strict=True))
    return Rays(
        steps,
        _joined(geometry),
        _joined(rows),
        _starts([sum(len(part) for part in parts) for parts in geometry]),
        np.concatenate(zones),
        np.concatenate(rise, axis=1).astype(np.float32),
        _starts([len(part) for part in zones]),
        scene.tables.tables(),
    )


def _joined(parts: Sequence[tuple[NDArray[Any], ...]]) -> NDArray[Any]:
    """Arrays of all rays one after another, copied once only, since they are large."""
    flat = list(itertools.chain.from_iterable(parts))
    starts = _starts([len(part) for part in flat])
    out = np.empty((starts[-1], *flat[0].shape[1:]), flat[0].dtype)
    places = [out[first:last] for first, last in itertools.pairwise(starts)]
    map_threads(lambda pair: np.copyto(*pair), zip(places, flat, strict=True))
    return out


def _starts(counts: Sequence[int]) -> NDArray[np.int64]:
    return np.cumsum([0, *counts], dtype=np.int64)


Cut = tuple[Array, NDArray[np.int64], Array, NDArray[np.int64]]


def _cut_along(scene: Scene, step: Array) -> Cut:
    """Strips of all outlines along one wind, where each begins, and chains of close ones."""
    lines = scene.outlines
    strips, first_strip = belt_strips(lines.edges, lines.first_edge, *step)
    near = Neighbours(lines.neighbours, lines.first_neighbour, scene.height, CLOSE_H, WOOD_FROM_H)
    joined, members = joined_strips(strips, first_strip, near)
    return strips, first_strip, joined, members


def _close(
    scene: Scene, joined: Array, members: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Array]:
    """Profiles and heights of close belts taken together."""
    sets, which = np.unique(members, axis=0, return_inverse=True)
    groups = [tuple(int(m) for m in row if m >= 0) for row in sets]
    profiles = np.array([_joined_profile(scene, group) for group in groups], dtype=np.int64)
    heights = np.array([scene.height[list(group)].max() for group in groups])
    which = which.reshape(-1)
    return profiles[which], heights[which]


def _act_along(
    scene: Scene,
    reach_h: Array,
    step: Array,
    cut: Cut,
    close: tuple[NDArray[np.int64], Array],
) -> tuple[tuple[Array, ...], tuple[NDArray[np.int64], ...], Array, Array]:
    """Influence bands and table rows, alone and together; end zones and rise; along one wind."""
    lines = scene.outlines
    strips, first_strip, joined, _ = cut
    owner = np.repeat(np.arange(len(lines.kind)), np.diff(first_strip))
    profile = scene.profile_index[lines.kind[owner]]
    one, several = (
        BandSettings(REACH_WINDWARD_H, TABLE_STEP_H, joined) for joined in (False, True)
    )
    alone = influence_bands(strips, profile, scene.height[owner], reach_h[profile], one)
    together = influence_bands(joined, *close, reach_h[close[0]], several)
    bands, rows = zip(alone, together, strict=True)
    if not scene.how.ends:
        return bands, rows, np.empty((0, GEOMETRY_COLUMNS)), np.empty((len(scene.density), 0))
    zones, extent_h = end_effect_zones(lines.edges, lines.first_edge, scene.height, *step)
    rise = END_RISE * np.minimum(extent_h / END_FULL_EXTENT_H, 1.0) * scene.density
    return bands, rows, zones, np.repeat(rise, 2, axis=1)


def _joined_profile(scene: Scene, group: tuple[int, ...]) -> int:
    """Profile of close belts as one: porosities multiplied, width from outer faces (E)."""
    if group not in scene.chains:
        kinds = scene.outlines.kind[list(group)]
        profiles = [scene.profiles[kind] for kind in kinds]
        gaps = sum(_gap(scene.outlines, a, b) for a, b in itertools.pairwise(group))
        height = float(scene.height[list(group)].max())
        width_h = (float(scene.width_m[kinds].sum()) + gaps) / (height * scene.cell_m)
        curves = {profile.curve for profile in profiles} - {"barrier"}
        profile = belt_profile(
            np.prod([profile.porosity for profile in profiles], axis=0),
            np.prod([profile.porosity_low for profile in profiles], axis=0),
            width_h,
            max(profile.height_share for profile in profiles),
            curves.pop() if curves else "barrier",
        )
        scene.chains[group] = scene.tables.index(profile)
    return scene.chains[group]


def _gap(outlines: Outlines, one: int, other: int) -> float:
    first, last = outlines.first_neighbour[one], outlines.first_neighbour[one + 1]
    at = first + int(np.flatnonzero(outlines.neighbours[first:last] == other)[0])
    return float(outlines.gap_m[at])


STRIP_ROWS = 2 * ROWS_PER_BLOCK
"""Rows that one thread works on at a time."""

STOP_ROWS = 1024
"""Rows evaluated between two chances to stop."""


def lay(
    rays: Rays,
    grid: Grid,
    combine: str,
    taken: Field,
    stop_if_asked: Callable[[], None] = lambda: None,
) -> None:
    """Add the mean wind reduction by belts over some rays.

    Parameters
    ----------
    rays : Rays
    grid : Grid
        Of `taken`; may be a cut-out of that of the belts.
    combine : {"smallest", "product"}
    taken : (cases, rows, cols) float32
        Changed in place.
    stop_if_asked : callable
        Called every second or so; may raise to end the work.
    """
    bands = Bands(rays.geometry, rays.rows, _blocks(rays.geometry, rays.first, rays.steps, grid))
    zones = EndZones(rays.zones, rays.rise, _blocks(rays.zones, rays.first_zone, rays.steps, grid))
    profiles = _profiles(rays, combine)
    corner = np.array([grid.row0, grid.col0], dtype=np.int64)
    given = (bands, zones, profiles, rays.steps, corner, taken)
    for begin in range(0, grid.shape[0], STOP_ROWS):
        stop_if_asked()
        end = min(begin + STOP_ROWS, grid.shape[0])
        strips = [(first, min(first + STRIP_ROWS, end)) for first in range(begin, end, STRIP_ROWS)]
        map_threads(lambda strip: add_wind_reduction(*strip, *given), strips)


def lay_apart(rays: Rays, grid: Grid, combine: str, wind: Field) -> None:
    """Relative wind along each ray alone.

    Parameters
    ----------
    rays : Rays
        Of one case.
    grid, combine
        As for `lay`.
    wind : (rays, rows, cols) float32
        Filled.
    """
    none = RowBlocks(np.empty((0, 2), np.int64), np.empty((0, 0), np.int64), np.empty(0, np.int64))
    bands = Bands(rays.geometry, rays.rows, none)
    zones = EndZones(rays.zones, rays.rise, none)
    corner = np.array([grid.row0, grid.col0], dtype=np.int64)
    given = (bands, rays.first, zones, rays.first_zone, _profiles(rays, combine))
    map_threads(
        lambda ray: wind_along_ray(*given, rays.steps[ray], corner, ray, wind),
        range(len(rays.steps)),
    )


def _profiles(rays: Rays, combine: str) -> Profiles:
    return Profiles(rays.tables, REACH_WINDWARD_H / TABLE_STEP_H, combine == "product")


def _blocks(geometry: Array, first: NDArray[np.int64], steps: Array, grid: Grid) -> RowBlocks:
    """Bands or zones of all rays by the blocks of rows they reach."""
    parts = map_threads(
        lambda ray: list_by_rows(
            geometry[first[ray] : first[ray + 1]], *steps[ray], grid.row0, grid.shape[0]
        ),
        range(len(steps)),
    )
    ranges, starts, listed = (list(part) for part in zip(*parts, strict=True))
    return RowBlocks(
        np.concatenate(ranges),
        np.stack(starts) + _starts([len(part) for part in listed])[:-1, None],
        np.concatenate([part + begin for part, begin in zip(listed, first[:-1], strict=True)]),
    )
