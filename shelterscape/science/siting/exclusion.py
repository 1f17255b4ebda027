"""Removes excluded ground from candidate lines and reports each length with its reason."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from shelterscape.grid import Grid
from shelterscape.science.not_modelled import gradient
from shelterscape.science.polygons import polygons_of
from shelterscape.science.siting.generated_lines import SHORTEST_M, as_array

Array = NDArray[np.float64]
Shapes = NDArray[np.object_]

OPENING_M = 30.0
"""Parts of a line at most this far apart are one belt with an opening, metres (assumed)."""

LEAST_PART_M = 5.0
"""Parts shorter than this are too short to plant, metres (assumed)."""

EDGE_M = 1.0
"""Tolerance outside the outlines of holdings, metres (assumed), because drawn edges of fields and
holdings rarely coincide."""

LEAST_CLEAR_M = 0.001
NEAR_OPENING_M = 6.0
"""A gateway drawn as a point opens every line within this distance, metres (assumed)."""

STEEPEST_DEG = 25.0
"""Slope above which no belt is proposed, degrees (assumed): the limit of machines and fencing."""

TOO_SHORT = "remaining part too short to plant"
EXCLUSION_COLUMNS = ("candidate", "reason", "excluded_m")


@dataclass(frozen=True)
class ExclusionZone:
    """Ground where no belt may be planted or, with `outside`, the only ground where one may.

    Parameters
    ----------
    reason : str
    areas : (n,) array of shapes
        Areas, lines or points.
    clear_m : (n,) float64
        Distance belts must keep from each, m, measured to the face of a belt.
    outside : bool
        Exclude everything outside the areas instead.
    is_opening : bool
        An opening: ``clear_m`` is half its width, independent of the width of the belt, and a point
        applies to lines within `NEAR_OPENING_M`.
    """

    reason: str
    areas: Shapes
    clear_m: Array
    outside: bool = False
    is_opening: bool = False


def exclusion_zone(
    reason: str, areas: Shapes, clear_m: ArrayLike = 0.0, *, outside: bool = False
) -> ExclusionZone:
    """An `ExclusionZone` with one clearance for all its areas, or one for each.

    Parameters
    ----------
    reason : str
    areas : (n,) array of shapes
    clear_m : float or (n,) float64
        m.
    outside : bool
        Exclude everything outside the areas instead.

    Returns
    -------
    ExclusionZone
    """
    clear = np.broadcast_to(np.asarray(clear_m, dtype=float), len(areas)).copy()
    return ExclusionZone(reason, np.asarray(areas, dtype=object), clear, outside)


def steep_ground(
    elevation: NDArray[np.float32], grid: Grid, steepest_deg: float = STEEPEST_DEG
) -> Shapes:
    """Areas steeper than a limit; missing ground is not steep.

    Parameters
    ----------
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    steepest_deg : float
        Degrees.

    Returns
    -------
    (n,) array of polygons
    """
    slopes = gradient(elevation, grid)
    steep = np.hypot(*slopes) > np.tan(np.radians(steepest_deg))
    return polygons_of(steep, grid)[0]


def exclude(
    proposed: gpd.GeoDataFrame,
    exclusion_zones: Sequence[ExclusionZone],
    *,
    opening_m: float = OPENING_M,
    shortest_m: float = SHORTEST_M,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Remove excluded ground from lines.

    Parameters
    ----------
    proposed : GeoDataFrame
        Lines with ``candidate`` (identifier) and ``width_m``; other columns are kept.
    exclusion_zones : sequence of ExclusionZone
        The first zone that excludes ground gives the reason.
    opening_m : float
        Parts at most this far apart stay one candidate: a belt with an opening.
    shortest_m : float
        Shorter candidates are dropped.

    Returns
    -------
    kept : GeoDataFrame
        The remaining lines. Where a line is divided, its parts are candidates with a letter after
        the identifier; ``part`` is the identifier of the proposed line.
    exclusions : DataFrame
        `EXCLUSION_COLUMNS`, with the identifier of the proposed line.

    Notes
    -----
    Kept and excluded lengths add up to the proposed length.
    """
    lines = proposed.geometry.to_numpy().copy()
    width = proposed["width_m"].to_numpy(dtype=float)
    lengths = shapely.length(lines)
    rows: list[pd.DataFrame] = []
    for one in exclusion_zones:
        left = _without_zone(one, lines, width)
        rows.append(_lengths_lost(proposed, one.reason, lengths, shapely.length(left)))
        lines, lengths = left, shapely.length(left)
    kept, owner, letters = _parts(proposed.geometry.to_numpy(), lines, opening_m, shortest_m)
    after: Array = np.bincount(owner, shapely.length(kept), len(lines)).astype(float)
    rows.append(_lengths_lost(proposed, TOO_SHORT, lengths, after))
    frame = proposed.iloc[owner].reset_index(drop=True).set_geometry(kept, crs=proposed.crs)
    frame["part"] = frame["candidate"]
    frame["candidate"] = frame["candidate"] + letters
    return frame, pd.concat(rows, ignore_index=True)


def _lengths_lost(
    proposed: gpd.GeoDataFrame, reason: str, before: Array, after: Array
) -> pd.DataFrame:
    """Rows for the lines that lost more than a rounding error."""
    lost = before - after
    there = np.abs(lost) > 1e-9
    ids = proposed["candidate"].to_numpy()[there]
    return pd.DataFrame({"candidate": ids, "reason": reason, "excluded_m": lost[there]})


def _without_zone(one: ExclusionZone, lines: Shapes, width_m: Array) -> Shapes:
    left = lines.copy()
    if not len(lines):
        return left
    for width in np.unique(width_m):
        here = np.flatnonzero(width_m == width)
        left[here] = _without_zone_one_width(one, lines[here], float(width))
    return left


def _without_zone_one_width(one: ExclusionZone, lines: Shapes, width_m: float) -> Shapes:
    """Remove a zone from lines of belts of one width."""
    if one.outside:
        within = shapely.buffer(shapely.union_all(one.areas), EDGE_M)
        shapely.prepare(within)
        return shapely.intersection(lines, within)
    left = lines.copy()
    if not len(one.areas):
        return left
    if one.is_opening:
        at, of, buffered = _openings_on_lines(one, lines)
    else:
        every = shapely.buffer(one.areas, np.maximum(one.clear_m + width_m / 2, LEAST_CLEAR_M))
        at, of = shapely.STRtree(every).query(lines, predicate="intersects")
        buffered = every[of]
    order = np.lexsort((of, at))
    at, buffered = at[order], buffered[order]
    first = np.searchsorted(at, np.arange(len(lines) + 1))
    for i in np.unique(at):
        excluded = shapely.union_all(buffered[first[i] : first[i + 1]])
        left[i] = shapely.difference(lines[i], excluded)
    return left


def _openings_on_lines(
    one: ExclusionZone, lines: Shapes
) -> tuple[NDArray[np.int64], NDArray[np.int64], Shapes]:
    """Pairs of line and opening, and the ground of each opening; points are moved onto the line."""
    half = np.maximum(one.clear_m, LEAST_CLEAR_M)
    is_point = shapely.get_dimensions(one.areas) == 0
    reach = np.where(is_point, NEAR_OPENING_M, 0.0)
    around = shapely.buffer(one.areas, np.maximum(reach, half))
    at, of = shapely.STRtree(around).query(lines, predicate="intersects")
    places = one.areas[of].copy()
    moved = is_point[of]
    line = lines[at[moved]]
    along = shapely.line_locate_point(line, shapely.centroid(places[moved]))
    places[moved] = shapely.line_interpolate_point(line, along)
    return at, of, shapely.buffer(places, half[of])


def _parts(
    proposed: Shapes, lines: Shapes, opening_m: float, shortest_m: float
) -> tuple[Shapes, NDArray[np.int64], NDArray[np.object_]]:
    """Candidates: shape, index of the proposed line, and letter after the identifier."""
    shapes: list[shapely.Geometry] = []
    owners: list[int] = []
    letters: list[str] = []
    for i, line in enumerate(lines):
        parts = shapely.get_parts(_merged(line))
        parts = parts[shapely.length(parts) >= LEAST_PART_M]
        # Geometry libraries do not guarantee the order of parts; letters and openings need one.
        middles = shapely.line_interpolate_point(parts, 0.5, normalized=True)
        parts = parts[np.argsort(shapely.line_locate_point(proposed[i], middles), kind="stable")]
        groups = [g for g in _grouped(parts, opening_m) if shapely.length(g).sum() >= shortest_m]
        for n, group in enumerate(groups):
            shapes.append(group[0] if len(group) == 1 else shapely.MultiLineString(list(group)))
            owners.append(i)
            letters.append(_letter(n) if len(groups) > 1 else "")
    return as_array(shapes), np.array(owners, dtype=np.int64), np.array(letters, dtype=object)


def _merged(line: shapely.Geometry) -> shapely.Geometry:
    return shapely.line_merge(line) if shapely.get_type_id(line) != 1 else line


def _letter(number: int) -> str:
    """a, b, … z, then aa, ab, …"""
    first, last = divmod(number, 26)
    return (_letter(first - 1) if first else "") + chr(ord("a") + last)


def _grouped(parts: Shapes, opening_m: float) -> list[Shapes]:
    """Parts in groups no farther apart than an opening, in their order."""
    if len(parts) < 2:
        return [parts] if len(parts) else []
    one, other = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=opening_m)
    links = coo_matrix((np.ones(len(one)), (one, other)), shape=(len(parts), len(parts)))
    _, group = connected_components(links, directed=False)
    # In order of first appearance, so that letters run along the line.
    return [parts[group == g] for g in dict.fromkeys(group.tolist())]


def openings(line: shapely.Geometry) -> list[shapely.LineString]:
    """Openings in a belt as straight lines across them, in the order of its parts.

    Parameters
    ----------
    line : LineString or MultiLineString

    Returns
    -------
    list of LineString
        Openings wider than 0.1 m.
    """
    parts = shapely.get_parts(line)
    gaps = [shapely.shortest_line(a, b) for a, b in itertools.pairwise(parts)]
    return [gap for gap in gaps if shapely.length(gap) > 0.1]
