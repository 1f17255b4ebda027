"""Ground of belts, divided into pieces that grant rules treat as one.

Outlines of belts (to the stems and to each fence line that a scheme uses), grant areas and
agreements are intersected once. For every piece the belts that cover it, its categories and the
agreements in force on it are then known. Payments for any set of belts need no further geometry.
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
from shelterscape.science.grants.scheme import Scheme, incompatible_schemes

TOUCH_M = 0.01
"""Belts this near to each other touch, m: drawn lines seldom meet exactly (assumed value)."""

MIN_PIECE_M2 = 1e-4
"""Smallest piece kept, m²; smaller ones result from rounding (assumed value)."""


@dataclass(frozen=True)
class Ground:
    """Belts on the map of grants, divided into pieces.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_belts` returns them.
    schemes : tuple of Scheme
        Sorted by name.
    agreements : list of Agreement
    order : list of int
        Belts sorted by name, then by shape. Ground that belts share counts for the first of them,
        except that a belt whose stems cover it goes before one whose fence encloses it.
    pieces : (n,) array of polygons
    area_m2 : list of float
        Area of each piece, m².
    covers : list of dict
        For each piece, the belts that cover it, each with the narrowest of its outlines that does:
        0 to the stems, 1 to the first fence line, and so on.
    levels : list of int
        Outline that each scheme counts to, numbered as in `covers`.
    of_belt : list of list of int
        Pieces within the widest outline of each belt.
    stems_m2 : list of float
        Area of each belt to its stems, m².
    qualifying : list of set
        For each scheme, pieces in its categories and not under an agreement that excludes it.
    blocked_by : list of dict
        For each scheme, the agreement that excludes it from a piece, by piece.
    in_category : list of set
        For each scheme, pieces in its categories.
    near : list of dict
        For each scheme, qualifying pieces within its largest gap of each piece.
    faults : list of list of tuple
        For each scheme and belt, the rules on single belts that the belt does not meet.
    incompatible_schemes : list of list of int
        Groups of schemes that could pay for the same ground but are incompatible.
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
    blocked_by: list[dict[int, Agreement]]
    in_category: list[set[int]]
    near: list[dict[int, list[int]]] = field(default_factory=list)
    faults: list[list[tuple[str, ...]]] = field(default_factory=list)
    incompatible_schemes: list[list[int]] = field(default_factory=list)

    @functools.cached_property
    def eligible(self) -> list[list[list[int]]]:
        """For each scheme and belt, pieces that meet every rule except those on blocks."""
        return [
            [
                []
                if self.faults[index][belt]
                else [p for p in pieces if p in good and self.covers[p][belt] <= level]
                for belt, pieces in enumerate(self.of_belt)
            ]
            for index, (good, level) in enumerate(zip(self.qualifying, self.levels, strict=True))
        ]

    @functools.cached_property
    def contested(self) -> list[frozenset[int]]:
        """For each group of incompatible schemes, belts on ground that several could pay for."""
        return [self._contested(group) for group in self.incompatible_schemes]

    def _contested(self, group: list[int]) -> frozenset[int]:
        scheme_count = Counter(
            piece for index in group for piece in set(chain.from_iterable(self.eligible[index]))
        )
        return frozenset(
            belt
            for belt, pieces in enumerate(self.of_belt)
            if any(scheme_count[piece] > 1 for piece in pieces)
        )

    @functools.cached_property
    def rank(self) -> dict[int, int]:
        """Position of each belt in `order`."""
        return {belt: i for i, belt in enumerate(self.order)}

    @functools.cached_property
    def holding(self) -> list[str]:
        """Holding of each belt; empty where none is given."""
        return [str(word) for word in self.belts["holding_id"]]

    @functools.cached_property
    def parcel(self) -> list[str]:
        """Parcel of each belt; a belt without one counts as a parcel of its own."""
        words = zip(self.belts["parcel_id"], self.belts["name"], strict=True)
        return [str(parcel) or f"belt {name} #{i}" for i, (parcel, name) in enumerate(words)]

    @functools.cached_property
    def planted_year(self) -> list[int]:
        """Year of planting of each belt; 0 for the start year."""
        return [0 if math.isnan(y) else int(y) for y in self.belts["planted_year"]]

    @functools.cached_property
    def length_m(self) -> list[float]:
        """Length of each belt, m."""
        return [float(value) for value in self.belts["length_m"]]

    @functools.cached_property
    def plants_per_ha(self) -> list[float]:
        """Plants per hectare of each belt, counted to its stems."""
        return [float(value) for value in self.belts["plants_per_ha"]]

    @functools.cached_property
    def cost_minor(self) -> list[int | None]:
        """Planting cost of each belt, minor units of the currency; None where it is unknown."""
        return [None if math.isnan(c) else round(c) for c in self.belts["cost_minor"]]


def divide_ground(
    belts: gpd.GeoDataFrame,
    areas: dict[str, shapely.Geometry],
    agreements: list[Agreement],
    schemes: Sequence[Scheme],
) -> Ground:
    """Divide the ground of belts along outlines, grant areas and agreements.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_belts` returns them; may be empty.
    areas : dict
        Ground of each category.
    agreements : list of Agreement
    schemes : sequence of Scheme
        In any order.

    Returns
    -------
    Ground
    """
    ordered = tuple(sorted(schemes, key=lambda s: s.name))
    fences = sorted({0.0, *(s.fence_m for s in ordered)})
    outlines = [_fence_lines(belts["outline"].to_numpy(), fence) for fence in fences]
    pieces, covers = _divided(outlines, [*areas.values(), *(a.area for a in agreements)])
    of_belt: list[list[int]] = [[] for _ in range(len(belts))]
    for piece, cover in enumerate(covers):
        for belt in cover:
            of_belt[belt].append(piece)
    area = [float(a) for a in shapely.area(pieces)]
    points = shapely.point_on_surface(pieces)
    within = {category: _points_in(shape, points) for category, shape in areas.items()}
    under = [_points_in(agreement.area, points) for agreement in agreements]
    in_category = [
        set().union(*(within.get(c, set()) for c in s.categories))
        if s.categories
        else set(range(len(pieces)))
        for s in ordered
    ]
    blocked_by = [
        {
            piece: agreement
            for agreement, covered in zip(agreements, under, strict=True)
            if not scheme.allows(agreement.scheme)
            for piece in covered
        }
        for scheme in ordered
    ]
    qualifying = [good - set(bad) for good, bad in zip(in_category, blocked_by, strict=True)]
    ground = Ground(
        belts=belts,
        schemes=ordered,
        agreements=agreements,
        order=_order(belts),
        pieces=pieces,
        area_m2=area,
        covers=covers,
        levels=[fences.index(s.fence_m) for s in ordered],
        of_belt=of_belt,
        stems_m2=[sum(area[p] for p in of_belt[b] if covers[p][b] == 0) for b in range(len(belts))],
        qualifying=qualifying,
        blocked_by=blocked_by,
        in_category=in_category,
        faults=[belt_faults(belts, scheme) for scheme in ordered],
        incompatible_schemes=incompatible_schemes(ordered, qualifying),
    )
    ground.near.extend(_neighbours(ground))
    return ground


def _fence_lines(outlines: NDArray[np.object_], fence_m: float) -> NDArray[np.object_]:
    """Outlines widened to a fence line, with square corners."""
    return shapely.buffer(outlines, fence_m, join_style="mitre") if fence_m else outlines


def _order(belts: gpd.GeoDataFrame) -> list[int]:
    shapes = shapely.to_wkb(shapely.normalize(belts.geometry.to_numpy()))
    keys = list(zip(belts["name"], shapes, belts["width_m"], strict=True))
    return sorted(range(len(belts)), key=lambda i: (keys[i], i))


def _divided(
    outlines: list[NDArray[np.object_]], shapes: list[shapely.Geometry]
) -> tuple[NDArray[np.object_], list[dict[int, int]]]:
    """Pieces of ground covered by belts; for each, the belts with their narrowest outlines."""
    widest = outlines[-1]
    if not len(widest):
        return np.array([], dtype=object), []
    whole = shapely.union_all(widest)
    edges = [shapely.boundary(one) for level in outlines for one in level]
    # Edges extend beyond the outlines: one that ended on an outline could miss it by rounding.
    clip = shapely.buffer(whole, 1.0, quad_segs=2)
    edges += [shapely.intersection(shapely.boundary(one), clip) for one in shapes]
    noded = shapely.union_all(np.array(edges, dtype=object))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    faces = faces[shapely.area(faces) >= MIN_PIECE_M2]
    points = shapely.point_on_surface(faces)
    covers: list[dict[int, int]] = [{} for _ in faces]
    # From the widest outline to the narrowest, so that the narrowest remains.
    for level in range(len(outlines) - 1, -1, -1):
        tree = shapely.STRtree(outlines[level])
        for face, belt in zip(*tree.query(points, predicate="intersects"), strict=True):
            covers[face][int(belt)] = level
    covered = np.array([bool(cover) for cover in covers], dtype=bool)
    return faces[covered], [cover for cover in covers if cover]


def _points_in(shape: shapely.Geometry, points: NDArray[np.object_]) -> set[int]:
    """Positions of the points within a shape."""
    shapely.prepare(shape)
    return {int(i) for i in np.flatnonzero(shapely.contains(shape, points))}


def _neighbours(ground: Ground) -> list[dict[int, list[int]]]:
    """For each scheme, its qualifying pieces within its largest gap of each other."""
    gaps = [max(s.max_gap_m, TOUCH_M) for s in ground.schemes]
    tree = shapely.STRtree(ground.pieces)
    farthest = max(gaps, default=0.0)
    one, other = tree.query(ground.pieces, predicate="dwithin", distance=farthest)
    apart = shapely.distance(ground.pieces[one], ground.pieces[other])
    found = []
    for qualifying, gap in zip(ground.qualifying, gaps, strict=True):
        near: dict[int, list[int]] = {piece: [] for piece in qualifying}
        for a, b in zip(one[apart <= gap].tolist(), other[apart <= gap].tolist(), strict=True):
            if a != b and a in near and b in near:
                near[a].append(b)
        found.append(near)
    return found
