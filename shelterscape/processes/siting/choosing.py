"""The choice of `siting` among its candidates: the best set, or the least that reaches targets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.processes.siting.aims import MOST_SHELTER
from shelterscape.processes.siting.least import LeastSearch, LeastSets, fixed_set
from shelterscape.processes.siting.lines import ProposedLines
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.net import net_cost_of
from shelterscape.processes.siting.spec import minor_units
from shelterscape.science.siting.benefit import Benefits
from shelterscape.science.siting.budgets import Cap, Limits, NetCost, Phase
from shelterscape.science.siting.choice import Choice, choose
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.known_gains import KnownGains, LocalEvaluator
from shelterscape.science.siting.left_out import LeftOut, left_out
from shelterscape.science.siting.regeneration import failure_cost_ha

LEAST_SHARE_OF_BEST = 0.05
"""Lines with less benefit per metre than this share of the best line are not chosen (assumed),
unless required."""

LEAST_PER_M_M2 = 0.5
"""Nor are lines with less benefit per metre than this on ground with the highest priority, m² eq.
(assumed): a typical belt adds about a hundred times as much."""


@dataclass(frozen=True)
class ChosenSet:
    """The choice, and what it was made with.

    Parameters
    ----------
    choice, shelter_alone : Choice
        The choice, and the best one found by shelter alone: without cost to working land,
        exclusion of candidates by others and least length. Where both are the same set,
        the bounds hold for sets that spare the working land.
    land_cost_ha : (n,) float64
        What the choice counts against each candidate for the working land, ha eq.
    left_out : list of LeftOut
        The choice without each of its lines.
    least : LeastSets or None
        How the choice was made where every place is to reach its target.
    must, forbidden : list of str
        Names of the candidates that it had to include, and that it could not include.
    limits : Limits
    net_cost : callable or None
    notices : list of Notice
    """

    choice: Choice
    shelter_alone: Choice
    land_cost_ha: NDArray[np.float64]
    left_out: list[LeftOut]
    least: LeastSets | None
    must: list[str]
    forbidden: list[str]
    limits: Limits
    net_cost: NetCost | None
    notices: list[Notice]


def choose_set(
    data: SitingData,
    lines: ProposedLines,
    ground: Ground,
    evaluator: LocalEvaluator,
    own: Benefits,
) -> ChosenSet:
    """Choose by shelter alone and for the working land, then leave out each chosen line.

    Parameters
    ----------
    data : SitingData
    lines : ProposedLines
    ground : Ground
        Of the candidates, with nothing planted; it is returned to that state.
    evaluator : LocalEvaluator
        Of what counts: `ground`, or one that changes its wind.
    own : Benefits
        What each candidate adds by itself of what counts.

    Returns
    -------
    ChosenSet
    """
    frame, params = lines.candidates, data.params
    must = named_candidates(frame, params.must_have, "must_have")
    forbidden = named_candidates(frame, params.forbidden, "forbidden")
    # Where benefit saturates, the best line per metre is no measure for those of other places.
    share = LEAST_SHARE_OF_BEST if evaluator is ground else 0.0
    slight = slight_lines(frame, own, float(ground.context.priority.max()), share)
    not_chosen = [*forbidden, *frame["candidate"][slight & ~frame["candidate"].isin(must)]]
    land_cost = _land_cost(data, lines, own)
    limits, net_cost, payments = _limits(data, frame), None, None
    notices: list[Notice] = []
    if data.grants is not None:
        net_cost, payments, notices = net_cost_of(data.grants, frame, params.planting_year)
    request: dict[str, Any] = {
        "own": own.gains,
        "restoration_loss": own.restoration_loss,
        "net_cost": net_cost,
        "payments": payments,
        "stop_if_requested": data.check_stop,
    }
    alone_rules, least = (must, not_chosen, limits), None
    rules = must, [*not_chosen, *_too_short(data, frame, {*not_chosen, *must})], limits
    no_alternative = rules[1]
    if params.aim != MOST_SHELTER:
        search = LeastSearch(data, ground, frame, own, must, forbidden)
        least = search.sets(land_cost, _too_short(data, frame, {*must}), lines.ends)
        alone_rules, rules = (fixed_set(frame, s.rows) for s in (least.alone, least.chosen))
    known = KnownGains(evaluator)
    alone = _choose(known, frame.assign(excludes=""), alone_rules, **request)
    request |= {"land_cost": land_cost, "ends": lines.ends, "join_loss": params.join_loss}
    choice = _choose(known, frame, rules, **request)
    if least is None:
        # By shelter alone more sets are allowed.
        choice = choice.bounded_by(alone)
        # The search is not exhaustive, and every set that spares the working land counts too.
        alone = max(alone, choice, key=lambda one: one.benefit_ha)
    must, not_chosen, limits = rules
    without = left_out(
        evaluator,
        frame,
        limits,
        choice,
        own,
        shelter=ground,
        forbidden=no_alternative,
        land_cost=land_cost,
        net_cost=net_cost,
        stop_if_requested=data.check_stop,
    )
    return ChosenSet(
        choice=choice,
        shelter_alone=alone,
        land_cost_ha=land_cost,
        left_out=without,
        least=least,
        must=must,
        forbidden=not_chosen,
        limits=limits,
        net_cost=net_cost,
        notices=notices,
    )


def _choose(
    evaluator: LocalEvaluator,
    frame: gpd.GeoDataFrame,
    rules: tuple[list[str], list[str], Limits],
    **request: Any,
) -> Choice:
    """The choice with required and forbidden candidates, within limits."""
    must, forbidden, limits = rules
    return choose(evaluator, frame, limits, must=must, forbidden=forbidden, **request)


def _land_cost(data: SitingData, lines: ProposedLines, own: Benefits) -> NDArray[np.float64]:
    """What the choice counts against each candidate for the working land, ha eq."""
    may_fail = failure_cost_ha(lines.candidates, own.gains)
    if lines.land is None:
        return may_fail
    weights = data.params.boundary_preference, data.params.land_weight
    return may_fail + lines.land.cost_ha(own.gains, *weights)


def _too_short(data: SitingData, frame: gpd.GeoDataFrame, besides: set[str]) -> list[str]:
    """Names of candidates that are too short to be chosen, apart from others."""
    short = frame["too_short"].to_numpy() & (not data.params.allow_short)
    return [name for name in frame["candidate"][short] if name not in besides]


def slight_lines(
    frame: gpd.GeoDataFrame,
    own: Benefits,
    highest_priority: float,
    share_of_best: float = LEAST_SHARE_OF_BEST,
) -> NDArray[np.bool_]:
    """Lines with too little benefit per metre to be planted even where budget remains.

    Parameters
    ----------
    frame : GeoDataFrame
    own : Benefits
    highest_priority : float
        Highest priority of any cell.
    share_of_best : float
        Least share of the benefit per metre of the best line.
    """
    length = frame["length_m"].to_numpy(dtype=float)
    per_metre = own.total / np.maximum(length, 1e-9)
    least = max(share_of_best * per_metre.max(initial=0.0), LEAST_PER_M_M2 / 1e4 * highest_priority)
    slight: NDArray[np.bool_] = per_metre < least
    return slight


def named_candidates(frame: gpd.GeoDataFrame, names: Sequence[str], column: str) -> list[str]:
    """Candidates required or forbidden; the name of a divided line means all its parts."""
    marked = frame[column].astype(bool) | frame["part"].isin(names)
    known = {*frame["candidate"], *frame["part"]}
    # Unknown names are passed on, so that the check of names refuses them.
    unknown = [name for name in names if name not in known]
    return [*frame["candidate"][marked | frame["candidate"].isin(names)], *unknown]


def _limits(data: SitingData, frame: gpd.GeoDataFrame) -> Limits:
    params = data.params
    metres, money = params.budget_m, minor_units(params.budget_net or params.budget)
    cap = Cap(params.holding_budget_m, minor_units(params.holding_budget))
    capped = cap.metres is not None or cap.money_minor is not None
    holdings = {str(h): cap for h in sorted(set(frame["holding_id"]) - {""})} if capped else {}
    years = range(params.planting_year, params.planting_year + params.phases)
    phases = tuple(
        Phase(
            year,
            None if metres is None else metres / params.phases,
            None if money is None else money // params.phases,
        )
        for year in years
    )
    return Limits(metres, money, holdings, phases if params.phases > 1 else ())
