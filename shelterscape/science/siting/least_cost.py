"""The cheapest set of lines with which every place reaches its target, and a lower bound."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from shelterscape.science.siting.place_cover import PlaceCover
from shelterscape.science.siting.place_terms import ROUNDING

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]

INFEASIBLE = 2
"""Status of `scipy.optimize.milp` where no solution exists."""

MOST_ROUNDS, MOST_NODES = 40, 2000
"""Most rounds in which the bound is tightened, and nodes of the integer programme in each."""


@dataclass(frozen=True)
class LeastCost:
    """A set with which every place within reach of its target reaches it.

    Parameters
    ----------
    rows : list of int
        Rows of the lines, ascending.
    cost : float
        Cost of the set, in the unit of the costs given.
    cost_bound : float
        No set that does the same costs less.
    reached : (m,) bool
        Places that reach what is required with the set.
    required : (m,) float64
        Share of its target that each place must reach; 0 where it is out of reach.
    best : (m,) float64
        Share of the target that each place reaches with all lines together, 0 to 1.
    """

    rows: list[int]
    cost: float
    cost_bound: float
    reached: NDArray[np.bool_]
    required: Array
    best: Array


def cost_with_land(cost: Array, gains: Array, land_cost: Array) -> Array:
    """Cost of each line, more where it costs the working land.

    Parameters
    ----------
    cost : (n,) float64
        Metres or money.
    gains, land_cost : (n,) float64
        Benefit each adds by itself, and its cost to working land, ha eq.

    Returns
    -------
    (n,) float64
        Cost for the same benefit after the cost to working land, in the unit of the costs given: a
        line across a field with 0.7 of its benefit counted against it costs 3.3 times as much.
        Infinite where nothing of the benefit is left.
    """
    left = np.divide(gains - land_cost, gains, out=np.zeros(len(gains)), where=gains > 0)
    found: Array = np.divide(cost, left, out=np.full(len(cost), np.inf), where=left > 0)
    return found


def least_cost(
    cover: PlaceCover,
    cost: Array,
    *,
    enough: Array | float = 1.0,
    allowed: NDArray[np.bool_] | None = None,
    conflicts: Sequence[tuple[int, int]] = (),
    stop_if_requested: Callable[[], None] = lambda: None,
) -> LeastCost:
    """Find the cheapest set of lines with which all places within reach reach their targets.

    Parameters
    ----------
    cover : PlaceCover
        Of `place_terms.target_terms`, with nothing planted; it is returned to that state.
    cost : (n,) float64
        Cost of each line, 0 or more: metres or money.
    enough : (m,) float64 or float
        Share of its target that is required of a place that cannot reach all of it.
    allowed : (n,) bool, optional
        Lines that may be chosen; by default all.
    conflicts : sequence of pairs of int
        Lines that cannot be chosen together.
    stop_if_requested : callable
        Called between short pieces of work; raises to stop.

    Returns
    -------
    LeastCost

    Notes
    -----
    The first set is greedy: the line with the largest sum of additions per cost comes first, then
    lines that are not needed are removed. For every set T of lines met, any set that reaches the
    target of a place must have additions to T that fill what is missing there, because a line adds
    no more to a larger set. The integer programme of these conditions gives the lower bound; its
    solution is the next set T, until one reaches all targets, which is then the cheapest.
    Places that do not reach enough of their target even with all lines are left out, and those that
    the first set lacks where lines exclude each other so that no set suffices for all.

    References
    ----------
    Wolsey 1982, Combinatorica 2:385-393 (greedy); Nemhauser and Wolsey 1981, constraint generation
    for submodular functions (both status M).
    """
    problem = _Problem(cover, cost, enough, allowed, conflicts, stop_if_requested)
    rows, bound = problem.greedy(), 0.0
    problem.add_conditions([])
    for _ in range(MOST_ROUNDS):
        solution, found = problem.solve()
        if solution is None and np.isinf(found):
            # Lines that exclude each other are needed for these targets.
            problem.require_less(rows)
            rows, bound = problem.greedy(), 0.0
            problem.add_conditions([])
            continue
        bound = max(bound, found)
        if solution is None:
            break
        cheaper = problem.without_needless(solution)
        rows = min(rows, cheaper, key=lambda one: (problem.missing(one), problem.cost_of(one)))
        if not problem.add_conditions(solution):
            break
    return problem.result(rows, bound)


def least_cost_quickly(
    cover: PlaceCover,
    cost: Array,
    *,
    enough: Array | float,
    allowed: NDArray[np.bool_],
    conflicts: Sequence[tuple[int, int]],
    stop_if_requested: Callable[[], None],
) -> list[int]:
    """The greedy set of `least_cost`, without a bound.

    Parameters
    ----------
    cover, cost, enough, allowed, conflicts, stop_if_requested
        As for `least_cost`.

    Returns
    -------
    list of int
        Rows of the lines, ascending.
    """
    return _Problem(cover, cost, enough, allowed, conflicts, stop_if_requested).greedy()


class _Problem:
    """Lines, costs and the conditions known."""

    def __init__(
        self,
        cover: PlaceCover,
        cost: Array,
        enough: Array | float,
        allowed: NDArray[np.bool_] | None,
        conflicts: Sequence[tuple[int, int]],
        stop: Callable[[], None],
    ) -> None:
        self.cover, self.cost, self.stop = cover, cost, stop
        self.allowed = np.ones(len(cost), bool) if allowed is None else allowed
        self.rivals: dict[int, set[int]] = {}
        for one, other in conflicts:
            self.rivals.setdefault(one, set()).add(other)
            self.rivals.setdefault(other, set()).add(one)
        self.conflicts = [(a, b) for a, b in conflicts if self.allowed[a] and self.allowed[b]]
        self.best = self.values([int(row) for row in np.flatnonzero(self.allowed)])
        some = np.where(self.best >= enough, enough, 0.0)
        self._some = some
        self._require(np.where(self.best >= 1.0 - ROUNDING, 1.0, some))

    def _require(self, required: Array) -> None:
        """Require a share of the target of each place."""
        self.required = required
        self.least = required - ROUNDING
        self.wanted = required > 0
        self._conditions: list[tuple[Array, float]] = []

    def require_less(self, rows: Sequence[int]) -> None:
        """Require less of the places that a set does not suffice for: `enough`, then nothing."""
        lacks = self.wanted & (self.values(rows) < self.least)
        less = np.where(self.required > self._some, self._some, 0.0)
        self._require(np.where(lacks, less, self.required))

    def values(self, rows: Sequence[int]) -> Array:
        """Share of the target of each place that a set reaches, (places,)."""
        self.stop()
        for row in rows:
            self.cover.plant(row)
        found = self.cover.by_place.copy()
        for _ in rows:
            self.cover.remove_last()
        return found

    def cost_of(self, rows: Sequence[int]) -> float:
        """Cost of a set."""
        return float(sum(self.cost[row] for row in sorted(rows)))

    def missing(self, rows: Sequence[int]) -> int:
        """Number of places within reach that are below what is required with a set."""
        return int((self.values(rows) < self.least)[self.wanted].sum())

    def greedy(self) -> list[int]:
        """One line after the other, largest addition per cost first; needless ones removed."""
        rows: list[int] = []
        left = {int(row) for row in np.flatnonzero(self.allowed)}
        # Additions to a smaller set are upper bounds.
        known = self.cover.gains_by_place(np.arange(len(self.cost)))[:, self.wanted].sum(axis=1)
        per_cost = known / np.maximum(self.cost, 1e-9)
        while (self.cover.by_place < self.least)[self.wanted].any():
            row = self._next(left, per_cost)
            if row is None:
                break
            self.cover.plant(row)
            rows.append(row)
            left -= {row, *self.rivals.get(row, ())}
        for _ in rows:
            self.cover.remove_last()
        return self.without_needless(rows)

    def _next(self, left: set[int], per_cost: Array) -> int | None:
        """The line with the largest addition per cost; `per_cost` is updated."""
        fresh: set[int] = set()
        while left:
            self.stop()
            row = max(left, key=lambda r: (per_cost[r], -r))
            if per_cost[row] <= 1e-12:
                return None
            if row in fresh:
                return row
            added = self.cover.gains_by_place([row])[0, self.wanted].sum()
            per_cost[row] = added / max(float(self.cost[row]), 1e-9)
            fresh.add(row)
        return None

    def without_needless(self, rows: Sequence[int]) -> list[int]:
        """The set without lines that no target needs, costliest removed first."""
        kept, missing = sorted(rows), self.missing(rows)
        for row in sorted(rows, key=lambda r: (-self.cost[r], r)):
            fewer = [r for r in kept if r != row]
            if self.missing(fewer) <= missing:
                kept = fewer
        return kept

    def add_conditions(self, rows: Sequence[int]) -> bool:
        """Conditions on sets that reach what is required, from a set that does not."""
        for row in rows:
            self.cover.plant(row)
        lacks = self.wanted & (self.cover.by_place < self.least)
        if lacks.any():
            added = self.cover.gains_by_place(np.arange(len(self.cost)))
            for place in np.flatnonzero(lacks):
                missing = float(self.required[place] - self.cover.by_place[place])
                # With whole lines, no addition counts more than what is missing.
                share = np.minimum(added[:, place] / missing, 1.0)
                share[list(rows)] = 0.0
                self._conditions.append((share, 1.0 - 1e-6))
                helps = [int(row) for row in np.flatnonzero(self.allowed & (share > 0))]
                self._conditions.append((self._one_more(int(place), helps), 1.0))
        for _ in rows:
            self.cover.remove_last()
        return bool(lacks.any())

    def _one_more(self, place: int, helps: list[int]) -> Array:
        """At least one line is needed that is not in the largest set that is not enough.

        The set grows from the lines planted now, by lines that help, cheapest last.
        """
        outside, grown = np.zeros(len(self.cost)), 0
        for row in sorted(helps, key=lambda r: (-self.cost[r], r)):
            self.cover.plant(row)
            if self.cover.by_place[place] < self.least[place]:
                grown += 1
            else:
                self.cover.remove_last()
                outside[row] = 1.0
        for _ in range(grown):
            self.cover.remove_last()
        return outside

    def solve(self) -> tuple[list[int] | None, float]:
        """Cheapest set that meets the conditions known, and the lower bound.

        None and infinity where none does, None and a bound where none was found.
        """
        n = len(self.cost)
        if not self._conditions:
            return [], 0.0
        limits = [LinearConstraint(np.array([c for c, _ in self._conditions]),
                                   [low for _, low in self._conditions], np.inf)]  # fmt: skip
        if self.conflicts:
            pairs = np.zeros((len(self.conflicts), n))
            for i, pair in enumerate(self.conflicts):
                pairs[i, list(pair)] = 1.0
            limits.append(LinearConstraint(pairs, -np.inf, 1.0))
        found = milp(
            self.cost,
            constraints=limits,
            integrality=np.ones(n),
            bounds=Bounds(0.0, self.allowed.astype(float)),
            options={"node_limit": MOST_NODES},
        )
        bound = getattr(found, "mip_dual_bound", None)
        low = 0.0 if bound is None or not np.isfinite(bound) else float(bound)
        if found.x is None:
            return None, np.inf if found.status == INFEASIBLE else low
        if found.status == 0:
            low = max(low, float(found.fun) * (1.0 - 1e-6))
        return [int(row) for row in np.flatnonzero(found.x > 0.5)], low

    def result(self, rows: Sequence[int], bound: float) -> LeastCost:
        """The set with its bound."""
        reached = self.wanted & (self.values(rows) >= self.least)
        best = np.minimum(self.best, 1.0)
        return LeastCost(sorted(rows), self.cost_of(rows), bound, reached, self.required, best)
