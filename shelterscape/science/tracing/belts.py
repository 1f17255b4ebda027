"""Belts, samples, gaps, tall trees and woods from a raster of canopy height."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes
from scipy import ndimage

from shelterscape.grid import Grid
from shelterscape.science.belts import DEFAULT_POROSITY
from shelterscape.science.canopy import EIGHT, Canopy
from shelterscape.science.columns import words
from shelterscape.science.tracing.lines import on_map, traced
from shelterscape.science.tracing.parts import (
    BeltCanopy,
    Parts,
    Shapes,
    as_array,
    at_height_steps,
    cut_at,
    divided,
    profiles_of,
)
from shelterscape.science.tracing.profiles import Profile
from shelterscape.science.tracing.review import to_review
from shelterscape.science.value_sources import (
    DEFAULT,
    TRACED,
    given_sources,
    sources_of,
    text_of,
    with_values,
)

HEDGE_M = 6.0
"""Height up to which a belt is called a hedge, m (assumed value)."""


@dataclass(frozen=True)
class TraceOptions:
    """Options of tracing; see the terms of the same names.

    Parameters
    ----------
    threshold_m, sample_spacing_m, least_belt_m, longest_gap_m, search_m : float
    """

    threshold_m: float
    sample_spacing_m: float = 10.0
    least_belt_m: float = 20.0
    longest_gap_m: float = 20.0
    search_m: float = 6.0


HEDGE_COLUMNS = (
    "name",
    "belt_type",
    "height_m",
    "width_m",
    "porosity",
    "assumed",
    "value_source",
)
"""Columns of existing lines whose values are kept."""


@dataclass(frozen=True)
class HedgeLines:
    """Existing lines to measure.

    Parameters
    ----------
    shapes : array of LineString
    values : DataFrame
        A row for each line, with any of `HEDGE_COLUMNS`; empty where the layer has no value.
    """

    shapes: Shapes
    values: pd.DataFrame

    @property
    def names(self) -> NDArray[np.object_]:
        """Names of lines; empty where they have none."""
        return words(self.values, "name")


def trace(
    canopy: Canopy,
    grid: Grid,
    options: TraceOptions,
    *,
    lines: HedgeLines | None = None,
    outline: shapely.Geometry | None = None,
) -> dict[str, gpd.GeoDataFrame]:
    """Belts and woods, and what is measured along them.

    Parameters
    ----------
    canopy : Canopy
    grid : Grid
    options : TraceOptions
    lines : HedgeLines, optional
        Lines to measure instead of tracing new ones.
    outline : geometry, optional
        Part of the map with results; by default all of it.

    Returns
    -------
    dict of GeoDataFrame
        ``traced_belts``, ``belt_samples``, ``belt_gaps``, ``tall_trees``, ``traced_woods`` and
        ``belts_to_review``.

    Notes
    -----
    Lines are cut at the outline after gaps were found, so that parts of a map neither lose nor
    repeat a gap or a line at their edges.
    """
    mask = canopy.belts if lines is None else canopy.belts | canopy.woods
    spacing_m = options.sample_spacing_m
    if lines is None:
        rows = traced(
            mask,
            grid.cell_m,
            least_belt_m=options.least_belt_m,
            longest_gap_m=options.longest_gap_m,
        )
        measured = BeltCanopy(canopy, mask, grid, rows.half_width, spacing_m)
        whole = as_array([on_map(line, grid) for line in rows.lines])
        parts = divided(whole, [on_map(gap, grid) for gap in rows.gaps], measured)
        parts = at_height_steps(parts, measured)
    else:
        measured = BeltCanopy(canopy, mask, grid, options.search_m / grid.cell_m, spacing_m)
        parts = divided(lines.shapes, [], measured)
    belts, samples, trees = _measured(parts, measured, outline)
    belts = _named(belts, grid, lines)
    gaps = _gaps(parts.gaps, belts, grid, outline)
    belts["gap_count"] = _gap_counts(gaps, belts)
    review = _with_empty(belts, parts, lines, outline)
    names = belts["name"].to_numpy()
    return {
        "traced_belts": belts.drop(columns=["line", *_REVIEWED]).reset_index(drop=True),
        "belt_samples": samples.assign(name=names[samples.pop("belt").to_numpy()]),
        "belt_gaps": gaps.drop(columns=["before", "after"]),
        "tall_trees": trees.assign(name=names[trees.pop("belt").to_numpy()]),
        "traced_woods": woods_of(canopy, grid, outline),
        "belts_to_review": to_review(review, options.threshold_m),
    }


_REVIEWED = ["smooth_share", "lowest_m", "highest_m", "rough_width_m"]
"""Columns for the review alone."""


def _measured(
    parts: Parts, measured: BeltCanopy, outline: shapely.Geometry | None
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Belts, samples and tall trees of the parts inside the outline."""
    grid = measured.grid
    pieces, line, inside = cut_at(parts, outline)
    found, smooth = profiles_of(pieces, measured)
    kept = [i for i in np.flatnonzero(inside) if np.isfinite(found[i].belt_height_m)]
    belts = pd.DataFrame(
        [_row(found[i], grid.cell_m) for i in kept], columns=list(_ROW), dtype=object
    ).infer_objects()
    belts["line"], belts["smooth_share"] = line[kept], smooth[kept]
    frame = gpd.GeoDataFrame(belts, geometry=pieces[kept], crs=grid.crs)
    frame["length_m"] = shapely.length(pieces[kept])
    chosen = [found[i] for i in kept]
    return frame, _samples(chosen, pieces[kept], grid), _trees(chosen, grid)


_ROW = ("height_m", "width_m", "canopy_share", "tall_tree_count", *_REVIEWED[1:])


def _row(profile: Profile, cell_m: float) -> tuple[float, ...]:
    """Values of one belt, in the order of `_ROW`."""
    width = profile.belt_width_m(cell_m)
    return (
        profile.belt_height_m,
        width,
        float(profile.canopy_share.mean()),
        len(profile.tall()),
        float(np.nanmin(profile.height_m)),
        float(np.nanmax(profile.height_m)),
        float(np.nanmedian(profile.width_m)),
    )


def _samples(found: list[Profile], lines: Shapes, grid: Grid) -> gpd.GeoDataFrame:
    """Samples along each belt as points on its line."""
    number = np.repeat(np.arange(len(found)), [len(p.along_m) for p in found])

    def all_of(name: str) -> NDArray[np.float64]:
        """One value of all samples."""
        return np.concatenate([np.empty(0), *(getattr(p, name) for p in found)])

    names = ("along_m", "height_m", "width_m", "canopy_share")
    frame = pd.DataFrame({"belt": number, **{name: all_of(name) for name in names}})
    at = shapely.line_interpolate_point(lines[number], frame["along_m"].to_numpy())
    return gpd.GeoDataFrame(frame, geometry=at, crs=grid.crs)


def _trees(found: list[Profile], grid: Grid) -> gpd.GeoDataFrame:
    """Tall trees at their highest canopy."""
    rows, cells = [], []
    for i, profile in enumerate(found):
        for k in profile.tall():
            rows.append((i, float(profile.height_m[k]), profile.belt_height_m))
            cells.append(profile.highest[k])
    at = np.array(cells, dtype=float).reshape(-1, 2) + 0.5
    a = grid.affine
    points = shapely.points(a.c + a.a * at[:, 1], a.f + a.e * at[:, 0])
    frame = pd.DataFrame(rows, columns=["belt", "tree_height_m", "height_m"])
    frame = frame.astype({"belt": int, "tree_height_m": float, "height_m": float})
    return gpd.GeoDataFrame(frame, geometry=points, crs=grid.crs)


def _named(belts: gpd.GeoDataFrame, grid: Grid, lines: HedgeLines | None) -> gpd.GeoDataFrame:
    """Belts with name, type, porosity, and the source of their values.

    Values of a layer of lines take precedence over traced ones.
    """
    middle = shapely.line_interpolate_point(belts.geometry.to_numpy(), 0.5, normalized=True)
    kind = np.where(belts["height_m"].to_numpy(dtype=float) <= HEDGE_M, "hedge", "tree belt")
    share = belts["canopy_share"].to_numpy(dtype=float)
    given = pd.DataFrame(index=belts.index)
    if lines is not None:
        given = lines.values.iloc[belts["line"]].set_index(belts.index)
    measured = belts[["height_m", "width_m"]].assign(belt_type=kind)
    found, _ = with_values(given, measured, TRACED)
    names = pd.DataFrame({"name": _numbered(middle, kind, grid)}, index=belts.index)
    guessed = pd.DataFrame({"porosity": 1.0 - (1.0 - DEFAULT_POROSITY) * share}, index=belts.index)
    found, _ = with_values(found, guessed, DEFAULT)
    for column in ("height_m", "width_m", "porosity"):
        belts[column] = found[column].astype(float)
    belts["belt_type"] = found["belt_type"]
    belts["name"] = with_values(found, names, TRACED)[0]["name"]
    belts["value_source"] = TRACED if lines is None else [one[""] for one in given_sources(given)]
    belts["assumed"] = [
        text_of(sources_of(text) | ({"width_m": DEFAULT} if unknown else {}))
        for text, unknown in zip(found["assumed"], belts["width_m"].isna(), strict=True)
    ]
    return belts


def _numbered(points: Shapes, kinds: NDArray[np.str_], grid: Grid) -> list[str]:
    """Names from the cell of the whole raster that a point is in: the same on every part of a map.

    Examples
    --------
    >>> from affine import Affine
    >>> grid = Grid((9, 9), Affine(2, 0, 0, 0, -2, 18))
    >>> _numbered(shapely.points([[5, 17], [5, 17]]), np.array(["hedge", "hedge"]), grid)
    ['hedge 0-2', 'hedge 0-2 b']
    """
    cells = np.floor(grid.to_cells(shapely.get_coordinates(points))).astype(int)
    seen: dict[str, int] = {}
    names = []
    for (col, row), kind in zip(cells.tolist(), kinds.tolist(), strict=True):
        name = f"{kind} {row}-{col}"
        seen[name] = seen.get(name, 0) + 1
        again = seen[name]
        names.append(name if again == 1 else f"{name} {chr(ord('a') + min(again - 1, 25))}")
    return names


def _gaps(
    gaps: Shapes, belts: gpd.GeoDataFrame, grid: Grid, outline: shapely.Geometry | None
) -> gpd.GeoDataFrame:
    """Gaps whose middle is inside the outline, named after the nearest belt."""
    if outline is not None and len(gaps):
        middle = shapely.line_interpolate_point(gaps, 0.5, normalized=True)
        gaps = gaps[shapely.intersects(middle, outline)]
    if not len(belts):
        gaps = gaps[:0]
    tree = shapely.STRtree(belts.geometry.to_numpy())
    ends = [shapely.get_point(gaps, i) for i in (0, -1)]
    before, after = (tree.nearest(at) if len(gaps) else np.empty(0, int) for at in ends)
    frame = gpd.GeoDataFrame(
        {
            "name": belts["name"].to_numpy(dtype=object)[before],
            "gap_length_m": shapely.length(gaps),
            "before": before,
            "after": after,
        },
        geometry=gaps,
        crs=grid.crs,
    )
    return frame


def _gap_counts(gaps: gpd.GeoDataFrame, belts: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Number of gaps at the ends of each belt."""
    beside = np.concatenate([gaps["before"].to_numpy(int), gaps["after"].to_numpy(int)])
    return np.bincount(beside, minlength=len(belts))


def _with_empty(
    belts: gpd.GeoDataFrame,
    parts: Parts,
    lines: HedgeLines | None,
    outline: shapely.Geometry | None,
) -> gpd.GeoDataFrame:
    """Belts and, where lines are given, those without canopy."""
    inside = np.ones(len(parts.empty), dtype=bool)
    if outline is not None and len(parts.empty):
        middle = shapely.line_interpolate_point(parts.empty, 0.5, normalized=True)
        inside = shapely.intersects(middle, outline)
    if lines is None or not inside.any():
        return belts
    names = lines.names[parts.empty_line[inside]]
    missing = gpd.GeoDataFrame(
        {"name": names, "length_m": shapely.length(parts.empty[inside])},
        geometry=parts.empty[inside],
        crs=belts.crs,
    )
    joined = pd.concat([belts[["name", *_ROW, "smooth_share", "length_m", "geometry"]], missing])
    return gpd.GeoDataFrame(joined, crs=belts.crs)


def woods_of(
    canopy: Canopy, grid: Grid, outline: shapely.Geometry | None = None
) -> gpd.GeoDataFrame:
    """Woods as polygons with the median of the highest canopy per 10 m.

    Parameters
    ----------
    canopy : Canopy
    grid : Grid
    outline : geometry, optional
        Part of the map with results.

    Returns
    -------
    GeoDataFrame
        ``name``, ``belt_type``, ``value_source``, ``height_m`` (m) and ``area_ha`` (ha).
    """
    labels, _ = ndimage.label(canopy.woods, EIGHT)
    block = max(1, round(10.0 / grid.cell_m))
    highest = ndimage.maximum_filter(canopy.height, block)
    heights = pd.Series(highest[canopy.woods]).groupby(labels[canopy.woods]).median()
    found = [
        (shapely.geometry.shape(outline_), int(number))
        for outline_, number in shapes(labels, canopy.woods, 8, grid.affine)
    ]
    areas, number = as_array([f[0] for f in found]), np.array([f[1] for f in found], dtype=int)
    areas = shapely.simplify(areas, grid.cell_m * 0.75)
    if outline is not None:
        areas = shapely.intersection(areas, outline)
    good = (shapely.get_dimensions(areas) == 2) & (shapely.area(areas) > 0)
    areas, number = areas[good], number[good]
    frame = gpd.GeoDataFrame(geometry=areas, crs=grid.crs)
    kind = np.full(len(areas), "wood")
    frame["name"] = _numbered(shapely.point_on_surface(areas), kind, grid)
    frame["belt_type"], frame["value_source"] = "wood", TRACED
    frame["height_m"] = heights.reindex(number).to_numpy(dtype=float)
    frame["area_ha"] = shapely.area(areas) / 1e4
    return frame
