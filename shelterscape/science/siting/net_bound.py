"""Upper bound of benefit under a budget net of grant, by an integer linear programme."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import scipy.sparse
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from shelterscape.science.grants.payment_limits import PaymentLimits
from shelterscape.science.siting.budgets import BudgetTracker, SearchStep

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]

TOLERANCE = 1e-6
"""Relative allowance for the tolerances of the solver."""

MOST_NODES = 200
"""Branches examined at most; the bound is valid wherever the solver stops."""

CLOSE = 0.005
"""A programme is solved to this share of its bound."""


class _Rows:
    """Rows of the programme: sums of variables that may not exceed a value."""

    def __init__(self) -> None:
        self.columns: list[Numbers] = []
        self.values: list[Array] = []
        self.most: list[float] = []

    def add(self, columns: Iterable[int], values: Array | float, most: float) -> None:
        """Add a row."""
        numbers = np.fromiter(columns, dtype=np.int64)
        self.columns.append(numbers)
        self.values.append(np.broadcast_to(np.asarray(values, dtype=float), numbers.shape))
        self.most.append(most)

    def constraint(self, width: int) -> LinearConstraint:
        """All rows as a constraint on `width` variables."""
        row = np.repeat(np.arange(len(self.columns)), [len(c) for c in self.columns])
        cells = (np.concatenate(self.values), (row, np.concatenate(self.columns)))
        matrix = scipy.sparse.csr_array(cells, shape=(len(self.columns), width))
        return LinearConstraint(matrix, -np.inf, np.array(self.most))


BOUND_NOTE = (
    "No set within this budget net of grant adds more, where the smallest relative wind of several "
    "belts applies. The bound ignores belt ends and interaction of close belts."
)


class NetProgramme:
    """Upper bounds of the benefit of any set within limits net of grant.

    Parameters
    ----------
    budget : BudgetTracker
    must : frozenset of int
        Lines in every choice.
    payments : PaymentLimits
        With rows of candidates as belts.
    allowed : (n,) bool
        Lines that a choice may include.
    restoration_loss : (n,) float64
        Shelter lost by restoration, which the benefit of a set does not contain, ha eq.
    excludes : sequence of frozenset of int
        Lines that cannot be chosen together with each line.

    Notes
    -----
    The programme maximises η minus losses, where η ≤ benefit(T) + Σ addition to T, for every set T
    met in the search. Every set within the limits is a solution, since by the smallest-wind rule
    its benefit meets each of these rows, and its payments meet `PaymentLimits`; so no set exceeds
    the maximum, nor therefore the bound at which the solver stops.

    References
    ----------
    Nemhauser and Wolsey 1981, Annals of Discrete Mathematics 11:279-301 (status M); tests compare
    with all sets.
    """

    def __init__(
        self,
        budget: BudgetTracker,
        must: frozenset[int],
        payments: PaymentLimits,
        allowed: NDArray[np.bool_],
        restoration_loss: Array,
        excludes: Sequence[frozenset[int]],
    ) -> None:
        self._budget, self._must, self._payments = budget, must, payments
        self._allowed, self._loss, self._excludes = allowed, restoration_loss, excludes

    def solve(self, steps: Sequence[SearchStep], share: float = 1.0) -> tuple[float, list[int]]:
        """Bound from all steps of a search within a share of the budget.

        Parameters
        ----------
        steps : sequence of SearchStep
        share : float
            Share of the budget, 0 to 1. Below 1, parts of lines may be chosen, which is faster.

        Returns
        -------
        most : float
            Bound, ha eq.; infinite where the solver finds none.
        rows : list of int
            The lines of its best solution, which need not fit the budget.
        """
        n, rows = len(self._loss), _Rows()
        width = 1 + n
        for step in steps:
            rows.add(range(1 + n), np.append(1.0, -np.maximum(step.additions, 0.0)), step.benefit)
        width = self._add_budgets(rows, share, width)
        for row, others in enumerate(self._excludes):
            for other in (other for other in sorted(others) if other > row):
                rows.add((1 + row, 1 + other), 1.0, 1.0)
        cost = np.zeros(width)
        cost[0], cost[1 : 1 + n] = -1.0, self._loss
        low, high, whole = np.zeros(width), np.ones(width), np.zeros(width)
        high[0], high[1 : 1 + n] = np.inf, self._allowed
        low[[1 + row for row in self._must]] = 1.0
        whole[1 : 1 + n] = share >= 1.0
        solved = _solve(cost, rows.constraint(width), Bounds(low, np.maximum(low, high)), whole)
        if solved is None:
            return np.inf, []
        bound, values = solved
        return bound + TOLERANCE * abs(bound), np.flatnonzero(values[1 : 1 + n] > 0.5).tolist()

    def _add_budgets(self, rows: _Rows, share: float, width: int) -> int:
        """Add the limits of length and money; returns the number of variables with payments."""
        budget, limits = self._budget, self._budget.limits
        everything = np.arange(len(self._loss))
        accounts = [(everything, limits.total("metres"), limits.total("money_minor"), share)]
        holding = np.array(budget.holding, dtype=object)
        for name, cap in sorted(limits.holdings.items()):
            accounts.append((np.flatnonzero(holding == name), cap.metres, cap.money_minor, 1.0))
        for lines, metres, money, part in accounts:
            if metres is not None:
                most = max(metres, 1.0)
                rows.add(1 + lines, budget.length[lines] / most, part * metres / most + 1e-9)
            if money is not None:
                width = self._add_money(rows, lines, money, part, width)
        return width

    def _add_money(
        self, rows: _Rows, lines: Numbers, money: float, share: float, width: int
    ) -> int:
        """Add a limit of cost minus payments, and of the least net cost, of some lines."""
        gross, most = np.array(self._budget.gross, dtype=float), max(money, 1.0)
        limit = share * money / most + 1e-9
        rows.add(1 + lines, self._budget.least_net_costs()[lines] / most, limit)
        paid = self._payments
        here = np.flatnonzero(np.isin(paid.belt, lines))
        column = {int(amount): width + i for i, amount in enumerate(here)}
        spent = np.concatenate([gross[lines], -paid.amount_minor[here]]) / most
        rows.add([*(1 + lines), *column.values()], spent, limit)
        for amount in column:
            rows.add([column[amount], 1 + paid.belt[amount]], np.array([1.0, -1.0]), 0.0)
        for one, other in paid.exclusive:
            if one in column:
                three = [column[one], column[other], 1 + paid.belt[one]]
                rows.add(three, np.array([1.0, 1.0, -1.0]), 0.0)
        for amounts, cap in paid.caps:
            within = [amount for amount in amounts if amount in column]
            sums = paid.amount_minor[within] / max(cap, 1)
            rows.add([column[amount] for amount in within], sums, cap / max(cap, 1))
        for amount, belts in paid.neighbours:
            if amount in column:
                beside = [1 + belt for belt in belts if belt in set(lines.tolist())]
                rows.add([column[amount], *beside], np.append(1.0, -np.ones(len(beside))), 0.0)
        return width + len(here)


def _solve(
    cost: Array, constraint: LinearConstraint, bounds: Bounds, whole: Array
) -> tuple[float, Array] | None:
    """Largest value that the programme could have, and its best solution; None without one."""
    options: dict[str, Any] = {"node_limit": MOST_NODES, "mip_rel_gap": CLOSE}
    # HiGHS sometimes ends with an error in its first simplification, not without it.
    for presolve in (True, False):
        found = milp(
            cost,
            integrality=whole,
            bounds=bounds,
            constraints=constraint,
            options=options | {"presolve": presolve},
        )
        bound = found.mip_dual_bound if whole.any() else found.fun
        if bound is not None and (whole.any() or found.success):
            return -float(bound), np.zeros(len(cost)) if found.x is None else found.x
    return None
