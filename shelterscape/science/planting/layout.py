"""Plan of planting: clumps along the rows of each belt, and fences around it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.science.planting.clumps import species_of_plants
from shelterscape.science.planting.design import FENCE, BeltDesign, protection
from shelterscape.science.planting.fences import fence_lines, strainer_count
from shelterscape.science.planting.rows import (
    is_leeward_left,
    opening_strips,
    plant_distances,
    row_lines,
)

ROW_COLUMNS = ("belt", "row", "row_part", "from_m", "to_m", "species", "plant_count", "spacing_m")
FENCE_COLUMNS = ("belt", "fence_type", "length_m", "strainer_count", "gate_count")

BROWSER_FENCE, STOCK_FENCE = "browsers", "stock"


@dataclass(frozen=True)
class Site:
    """What surrounds the belts to be planted.

    Parameters
    ----------
    wind_from_deg : float
        Direction of the damaging wind, degrees from grid north; the first row faces it.
    clearances : sequence of geometries
        Ground on which nothing is planted and no post is set.
    openings : sequence of geometries
        Gateways and paths that stay open, where they are nearest to a belt.
    opening_width_m : sequence of float
        Width of each opening, m; NaN, or no value, for the width of the design.
    """

    wind_from_deg: float
    clearances: Sequence[shapely.Geometry] = ()
    openings: Sequence[shapely.Geometry] = ()
    opening_width_m: Sequence[float] = ()


@dataclass(frozen=True)
class Layout:
    """Plan of planting.

    Parameters
    ----------
    rows : GeoDataFrame
        A line for each clump, with `ROW_COLUMNS`: distances along the piece of its row, m.
    fences : GeoDataFrame
        With `FENCE_COLUMNS`.
    unplanted : list of str
        Belts without room for a plant.
    """

    rows: gpd.GeoDataFrame
    fences: gpd.GeoDataFrame
    unplanted: list[str] = field(default_factory=list)


def layout(
    belts: gpd.GeoDataFrame, designs: Mapping[str, BeltDesign], site: Site, *, seed: int = 0
) -> Layout:
    """Rows, clumps and fences of belts.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines with ``belt`` (name, unique) and ``design``.
    designs : dict of BeltDesign
    site : Site
    seed : int
        Another seed gives other clumps; the counts remain.

    Returns
    -------
    Layout

    Notes
    -----
    The number of plants of each species in a row, over all its pieces, is that of its shares by
    largest remainders. Plants stand at half a spacing from the ends of a piece, and every second
    row is staggered.
    """
    near_clear, near_open = _Nearby(site.clearances), _Nearby(site.openings)
    width = np.array(site.opening_width_m or [np.nan] * len(site.openings))
    rows: list[pd.DataFrame] = []
    lines: list[NDArray[np.object_]] = []
    fences: list[dict[str, Any]] = []
    unplanted = []
    for belt, name, line in zip(belts["belt"], belts["design"], belts.geometry, strict=True):
        design = designs[name]
        reach = design.planted_width_m / 2.0 + design.fence_offset_m
        clear = list(near_clear.shapes[near_clear.within(line, reach)])
        at = near_open.within(line, reach)
        width_m = np.where(np.isnan(width[at]), design.opening_width_m, width[at])
        strips = opening_strips(line, list(near_open.shapes[at]), list(width_m), reach + 1.0)
        left = is_leeward_left(line, site.wind_from_deg)
        pieces = row_lines(line, design, left, [*clear, *strips])
        table, geometry = _clumps(design, pieces, f"{seed}|{belt}")
        rows.append(table.assign(belt=belt))
        lines.append(geometry)
        if table.empty and design.rows:
            unplanted.append(str(belt))
            continue
        fences += [{"belt": belt} | f for f in _fences(line, design, clear, strips, geometry)]
    together = pd.concat(rows, ignore_index=True) if rows else _clump_table([])
    every = np.concatenate(lines) if lines else np.empty(0, dtype=object)
    return Layout(
        gpd.GeoDataFrame(together.reindex(columns=ROW_COLUMNS), geometry=every, crs=belts.crs),
        _fence_layer(fences, belts.crs),
        unplanted,
    )


class _Nearby:
    """Geometries that are near a line, in their own order."""

    def __init__(self, shapes: Sequence[shapely.Geometry]) -> None:
        self.shapes = np.array(list(shapes), dtype=object)
        self.tree = shapely.STRtree(self.shapes)

    def within(self, line: shapely.Geometry, distance_m: float) -> NDArray[np.int64]:
        """Rows of those at most a distance from a line.

        Parameters
        ----------
        line : Geometry
        distance_m : float
            m.

        Returns
        -------
        (n,) int64
        """
        return np.sort(self.tree.query(line, predicate="dwithin", distance=distance_m))


def _clumps(
    design: BeltDesign, pieces: list[list[shapely.LineString]], key: str
) -> tuple[pd.DataFrame, NDArray[np.object_]]:
    """Clumps of all rows of a belt, with their lines."""
    tables, lines = [], []
    for number, (row, parts) in enumerate(zip(design.rows, pieces, strict=True), start=1):
        plants = [plant_distances(p.length, row.spacing_m, number % 2 == 0) for p in parts]
        starts = np.cumsum([0.0, *(p.length for p in parts)])[:-1]
        along = np.concatenate([a + s for a, s in zip(plants, starts, strict=True)] or [[]])
        clump_m = row.clump_plants * row.spacing_m
        kind = species_of_plants(along, row.offset_m, clump_m, row.species, key)
        first = 0
        for part, (line, at) in enumerate(zip(parts, plants, strict=True), start=1):
            here = kind[first : first + len(at)]
            first += len(at)
            if len(at) == 0:
                continue
            table, bounds = _runs(here, at, line.length, list(row.species))
            same = {"row": number, "row_part": part}
            tables.append(table | {c: np.full(len(bounds) - 1, n) for c, n in same.items()})
            lines.append(cut_at(line, bounds))
    if not tables:
        return _clump_table([]), np.empty(0, dtype=object)
    # A data frame for each piece of a row would take most of the time.
    joined = {column: np.concatenate([t[column] for t in tables]) for column in tables[0]}
    return pd.DataFrame(joined), np.concatenate(lines)


def _clump_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(ROW_COLUMNS))


def _runs(
    kind: NDArray[np.int64], at: NDArray[np.float64], length_m: float, names: list[str]
) -> tuple[dict[str, NDArray[Any]], NDArray[np.float64]]:
    """Successive plants of one species, and the bounds between them halfway between plants."""
    change = np.flatnonzero(np.diff(kind)) + 1
    bounds = np.concatenate([[0.0], (at[change - 1] + at[change]) / 2.0, [length_m]])
    first = np.concatenate([[0], change])
    counts = np.diff(np.concatenate([first, [len(kind)]]))
    spacing = at[1] - at[0] if len(at) > 1 else length_m
    table = {
        "from_m": bounds[:-1],
        "to_m": bounds[1:],
        "species": np.array(names, dtype=object)[kind[first]],
        "plant_count": counts,
        "spacing_m": np.full(len(first), spacing),
    }
    return table, bounds


def cut_at(line: shapely.LineString, bounds_m: NDArray[np.float64]) -> NDArray[np.object_]:
    """Pieces of a line between successive distances along it.

    Parameters
    ----------
    line : LineString
    bounds_m : (n + 1,) float64
        Ascending, m.

    Returns
    -------
    (n,) array of LineString
    """
    coords = shapely.get_coordinates(line)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(coords, axis=0).T))])
    inner = along[1:-1]
    # Bounds twice, as the end of one piece and the start of the next, with bends between them.
    distance = np.concatenate([bounds_m[:-1], bounds_m[1:], inner])
    bend_of = np.clip(np.searchsorted(bounds_m, inner, side="right") - 1, 0, len(bounds_m) - 2)
    pieces = np.arange(len(bounds_m) - 1)
    index = np.concatenate([pieces, pieces, bend_of])
    order = np.lexsort((distance, index))
    x, y = (np.interp(distance, along, c) for c in coords.T)
    points = np.column_stack([x, y])[order]
    return np.asarray(shapely.linestrings(points, indices=index[order]))


def _fences(
    line: shapely.Geometry,
    design: BeltDesign,
    clearances: list[shapely.Geometry],
    strips: list[shapely.Polygon],
    plants: NDArray[np.object_],
) -> list[dict[str, Any]]:
    """Fences of a belt around its plants; one against browsers keeps stock out too. Each has one
    gate."""
    browsers = protection(design).way == FENCE
    if not (browsers or design.stock):
        return []
    return [
        {
            "fence_type": BROWSER_FENCE if browsers else STOCK_FENCE,
            "length_m": fence.length,
            "strainer_count": strainer_count(fence),
            "gate_count": 1,
            "geometry": fence,
        }
        for fence in fence_lines(line, design, clearances, strips)
        if not len(plants) or shapely.intersects(shapely.Polygon(fence), plants).any()
    ]


def _fence_layer(fences: list[dict[str, Any]], crs: object) -> gpd.GeoDataFrame:
    columns = [*FENCE_COLUMNS, "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(fences, columns=columns), geometry="geometry", crs=crs)
