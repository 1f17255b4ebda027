"""Searches for a good set of lines: one by one, the best alone, and line for line."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from typing import Protocol

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.budgets import BudgetTracker, Step

Array = NDArray[np.float64]

AT_ONCE = 8
"""Lines evaluated again together while the best next one is sought."""

LEAST_GAIN_HA = 1e-6
"""What adds less than this adds nothing: a hundredth of a square metre, lost in rounding."""

LAID_IN_SWAPS = 600
"""Most evaluations of lines while the search tries to replace chosen ones; those that add least for
what they cost come first, so that large choices are improved there."""

FEW_LINES, STARTS = 8, 12
"""Where a budget holds no more lines than this, the best so many are each tried as the first."""

MISFITS = 40
"""Where the net cost of a set needs a call, so many lines in turn that do not fit end a phase;
otherwise calls would take longer than all evaluations."""

RIVALS = 24
"""Lines tried in the place of each."""


State = tuple[tuple[int, int], ...]
"""Rows with the numbers of their phases, in the order planted."""


class Evaluator(Protocol):
    """Ground on which candidates come and go: `ground.Ground`, or cells of Monte Carlo runs.

    Methods take rows of candidates: `which`, (w,) int64, or `one`.
    """

    planted: list[int]

    def gains(self, which: NDArray[np.int64]) -> Array:
        """What each of some candidates would add to what is planted now, ha eq."""

    def plant(self, one: int) -> float:
        """Add a candidate; returns what it adds, ha eq."""

    def put_back(self) -> int:
        """Remove the candidate added last; returns it."""


class Search:
    """A choice in progress: what is planted in which phase, and the newest known additions.

    Parameters
    ----------
    ground : Evaluator
        With nothing planted.
    candidates : GeoDataFrame
    budget : BudgetTracker
    own : (n,) float64, optional
        What each adds alone, ha eq.; calculated when not given.
    taken_away : (n,) float64
        What restoration takes away of the existing shelter, ha eq.
    stop_if_asked : callable

    Attributes
    ----------
    steps : list of (Step, State)
        Sets met by `grow`, the first being what every choice has.
    seen : dict
        Value and state of every set met that fits, by its rows.

    Notes
    -----
    Methods take `row` or `rows` of candidates and the number of a `phase`; a `state` as `State`.
    What they return in float is in ha eq.
    """

    def __init__(
        self,
        ground: Evaluator,
        candidates: gpd.GeoDataFrame,
        budget: BudgetTracker,
        own: Array | None,
        taken_away: Array,
        stop_if_asked: Callable[[], None],
    ) -> None:
        self.ground, self.budget, self.stop = ground, budget, stop_if_asked
        n = len(candidates)
        names = candidates["candidate"].astype(str).to_numpy()
        self.rank = np.argsort(np.argsort(names, kind="stable"))
        self.loss = taken_away
        self.mends = replaced_rows(candidates)
        self.shares = budget.shares()
        self.allowed = np.ones(n, dtype=bool)
        self.must: frozenset[int] = frozenset()
        self.phases: dict[int, int] = {}
        self.gain_of: dict[int, float] = {}
        self.laid = 0
        self.additions = (self.look(np.arange(n)) if own is None else own).copy()
        self.steps: list[tuple[Step, State]] = [(Step(0.0, self.additions.copy()), ())]
        self._values: dict[frozenset[int], float] = {}
        self.seen: dict[frozenset[int], tuple[float, State]] = {frozenset(): (0.0, ())}

    # What each line would add.

    def look(self, rows: NDArray[np.int64]) -> Array:
        """What each of some lines would add to what is planted."""
        self.stop()
        self.laid += len(rows)
        return self.ground.gains(rows)

    def refresh(self, rows: Iterable[int]) -> None:
        """Calculate again what some lines would add to what is planted."""
        numbers = np.array(sorted(rows), dtype=np.int64)
        self.additions[numbers] = self.look(numbers)

    # Planting and removing.

    def add(self, row: int, phase: int) -> None:
        """Plant a line in a phase."""
        self.laid += 1
        self.gain_of[row] = self.ground.plant(row)
        self.phases[row] = phase
        self.additions[row] = 0.0

    def state(self) -> State:
        """What is planted now."""
        return tuple((row, self.phases[row]) for row in self.ground.planted)

    def restore(self, state: State) -> None:
        """Plant a state in place of what is planted, removing no more than necessary."""
        planted, keep = self.state(), 0
        while keep < min(len(planted), len(state)) and planted[keep] == state[keep]:
            keep += 1
        while len(self.ground.planted) > keep:
            row = self.ground.put_back()
            del self.phases[row], self.gain_of[row]
        for row, phase in state[keep:]:
            self.add(row, phase)

    def clear(self) -> None:
        """Leave the ground as it was found."""
        self.restore(())

    def plain(self) -> float:
        """Benefit of what is planted, old belts left in place."""
        return sum(self.gain_of[row] for row in self.ground.planted)

    def value(self, state: State) -> float:
        """Benefit of a state met before or now, less what restoration takes away."""
        rows = frozenset(row for row, _ in state)
        if rows not in self._values:
            self.restore(state)
            self._values[rows] = self.plain() - sum(float(self.loss[row]) for row, _ in state)
            # A part of what fits need not fit: grants may need a least length.
            if self.budget.fits(dict(state)):
                self.seen[rows] = (self._values[rows], state)
        return self._values[rows]

    def best(self) -> State:
        """The state of the highest value met; of equals the one that takes least, then by name."""

        def order(rows: frozenset[int]) -> tuple[float, float, list[int]]:
            return -self.seen[rows][0], self.budget.share_of(rows), self.names_of(rows)

        return self.seen[min(self.seen, key=order)][1]

    def names_of(self, rows: frozenset[int]) -> list[int]:
        """A set as ranks of its names, by which ties are settled."""
        return sorted(int(self.rank[row]) for row in rows)

    # The searches.

    def forbid(self, rows: Iterable[int]) -> None:
        """Leave lines out of every choice."""
        self.allowed[list(rows)] = False
        self.steps[0][0].additions[~self.allowed] = 0.0
        self.additions[~self.allowed] = 0.0

    def begin(self, must: list[int], both: set[str]) -> None:
        """Plant what every choice has, each in the first phase with room.

        Parameters
        ----------
        must : list of int
            Their rows.
        both : set of str
            Names of candidates both required and forbidden.

        Raises
        ------
        InputError
            ``input-refused`` when `both` names any candidate, or one does not fit the limits.
        """
        if both:
            raise _refused("A candidate is both asked for and forbidden.", sorted(both)[0])
        for row in must:
            phase = self._first_phase(row)
            if phase is None:
                raise _refused("What is asked for does not fit the limits.", None)
            self.add(row, phase)
        self.must = frozenset(must)
        if must:
            self.steps = [(Step(self.plain(), self.additions.copy()), self.state())]
            self.seen = {}
            self.value(self.state())

    def _first_phase(self, row: int) -> int | None:
        for phase in range(max(len(self.budget.limits.phases), 1)):
            if self.fits(row, phase):
                return phase
        return None

    def _taken(self, row: int) -> bool:
        """Whether another line that replaces the same belt is planted."""
        mends = self.mends[row]
        return bool(mends >= 0 and any(self.mends[other] == mends for other in self.phases))

    def grow(self, closed: Iterable[int] = (), *, keep: bool = True, by_share: bool = True) -> None:
        """Plant line upon line, phase after phase: the most for what it takes first, or the most.

        `additions` must hold for what is planted, or for part of it.

        Parameters
        ----------
        closed : iterable of int
            Rows left out this time.
        keep : bool
            Whether to keep the sets met as `steps`.
        by_share : bool
            Whether additions count by share of the budget.
        """
        for phase in range(max(len(self.budget.limits.phases), 1)):
            self.additions[list(self.phases)] = 0.0
            open_to = self.allowed.copy()
            open_to[[*self.phases, *closed]] = False
            while (row := self._next(open_to, phase, by_share)) is not None:
                self.add(row, phase)
                open_to[row] = False
                self.value(self.state())
                if keep:
                    step = Step(self.plain(), self.additions.copy())
                    self.steps.append((step, self.state()))

    def _next(self, open_to: NDArray[np.bool_], phase: int, by_share: bool) -> int | None:
        """The line that adds most for what it takes and fits; closes what does not fit."""
        fresh: set[int] = set()
        while True:
            ratio = self._ratios(open_to, by_share)
            best: list[int] = []
            misfits = 0
            ratio[~self.budget.may_fit(self.phases, phase)] = 0.0
            for row in np.lexsort((self.rank, -ratio))[: np.count_nonzero(ratio)]:
                if len(best) == AT_ONCE or (misfits == MISFITS and not self.budget.additive):
                    break
                if self.fits(int(row), phase):
                    best.append(int(row))
                else:
                    open_to[row] = False
                    misfits += 1
            if not best:
                return None
            if best[0] in fresh:
                return best[0]
            stale = [row for row in best if row not in fresh]
            self.refresh(stale)
            fresh.update(stale)

    def fits(self, row: int, phase: int) -> bool:
        """Whether one more line is within the limits, and not a second restoration of one belt."""
        return not self._taken(row) and self.budget.fits({**self.phases, row: phase})

    def would_add(self) -> Array:
        """What each line left out would add beside what is planted; NaN where it does not fit."""
        found = np.full(len(self.loss), np.nan)
        phases = range(max(len(self.budget.limits.phases), 1))
        left = self.allowed & np.any([self.budget.may_fit(self.phases, p) for p in phases], axis=0)
        left[list(self.phases)] = False
        rows = [int(r) for r in np.flatnonzero(left) if self._first_phase(int(r)) is not None]
        found[rows] = self.look(np.array(rows, dtype=np.int64)) - self.loss[rows]
        return found

    def replaced(self) -> NDArray[np.bool_]:
        """Lines left out that would replace the same belt as one that is planted."""
        found = np.array([self._taken(row) for row in range(len(self.loss))], dtype=bool)
        found[list(self.phases)] = False
        return found

    def _ratios(self, open_to: NDArray[np.bool_], by_share: bool) -> Array:
        """Addition, by share of the budget or as it is; 0 for what adds nothing or is closed."""
        worth = self.additions - self.loss
        helps = open_to & (worth > LEAST_GAIN_HA)
        if not by_share:
            return np.where(helps & np.isfinite(self.shares), worth, 0.0)
        ratio = np.zeros(len(worth))
        free = helps & (self.shares <= 0)
        dear = helps & ~free & np.isfinite(self.shares)
        ratio[dear] = worth[dear] / self.shares[dear]
        # What costs nothing goes before all that does.
        ratio[free] = 1e12 * (1.0 + worth[free])
        return ratio

    def best_single(self) -> State | None:
        """What must be planted, with the one further line that brings most."""
        start = self.steps[0][1]
        self.restore(start)
        worth = np.where(self.allowed, self.steps[0][0].additions - self.loss, 0.0)
        worth[[row for row, _ in start]] = 0.0
        for row in np.lexsort((self.rank, -worth)):
            if worth[row] <= LEAST_GAIN_HA:
                return None
            phase = self._first_phase(int(row))
            if phase is not None:
                return (*start, (int(row), phase))
        return None

    def begin_with_each(self) -> None:
        """Begin with each of the best lines in turn and go on one by one, where few fit in all."""
        (first, start), few = self.steps[0], self.best()
        if len(few) - len(start) > FEW_LINES:
            return
        worth = np.where(self.allowed, first.additions - self.loss, 0.0)
        worth[list(self.must)] = 0.0
        for row in np.lexsort((self.rank, -worth))[:STARTS]:
            self.restore(start)
            phase = self._first_phase(int(row)) if worth[row] > LEAST_GAIN_HA else None
            for by_share in (True, False) if phase is not None else ():
                self.restore((*start, (int(row), int(phase or 0))))
                self.additions = first.additions.copy()
                self.grow(keep=False, by_share=by_share)

    def swap(self) -> bool:
        """Change single lines, and fill what that leaves, while it helps; whether it did."""
        helped, end = False, self.laid + LAID_IN_SWAPS
        while True:
            best = self.state()
            order = sorted(
                (row for row, _ in best if row not in self.must),
                key=lambda r: (self.gain_of[r] / max(float(self.shares[r]), 1e-12), self.rank[r]),
            )
            better = None
            for row in order if self.laid < end else ():
                if self.laid >= end:
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
        """A better state without one line, if there is any: a rival in its place, or several."""
        place = [r for r, _ in best].index(row)
        rest, phase = best[:place] + best[place + 1 :], best[place][1]
        least = self.value(best) * (1.0 + 1e-9) + LEAST_GAIN_HA
        self.restore(rest)
        rival = self._rival(best[:place], row, phase)
        starts: tuple[State, ...] = ((),) if rival is None else (((rival, phase),), ())
        for begun in starts:
            self.restore(rest + begun)
            # What a line adds to less is no smaller: what it added to the first few holds here.
            self.additions = self.known_additions(best[:place]).copy()
            self.grow([row], keep=False)
            if self.value(self.state()) > least:
                return self.state()
        return None

    def _rival(self, before: State, row: int, phase: int) -> int | None:
        """The line that adds most in the place of one taken off, if any fits."""
        most = self.known_additions(before) - self.loss
        rivals = self.allowed & (most > LEAST_GAIN_HA) & self.budget.may_fit(self.phases, phase)
        rivals[[row, *self.phases]] = False
        order = [int(r) for r in np.lexsort((self.rank, -most)) if rivals[r]]
        fitting = list(itertools.islice((r for r in order if self.fits(r, phase)), RIVALS))
        if not fitting:
            return None
        worth = self.look(np.array(fitting, dtype=np.int64)) - self.loss[fitting]
        return fitting[int(np.argmax(worth))]

    def known_additions(self, state: State) -> Array:
        """Additions that hold for a state: those known for the largest part of it met by `grow`."""
        rows = {row for row, _ in state}
        for step, part in reversed(self.steps):
            if all(row in rows for row, _ in part):
                return step.additions
        return self.steps[0][0].additions


def _refused(text: str, value: str | None) -> InputError:
    return InputError(
        "input-refused",
        text,
        where="must-have and forbidden candidates",
        value=value,
        mend="Ask for less, or raise the limits.",
    )
