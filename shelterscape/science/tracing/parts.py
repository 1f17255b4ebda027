"""Lines divided at gaps, at changes of height, and at the edge of a part of the map."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from shelterscape.grid import Grid
from shelterscape.science.canopy import Canopy, Mask
from shelterscape.science.tracing import profiles
from shelterscape.science.tracing.lines import SHORT_GAP_CELLS
from shelterscape.science.tracing.profiles import Profile

Shapes = NDArray[np.object_]


@dataclass(frozen=True)
class BeltCanopy:
    """Canopy in which lines are measured.

    Parameters
    ----------
    canopy : Canopy
    mask : (rows, cols) bool
        Canopy that may belong to a line.
    grid : Grid
    half_width : float or (rows, cols) float64
        Half width of belts, cells: one number, or the distance to the edge of the canopy.
    spacing_m : float
        Distance between samples, m.
    """

    canopy: Canopy
    mask: Mask
    grid: Grid
    half_width: NDArray[np.float64] | float
    spacing_m: float


@dataclass(frozen=True)
class Parts:
    """Parts of lines between gaps.

    Parameters
    ----------
    shapes : array of LineString
    line : (n,) int64
        Number of the line of each part.
    gaps : array of LineString
    empty : array of LineString
        Lines without any canopy.
    empty_line : (n,) int64
        Their numbers.
    """

    shapes: Shapes
    line: NDArray[np.int64]
    gaps: Shapes
    empty: Shapes
    empty_line: NDArray[np.int64]


def as_array(found: list[shapely.Geometry]) -> Shapes:
    """Geometries as an array, also without any.

    Parameters
    ----------
    found : list of geometry

    Returns
    -------
    array of geometry
    """
    out = np.empty(len(found), dtype=object)
    out[:] = found
    return out


def divided(whole: Shapes, row_gaps: list[shapely.LineString], measured: BeltCanopy) -> Parts:
    """Lines divided at gaps that the raster shows.

    Parameters
    ----------
    whole : array of LineString
    row_gaps : list of LineString
        Gaps between two lines of one row.
    measured : BeltCanopy

    Returns
    -------
    Parts
    """
    points = profiles.points_along(whole, measured.grid, measured.half_width)
    _, nearest = profiles.canopy_of(points, measured.mask)
    found = profiles.covered(points, nearest)
    shapes, line, gaps = profiles.divided_at_gaps(whole, points, found)
    empty = np.setdiff1d(np.arange(len(whole)), line)
    least = SHORT_GAP_CELLS * measured.grid.cell_m
    between = as_array([gap for gap in row_gaps if gap.length > least])
    return Parts(shapes, line, np.concatenate([gaps, between]), whole[empty], empty)


def at_height_steps(parts: Parts, measured: BeltCanopy) -> Parts:
    """Parts divided where their height changes: a line may run from one belt into another.

    Parameters
    ----------
    parts : Parts
    measured : BeltCanopy

    Returns
    -------
    Parts
    """
    pieces: list[shapely.LineString] = []
    line: list[int] = []
    found = profiles_of(parts.shapes, measured)[0]
    for shape, profile, number in zip(parts.shapes, found, parts.line, strict=True):
        edges = [0.0, *profiles.height_steps(profile), shape.length]
        pieces += [substring(shape, a, b) for a, b in itertools.pairwise(edges)]
        line += [int(number)] * (len(edges) - 1)
    return replace(parts, shapes=as_array(pieces), line=np.array(line, dtype=np.int64))


def profiles_of(pieces: Shapes, measured: BeltCanopy) -> tuple[list[Profile], NDArray[np.float64]]:
    """Samples along lines, and the share of canopy of each line with an even top.

    Parameters
    ----------
    pieces : array of LineString
    measured : BeltCanopy

    Returns
    -------
    found : list of Profile
    smooth_share : (n,) float64
    """
    canopy, grid = measured.canopy, measured.grid
    points = profiles.points_along(pieces, grid, measured.half_width)
    cells, nearest = profiles.canopy_of(points, measured.mask)
    found = profiles.profiles(
        points, cells, nearest, canopy.height, grid.cell_m, measured.spacing_m
    )
    owner = points.line[nearest]
    count = np.bincount(owner, minlength=len(pieces))
    smooth = np.bincount(owner, weights=canopy.smooth[tuple(cells.T)], minlength=len(pieces))
    return found, smooth / np.maximum(count, 1)


def cut_at(
    parts: Parts, outline: shapely.Geometry | None
) -> tuple[Shapes, NDArray[np.int64], Mask]:
    """Parts cut at an outline.

    What is outside is kept, so that its canopy does not count for the ends inside.

    Parameters
    ----------
    parts : Parts
    outline : geometry or None
        None: nothing is cut.

    Returns
    -------
    pieces : array of LineString
    line : (n,) int64
        Number of the line of each piece.
    inside : (n,) bool
    """
    if outline is None or not len(parts.shapes):
        return parts.shapes, parts.line, np.ones(len(parts.shapes), dtype=bool)
    found, number, inside = [], [], []
    for act, is_inside in ((shapely.intersection, True), (shapely.difference, False)):
        pieces, index = shapely.get_parts(act(parts.shapes, outline), return_index=True)
        good = (shapely.get_dimensions(pieces) == 1) & (shapely.length(pieces) > 0)
        found.append(pieces[good])
        number.append(parts.line[index[good]])
        inside.append(np.full(int(good.sum()), is_inside))
    return np.concatenate(found), np.concatenate(number), np.concatenate(inside)
