"""What belts cost the working land: boundaries they follow, land taken, field parts cut off, gates.

A belt across a field takes land and divides it. Ground that a machine of the working width cannot
reach, and parts smaller than the least field part, are cut off; every other new part needs a gate.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.candidates import FENCE_M, NEW_ACTIONS

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]
Shapes = NDArray[np.object_]

MIN_FIELD_PART_HA = 1.0
"""Smallest part of a divided field that remains in use, ha (assumed)."""

WORKING_WIDTH_M = 12.0
"""Working width of machinery, metres (assumed)."""

BOUNDARY_PREFERENCE = 0.7
"""Share of its own benefit that a belt has to add beyond one along a boundary (assumed)."""

LAND_WEIGHT = 1.0
"""Benefit, ha eq., counted against each hectare taken out of use or cut off (assumed)."""

ALONG_M = 5.0
"""A belt follows a boundary where its face is at most this far from it, metres (assumed)."""

LEAST_OVERLAP_M2 = 1.0
SLIVER_M2 = 500.0
"""Ground smaller than this is no part of a field, m² (assumed): a corner behind a belt."""

BESIDE_SHARE = 1 / 3
"""Share of the shorter of two lines over which they run side by side, above which a choice takes
one of them (assumed); of long lines, three times their distance is enough."""

MORE_CUT_OFF = 0.1
"""Ground that two belts cut off only together, as a share of the least field part, above which a
choice takes one of them (assumed)."""


@dataclass(frozen=True)
class WorkingLand:
    """What each candidate costs the working land.

    Parameters
    ----------
    boundary_share : (n,) float64
        Share of the length along boundaries, 0 to 1; 1 for restorations.
    land_out_ha : (n,) float64
        Field ground under the belt and its fences, and cut off by it, ha.
    land_cut_off_ha : (n,) float64
        The part of it that is cut off, ha.
    smallest_part_ha : (n,) float64
        The smallest part of a field divided by the belt, ha; NaN where it divides none.
    new_gates : (n,) int64
        Gates to parts that remain in use.
    """

    boundary_share: Array
    land_out_ha: Array
    land_cut_off_ha: Array
    smallest_part_ha: Array
    new_gates: Numbers

    def cost_ha(
        self,
        gains: Array,
        boundary_preference: float = BOUNDARY_PREFERENCE,
        land_weight: float = LAND_WEIGHT,
    ) -> Array:
        """What a choice counts against each candidate, ha eq.

        Parameters
        ----------
        gains : (n,) float64
            Benefit each adds by itself, ha eq.
        boundary_preference : float
            Share of that benefit counted against a belt that follows no boundary, 0 to 1.
        land_weight : float
            ha eq. for each hectare out of use.

        Returns
        -------
        (n,) float64
            0 or more.
        """
        across = boundary_preference * (1.0 - self.boundary_share) * np.maximum(gains, 0.0)
        found: Array = across + land_weight * self.land_out_ha
        return found


def boundary_shares(lines: Shapes, width_m: Array, boundaries: Shapes) -> Array:
    """Share of the length of each line along boundaries.

    Parameters
    ----------
    lines : (n,) array of lines
    width_m : (n,) float64
        Width of the belts, m.
    boundaries : (k,) array of shapes
        Outlines of fields, existing belts and woods.

    Returns
    -------
    (n,) float64
        0 to 1.
    """
    near = np.asarray(width_m, dtype=float) / 2 + ALONG_M
    share = np.zeros(len(lines))
    tree = shapely.STRtree(boundaries)
    for i, line in enumerate(lines):
        found = tree.query(line, predicate="dwithin", distance=near[i])
        # Only the boundaries nearby, so that outlines of whole parishes stay cheap.
        around = shapely.box(*shapely.bounds(line)).buffer(near[i])
        here = shapely.intersection(boundaries[found], around)
        strip = shapely.buffer(shapely.union_all(here), near[i])
        share[i] = shapely.length(shapely.intersection(line, strip)) / max(line.length, 1e-9)
    return np.minimum(share, 1.0)


def working_land(
    candidates: gpd.GeoDataFrame,
    fields: Shapes,
    boundaries: Shapes,
    *,
    min_field_part_ha: float = MIN_FIELD_PART_HA,
    working_width_m: float = WORKING_WIDTH_M,
) -> WorkingLand:
    """What each candidate costs the working land.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``action`` and ``width_m``.
    fields : (k,) array of polygons
    boundaries : (b,) array of shapes
        As for `boundary_shares`.
    min_field_part_ha : float
        Smaller parts of a divided field are cut off, apart from its largest part.
    working_width_m : float
        Ground that a circle of this diameter does not reach is cut off, m.

    Returns
    -------
    WorkingLand
        Restorations need no more land.

    Notes
    -----
    Parts are those of the ground that a circle of the working width reaches: an opening in a belt
    as wide as a machine does not divide a field, and a narrower one does.
    """
    count = len(candidates)
    share, out, cut_off = np.ones(count), np.zeros(count), np.zeros(count)
    smallest, gates = np.full(count, np.inf), np.zeros(count, np.int64)
    new = np.flatnonzero(candidates["action"].isin(NEW_ACTIONS).to_numpy())
    lines = candidates.geometry.to_numpy()[new]
    width = candidates["width_m"].to_numpy(dtype=float)[new]
    share[new] = boundary_shares(lines, width, boundaries)
    strips = _strips(lines, width)
    at, of = shapely.STRtree(fields).query(strips, predicate="intersects")
    taken = shapely.area(shapely.intersection(strips[at], fields[of]))
    at, of, taken = (a[taken >= LEAST_OVERLAP_M2] for a in (at, of, taken))
    before = _parts_in_use(fields, working_width_m, min_field_part_ha)
    after = _parts_in_use(
        shapely.difference(fields[of], strips[at]), working_width_m, min_field_part_ha
    )
    lost = np.maximum(before.used_m2[of] - after.used_m2, taken)
    # Less than a square metre is rounding.
    lost = np.where(lost - taken < LEAST_OVERLAP_M2, taken, lost)
    np.add.at(out, new[at], lost / 1e4)
    np.add.at(cut_off, new[at], (lost - taken) / 1e4)
    np.add.at(gates, new[at], np.maximum(after.count - before.count[of], 0))
    divided = after.every > before.every[of]
    np.minimum.at(smallest, new[at[divided]], after.smallest_m2[divided] / 1e4)
    return WorkingLand(share, out, cut_off, np.where(np.isinf(smallest), np.nan, smallest), gates)


def _strips(lines: Shapes, width_m: Array) -> Shapes:
    """Ground under belts and their fences."""
    strips: Shapes = shapely.buffer(lines, width_m / 2 + FENCE_M, cap_style="flat")
    return strips


@dataclass(frozen=True)
class _PartsInUse:
    """Parts of fields that machines reach.

    Parameters
    ----------
    used_m2 : (n,) float64
        Area of the parts that remain in use, m².
    count, every : (n,) int64
        Number of parts that remain in use, and of all.
    smallest_m2 : (n,) float64
        Area of the smallest of all parts, m².
    """

    used_m2: Array
    count: Numbers
    every: Numbers
    smallest_m2: Array


def _parts_in_use(fields: Shapes, working_width_m: float, min_field_part_ha: float) -> _PartsInUse:
    """Parts of each field: the largest one, and others that are large enough, remain in use."""
    half = working_width_m / 2
    reached = shapely.buffer(fields, -half, join_style="mitre")
    parts, owner = shapely.get_parts(reached, return_index=True)
    # Where two edges nearly meet, mitred corners can cross; valid parts are not changed.
    grown = shapely.make_valid(shapely.buffer(parts, half, join_style="mitre"))
    area = shapely.area(shapely.intersection(grown, fields[owner]))
    large = area >= SLIVER_M2
    area, owner = area[large], owner[large]
    count = len(fields)
    smallest = np.full(count, np.inf)
    np.minimum.at(smallest, owner, area)
    used = area >= 1e4 * min_field_part_ha
    # The largest part of each; one where several are equal.
    _, first = np.unique(owner[np.argsort(-area, kind="stable")], return_index=True)
    used[np.argsort(-area, kind="stable")[first]] = True
    return _PartsInUse(
        np.bincount(owner[used], area[used], count).astype(float),
        np.bincount(owner[used], minlength=count),
        np.bincount(owner, minlength=count),
        smallest,
    )


def excluding_pairs(
    candidates: gpd.GeoDataFrame,
    fields: Shapes,
    land: WorkingLand,
    *,
    min_field_part_ha: float = MIN_FIELD_PART_HA,
    working_width_m: float = WORKING_WIDTH_M,
) -> Numbers:
    """Pairs of new belts of which a choice takes at most one.

    Parameters
    ----------
    candidates : GeoDataFrame
        As for `working_land`.
    fields : (k,) array of polygons
    land : WorkingLand
        Of these candidates and fields.
    min_field_part_ha, working_width_m : float
        As for `working_land`.

    Returns
    -------
    (p, 2) int64
        Rows, the smaller one first, in ascending order.

    Notes
    -----
    Two belts exclude each other where they run side by side, as on both sides of a boundary, and
    where they cut off ground only together: the part of a field between them is too small or too
    narrow.
    """
    new = np.flatnonzero(candidates["action"].isin(NEW_ACTIONS).to_numpy())
    lines = candidates.geometry.to_numpy()[new]
    width = candidates["width_m"].to_numpy(dtype=float)[new]
    beside = _side_by_side(lines, width)
    dividing = (1.0 - land.boundary_share[new]) * shapely.length(lines) > working_width_m
    pairs = _pairs_in_fields(_strips(lines, width), dividing, fields)
    apart = ~_is_in(pairs[:, :2], beside)
    field_of, pairs = pairs[apart, 2], pairs[apart, :2]
    strips = _strips(lines, width)
    limits = working_width_m, min_field_part_ha
    whole, first, second, both = (
        _parts_in_use(ground, *limits).used_m2
        for ground in (
            fields[field_of],
            shapely.difference(fields[field_of], strips[pairs[:, 0]]),
            shapely.difference(fields[field_of], strips[pairs[:, 1]]),
            shapely.difference(
                fields[field_of], shapely.union(strips[pairs[:, 0]], strips[pairs[:, 1]])
            ),
        )
    )
    more = (whole - both) - (whole - first) - (whole - second)
    together = pairs[more > MORE_CUT_OFF * 1e4 * min_field_part_ha]
    found = np.unique(np.vstack([beside, together]), axis=0)
    return np.column_stack([new[found[:, 0]], new[found[:, 1]]]).astype(np.int64)


def _is_in(pairs: Numbers, others: Numbers) -> NDArray[np.bool_]:
    known = {tuple(pair) for pair in others.tolist()}
    return np.array([tuple(pair) in known for pair in pairs.tolist()], dtype=bool)


def _side_by_side(lines: Shapes, width_m: Array) -> Numbers:
    """Pairs of lines that run beside each other over much of the shorter one."""
    far = float(width_m.max(initial=0.0)) + ALONG_M
    one, other = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=far)
    length = shapely.length(lines)
    # The first of a pair is the shorter line.
    first = (length[one] < length[other]) | ((length[one] == length[other]) & (one < other))
    one, other = one[first], other[first]
    apart = (width_m[one] + width_m[other]) / 2 + ALONG_M
    beside = shapely.buffer(lines[other], apart, cap_style="flat")
    shared = shapely.length(shapely.intersection(lines[one], beside))
    # Lines that cross at more than 42° share less than three times the distance.
    most = np.minimum(BESIDE_SHARE * length[one], 3.0 * apart)
    both = np.column_stack([one, other])[shared > most]
    return np.sort(both, axis=1).astype(np.int64)


def _pairs_in_fields(strips: Shapes, dividing: NDArray[np.bool_], fields: Shapes) -> Numbers:
    """Pairs of dividing belts in one field, with the row of the field: (p, 3)."""
    rows = np.flatnonzero(dividing)
    at, of = shapely.STRtree(fields).query(strips[rows], predicate="intersects")
    found = [np.empty((0, 3), np.int64)]
    for field in np.unique(of):
        here = np.sort(rows[at[of == field]])
        one, other = np.triu_indices(len(here), 1)
        found.append(np.column_stack([here[one], here[other], np.full(len(one), field)]))
    return np.vstack(found)


def excludes_column(candidates: gpd.GeoDataFrame, pairs: Numbers) -> list[str]:
    """Names of the candidates that each excludes, separated by semicolons.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``candidate``.
    pairs : (p, 2) int64
        As `excluding_pairs` returns them.

    Returns
    -------
    list of str
    """
    names = candidates["candidate"].astype(str).to_numpy()
    others: list[list[str]] = [[] for _ in names]
    for one, other in np.vstack([pairs, pairs[:, ::-1]]).tolist():
        others[one].append(str(names[other]))
    return ["; ".join(sorted(each)) for each in others]


def excluded_rows(candidates: gpd.GeoDataFrame) -> list[frozenset[int]]:
    """Rows that cannot be chosen together with each candidate.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``candidate``, ``excludes`` (names separated by semicolons; others are ignored) and
        ``restores_belt`` where known: two restorations of one belt exclude each other.

    Returns
    -------
    list of frozenset of int
    """
    known = {str(name): row for row, name in enumerate(candidates["candidate"])}
    found: list[set[int]] = [set() for _ in known]
    for row, names in enumerate(candidates.get("excludes", ())):
        found[row].update(known[name] for name in str(names).split("; ") if name in known)
    belts = replaced_rows(candidates)
    for one in np.flatnonzero(belts >= 0):
        found[one].update(int(r) for r in np.flatnonzero(belts == belts[one]) if r != one)
    return [frozenset(each) for each in found]
