"""Fewer free ends: lines of a choice exchanged for others that continue belts, at little loss."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.siting.candidates import NEW_ACTIONS
from shelterscape.science.siting.continuity import JOIN_M
from shelterscape.science.siting.search import Search, State

Shapes = NDArray[np.object_]

JOIN_LOSS = 0.02
"""Share of the benefit, after the cost to working land, given up at most for fewer free ends
(assumed)."""

MOST_EXCHANGES, MOST_TRIED = 6, 12
"""Exchanges of lines for fewer free ends, and sets tried for each."""


@dataclass(frozen=True)
class BeltEnds:
    """What adjoins both ends of each new belt; restorations have no ends.

    Parameters
    ----------
    lines : list of list of frozenset of int
        For each candidate and each of its ends, the other candidates that adjoin it.
    existing : list of list of bool
        Whether an existing belt or a wood adjoins it.
    """

    lines: list[list[frozenset[int]]]
    existing: list[list[bool]]

    def free(self, rows: Collection[int]) -> int:
        """Number of ends of a set that adjoin nothing.

        Parameters
        ----------
        rows : collection of int

        Returns
        -------
        int
        """
        chosen = frozenset(rows)
        return sum(
            not (existing or lines & chosen)
            for row in chosen
            for lines, existing in zip(self.lines[row], self.existing[row], strict=True)
        )

    def continuing(self, rows: Collection[int]) -> frozenset[int]:
        """Candidates that adjoin a set.

        Parameters
        ----------
        rows : collection of int

        Returns
        -------
        frozenset of int
        """
        found: frozenset[int] = frozenset()
        return found.union(*(lines for row in rows for lines in self.lines[row])) - {*rows}


def belt_ends(candidates: gpd.GeoDataFrame, existing: Shapes) -> BeltEnds:
    """What adjoins both ends of each candidate.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``action``.
    existing : (k,) array of shapes
        Existing belts and woods.

    Returns
    -------
    BeltEnds
    """
    shapes = candidates.geometry.to_numpy()
    new = candidates["action"].isin(NEW_ACTIONS).to_numpy()
    ends = [shapely.points(shapely.get_coordinates(line)[[0, -1]]) for line in shapes]
    points = np.concatenate([np.empty(0, dtype=object), *ends])
    found: list[set[int]] = [set() for _ in points]
    for at, of in zip(*_near(points, shapes), strict=True):
        if at // 2 != of:
            found[at].add(int(of))
    known = np.zeros(len(points), dtype=bool)
    known[_near(points, existing)[0]] = True
    lines = [[frozenset(found[2 * row + end]) for end in (0, 1)] for row in range(len(shapes))]
    beside = [[bool(known[2 * row + end]) for end in (0, 1)] for row in range(len(shapes))]
    return BeltEnds(
        [ends if is_new else [] for ends, is_new in zip(lines, new, strict=True)],
        [ends if is_new else [] for ends, is_new in zip(beside, new, strict=True)],
    )


def _near(points: Shapes, shapes: Shapes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    at, of = shapely.STRtree(shapes).query(points, predicate="dwithin", distance=JOIN_M)
    return at, of


def with_fewer_ends(
    search: Search, best: State, ends: BeltEnds, most_loss: float = JOIN_LOSS
) -> State:
    """A set with fewer free ends, in place of the best one, where that costs little.

    Parameters
    ----------
    search : Search
    best : State
    ends : BeltEnds
        Of the candidates of the search.
    most_loss : float
        Share of the value of the best set given up at most, 0 to 1.

    Returns
    -------
    State
        The best set itself where no exchange of one line leaves fewer free ends.
    """
    least = search.value(best) * (1.0 - most_loss)
    for _ in range(MOST_EXCHANGES):
        better = next(
            (
                state
                for state in _exchanged(search, best, ends)
                if search.value(state) >= least and search.is_allowed(state)
            ),
            None,
        )
        if better is None:
            break
        best = better
    return best


def _exchanged(search: Search, state: State, ends: BeltEnds) -> Iterator[State]:
    """Sets with one line exchanged and fewer free ends; fewest ends first, then most benefit."""
    rows, own = [row for row, _ in state], search.steps[0][0].additions - search.loss
    found: list[tuple[int, float, int, State]] = []
    for left, place, other in exchanges(rows, ends):
        rest = frozenset(rows) - {rows[place]}
        may_go = rows[place] not in search.must
        if may_go and search.allowed[other] and not search.excludes[other] & rest:
            changed = (*state[:place], (other, state[place][1]), *state[place + 1 :])
            found.append((left, -float(own[other]), int(search.rank[other]), changed))
    found.sort(key=lambda each: each[:3])
    yield from (state for *_, state in found[:MOST_TRIED])


def exchanges(rows: Sequence[int], ends: BeltEnds) -> Iterator[tuple[int, int, int]]:
    """Exchanges of one line of a set that leave fewer free ends.

    Parameters
    ----------
    rows : sequence of int
        The set.
    ends : BeltEnds

    Yields
    ------
    free : int
        Free ends that remain.
    place : int
        Index in the set of the line that is replaced.
    other : int
        Row of the line that continues another line of the set in its place.
    """
    whole = frozenset(rows)
    free = ends.free(whole)
    for place, row in enumerate(rows):
        rest = whole - {row}
        for other in ends.continuing(rest) - {row}:
            left = ends.free(rest | {other})
            if left < free:
                yield left, place, other
