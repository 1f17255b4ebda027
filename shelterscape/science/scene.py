"""Belts in some states made ready for the kernels, and what they do along some winds."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.grid import Grid, downwind
from shelterscape.kernels.downwind import Bands, EndZones, Profiles, add_wind_reduction
from shelterscape.kernels.influence import (
    GEOMETRY_COLUMNS,
    ROWS_PER_BLOCK,
    ROWS_PER_PROFILE,
    WOOD_FROM_H,
    BandSettings,
    RowBlocks,
    end_effect_zones,
    influence_bands,
    list_by_rows,
)
from shelterscape.kernels.shelter_curves import CURVES, REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.kernels.siting import wind_along_ray
from shelterscape.kernels.strips import Neighbours, belt_strips, joined_strips
from shelterscape.kernels.threads import map_threads
from shelterscape.science.belts import HARD_TYPES
from shelterscape.science.looks import Look, LookTables, look_of, shade_at
from shelterscape.science.outlines import CLOSE_H, Outlines, outlines_of

Array = NDArray[np.float64]
Field = NDArray[np.float32]

SPREAD_DEG = 10.0
"""Standard deviation of the wind's swing about a direction near the ground, degrees.

The swing of gusts across the wind is about 1.9 friction velocities in neutral air (Panofsky and
Dutton 1984, from memory): 10.5° at 2 m over a roughness of .03 m.
"""

END_RISE = 0.10
END_FULL_EXTENT_H = 2.0
"""Rise of the wind beside the end of a solid belt, and the extent across the wind from which a belt
raises it fully (engineering choices, within the published 20 %)."""

COMBINE = ("smallest", "product")
"""How several belts act on one cell."""


@dataclass(frozen=True)
class How:
    """Choices that hold for a whole field.

    Parameters
    ----------
    curve : str
        A name in `CURVES`; fences and walls follow "barrier" whatever is chosen.
    combine : {"smallest", "product"}
        Where several belts act: the smallest relative wind, or, hopefully, their product.
    ends : bool
        Whether the wind rises outside the ends of belts.
    at_height_m : float
        Height above ground looked at.
    spread_deg : float
        Swing of the wind about a direction; 0 with a sector of 0 is a single ray.
    """

    curve: str = "mid"
    combine: str = "smallest"
    ends: bool = True
    at_height_m: float = 1.5
    spread_deg: float = SPREAD_DEG


@dataclass(frozen=True)
class Scene:
    """Belts in some states that stand equally tall, ready for the kernels.

    Parameters
    ----------
    outlines : Outlines
    height : (m,) float64
        Height of each outline, in cells.
    density : (cases, m) float64
        1 − porosity in each state, faded for the height looked at.
    looks : list of Look
        Look of each kind.
    look_index : (kinds,) int64
        Its number in `tables`.
    width_m : (kinds,) float64
    tables : LookTables
    chains : dict
        Look of each set of close belts met so far.
    how : How
    cell_m : float
    """

    outlines: Outlines
    height: Array
    density: Array
    looks: list[Look]
    look_index: NDArray[np.int64]
    width_m: Array
    tables: LookTables
    chains: dict[tuple[int, ...], int]
    how: How
    cell_m: float


def scene_of(
    frames: Sequence[gpd.GeoDataFrame], grid: Grid, how: How, *, apart: bool = False
) -> Scene:
    """Prepare belts in one or more states.

    Parameters
    ----------
    frames : sequence of GeoDataFrame
        The same belts as `science.belts.seasonal` or `science.growth.belts_at` gives them, one
        frame for each state; heights are those of the first.
    grid : Grid
    how : How
    apart : bool
        Whether each belt that stands stays a kind of its own, in the order given, and so is never
        joined with others: for lines of which only some may come to stand.

    Returns
    -------
    Scene

    Raises
    ------
    InputError
        ``name-unknown`` for a curve or a way to combine that is not known.
    """
    for name, known in ((how.curve, tuple(CURVES)), (how.combine, COMBINE)):
        if name not in known:
            raise InputError(
                "name-unknown",
                "There is no such choice for a shelter field.",
                value=name,
                mend=f"Use one of: {', '.join(known)}.",
            )
    first = frames[0]
    standing = first["height_m"].to_numpy(dtype=float) > 0
    frames = [frame[standing] for frame in frames]
    kinds, kind_of_belt = _kinds(frames, apart)
    height_m = kinds["height_m"].to_numpy(dtype=float)
    width_m = kinds["width_m"].to_numpy(dtype=float)
    porosity, low = (
        kinds[[c for c in kinds if str(c).startswith(name)]].to_numpy(dtype=float).T
        for name in ("leaf_", "low_")
    )
    looks = [
        _look(p, q, kind, how)
        for p, q, kind in zip(porosity.T, low.T, kinds.itertuples(), strict=True)
    ]
    shade = shade_at(height_m, how.at_height_m)
    tables = LookTables(len(frames))
    outlines = outlines_of(frames[0].geometry.to_numpy(), kind_of_belt, width_m, height_m, grid)
    return Scene(
        outlines=outlines,
        height=height_m[outlines.kind] / grid.cell_m,
        density=((1.0 - low) * shade)[:, outlines.kind],
        looks=looks,
        look_index=np.array([tables.index(look) for look in looks], dtype=np.int64),
        width_m=width_m,
        tables=tables,
        chains={},
        how=how,
        cell_m=grid.cell_m,
    )


def _kinds(
    frames: Sequence[gpd.GeoDataFrame], apart: bool
) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Belts alike in all that decides how they act, and which of them each belt is."""
    columns = {"number": np.arange(len(frames[0])) if apart else np.zeros(len(frames[0]), int)}
    for name in ("height_m", "width_m", "belt_type"):
        columns[name] = frames[0][name].to_numpy()
    for i, frame in enumerate(frames):
        columns[f"leaf_{i}"] = frame["porosity"].to_numpy(dtype=float)
        columns[f"low_{i}"] = frame["porosity_low"].to_numpy(dtype=float)
    table = pd.DataFrame(columns)
    groups = table.groupby(list(table.columns), sort=True)
    kind = np.asarray(groups.ngroup(), dtype=np.int64)
    _, first = np.unique(kind, return_index=True)
    return table.iloc[first].reset_index(drop=True), kind


@dataclass(frozen=True)
class Rays:
    """All that belts do along some winds, ready to be evaluated on any cut-out of the map.

    Parameters
    ----------
    steps : (rays, 2) float64
        Unit step down the wind of each ray, columns and rows.
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
        np.concatenate(geometry),
        np.concatenate(rows),
        _starts(geometry),
        np.concatenate(zones),
        np.concatenate(rise, axis=1).astype(np.float32),
        _starts(zones),
        scene.tables.tables(),
    )


def _starts(parts: Sequence[Array]) -> NDArray[np.int64]:
    return np.cumsum([0, *(len(part) for part in parts)], dtype=np.int64)


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
    """Looks and heights of close belts taken together."""
    sets, which = np.unique(members, axis=0, return_inverse=True)
    groups = [tuple(int(m) for m in row if m >= 0) for row in sets]
    looks = np.array([_chain_look(scene, group) for group in groups], dtype=np.int64)
    heights = np.array([scene.height[list(group)].max() for group in groups])
    which = which.reshape(-1)
    return looks[which], heights[which]


def _act_along(
    scene: Scene,
    reach_h: Array,
    step: Array,
    cut: Cut,
    close: tuple[NDArray[np.int64], Array],
) -> tuple[Array, NDArray[np.int64], Array, Array]:
    """Influence bands, their table rows, end-effect zones and their rise, along one wind."""
    lines = scene.outlines
    strips, first_strip, joined, _ = cut
    owner = np.repeat(np.arange(len(lines.kind)), np.diff(first_strip))
    look = scene.look_index[lines.kind[owner]]
    one, several = (
        BandSettings(REACH_WINDWARD_H, TABLE_STEP_H, joined) for joined in (False, True)
    )
    alone = influence_bands(strips, look, scene.height[owner], reach_h[look], one)
    together = influence_bands(joined, *close, reach_h[close[0]], several)
    bands, rows = (np.concatenate(pair) for pair in zip(alone, together, strict=True))
    if not scene.how.ends:
        return bands, rows, np.empty((0, GEOMETRY_COLUMNS)), np.empty((len(scene.density), 0))
    zones, extent_h = end_effect_zones(lines.edges, lines.first_edge, scene.height, *step)
    rise = END_RISE * np.minimum(extent_h / END_FULL_EXTENT_H, 1.0) * scene.density
    return bands, rows, zones, np.repeat(rise, 2, axis=1)


def _chain_look(scene: Scene, group: tuple[int, ...]) -> int:
    """Look of close belts as one: porosities multiplied, width from outer faces (E)."""
    if group not in scene.chains:
        kinds = scene.outlines.kind[list(group)]
        looks = [scene.looks[kind] for kind in kinds]
        gaps = sum(_gap(scene.outlines, a, b) for a, b in itertools.pairwise(group))
        height = float(scene.height[list(group)].max())
        width_h = (float(scene.width_m[kinds].sum()) + gaps) / (height * scene.cell_m)
        curves = {look.curve for look in looks} - {"barrier"}
        look = look_of(
            np.prod([look.porosity for look in looks], axis=0),
            np.prod([look.porosity_low for look in looks], axis=0),
            width_h,
            max(look.shade for look in looks),
            curves.pop() if curves else "barrier",
        )
        scene.chains[group] = scene.tables.index(look)
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
        np.stack(starts) + _starts(listed)[:-1, None],
        np.concatenate([part + begin for part, begin in zip(listed, first[:-1], strict=True)]),
    )


WIND_BACK = 0.8
"""Relative wind at which the reach of a belt is taken to end."""


def reach_m(belts: gpd.GeoDataFrame, how: How) -> Array:
    """Distance behind each belt, the wind square to it, to where the wind is 80 % back.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.standing` gives them.
    how : How

    Returns
    -------
    (n,) float64
        Metres; 0 for a belt that never takes so much off.
    """
    looks = [
        _look(np.array([row.porosity]), np.array([row.porosity_low]), row, how)
        for row in belts.itertuples()
    ]
    tables = LookTables(1)
    index = np.array([tables.index(look) for look in looks], dtype=np.int64)
    lee = tables.tables()[0, ::ROWS_PER_PROFILE, round(REACH_WINDWARD_H / TABLE_STEP_H) :]
    calm = lee < WIND_BACK
    last_h = np.where(
        calm.any(axis=1), TABLE_STEP_H * (calm.shape[1] - 1 - calm[:, ::-1].argmax(axis=1)), 0.0
    )
    reach: Array = last_h[index] * belts["height_m"].to_numpy(dtype=float)
    return reach


def _look(porosity: Array, porosity_low: Array, kind: Any, how: How) -> Look:
    """Look of a belt with ``height_m``, ``width_m`` and ``belt_type``; porosities by case."""
    height = max(kind.height_m, 1e-9)
    return look_of(
        porosity,
        porosity_low,
        kind.width_m / height,
        float(shade_at(np.array(height), how.at_height_m)),
        "barrier" if kind.belt_type in HARD_TYPES else how.curve,
    )
