"""Budgets in metres and money, by holding and phase, and a bound no choice within them passes."""

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
"""A set never counts as costing less than this share of what it costs without grants (E)."""

OVER_BUDGET = "more than the whole budget by itself"
OVER_HOLDING = "more than the budget of its holding by itself"
OVER_PHASE = "more than the budget of a phase by itself"


class Phase(NamedTuple):
    """What may be spent in one year; None is without limit.

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
    """What may be spent on one holding; None is without limit.

    Parameters
    ----------
    metres, money_minor
        As for `Phase`.
    """

    metres: float | None = None
    money_minor: int | None = None


@dataclass(frozen=True)
class Limits:
    """What may be spent in all.

    Parameters
    ----------
    metres : float, optional
        Total length of belts.
    money_minor : int, optional
        Total net cost, in minor units of money.
    holdings : mapping of str to Cap
        Caps by holding; those not named have none.
    phases : tuple of Phase
        Years in their order, each with a cap; what remains of one year is not carried over.
    least_net_share : float
        Floor of the net cost of a set, as a share of its cost without grants.
    """

    metres: float | None = None
    money_minor: int | None = None
    holdings: Mapping[str, Cap] = field(default_factory=dict)
    phases: tuple[Phase, ...] = ()
    least_net_share: float = LEAST_NET_SHARE

    def total(self, name: str) -> float | None:
        """The most that can be spent in all; None is no limit.

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
    """Cost of a choice, and whether one more line is within the limits.

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
        ``input-refused`` when nothing limits the choice, or for a limit or a cost below 0.
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
            raise _refused("Nothing limits the choice.", "Give a budget in metres or in money.")
        given = [limits.total("metres") or 0, limits.total("money_minor") or 0, *self.gross]
        if min([*given, *self.length, 0]) < 0:
            raise _refused("A budget, a length or a cost is below 0.", "Correct it.")

    @property
    def additive(self) -> bool:
        """Whether the cost of a set is that of its lines summed."""
        return self._net is None

    def money(self, rows: frozenset[int]) -> float:
        """Net cost of a set, not below its floor.

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

    def least_money(self) -> Array:
        """For each line, what it adds to the net cost of any set at the very least."""
        share = 1.0 if self.additive else self.limits.least_net_share
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
            # Grants may depend on what earlier years planted, so a year costs the difference.
            spent = self.money(so_far)
            if not _at_most(self.metres(now), phase.metres):
                return False
            if not _at_most(spent - before, phase.money_minor):
                return False
            before = spent
        return True

    def may_fit(self, phases: Mapping[int, int], phase: int) -> NDArray[np.bool_]:
        """Lines not ruled out at once beside a choice; `fits` decides.

        Parameters
        ----------
        phases : mapping of int to int
            As for `fits`.
        phase : int
            In which one more is to be planted.

        Returns
        -------
        (n,) bool
        """
        now = [i for i in phases if phases[i] == phase]
        yearly = self.limits.phases[phase] if self.limits.phases else Phase(0)
        found = np.ones(len(self.length), dtype=bool)
        money = self.least_money()
        for spent, name in ((self.length, "metres"), (money, "money_minor")):
            for limit, there in (
                (getattr(self.limits, name), list(phases)),
                # What a year costs net depends on the years before.
                (getattr(yearly, name) if name == "metres" or self.additive else None, now),
            ):
                if limit is not None:
                    found &= spent <= limit * (1 + 1e-9) + 1e-9 - spent[there].sum()
        return found

    def too_large_alone(self) -> NDArray[np.object_]:
        """Which limit each line exceeds by itself, in words; empty where it is within them all."""
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
        """Whether each line by itself, at its net cost, is within two limits."""
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

    def shares(self) -> Array:
        """Share of what can be spent that each line alone takes, the dearest of its kinds."""
        money = [self.money(frozenset([i])) for i in range(len(self.gross))]
        found = np.zeros(len(self.gross))
        for spent, limit in ((self.length, self.limits.total("metres")),
                             (np.array(money), self.limits.total("money_minor"))):  # fmt: skip
            if limit is not None:
                with np.errstate(divide="ignore", invalid="ignore"):
                    share = np.where(spent > 0, spent / limit, 0.0)
                found = np.maximum(found, share)
        return found

    def share_of(self, rows: frozenset[int]) -> float:
        """The share for a set; see `shares`.

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
    # Lengths are sums of floats: a hair's breadth must not keep out what fits exactly, nor let
    # a single minor unit of money slip through.
    return limit is None or spent <= limit + min(1e-9 * max(limit, 1.0), 0.4)


def _refused(text: str, mend: str) -> InputError:
    return InputError("input-refused", text, where="budget", mend=mend)


CLAIM = (
    "No set under this budget brings more, by the plain rule that the smallest relative wind "
    "counts; ends, close belts and what mending takes away are left out of the bound."
)


class Step(NamedTuple):
    """A set met in a search, its benefit by the plain rule, and what each line could add to it.

    The additions may be older and so larger than they are now: the bound holds in every case.

    Parameters
    ----------
    benefit : float
        ha eq.
    additions : (n,) float64
        ha eq.
    """

    benefit: float
    additions: Array


def most_within(
    additions: Array, spent: Array, limit: float, owner: Sequence[int], caps: Array
) -> tuple[float, Array]:
    """The most that lines can add within a budget when they may be cut.

    Parameters
    ----------
    additions, spent : (n,) float64
        What each adds, ha eq., and costs, in the unit of `limit`.
    limit : float
        Budget, m or minor units of money.
    owner : sequence of int
        Cap that applies to each line, -1 for none.
    caps : (k,) float64
        In the unit of `limit`.

    Returns
    -------
    most : float
        ha eq.
    taken : (n,) float64
        Share of each line taken, 0 to 1.

    Notes
    -----
    Fractional knapsack: lines in order of addition divided by cost are the best under one budget
    and caps on separate groups.

    References
    ----------
    Dantzig 1957, Operations Research 5 (status M); a test compares with a linear programme.
    """
    taken = np.zeros(len(additions))
    gains = np.flatnonzero(additions > 0)
    free = spent[gains] <= 0
    taken[gains[free]] = 1.0
    dear = gains[~free]
    left, room = limit, np.array(caps, dtype=float)
    for i in dear[np.argsort(-additions[dear] / spent[dear], kind="stable")]:
        if left <= 0:
            break
        may = min(left, spent[i], room[owner[i]] if owner[i] >= 0 else np.inf)
        taken[i] = max(may, 0.0) / spent[i]
        left -= max(may, 0.0)
        if owner[i] >= 0:
            room[owner[i]] -= max(may, 0.0)
    return float((taken * additions).sum()), taken


class Bound:
    """Bounds under some limits.

    Parameters
    ----------
    budget : BudgetTracker
    must : frozenset of int
        Lines in every choice; what they cost is not available for others.
    """

    def __init__(self, budget: BudgetTracker, must: frozenset[int]) -> None:
        limits = budget.limits
        names = sorted(limits.holdings)
        number = {name: i for i, name in enumerate(names)}
        self._owner = [number.get(h, -1) for h in budget.holding]
        self._kinds: list[tuple[Array, float, float, Array]] = []
        for name, spent in (("metres", budget.length), ("money_minor", budget.least_money())):
            limit = limits.total(name)
            if limit is None:
                continue
            room = [getattr(limits.holdings[h], name) for h in names]
            caps = np.array([np.inf if cap is None else cap for cap in room], dtype=float)
            for i in must:
                if self._owner[i] >= 0:
                    caps[self._owner[i]] -= spent[i]
            gone = float(sum(spent[i] for i in sorted(must)))
            self._kinds.append((spent, limit, gone, caps))

    def of(self, step: Step, share: float = 1.0) -> tuple[float, Array]:
        """Bound from one step under a share of the budget, and how far it depends on each line.

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
            Share of each line taken, 0 to 1.

        Notes
        -----
        By the plain rule, what a line adds never grows with the set it joins. So no set within the
        budget exceeds the benefit of any set plus the most that lines can add to it
        (`most_within`).

        References
        ----------
        Nemhauser, Wolsey and Fisher 1978, Mathematical Programming 14:265-294 (status M).
        """
        best, used = np.inf, np.zeros(len(step.additions))
        for spent, limit, gone, caps in self._kinds:
            left = share * limit - gone
            most, taken = most_within(step.additions, spent, left, self._owner, caps)
            if step.benefit + most < best:
                best, used = step.benefit + most, taken
        return best, used
