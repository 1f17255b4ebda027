"""Continuous belts: either side of boundaries, adjoining belts and woods, joined neighbours."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.science.siting.candidates import EDGE, FENCE_M
from shelterscape.science.siting.generated_lines import as_array

Array = NDArray[np.float64]
Shapes = NDArray[np.object_]

JOIN_M = 15.0
"""Belts whose ends are at most this far apart are one continuous belt, metres (assumed): room for a
track or a corner."""

WITHIN_FIELDS = 0.5
"""Least share of a line beside a boundary that is on a field (assumed)."""

MOST_JOINED = 4
"""Most lines joined to reach the least length of a belt (assumed)."""

SIDES = "NESW"


class BoundarySides(NamedTuple):
    """Lines beside boundaries.

    Parameters
    ----------
    lines : (n,) array of LineString
    boundary : (n,) int64
        Row of the boundary of each.
    side : (n,) array of str
        Side of the boundary: N, E, S, W, or empty for a line on the boundary itself.
    """

    lines: Shapes
    boundary: NDArray[np.int64]
    side: NDArray[np.object_]


def boundary_sides(boundaries: Shapes, fields: Shapes, width_m: float) -> BoundarySides:
    """Lines of belts on either side of boundaries, where that side is a field.

    Parameters
    ----------
    boundaries : (n,) array of LineString
    fields : (k,) array of polygons
    width_m : float
        Width of the belts, m; their faces keep the strip of a fence from the boundary.

    Returns
    -------
    BoundarySides
        A boundary with a field on no side keeps its own line.
    """
    apart = width_m / 2 + FENCE_M
    tree = shapely.STRtree(fields)
    lines: list[shapely.Geometry] = []
    boundary: list[int] = []
    side: list[str] = []
    for row, line in enumerate(boundaries):
        found = []
        for distance in (apart, -apart):
            beside = shapely.offset_curve(line, distance, join_style="mitre")
            near = tree.query(beside, predicate="intersects")
            on_field = shapely.length(shapely.intersection(beside, fields[near])).sum()
            if on_field > WITHIN_FIELDS * max(beside.length, 1e-9):
                found.append((beside, _side_of(line, distance)))
        for beside, letter in found or [(line, "")]:
            lines.append(beside)
            boundary.append(row)
            side.append(letter)
    return BoundarySides(
        as_array(lines), np.array(boundary, dtype=np.int64), np.array(side, dtype=object)
    )


def _side_of(line: shapely.LineString, distance: float) -> str:
    """Compass side of a line; a positive distance is to its left."""
    east, north = np.diff(shapely.get_coordinates(line)[[0, -1]], axis=0)[0]
    left_deg = np.degrees(np.arctan2(-north, east)) % 360.0
    quarter = int(((left_deg + 45.0) % 360.0) // 90.0)
    return SIDES[quarter if distance > 0 else (quarter + 2) % 4]


def ends_of(lines: Shapes) -> Shapes:
    """Both ends of lines with one or several parts, as one shape each.

    Parameters
    ----------
    lines : (n,) array of lines

    Returns
    -------
    (n,) array of MultiPoint
    """
    found = []
    for line in lines:
        xy = shapely.get_coordinates(line)
        found.append(shapely.MultiPoint(xy[[0, -1]]))
    return as_array(found)


def continuous_lengths(lines: Shapes, existing: Shapes) -> Array:
    """Length of lines with the existing belts and woods that adjoin their ends.

    Parameters
    ----------
    lines : (n,) array of lines
    existing : (k,) array of shapes
        Existing belts (lines or polygons) and woods.

    Returns
    -------
    (n,) float64
        m; a polygon counts with half of its outline.
    """
    total: Array = shapely.length(lines)
    if not len(existing):
        return total
    area = shapely.get_dimensions(existing) == 2
    long = np.where(area, shapely.length(existing) / 2, shapely.length(existing))
    at, of = shapely.STRtree(existing).query(ends_of(lines), predicate="dwithin", distance=JOIN_M)
    return total + np.bincount(at, long[of], len(lines))


def with_joined_edges(kept: gpd.GeoDataFrame, least_m: Array, existing: Shapes) -> gpd.GeoDataFrame:
    """Lines with short parcel edges joined to their neighbours, in addition to the lines alone.

    Parameters
    ----------
    kept : GeoDataFrame
        As `exclusion.exclude` returns them.
    least_m : (n,) float64
        Least length of each line, m.
    existing : (k,) array of shapes
        As for `continuous_lengths`.

    Returns
    -------
    GeoDataFrame
        Joined lines have the names of their parts, joined by +.
    """
    lines = kept.geometry.to_numpy()
    length = continuous_lengths(lines, existing)
    edge = (kept["candidate_type"] == EDGE).to_numpy()
    chains: dict[tuple[int, ...], None] = {}
    tree = shapely.STRtree(ends_of(lines))
    for row in np.flatnonzero(edge & (length < least_m)):
        chain = _chain(int(row), lines, length, edge, tree, float(least_m[row]))
        if len(chain) > 1:
            chains[tuple(sorted(chain))] = None
    if not chains:
        return kept
    names = kept["candidate"].to_numpy(dtype=object)
    first = kept.iloc[[chain[0] for chain in chains]]
    joined = [shapely.line_merge(shapely.union_all(lines[list(chain)])) for chain in chains]
    named = ["+".join(names[row] for row in chain) for chain in chains]
    more = first.assign(candidate=named, part=named).set_geometry(as_array(joined), crs=kept.crs)
    return gpd.GeoDataFrame(pd.concat([kept, more], ignore_index=True), crs=kept.crs)


def _chain(
    row: int,
    lines: Shapes,
    length: Array,
    edge: NDArray[np.bool_],
    tree: shapely.STRtree,
    least_m: float,
) -> list[int]:
    """A short line with the longest neighbours, until it is long enough; itself where it cannot."""
    chain = [row]
    while length[chain].sum() < least_m and len(chain) < MOST_JOINED:
        around = shapely.union_all(lines[chain])
        near = tree.query(around, predicate="dwithin", distance=JOIN_M)
        near = [int(i) for i in near if edge[i] and int(i) not in chain]
        # The other side of the same boundary is no continuation.
        near = [i for i in near if not _beside(lines[i], around)]
        if not near:
            return [row]
        chain.append(max(near, key=lambda i: (length[i], -i)))
    return chain if length[chain].sum() >= least_m else [row]


def _beside(line: shapely.Geometry, other: shapely.Geometry) -> bool:
    """Whether most of the shorter line is beside the other one."""
    shared = line.intersection(shapely.buffer(other, JOIN_M, cap_style="flat")).length
    return bool(shared > 0.5 * min(line.length, other.length))
