"""Budgets in metres and money, by holding and phase, and the upper bound of benefit under them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError

Array = NDArray[np.float64]
NetCost = Callable[[frozenset[int]], int]
"""Net cost of a set of candidates (by their rows), in minor units of money."""

LEAST_NET_SHARE = 0.05
"""Least net cost of a set, as a share of its cost without grants (assumed)."""

OVER_BUDGET = "exceeds the whole budget by itself"
OVER_HOLDING = "exceeds the budget of its holding by itself"
OVER_PHASE = "exceeds the budget of each year by itself"


class Phase(NamedTuple):
    """Budget of one year; None where there is no limit.

    Parameters
    ----------
    year : int
        Calendar year.
    metres : float or None
        Length of belts, m.
    money_minor : int or None
        Net cost, minor units of money.
    """

    year: int
    metres: float | None = None
    money_minor: int | None = None


class Cap(NamedTuple):
    """Budget of one holding; None where there is no limit.

    Parameters
    ----------
    metres, money_minor
        As for `Phase`.
    """

    metres: float | None = None
    money_minor: int | None = None


@dataclass(frozen=True)
class Limits:
    """All limits of a choice.

    Parameters
    ----------
    metres, money_minor : float, int, optional
        Total length of belts, m, and total net cost, minor units of money.
    holdings : mapping of str to Cap
        Budgets by holding; holdings not named have no limit.
    phases : tuple of Phase
        Years in order, each with a budget. What remains of one year is not carried over.
    least_net_share : float
        Least net cost of a set, as a share of its cost without grants.
    """

    metres: float | None = None
    money_minor: int | None = None
    holdings: Mapping[str, Cap] = field(default_factory=dict)
    phases: tuple[Phase, ...] = ()
    least_net_share: float = LEAST_NET_SHARE

    def total(self, name: str) -> float | None:
        """Largest total that can be spent; None where there is no limit.

        Parameters
        ----------
        name : {"metres", "money_minor"}

        Returns
        -------
        float or None
            m or minor units of money.
        """
        own = getattr(self, name)
        yearly = [getattr(phase, name) for phase in self.phases]
        known = [] if own is None else [float(own)]
        if yearly and None not in yearly:
            known.append(float(sum(yearly)))
        return min(known) if known else None


class BudgetTracker:
    """Cost of a choice, and whether another line fits the limits.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``length_m``, ``cost_minor`` and ``holding_id``.
    limits : Limits
    net_cost : callable, optional
        Net cost of a set of rows; by default the sum of their costs.

    Raises
    ------
    InputError
        ``input-refused`` when there is no total budget, or a limit, length or cost is below 0.
    """

    def __init__(
        self, candidates: gpd.GeoDataFrame, limits: Limits, net_cost: NetCost | None = None
    ) -> None:
        self.length = candidates["length_m"].to_numpy(dtype=float)
        self.gross = [int(c) for c in candidates["cost_minor"]]
        self.holding = [str(h) for h in candidates["holding_id"]]
        self.limits, self._net = limits, net_cost
        self._known: dict[frozenset[int], float] = {}
        if limits.total("metres") is None and limits.total("money_minor") is None:
            raise _refused("There is no total budget.", "Give a budget in metres or in money.")
        given = [limits.total("metres") or 0, limits.total("money_minor") or 0, *self.gross]
        if min([*given, *self.length, 0]) < 0:
            raise _refused("A budget, a length or a cost is below 0.", "Give values of 0 or more.")

    @property
    def costs_add_up(self) -> bool:
        """Whether the cost of a set is the sum of the costs of its lines."""
        return self._net is None

    def money(self, rows: frozenset[int]) -> float:
        """Net cost of a set, at least `Limits.least_net_share` of its cost without grants.

        Parameters
        ----------
        rows : frozenset of int

        Returns
        -------
        float
            Minor units of money.
        """
        gross = sum(self.gross[i] for i in rows)
        if self._net is None or not rows:
            return float(gross)
        if rows not in self._known:
            floor = self.limits.least_net_share * gross
            self._known[rows] = max(float(self._net(rows)), floor)
        return self._known[rows]

    def metres(self, rows: frozenset[int]) -> float:
        """Length of a set.

        Parameters
        ----------
        rows : frozenset of int

        Returns
        -------
        float
            m.
        """
        return float(sum(self.length[i] for i in sorted(rows)))

    def least_net_costs(self) -> Array:
        """Lower bound of the net cost each line adds to any set, minor units of money."""
        share = 1.0 if self.costs_add_up else self.limits.least_net_share
        return share * np.array(self.gross, dtype=float)

    def fits(self, phases: Mapping[int, int]) -> bool:
        """Whether a choice is within every limit.

        Parameters
        ----------
        phases : mapping of int to int
            Number of the phase by row.

        Returns
        -------
        bool
        """
        rows = frozenset(phases)
        if not self._within(rows, self.limits.metres, self.limits.money_minor):
            return False
        for name, cap in self.limits.holdings.items():
            here = frozenset(i for i in rows if self.holding[i] == name)
            if not self._within(here, cap.metres, cap.money_minor):
                return False
        before = 0.0
        for number, phase in enumerate(self.limits.phases):
            now = frozenset(i for i in rows if phases[i] == number)
            so_far = frozenset(i for i in rows if phases[i] <= number)
            # Grants may depend on belts of earlier years, so a year costs the difference.
            spent = self.money(so_far)
            if not _at_most(self.metres(now), phase.metres):
                return False
            if not _at_most(spent - before, phase.money_minor):
                return False
            before = spent
        return True

    def could_fit(self, phases: Mapping[int, int], phase: int) -> NDArray[np.bool_]:
        """Quick test: lines that may fit in addition to a choice; `fits` gives the final answer.

        Parameters
        ----------
        phases : mapping of int to int
            As for `fits`.
        phase : int
            Phase in which another line is to be planted.

        Returns
        -------
        (n,) bool
        """
        now = [i for i in phases if phases[i] == phase]
        yearly = self.limits.phases[phase] if self.limits.phases else Phase(0)
        found = np.ones(len(self.length), dtype=bool)
        money = self.least_net_costs()
        for spent, name in ((self.length, "metres"), (money, "money_minor")):
            for limit, there in (
                (getattr(self.limits, name), list(phases)),
                # The net cost of a year depends on the years before it.
                (getattr(yearly, name) if name == "metres" or self.costs_add_up else None, now),
            ):
                if limit is not None:
                    found &= spent <= limit * (1 + 1e-9) + 1e-9 - spent[there].sum()
        return found

    def limit_exceeded_alone(self) -> NDArray[np.object_]:
        """The limit each line exceeds by itself, in words; empty where it exceeds none."""
        money = np.array([self.money(frozenset([i])) for i in range(len(self.gross))])
        limits, caps = self.limits, [self.limits.holdings.get(h, Cap()) for h in self.holding]
        within_a_phase = np.array(
            [self._each_within(money, phase.metres, phase.money_minor) for phase in limits.phases]
        ).reshape(len(limits.phases), len(money))
        words = np.full(len(money), "", dtype=object)
        if limits.phases:
            words[~within_a_phase.any(axis=0)] = OVER_PHASE
        on_holding = [
            _at_most(metres, cap.metres) and _at_most(cost, cap.money_minor)
            for metres, cost, cap in zip(self.length, money, caps, strict=True)
        ]
        words[~np.array(on_holding, dtype=bool)] = OVER_HOLDING
        words[~self._each_within(money, limits.metres, limits.money_minor)] = OVER_BUDGET
        return words

    def _each_within(
        self, money: Array, metres: float | None, money_minor: float | None
    ) -> NDArray[np.bool_]:
        """Whether each line by itself, at its net cost, is within both limits."""
        return np.array(
            [
                _at_most(length, metres) and _at_most(cost, money_minor)
                for length, cost in zip(self.length, money, strict=True)
            ],
            dtype=bool,
        )

    def _within(
        self, rows: frozenset[int], metres: float | None, money_minor: float | None
    ) -> bool:
        return _at_most(self.metres(rows), metres) and (
            money_minor is None or _at_most(self.money(rows), money_minor)
        )

    def shares_alone(self) -> Array:
        """Share of the budget each line uses by itself: the larger one of metres and money."""
        money = [self.money(frozenset([i])) for i in range(len(self.gross))]
        found = np.zeros(len(self.gross))
        for spent, limit in ((self.length, self.limits.total("metres")),
                             (np.array(money), self.limits.total("money_minor"))):  # fmt: skip
            if limit is not None:
                with np.errstate(divide="ignore", invalid="ignore"):
                    share = np.where(spent > 0, spent / limit, 0.0)
                found = np.maximum(found, share)
        return found

    def budget_share(self, rows: frozenset[int]) -> float:
        """The same for a set; see `shares_alone`.

        Parameters
        ----------
        rows : frozenset of int

        Returns
        -------
        float
            0 or more; infinite where the limit is 0.
        """
        found = 0.0
        for spent, name in ((self.metres(rows), "metres"), (self.money(rows), "money_minor")):
            limit = self.limits.total(name)
            if limit is not None and spent > 0:
                found = max(found, spent / limit if limit > 0 else np.inf)
        return found


def _at_most(spent: float, limit: float | None) -> bool:
    # Lengths are sums of floats: rounding must neither exclude a line that fits exactly nor
    # allow one minor unit of money too much.
    return limit is None or spent <= limit + min(1e-9 * max(limit, 1.0), 0.4)


def _refused(text: str, hint: str) -> InputError:
    return InputError("input-refused", text, where="budget", hint=hint)


BOUND_NOTE = (
    "No set within this budget adds more, where the smallest relative wind of several belts "
    "applies. The bound ignores belt ends, interaction of close belts, and shelter lost by "
    "restoration."
)


class SearchStep(NamedTuple):
    """A set met in a search, its benefit by the smallest-wind rule, and what each line can add.

    Additions to a smaller set may be too large; the bound is valid all the same.

    Parameters
    ----------
    benefit : float
        ha eq.
    additions : (n,) float64
        ha eq.
    """

    benefit: float
    additions: Array


def fractional_knapsack(
    additions: Array, spent: Array, limit: float, owner: Sequence[int], caps: Array
) -> tuple[float, Array]:
    """Largest benefit that lines can add within a budget when a part of a line may be chosen.

    Parameters
    ----------
    additions, spent : (n,) float64
        Benefit each adds, ha eq., and what it costs, in the unit of `limit`.
    limit : float
        Budget, m or minor units of money.
    owner : sequence of int
        Index in `caps` of the limit that applies to each line, -1 for none.
    caps : (k,) float64
        In the unit of `limit`.

    Returns
    -------
    most : float
        ha eq.
    chosen_share : (n,) float64
        Chosen share of each line, 0 to 1.

    Notes
    -----
    Fractional knapsack: choosing lines in order of addition divided by cost is optimal under one
    budget and limits on separate groups.

    References
    ----------
    Dantzig 1957, Operations Research 5 (status M); a test compares with a linear programme.
    """
    chosen_share = np.zeros(len(additions))
    gains = np.flatnonzero(additions > 0)
    free = spent[gains] <= 0
    chosen_share[gains[free]] = 1.0
    costly = gains[~free]
    left, remaining = limit, np.array(caps, dtype=float)
    for i in costly[np.argsort(-additions[costly] / spent[costly], kind="stable")]:
        if left <= 0:
            break
        affordable = min(left, spent[i], remaining[owner[i]] if owner[i] >= 0 else np.inf)
        chosen_share[i] = max(affordable, 0.0) / spent[i]
        left -= max(affordable, 0.0)
        if owner[i] >= 0:
            remaining[owner[i]] -= max(affordable, 0.0)
    return float((chosen_share * additions).sum()), chosen_share


class BenefitBound:
    """Upper bounds of the benefit of any set within the limits.

    Parameters
    ----------
    budget : BudgetTracker
    must : frozenset of int
        Lines in every choice; their cost is not available for others.
    """

    def __init__(self, budget: BudgetTracker, must: frozenset[int]) -> None:
        limits = budget.limits
        names = sorted(limits.holdings)
        number = {name: i for i, name in enumerate(names)}
        self._owner = [number.get(h, -1) for h in budget.holding]
        self._budgets: list[tuple[Array, float, float, Array]] = []
        for name, spent in (("metres", budget.length), ("money_minor", budget.least_net_costs())):
            limit = limits.total(name)
            if limit is None:
                continue
            remaining = [getattr(limits.holdings[h], name) for h in names]
            caps = np.array([np.inf if cap is None else cap for cap in remaining], dtype=float)
            for i in must:
                if self._owner[i] >= 0:
                    caps[self._owner[i]] -= spent[i]
            required_spent = float(sum(spent[i] for i in sorted(must)))
            self._budgets.append((spent, limit, required_spent, caps))

    def from_step(self, step: SearchStep, share: float = 1.0) -> tuple[float, Array]:
        """Bound from one search step within a share of the budget, and the lines it depends on.

        Parameters
        ----------
        step : Step
        share : float
            Share of the budget, 0 to 1.

        Returns
        -------
        most : float
            ha eq.
        used : (n,) float64
            Share of each line counted in the bound, 0 to 1.

        Notes
        -----
        By the smallest-wind rule, a line never adds more to a larger set. So no set within the
        budget exceeds the benefit of any set plus the largest benefit that lines can add to it
        (`fractional_knapsack`).

        References
        ----------
        Nemhauser, Wolsey and Fisher 1978, Mathematical Programming 14:265-294 (status M).
        """
        best, used = np.inf, np.zeros(len(step.additions))
        for spent, limit, required_spent, caps in self._budgets:
            left = share * limit - required_spent
            most, chosen_share = fractional_knapsack(step.additions, spent, left, self._owner, caps)
            if step.benefit + most < best:
                best, used = step.benefit + most, chosen_share
        return best, used
