"""The ground of belts cut into uniform pieces, so that payments are arithmetic.

Outlines of belts (to the stems and to each fence line that a scheme counts), grant areas and
agreements are overlaid once. For every piece it is then known which belts cover it, which
categories it is in and which agreements are in force on it; for any set of belts examined later, no
geometry is calculated again.
"""

from __future__ import annotations

import functools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import chain

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.grants.faults import belt_faults
from shelterscape.science.grants.maps import Agreement
from shelterscape.science.grants.scheme import Scheme, rivals

TOUCH_M = 0.01
"""Belts nearer than this touch: drawn lines seldom meet to the last digit (assumed value)."""

LEAST_PIECE_M2 = 1e-4
"""Smaller pieces are scraps of rounding, not ground."""


@dataclass(frozen=True)
class Ground:
    """Belts on the map of grants, cut into pieces.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete` returns them.
    schemes : tuple of Scheme
        In order of name.
    agreements : list of Agreement
    order : list of int
        Belts in the order in which ground they share is given to them: by name, then by shape;
        but ground under the stems of one goes before ground inside the fence of another.
    pieces : (n,) array of polygons
    area_m2 : list of float
    covers : list of dict
        For each piece, the belts that cover it and the nearest outline of each that does: 0 to the
        stems, 1 to the first fence line, and so on.
    levels : list of int
        Outline that each scheme counts to.
    of_belt : list of list of int
        Pieces that each belt covers, to its widest outline.
    stems_m2 : list of float
        Area of each belt to its stems.
    qualifying : list of set
        For each scheme, pieces in its categories and under no agreement that bars it.
    barred : list of dict
        For each scheme, the agreement that bars each piece.
    inside : list of set
        For each scheme, pieces in its categories.
    near : list of dict
        For each scheme, qualifying pieces within its largest gap of each piece.
    faults : list of list of tuple
        For each scheme and belt, what makes the whole belt fail, in words.
    rivals : list of list of int
        Schemes by groups that may take ground from one another.
    """

    belts: gpd.GeoDataFrame
    schemes: tuple[Scheme, ...]
    agreements: list[Agreement]
    order: list[int]
    pieces: NDArray[np.object_]
    area_m2: list[float]
    covers: list[dict[int, int]]
    levels: list[int]
    of_belt: list[list[int]]
    stems_m2: list[float]
    qualifying: list[set[int]]
    barred: list[dict[int, Agreement]]
    inside: list[set[int]]
    near: list[dict[int, list[int]]] = field(default_factory=list)
    faults: list[list[tuple[str, ...]]] = field(default_factory=list)
    rivals: list[list[int]] = field(default_factory=list)

    @functools.cached_property
    def eligible(self) -> list[list[list[int]]]:
        """For each scheme and belt, pieces that could be paid, were all blocks large enough."""
        return [
            [
                []
                if self.faults[index][belt]
                else [p for p in pieces if p in there and self.covers[p][belt] <= level]
                for belt, pieces in enumerate(self.of_belt)
            ]
            for index, (there, level) in enumerate(zip(self.qualifying, self.levels, strict=True))
        ]

    @functools.cached_property
    def contested(self) -> list[frozenset[int]]:
        """For each group of rivals, belts on ground that more than one of them could pay for."""
        return [self._contested(group) for group in self.rivals]

    def _contested(self, group: list[int]) -> frozenset[int]:
        wanted = Counter(
            piece for index in group for piece in set(chain.from_iterable(self.eligible[index]))
        )
        return frozenset(
            belt
            for belt, pieces in enumerate(self.of_belt)
            if any(wanted[piece] > 1 for piece in pieces)
        )

    @functools.cached_property
    def rank(self) -> dict[int, int]:
        """Place of each belt in `order`."""
        return {belt: i for i, belt in enumerate(self.order)}

    @functools.cached_property
    def holding(self) -> list[str]:
        """Holding of each belt; empty where it names none."""
        return [str(word) for word in self.belts["holding_id"]]

    @functools.cached_property
    def parcel(self) -> list[str]:
        """Parcel of each belt; a belt that names none is a parcel of its own."""
        words = zip(self.belts["parcel_id"], self.belts["name"], strict=True)
        return [str(parcel) or f"belt {name} #{i}" for i, (parcel, name) in enumerate(words)]

    @functools.cached_property
    def planted_year(self) -> list[int]:
        """Year in which each belt is to be planted; 0 where it is that of the start."""
        return [0 if math.isnan(y) else int(y) for y in self.belts["planted_year"]]

    @functools.cached_property
    def length_m(self) -> list[float]:
        """Length of each belt, m."""
        return [float(value) for value in self.belts["length_m"]]

    @functools.cached_property
    def plants_per_ha(self) -> list[float]:
        """Plants per hectare of each belt, to its stems."""
        return [float(value) for value in self.belts["plants_per_ha"]]

    @functools.cached_property
    def cost_minor(self) -> list[int | None]:
        """What planting each belt costs, minor money units; None where it is not known."""
        return [None if math.isnan(c) else round(c) for c in self.belts["cost_minor"]]


def lay_out(
    belts: gpd.GeoDataFrame,
    areas: dict[str, shapely.Geometry],
    agreements: list[Agreement],
    schemes: Sequence[Scheme],
) -> Ground:
    """Cut the ground of belts by outlines, grant areas and agreements.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete` returns them; none at all is allowed.
    areas : dict
        Ground of each category.
    agreements : list of Agreement
    schemes : sequence of Scheme
        In any order.

    Returns
    -------
    Ground
    """
    settled = tuple(sorted(schemes, key=lambda s: s.name))
    fences = sorted({0.0, *(s.fence_m for s in settled)})
    outlines = [_fenced(belts["outline"].to_numpy(), fence) for fence in fences]
    pieces, covers = _cut(outlines, [*areas.values(), *(a.area for a in agreements)])
    of_belt: list[list[int]] = [[] for _ in range(len(belts))]
    for piece, cover in enumerate(covers):
        for belt in cover:
            of_belt[belt].append(piece)
    area = [float(a) for a in shapely.area(pieces)]
    points = shapely.point_on_surface(pieces)
    within = {category: _holding(shape, points) for category, shape in areas.items()}
    standing = [_holding(agreement.area, points) for agreement in agreements]
    inside = [
        set().union(*(within.get(c, set()) for c in s.categories))
        if s.categories
        else set(range(len(pieces)))
        for s in settled
    ]
    barred = [
        {
            piece: agreement
            for agreement, there in zip(agreements, standing, strict=True)
            if not scheme.beside(agreement.scheme)
            for piece in there
        }
        for scheme in settled
    ]
    qualifying = [there - set(bar) for there, bar in zip(inside, barred, strict=True)]
    ground = Ground(
        belts=belts,
        schemes=settled,
        agreements=agreements,
        order=_order(belts),
        pieces=pieces,
        area_m2=area,
        covers=covers,
        levels=[fences.index(s.fence_m) for s in settled],
        of_belt=of_belt,
        stems_m2=[sum(area[p] for p in of_belt[b] if covers[p][b] == 0) for b in range(len(belts))],
        qualifying=qualifying,
        barred=barred,
        inside=inside,
        faults=[belt_faults(belts, scheme) for scheme in settled],
        rivals=rivals(settled, qualifying),
    )
    ground.near.extend(_neighbours(ground))
    return ground


def _fenced(outlines: NDArray[np.object_], fence_m: float) -> NDArray[np.object_]:
    """Outlines moved out to a fence line; a fence turns square corners."""
    return shapely.buffer(outlines, fence_m, join_style="mitre") if fence_m else outlines


def _order(belts: gpd.GeoDataFrame) -> list[int]:
    shapes = shapely.to_wkb(shapely.normalize(belts.geometry.to_numpy()))
    keys = list(zip(belts["name"], shapes, belts["width_m"], strict=True))
    return sorted(range(len(belts)), key=lambda i: (keys[i], i))


def _cut(
    outlines: list[NDArray[np.object_]], shapes: list[shapely.Geometry]
) -> tuple[NDArray[np.object_], list[dict[int, int]]]:
    """Pieces of ground that some belt covers, and by which outlines of which belts."""
    widest = outlines[-1]
    if not len(widest):
        return np.array([], dtype=object), []
    whole = shapely.union_all(widest)
    edges = [shapely.boundary(one) for level in outlines for one in level]
    # Cut a little outside: an edge that ended on an outline could fall short of it by rounding.
    reach = shapely.buffer(whole, 1.0, quad_segs=2)
    edges += [shapely.intersection(shapely.boundary(one), reach) for one in shapes]
    noded = shapely.union_all(np.array(edges, dtype=object))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    faces = faces[shapely.area(faces) >= LEAST_PIECE_M2]
    points = shapely.point_on_surface(faces)
    covers: list[dict[int, int]] = [{} for _ in faces]
    # The widest outline first, so that the nearest one that covers a piece is what remains.
    for level in range(len(outlines) - 1, -1, -1):
        tree = shapely.STRtree(outlines[level])
        for face, belt in zip(*tree.query(points, predicate="intersects"), strict=True):
            covers[face][int(belt)] = level
    covered = np.array([bool(cover) for cover in covers], dtype=bool)
    return faces[covered], [cover for cover in covers if cover]


def _holding(shape: shapely.Geometry, points: NDArray[np.object_]) -> set[int]:
    """Points in a shape."""
    shapely.prepare(shape)
    return {int(i) for i in np.flatnonzero(shapely.contains(shape, points))}


def _neighbours(ground: Ground) -> list[dict[int, list[int]]]:
    """For each scheme, its qualifying pieces within its largest gap of each other."""
    reach = [max(s.largest_gap_m, TOUCH_M) for s in ground.schemes]
    tree = shapely.STRtree(ground.pieces)
    farthest = max(reach, default=0.0)
    one, other = tree.query(ground.pieces, predicate="dwithin", distance=farthest)
    apart = shapely.distance(ground.pieces[one], ground.pieces[other])
    found = []
    for there, gap in zip(ground.qualifying, reach, strict=True):
        near: dict[int, list[int]] = {piece: [] for piece in there}
        for a, b in zip(one[apart <= gap].tolist(), other[apart <= gap].tolist(), strict=True):
            if a != b and a in near and b in near:
                near[a].append(b)
        found.append(near)
    return found
