"""Effect of prepared belts along wind rays, and its evaluation on the cells of a map."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
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
    extents_of,
    influence_bands,
    list_by_rows,
)
from shelterscape.kernels.shelter_curves import REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.kernels.strips import Neighbours, belt_strips, joined_strips
from shelterscape.kernels.threads import map_threads
from shelterscape.science.belt_profiles import belt_profile
from shelterscape.science.near_ground import joined_near_ground
from shelterscape.science.outlines import CLOSE_H, Outlines
from shelterscape.science.prepared_belts import END_FULL_EXTENT_H, END_RISE, PreparedBelts

Array = NDArray[np.float64]
Field = NDArray[np.float32]


@dataclass(frozen=True)
class Rays:
    """Effect of belts along wind rays, to be evaluated on any part of the map.

    Parameters
    ----------
    steps : (rays, 2) float64
        Unit step downwind along each ray, columns and rows.
    geometry, rows : (n, 11) float64, (n, 2) int64
        Influence bands, ray after ray.
    first : (rays + 1,) int64
        Index of the first band of each ray.
    zones, rise, first_zone : (k, 11) float64, (cases, k) float32, (rays + 1,) int64
        End-effect zones, the increase of wind in them, and the first zone of each ray.
    tables : (cases, profile rows, entries) float32
        Relative wind of all profiles.
    """

    steps: Array
    geometry: Array
    rows: NDArray[np.int64]
    first: NDArray[np.int64]
    zones: Array
    rise: Field
    first_zone: NDArray[np.int64]
    tables: Field


def rays_of(prepared: PreparedBelts, directions_deg: Array) -> Rays:
    """Effect of belts along rays of equal weight.

    Parameters
    ----------
    prepared : PreparedBelts
    directions_deg : (rays,) float64
        Directions the wind comes from, degrees from grid north.

    Returns
    -------
    Rays
    """
    steps = np.array([downwind(float(d)) for d in directions_deg])
    strips = map_threads(partial(_strips_along, prepared), steps)
    # New profiles are registered here, so this must come before the effects.
    profiles, heights = _close(prepared, np.concatenate([members for *_, members in strips]))
    starts = itertools.pairwise(_starts([len(joined) for _, _, joined, _ in strips]))
    close = [(profiles[first:last], heights[first:last]) for first, last in starts]
    reach_h = prepared.tables.reach_h()
    given = list(zip(steps, strips, close, strict=True))
    each = map_threads(lambda one: _effects_along(prepared, reach_h, *one), given)
    geometry, rows, zones, rise = (list(part) for part in zip(*each, strict=True))
    return Rays(
        steps,
        _joined(geometry),
        _joined(rows),
        _starts([sum(len(part) for part in parts) for parts in geometry]),
        np.concatenate(zones),
        np.concatenate(rise, axis=1).astype(np.float32),
        _starts([len(part) for part in zones]),
        prepared.tables.tables(),
    )


def _joined(parts: Sequence[tuple[NDArray[Any], ...]]) -> NDArray[Any]:
    """Arrays of all rays joined; each is copied only once, because they are large."""
    flat = list(itertools.chain.from_iterable(parts))
    starts = _starts([len(part) for part in flat])
    out = np.empty((starts[-1], *flat[0].shape[1:]), flat[0].dtype)
    places = [out[first:last] for first, last in itertools.pairwise(starts)]
    map_threads(lambda pair: np.copyto(*pair), zip(places, flat, strict=True))
    return out


def _starts(counts: Sequence[int]) -> NDArray[np.int64]:
    return np.cumsum([0, *counts], dtype=np.int64)


Strips = tuple[Array, NDArray[np.int64], Array, NDArray[np.int64]]


def _strips_along(prepared: PreparedBelts, step: Array) -> Strips:
    """Strips of all outlines along one ray, the first of each outline, and chains of close ones."""
    lines = prepared.outlines
    strips, first_strip = belt_strips(lines.edges, lines.first_edge, *step)
    near = Neighbours(
        lines.neighbours, lines.first_neighbour, prepared.height, CLOSE_H, WOOD_FROM_H
    )
    joined, members = joined_strips(strips, first_strip, near)
    return strips, first_strip, joined, members


def _close(prepared: PreparedBelts, members: NDArray[np.int64]) -> tuple[NDArray[np.int64], Array]:
    """Profiles and heights of close belts combined into one."""
    sets, which = np.unique(members, axis=0, return_inverse=True)
    groups = [tuple(int(m) for m in row if m >= 0) for row in sets]
    profiles = np.array([_joined_profile(prepared, group) for group in groups], dtype=np.int64)
    heights = np.array([prepared.height[list(group)].max() for group in groups])
    which = which.reshape(-1)
    return profiles[which], heights[which]


def _effects_along(
    prepared: PreparedBelts,
    reach_h: Array,
    step: Array,
    along: Strips,
    close: tuple[NDArray[np.int64], Array],
) -> tuple[tuple[Array, ...], tuple[NDArray[np.int64], ...], Array, Array]:
    """Influence bands and table rows (alone, together), end zones and increases of one ray."""
    lines = prepared.outlines
    strips, first_strip, joined, _ = along
    owner = np.repeat(np.arange(len(lines.kind)), np.diff(first_strip))
    profile = prepared.profile_index[lines.kind[owner]]
    one, several = (
        BandSettings(REACH_WINDWARD_H, TABLE_STEP_H, joined) for joined in (False, True)
    )
    alone = influence_bands(strips, profile, prepared.height[owner], reach_h[profile], one)
    together = influence_bands(joined, *close, reach_h[close[0]], several)
    bands, rows = zip(alone, together, strict=True)
    if not prepared.options.ends:
        return bands, rows, np.empty((0, GEOMETRY_COLUMNS)), np.empty((len(prepared.density), 0))
    zones, extent_h = end_effect_zones(lines.edges, lines.first_edge, prepared.height, *step)
    rise = END_RISE * np.minimum(extent_h / END_FULL_EXTENT_H, 1.0) * prepared.density
    return bands, rows, zones, np.repeat(rise, 2, axis=1)


def _joined_profile(prepared: PreparedBelts, group: tuple[int, ...]) -> int:
    """Profile of close belts as one: product of porosities, width between outer faces,
    mean recovery distance (assumed)."""
    if group not in prepared.chains:
        kinds = prepared.outlines.kind[list(group)]
        profiles = [prepared.profiles[kind] for kind in kinds]
        gaps = sum(_gap(prepared.outlines, a, b) for a, b in itertools.pairwise(group))
        height = float(prepared.height[list(group)].max())
        width_h = (float(prepared.width_m[kinds].sum()) + gaps) / (height * prepared.cell_m)
        curves = {profile.curve for profile in profiles} - {"barrier"}
        profile = belt_profile(
            np.prod([profile.porosity for profile in profiles], axis=0),
            np.prod([profile.porosity_low for profile in profiles], axis=0),
            width_h,
            max(profile.height_share for profile in profiles),
            curves.pop() if curves else "barrier",
            float(np.mean([profile.recovery_h for profile in profiles])),
            joined_near_ground([profile.near for profile in profiles]),
        )
        prepared.chains[group] = prepared.tables.index(profile)
    return prepared.chains[group]


def _gap(outlines: Outlines, one: int, other: int) -> float:
    first, last = outlines.first_neighbour[one], outlines.first_neighbour[one + 1]
    at = first + int(np.flatnonzero(outlines.neighbours[first:last] == other)[0])
    return float(outlines.gap_m[at])


STRIP_ROWS = 2 * ROWS_PER_BLOCK
"""Rows that one thread works on at a time."""

STOP_CELLS, STOP_STRIPS = 1 << 21, 16
"""Cells, and strips, after which a requested stop is looked for again."""


def accumulate_wind_reduction(
    rays: Rays,
    windows: Sequence[Grid],
    combine: str,
    reductions: Sequence[Field],
    stop_if_requested: Callable[[], None] = lambda: None,
) -> None:
    """Add the mean wind reduction by belts over rays.

    Parameters
    ----------
    rays : Rays
    windows : sequence of Grid
        Grids of the reductions; they may be parts of the grid of the belts.
    combine : {"smallest", "product"}
        See `ShelterOptions`.
    reductions : sequence of (cases, rows, cols) float32
        Changed in place.
    stop_if_requested : callable
        Called about once a second; may raise to end the work.
    """
    bands = _blocks(_extents(rays.geometry, rays.first, rays), rays.first, windows)
    zones = _blocks(_extents(rays.zones, rays.first_zone, rays), rays.first_zone, windows)
    profiles, strips = _profiles(rays, combine), []
    for window, reduction, band, zone in zip(windows, reductions, bands, zones, strict=True):
        given = (
            Bands(rays.geometry, rays.rows, band),
            EndZones(rays.zones, rays.rise, zone),
            profiles,
            rays.steps,
            np.array([window.row0, window.col0], dtype=np.int64),
            reduction,
        )
        for first in range(0, window.shape[0], STRIP_ROWS):
            strips.append((first, min(first + STRIP_ROWS, window.shape[0]), *given))
    for lot in _lots(strips):
        stop_if_requested()
        map_threads(lambda strip: add_wind_reduction(*strip), lot)


def _lots(strips: Sequence[tuple[Any, ...]]) -> Iterator[list[tuple[Any, ...]]]:
    """Strips in lots of `STOP_STRIPS` and `STOP_CELLS` or more; the last may have fewer."""
    lot: list[tuple[Any, ...]] = []
    cells = 0
    for strip in strips:
        lot.append(strip)
        cells += (strip[1] - strip[0]) * strip[-1].shape[2]
        if cells >= STOP_CELLS and len(lot) >= STOP_STRIPS:
            yield lot
            lot, cells = [], 0
    if lot:
        yield lot


def relative_wind_by_ray(rays: Rays, grid: Grid, combine: str, wind: Field) -> None:
    """Relative wind for each ray by itself.

    Parameters
    ----------
    rays : Rays
        With one case.
    grid, combine
        See `accumulate_wind_reduction`.
    wind : (rays, rows, cols) float32
        Receives the relative wind.
    """
    none = RowBlocks(np.empty((0, 4), np.int64), np.empty((0, 0), np.int64), np.empty(0, np.int64))
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


def _extents(geometry: Array, first: NDArray[np.int64], rays: Rays) -> NDArray[np.int64]:
    """Rows and columns that the bands or zones of all rays can cover."""
    parts = map_threads(
        lambda ray: extents_of(geometry[first[ray] : first[ray + 1]], *rays.steps[ray]),
        range(len(rays.steps)),
    )
    return np.concatenate(parts)


def _blocks(
    extents: NDArray[np.int64], first: NDArray[np.int64], windows: Sequence[Grid]
) -> list[RowBlocks]:
    """Bands or zones of all rays, listed by the blocks of rows that they overlap, by window."""

    def _listed(window: Grid) -> RowBlocks:
        corner = (window.row0, window.col0)
        parts = [
            list_by_rows(extents[begin:end], corner, window.shape)
            for begin, end in itertools.pairwise(first)
        ]
        starts, listed = (list(part) for part in zip(*parts, strict=True))
        return RowBlocks(
            extents,
            np.stack(starts) + _starts([len(part) for part in listed])[:-1, None],
            np.concatenate([part + begin for part, begin in zip(listed, first[:-1], strict=True)]),
        )

    return map_threads(_listed, windows)
