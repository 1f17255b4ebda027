"""Searches for a good set of lines: greedy, the best line alone, and exchange of lines."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from typing import Protocol

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.siting.budgets import BudgetTracker, SearchStep
from shelterscape.science.siting.working_land import excluded_rows

Array = NDArray[np.float64]

REFRESHED_TOGETHER = 8
"""Lines evaluated again together in the search for the next best one."""

LEAST_GAIN_HA = 1e-6
"""Additions below this count as none, ha eq.: they are within rounding."""

EVALUATIONS_IN_EXCHANGE = 600
"""Most evaluations of lines while chosen ones are exchanged. Lines with the smallest addition per
share of the budget come first, because replacing them is most likely to help."""

FEW_LINES, STARTS = 8, 12
"""Where at most the first number of lines fit the budget, the best lines, up to the second number,
are each tried as the first one chosen."""

MOST_MISFITS = 40
"""With grants, a phase ends after this number of lines that do not fit: net costs take longer to
calculate than benefits."""

MOST_REPLACEMENTS = 24
"""Lines tried in place of each chosen one."""


State = tuple[tuple[int, int], ...]
"""Rows with the numbers of their phases, in the order planted."""


class Evaluator(Protocol):
    """Evaluates candidates one after the other: `ground.Ground`, or cells of Monte Carlo runs.

    Methods take rows of candidates: `which`, (w,) int64, or `one`.
    """

    planted: list[int]

    def gains(self, which: NDArray[np.int64]) -> Array:
        """Benefit each of these candidates would add to the lines planted now, ha eq."""

    def plant(self, one: int) -> float:
        """Plant a candidate and return the benefit it adds, ha eq."""

    def remove_last(self) -> int:
        """Remove the candidate planted last and return its row."""


class Search:
    """A choice in progress: planted lines with their phase, and the last known additions.

    Parameters
    ----------
    ground : Evaluator
        With nothing planted.
    candidates : GeoDataFrame
    budget : BudgetTracker
    own : (n,) float64, optional
        Benefit each adds alone, ha eq.; calculated when not given.
    loss : (n,) float64
        Existing shelter lost by restoration and cost to working land, ha eq.
    stop_if_requested : callable

    Attributes
    ----------
    steps : list of (Step, State)
        Sets met by `add_greedily`; the first holds the required lines.
    evaluated_sets : dict
        Value and state of every set met that fits the limits, by its rows.

    Notes
    -----
    Methods take a `row` or `rows` of candidates, the number of a `phase`, or a `state`. Floats
    returned are in ha eq.
    """

    def __init__(
        self,
        ground: Evaluator,
        candidates: gpd.GeoDataFrame,
        budget: BudgetTracker,
        own: Array | None,
        loss: Array,
        stop_if_requested: Callable[[], None],
    ) -> None:
        self.ground, self.budget, self.stop = ground, budget, stop_if_requested
        n = len(candidates)
        self.names = candidates["candidate"].astype(str).to_numpy()
        self.rank = np.argsort(np.argsort(self.names, kind="stable"))
        self.loss = loss
        self.excludes = excluded_rows(candidates)
        self.shares = budget.shares_alone()
        self.allowed = np.ones(n, dtype=bool)
        self.must: frozenset[int] = frozenset()
        self.phases: dict[int, int] = {}
        self.gain_of: dict[int, float] = {}
        self.evaluations = 0
        self.additions = (self.gains_of(np.arange(n)) if own is None else own).copy()
        self.steps: list[tuple[SearchStep, State]] = [(SearchStep(0.0, self.additions.copy()), ())]
        self._values: dict[frozenset[int], float] = {}
        self.evaluated_sets: dict[frozenset[int], tuple[float, State]] = {frozenset(): (0.0, ())}

    # Additions of lines.

    def gains_of(self, rows: NDArray[np.int64]) -> Array:
        """Benefit each of these lines would add to the planted ones."""
        self.stop()
        self.evaluations += len(rows)
        return self.ground.gains(rows)

    def refresh(self, rows: Iterable[int]) -> None:
        """Update the additions of these lines to the planted ones."""
        numbers = np.array(sorted(rows), dtype=np.int64)
        self.additions[numbers] = self.gains_of(numbers)

    # Planting and removing lines.

    def add(self, row: int, phase: int) -> None:
        """Plant a line in a phase."""
        self.evaluations += 1
        self.gain_of[row] = self.ground.plant(row)
        self.phases[row] = phase
        self.additions[row] = 0.0

    def state(self) -> State:
        """The lines planted now, with their phases."""
        return tuple((row, self.phases[row]) for row in self.ground.planted)

    def restore(self, state: State) -> None:
        """Change the planted lines to a state, removing no more than necessary."""
        planted, keep = self.state(), 0
        while keep < min(len(planted), len(state)) and planted[keep] == state[keep]:
            keep += 1
        while len(self.ground.planted) > keep:
            row = self.ground.remove_last()
            del self.phases[row], self.gain_of[row]
        for row, phase in state[keep:]:
            self.add(row, phase)

    def clear(self) -> None:
        """Remove all planted lines."""
        self.restore(())

    def planted_benefit(self) -> float:
        """Benefit of the planted lines, with all existing belts in place."""
        return sum(self.gain_of[row] for row in self.ground.planted)

    def value(self, state: State) -> float:
        """Benefit of a state, minus shelter lost by restoration and the cost to working land."""
        rows = frozenset(row for row, _ in state)
        if rows not in self._values:
            self.restore(state)
            self._values[rows] = self.planted_benefit() - sum(
                float(self.loss[row]) for row, _ in state
            )
            # A subset of a set that fits need not fit: grants may require a minimum length.
            if self.budget.fits(dict(state)):
                self.evaluated_sets[rows] = (self._values[rows], state)
        return self._values[rows]

    def is_allowed(self, state: State) -> bool:
        """Whether a state whose value is known fits the limits."""
        return frozenset(row for row, _ in state) in self.evaluated_sets

    def best(self) -> State:
        """The state with the largest value met; ties go to the smaller cost, then to the name."""

        def order(rows: frozenset[int]) -> tuple[float, float, list[int]]:
            return (
                -self.evaluated_sets[rows][0],
                self.budget.budget_share(rows),
                self.names_of(rows),
            )

        return self.evaluated_sets[min(self.evaluated_sets, key=order)][1]

    def names_of(self, rows: frozenset[int]) -> list[int]:
        """A set as ranks of its names, which decide ties."""
        return sorted(int(self.rank[row]) for row in rows)

    # The searches.

    def forbid(self, rows: Iterable[int]) -> None:
        """Exclude lines from every choice."""
        self.allowed[list(rows)] = False
        self.steps[0][0].additions[~self.allowed] = 0.0
        self.additions[~self.allowed] = 0.0

    def plant_required(self, must: list[int], both: set[str]) -> None:
        """Plant the required lines, each in the first phase whose budget allows it.

        Parameters
        ----------
        must : list of int
            Rows of the required lines.
        both : set of str
            Names of candidates both required and forbidden.

        Raises
        ------
        InputError
            ``input-refused`` when `both` is not empty, or a required line exceeds the limits.
        """
        if both:
            raise _refused(
                "A candidate is both required and forbidden.",
                sorted(both)[0],
                "Remove the candidate from must_have or from forbidden.",
            )
        for row in must:
            phase = self._first_phase(row)
            if phase is None:
                raise _refused(
                    "The required lines do not fit the budget.",
                    None,
                    "Require fewer or shorter lines, or raise the budget.",
                )
            self.add(row, phase)
        self.must = frozenset(must)
        if must:
            self.steps = [(SearchStep(self.planted_benefit(), self.additions.copy()), self.state())]
            self.evaluated_sets = {}
            self.value(self.state())

    def _first_phase(self, row: int) -> int | None:
        for phase in range(max(len(self.budget.limits.phases), 1)):
            if self.fits(row, phase):
                return phase
        return None

    def excluded_by(self, row: int) -> list[int]:
        """Planted lines with which a line cannot be chosen."""
        return sorted(self.excludes[row].intersection(self.phases))

    def add_greedily(
        self, closed: Iterable[int] = (), *, keep: bool = True, by_share: bool = True
    ) -> None:
        """Plant one line after the other, phase by phase, largest benefit first.

        `additions` must be valid for the planted lines or for a subset of them.

        Parameters
        ----------
        closed : iterable of int
            Rows not to be planted.
        keep : bool
            Whether to keep the sets met as `steps`.
        by_share : bool
            Whether the largest benefit per share of the budget comes first, instead of the
            largest benefit.
        """
        for phase in range(max(len(self.budget.limits.phases), 1)):
            self.additions[list(self.phases)] = 0.0
            available = self.allowed.copy()
            available[[*self.phases, *closed]] = False
            while (row := self._next(available, phase, by_share)) is not None:
                self.add(row, phase)
                available[row] = False
                self.value(self.state())
                if keep:
                    step = SearchStep(self.planted_benefit(), self.additions.copy())
                    self.steps.append((step, self.state()))

    def _next(self, available: NDArray[np.bool_], phase: int, by_share: bool) -> int | None:
        """The best line that fits; lines that do not fit are removed from `available`."""
        current: set[int] = set()
        while True:
            ratio = self._ratios(available, by_share)
            best: list[int] = []
            misfits = 0
            ratio[~self.budget.could_fit(self.phases, phase)] = 0.0
            for row in np.lexsort((self.rank, -ratio))[: np.count_nonzero(ratio)]:
                if len(best) == REFRESHED_TOGETHER or (
                    misfits == MOST_MISFITS and not self.budget.costs_add_up
                ):
                    break
                if self.fits(int(row), phase):
                    best.append(int(row))
                else:
                    available[row] = False
                    misfits += 1
            if not best:
                return None
            if best[0] in current:
                return best[0]
            outdated = [row for row in best if row not in current]
            self.refresh(outdated)
            current.update(outdated)

    def fits(self, row: int, phase: int) -> bool:
        """Whether another line is within the limits and excluded by no planted line."""
        return not self.excluded_by(row) and self.budget.fits({**self.phases, row: phase})

    def would_add(self) -> Array:
        """Benefit each line not planted would add; NaN where it does not fit the budget."""
        found = np.full(len(self.loss), np.nan)
        phases = range(max(len(self.budget.limits.phases), 1))
        left = self.allowed & np.any(
            [self.budget.could_fit(self.phases, p) for p in phases], axis=0
        )
        left[list(self.phases)] = False
        rows = [int(r) for r in np.flatnonzero(left) if self._first_phase(int(r)) is not None]
        found[rows] = self.gains_of(np.array(rows, dtype=np.int64)) - self.loss[rows]
        return found

    def _ratios(self, available: NDArray[np.bool_], by_share: bool) -> Array:
        """Addition of each line, per share of the budget or in total; 0 where not available."""
        net_gain = self.additions - self.loss
        helps = available & (net_gain > LEAST_GAIN_HA)
        if not by_share:
            return np.where(helps & np.isfinite(self.shares), net_gain, 0.0)
        ratio = np.zeros(len(net_gain))
        free = helps & (self.shares <= 0)
        costly = helps & ~free & np.isfinite(self.shares)
        ratio[costly] = net_gain[costly] / self.shares[costly]
        # Lines without cost come before all others.
        ratio[free] = 1e12 * (1.0 + net_gain[free])
        return ratio

    def best_single(self) -> State | None:
        """The required lines with the one other line that adds most."""
        start = self.steps[0][1]
        self.restore(start)
        net_gain = np.where(self.allowed, self.steps[0][0].additions - self.loss, 0.0)
        net_gain[[row for row, _ in start]] = 0.0
        for row in np.lexsort((self.rank, -net_gain)):
            if net_gain[row] <= LEAST_GAIN_HA:
                return None
            phase = self._first_phase(int(row))
            if phase is not None:
                return (*start, (int(row), phase))
        return None

    def start_with_each(self) -> None:
        """Search from each of the best lines as the first one, where few lines fit the budget."""
        (first, start), few = self.steps[0], self.best()
        if len(few) - len(start) > FEW_LINES:
            return
        net_gain = np.where(self.allowed, first.additions - self.loss, 0.0)
        net_gain[list(self.must)] = 0.0
        for row in np.lexsort((self.rank, -net_gain))[:STARTS]:
            self.restore(start)
            phase = self._first_phase(int(row)) if net_gain[row] > LEAST_GAIN_HA else None
            for by_share in (True, False) if phase is not None else ():
                self.restore((*start, (int(row), int(phase or 0))))
                self.additions = first.additions.copy()
                self.add_greedily(keep=False, by_share=by_share)

    def exchange(self) -> bool:
        """Exchange single lines while that adds benefit; returns whether it did."""
        helped, end = False, self.evaluations + EVALUATIONS_IN_EXCHANGE
        while True:
            best = self.state()
            order = sorted(
                (row for row, _ in best if row not in self.must),
                key=lambda r: (self.gain_of[r] / max(float(self.shares[r]), 1e-12), self.rank[r]),
            )
            better = None
            for row in order if self.evaluations < end else ():
                if self.evaluations >= end:
                    break
                better = self._better_without(best, row)
                if better is not None:
                    break
            self.restore(better or best)
            if better is None:
                break
            helped = True
        return helped

    def _better_without(self, best: State, row: int) -> State | None:
        """A better state with one or several other lines in place of one; None if there is none."""
        place = [r for r, _ in best].index(row)
        rest, phase = best[:place] + best[place + 1 :], best[place][1]
        least = self.value(best) * (1.0 + 1e-9) + LEAST_GAIN_HA
        self.restore(rest)
        rival = self._replacement(best[:place], row, phase)
        starts: tuple[State, ...] = ((),) if rival is None else (((rival, phase),), ())
        for start in starts:
            self.restore(rest + start)
            # A line adds no less to a smaller set, so additions to the first lines are valid.
            self.additions = self.known_additions(best[:place]).copy()
            self.add_greedily([row], keep=False)
            if self.value(self.state()) > least:
                return self.state()
        return None

    def _replacement(self, before: State, row: int, phase: int) -> int | None:
        """The line that adds most in place of a removed one; None if none fits."""
        most = self.known_additions(before) - self.loss
        eligible = self.allowed & (most > LEAST_GAIN_HA) & self.budget.could_fit(self.phases, phase)
        eligible[[row, *self.phases]] = False
        order = [int(r) for r in np.lexsort((self.rank, -most)) if eligible[r]]
        fitting = list(
            itertools.islice((r for r in order if self.fits(r, phase)), MOST_REPLACEMENTS)
        )
        if not fitting:
            return None
        net_gain = self.gains_of(np.array(fitting, dtype=np.int64)) - self.loss[fitting]
        return fitting[int(np.argmax(net_gain))]

    def known_additions(self, state: State) -> Array:
        """Additions valid for a state: those of the largest subset of it met by `add_greedily`."""
        rows = {row for row, _ in state}
        for step, subset in reversed(self.steps):
            if all(row in rows for row, _ in subset):
                return step.additions
        return self.steps[0][0].additions


def _refused(text: str, value: str | None, hint: str) -> InputError:
    return InputError(
        "input-refused",
        text,
        where="must-have and forbidden candidates",
        value=value,
        hint=hint,
    )
