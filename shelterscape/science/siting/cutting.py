"""Candidate lines cut by ground that excludes them, every metre counted with its reason."""

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
"""Parts of a line at most this far apart are one belt with an opening, metres (E)."""

LEAST_PART_M = 5.0
"""Parts shorter than this are too short to plant, metres (E)."""

EDGE_M = 1.0
"""How far outside their outlines areas still hold, metres (E): edges of fields and of holdings are
drawn apart by a little."""

LEAST_CLEAR_M = 0.001
NEAR_OPENING_M = 6.0
"""A gateway drawn as a point is in every line that passes within this of it, metres (E)."""

STEEPEST_DEG = 25.0
"""Slope above which no belt is offered, degrees (E): machines and fencing come to their end."""

TOO_SHORT = "left too short to plant"
CUT_COLUMNS = ("candidate", "reason", "cut_m")


@dataclass(frozen=True)
class Cutter:
    """Ground on which no belt may be planted or, inverted, the only ground on which one may.

    Parameters
    ----------
    reason : str
    areas : (n,) array of shapes
        Areas, lines or points.
    clear_m : (n,) float64
        How far belts must keep from each; to the face of a belt, not to its middle.
    outside : bool
        Cut what is outside all of the areas instead.
    is_opening : bool
        A way through: ``clear_m`` is half its width, the same whatever the width of the belt, and
        a point counts for lines that pass within `NEAR_OPENING_M` of it.
    """

    reason: str
    areas: Shapes
    clear_m: Array
    outside: bool = False
    is_opening: bool = False


def cutter(
    reason: str, areas: Shapes, clear_m: ArrayLike = 0.0, *, outside: bool = False
) -> Cutter:
    """A `Cutter` with one clearance for all its areas, or one for each.

    Parameters
    ----------
    reason : str
    areas : (n,) array of shapes
    clear_m : float or (n,) float64
        m.
    outside : bool
        Cut what is outside all of the areas instead.

    Returns
    -------
    Cutter
    """
    clear = np.broadcast_to(np.asarray(clear_m, dtype=float), len(areas)).copy()
    return Cutter(reason, np.asarray(areas, dtype=object), clear, outside)


def steep_ground(
    elevation: NDArray[np.float32], grid: Grid, steepest_deg: float = STEEPEST_DEG
) -> Shapes:
    """Ground steeper than a bound as areas; missing ground is not steep.

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


def cut(
    offered: gpd.GeoDataFrame,
    cutters: Sequence[Cutter],
    *,
    opening_m: float = OPENING_M,
    shortest_m: float = SHORTEST_M,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Cut lines by ground that excludes them.

    Parameters
    ----------
    offered : GeoDataFrame
        Lines with ``candidate`` (id) and ``width_m``; other columns are kept.
    cutters : sequence of Cutter
        In the order in which their reasons count: ground barred twice counts to the first.
    opening_m : float
        Parts at most this far apart stay one candidate, a belt with an opening.
    shortest_m : float
        A candidate with less left is left out.

    Returns
    -------
    kept : GeoDataFrame
        What is left; where a line falls apart, its parts are candidates with a letter behind the
        id. ``part`` says which line offered each came from.
    cuts : DataFrame
        `CUT_COLUMNS`, with the id of the line offered.

    Notes
    -----
    Kept and cut metres sum to those offered.
    """
    lines = offered.geometry.to_numpy().copy()
    width = offered["width_m"].to_numpy(dtype=float)
    lengths = shapely.length(lines)
    rows: list[pd.DataFrame] = []
    for one in cutters:
        left = _cut_by(one, lines, width)
        rows.append(_counted(offered, one.reason, lengths, shapely.length(left)))
        lines, lengths = left, shapely.length(left)
    kept, owner, letters = _parts(offered.geometry.to_numpy(), lines, opening_m, shortest_m)
    after: Array = np.bincount(owner, shapely.length(kept), len(lines)).astype(float)
    rows.append(_counted(offered, TOO_SHORT, lengths, after))
    frame = offered.iloc[owner].reset_index(drop=True).set_geometry(kept, crs=offered.crs)
    frame["part"] = frame["candidate"]
    frame["candidate"] = frame["candidate"] + letters
    return frame, pd.concat(rows, ignore_index=True)


def _counted(offered: gpd.GeoDataFrame, reason: str, before: Array, after: Array) -> pd.DataFrame:
    """Rows for the lines that lost more than rounding."""
    lost = before - after
    there = np.abs(lost) > 1e-9
    ids = offered["candidate"].to_numpy()[there]
    return pd.DataFrame({"candidate": ids, "reason": reason, "cut_m": lost[there]})


def _cut_by(one: Cutter, lines: Shapes, width_m: Array) -> Shapes:
    left = lines.copy()
    if not len(lines):
        return left
    for width in np.unique(width_m):
        here = np.flatnonzero(width_m == width)
        left[here] = _cut_alike(one, lines[here], float(width))
    return left


def _cut_alike(one: Cutter, lines: Shapes, width_m: float) -> Shapes:
    """Cut lines of belts of one width."""
    if one.outside:
        within = shapely.buffer(shapely.union_all(one.areas), EDGE_M)
        shapely.prepare(within)
        return shapely.intersection(lines, within)
    left = lines.copy()
    if not len(one.areas):
        return left
    if one.is_opening:
        at, of, grown = _ways_through(one, lines)
    else:
        every = shapely.buffer(one.areas, np.maximum(one.clear_m + width_m / 2, LEAST_CLEAR_M))
        at, of = shapely.STRtree(every).query(lines, predicate="intersects")
        grown = every[of]
    order = np.lexsort((of, at))
    at, grown = at[order], grown[order]
    first = np.searchsorted(at, np.arange(len(lines) + 1))
    for i in np.unique(at):
        barred = shapely.union_all(grown[first[i] : first[i + 1]])
        left[i] = shapely.difference(lines[i], barred)
    return left


def _ways_through(
    one: Cutter, lines: Shapes
) -> tuple[NDArray[np.int64], NDArray[np.int64], Shapes]:
    """Pairs of line and opening, and the ground each takes: a point moves onto the line."""
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
    offered: Shapes, lines: Shapes, opening_m: float, shortest_m: float
) -> tuple[Shapes, NDArray[np.int64], NDArray[np.object_]]:
    """Lines as candidates: shape of each, line it comes from, and letter behind the id."""
    shapes_: list[shapely.Geometry] = []
    owners: list[int] = []
    letters: list[str] = []
    for i, line in enumerate(lines):
        parts = shapely.get_parts(_merged(line))
        parts = parts[shapely.length(parts) >= LEAST_PART_M]
        # Geometry engines hand parts back in no promised order; letters and openings need one.
        middles = shapely.line_interpolate_point(parts, 0.5, normalized=True)
        parts = parts[np.argsort(shapely.line_locate_point(offered[i], middles), kind="stable")]
        groups = [g for g in _close(parts, opening_m) if shapely.length(g).sum() >= shortest_m]
        for n, group in enumerate(groups):
            shapes_.append(group[0] if len(group) == 1 else shapely.MultiLineString(list(group)))
            owners.append(i)
            letters.append(_letter(n) if len(groups) > 1 else "")
    return as_array(shapes_), np.array(owners, dtype=np.int64), np.array(letters, dtype=object)


def _merged(line: shapely.Geometry) -> shapely.Geometry:
    return shapely.line_merge(line) if shapely.get_type_id(line) != 1 else line


def _letter(number: int) -> str:
    """a, b, … z, then aa, ab, …"""
    first, last = divmod(number, 26)
    return (_letter(first - 1) if first else "") + chr(ord("a") + last)


def _close(parts: Shapes, opening_m: float) -> list[Shapes]:
    """Parts in groups no farther apart than an opening, in the order they have."""
    if len(parts) < 2:
        return [parts] if len(parts) else []
    one, other = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=opening_m)
    links = coo_matrix((np.ones(len(one)), (one, other)), shape=(len(parts), len(parts)))
    _, group = connected_components(links, directed=False)
    # In the order in which groups first come, so that letters run along the line.
    return [parts[group == g] for g in dict.fromkeys(group.tolist())]


def openings(line: shapely.Geometry) -> list[shapely.LineString]:
    """Openings in a belt as the straight lines across them, in the order of its parts.

    Parameters
    ----------
    line : LineString or MultiLineString

    Returns
    -------
    list of LineString
        Those longer than 0.1 m.
    """
    parts = shapely.get_parts(line)
    gaps = [shapely.shortest_line(a, b) for a, b in itertools.pairwise(parts)]
    return [gap for gap in gaps if shapely.length(gap) > 0.1]
