"""The choice of `siting`: benefit of each candidate, the best set, and selection shares."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.process.stages import Progress
from shelterscape.processes.siting.choosing import ChosenSet, choose_set
from shelterscape.processes.siting.least import LeastSets, below_target
from shelterscape.processes.siting.lines import ProposedLines
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.place_hours import evaluated_with_hours
from shelterscape.processes.siting.stock import CountedBenefit, counted_benefit
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.places import coverage
from shelterscape.science.site_wind import where_modelled
from shelterscape.science.siting.benefit import Benefits, benefits
from shelterscape.science.siting.choice import Choice
from shelterscape.science.siting.context import (
    EvaluationContext,
    evaluation_context,
    holding_numbers,
    priority_by_purpose,
)
from shelterscape.science.siting.full_evaluation import (
    ExistingWinds,
    FullEvaluation,
    existing_winds,
)
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.input_uncertainty import InputUncertainty
from shelterscape.science.siting.least_runs import least_cost_runs
from shelterscape.science.siting.left_out import LeftOut
from shelterscape.science.siting.monte_carlo import SelectionShares, selection_runs
from shelterscape.science.siting.place_terms import STOCK_MARGIN
from shelterscape.science.siting.places_by_step import OnPlaces, places_by_step
from shelterscape.science.siting.sensitivity import FREQUENCY, sensitivity
from shelterscape.science.terrain.validity import NOT_MODELLED

Field = NDArray[np.float32]

MOST_CHOICES = 4
"""Most choices while more sheltered ground counts on places without a corner in one piece."""


@dataclass(frozen=True)
class SitingDecision:
    """Results of the choice.

    Parameters
    ----------
    context : EvaluationContext
        Inputs of the evaluation in the case in which lines were compared.
    own : Benefits
        Benefit of each candidate by itself.
    counted_ha : (n,) float64
        Benefit of each by itself as the choice counts it: for stock up to sufficient ground.
    choice : Choice
    land_cost_ha : (n,) float64
        What the choice counts against each candidate for the working land, ha eq.
    shelter_alone : Choice
        The choice by shelter alone: without cost to working land, exclusion of candidates by others
        and least length.
    planted : GeoDataFrame
        Candidates with the year of the work on the chosen ones.
    full_evaluation : dict of Case to FullEvaluation
        The chosen set in place, by case.
    selection_share : (n,) float64
        Share of Monte Carlo runs in which each was chosen; NaN for those that did not take part.
    left_out : list of LeftOut
        The choice without each of its lines.
    sensitivity : DataFrame
        As `siting.sensitivity` returns it; without rows where there are no Monte Carlo runs.
    notices : list of Notice
    by_step : list of OnPlaces
        Wind on places with the set of each row of the benefit curve, and with the chosen set.
    least : LeastSets or None
        How the choice was made where every place is to reach its target.
    """

    context: EvaluationContext
    own: Benefits
    counted_ha: NDArray[np.float64]
    choice: Choice
    land_cost_ha: NDArray[np.float64]
    shelter_alone: Choice
    planted: gpd.GeoDataFrame
    full_evaluation: dict[Case, FullEvaluation]
    selection_share: NDArray[np.float64]
    left_out: list[LeftOut]
    sensitivity: pd.DataFrame
    notices: list[Notice]
    by_step: list[OnPlaces]
    least: LeastSets | None = None


def decide(data: SitingData, lines: ProposedLines) -> Generator[Progress, None, SitingDecision]:
    """Compare the candidates in one case, choose, and evaluate the choice in full in every case."""
    frame, params, local_heights = lines.candidates, data.params, data.settled.local_heights
    yield Progress(0.1, "terrain wind")
    terrain_wind, notices = _terrain_wind(data)
    priority = _priority(data)
    context = _context(data, data.case, priority, terrain_wind)
    yield Progress(0.15, f"benefit of each of {len(frame)} candidates")
    grown = belts_at(frame, data.case, local_heights=local_heights)
    ground = Ground(context, frame, frame=grown)
    own = benefits(ground, frame)
    yield Progress(0.3, "choosing")
    chosen, counted, existing = _chosen_set(data, lines, ground, own)
    notices += chosen.notices
    choice = chosen.choice
    by_step = places_by_step(ground, [*choice.curve_sets, choice.rows])
    del ground
    planted = _with_years(frame, choice, params.planting_year)
    fields = priority, terrain_wind
    found = yield from _in_place(data, context, planted, choice.rows, fields, existing)
    del existing
    share = yield from _shares(data, lines, chosen, (context, counted), grown)
    varied = _sensitivity(data, context, grown, choice.rows)
    return SitingDecision(
        context=context,
        own=own,
        counted_ha=counted.own.total,
        choice=choice,
        land_cost_ha=chosen.land_cost_ha,
        shelter_alone=chosen.shelter_alone,
        planted=planted,
        full_evaluation=found,
        selection_share=share,
        left_out=chosen.left_out,
        sensitivity=varied,
        notices=notices,
        by_step=by_step,
        least=chosen.least,
    )


def _chosen_set(
    data: SitingData, lines: ProposedLines, ground: Ground, own: Benefits
) -> tuple[ChosenSet, CountedBenefit, ExistingWinds | None]:
    """The choice, what counts in it, and the wind with existing belts where it was needed.

    The sheltered ground that counts for stock may be scattered. While a place has no corner in one
    piece, more ground counts there, and the choice is made again.
    """
    places = 0 if data.places is None else len(data.places)
    margin, existing = np.full(places, STOCK_MARGIN), None
    counted: CountedBenefit | None = None
    best: tuple[int, ChosenSet, CountedBenefit] | None = None
    rows: list[int] = []
    for _ in range(MOST_CHOICES):
        evaluator, counted = counted_benefit(data, ground, lines.candidates, own, margin, counted)
        chosen = choose_set(data, lines, ground, evaluator, counted.own)
        if counted.stock is None or chosen.least is not None:
            return chosen, counted, existing
        if existing is None:
            existing = existing_winds(ground.context, stop_if_requested=data.check_stop)
        below = below_target(ground, chosen.choice.rows, existing) & counted.stock.terms.stock
        if best is None or below.sum() < best[0]:
            best = (int(below.sum()), chosen, counted)
        if not below.any() or chosen.choice.rows == rows:
            break
        rows, margin = chosen.choice.rows, np.where(below, 2.0 * margin, margin)
    assert best is not None
    return best[1], replace(best[2], cells=None), existing


def _shares(
    data: SitingData,
    lines: ProposedLines,
    chosen: ChosenSet,
    evaluated: tuple[EvaluationContext, CountedBenefit],
    grown: gpd.GeoDataFrame,
) -> Generator[Progress, None, NDArray[np.float64]]:
    """Share of Monte Carlo runs in which each candidate is chosen; NaN without such runs."""
    params, frame, (context, counted) = data.params, lines.candidates, evaluated
    uncertain = {"runs": params.monte_carlo_runs, "seed": params.seed}
    if not params.monte_carlo_runs:
        return np.full(len(frame), np.nan)
    if chosen.least is not None:
        least_runs = least_cost_runs(
            context,
            grown,
            chosen.least.problem,
            always=chosen.choice.rows,
            uncertainty=_uncertainty(data),
            stop_if_requested=data.check_stop,
            **uncertain,
        )
        share = yield from _with_progress(least_runs, params.monte_carlo_runs)
        return share
    # Lines are compared, as in the choice, after deduction of what they cost the working land.
    cost, own = chosen.land_cost_ha, counted.own
    after_cost = replace(own, total=own.total - cost, restoration_loss=own.restoration_loss + cost)
    runs = selection_runs(
        counted.context,
        frame,
        after_cost,
        chosen.limits,
        frame=grown,
        stock=counted.stock,
        always=chosen.choice.rows,
        must=chosen.must,
        forbidden=chosen.forbidden,
        net_cost=chosen.net_cost,
        uncertainty=_uncertainty(data),
        **uncertain,
    )
    share = yield from _with_progress(runs, params.monte_carlo_runs)
    return share


def _in_place(
    data: SitingData,
    context: EvaluationContext,
    planted: gpd.GeoDataFrame,
    rows: Sequence[int],
    fields: tuple[dict[str, Field], dict[str, Field]],
    existing: ExistingWinds | None,
) -> Generator[Progress, None, dict[Case, FullEvaluation]]:
    """The chosen belts evaluated in full in every case."""
    found: dict[Case, FullEvaluation] = {}
    for i, case in enumerate(data.cases):
        yield Progress(0.45 + 0.2 * i / len(data.cases), f"chosen belts in place, {case.label}")
        compared = case == data.case
        here = context if compared else _context(data, case, *fields)
        then = belts_at(planted, case, local_heights=data.settled.local_heights)
        winds = existing if compared else None
        found[case] = evaluated_with_hours(data, case, here, then, rows, existing=winds)
    return found


def _sensitivity(
    data: SitingData, context: EvaluationContext, grown: gpd.GeoDataFrame, rows: Sequence[int]
) -> pd.DataFrame:
    """Benefit of the choice with one input at a time varied, directions from true north."""
    uncertainty = _uncertainty(data)
    some = rows if data.params.monte_carlo_runs else []
    table = sensitivity(context, grown, some, uncertainty=uncertainty, seed=data.params.seed)
    named = {
        f"{FREQUENCY} {number}": f"{FREQUENCY} {direction:g}°"
        for number, direction in enumerate(data.winds.direction_deg)
    }
    return table.assign(varied_input=table["varied_input"].replace(named))


def _uncertainty(data: SitingData) -> InputUncertainty:
    """Uncertainty of the inputs, of the wind as its wind set states it."""
    stated = data.winds.frequency_uncertainty
    return InputUncertainty() if np.isnan(stated) else InputUncertainty(frequency=stated)


def _with_progress(
    runs: Generator[int, None, SelectionShares | NDArray[np.float64]], count: int
) -> Generator[Progress, None, NDArray[np.float64]]:
    """Share of runs in which each candidate is chosen, reporting every run."""
    while True:
        try:
            done = next(runs)
        except StopIteration as end:
            found: SelectionShares | NDArray[np.float64] = end.value
            return found.selection_share if isinstance(found, SelectionShares) else found
        yield Progress(0.65 + 0.35 * done / count, f"Monte Carlo run {done} of {count}")


def _terrain_wind(data: SitingData) -> tuple[dict[str, Field], list[Notice]]:
    """By season, terrain wind relative to flat, open terrain in each direction of its wind set.

    (directions, rows, cols); 1 where it is not modelled. Empty without terrain wind.
    """
    found: dict[int, Field] = {}
    notices = []
    for winds in data.terrain_wind.values():
        if id(winds) in found:
            continue
        each = (wind for _, wind in winds)
        found[id(winds)], lost = where_modelled(each, len(winds.directions), data.grid.shape)
        lost_ha = float(lost[np.isfinite(data.elevation)].sum()) * data.grid.cell_area_ha
        if lost_ha:
            text = (
                f"terrain wind not modelled on {lost_ha:,.1f} ha (mean over the wind directions; "
                f"{NOT_MODELLED}); calculated there as over flat, open terrain"
            )
            notices.append(Notice("not-modelled", text))
    return {season: found[id(winds)] for season, winds in data.terrain_wind.items()}, notices


def _priority(data: SitingData) -> dict[str, Field]:
    """Priority of each cell by purpose; without places it is 1 on all parcels, or everywhere."""
    grid = data.grid
    if data.places is not None:
        priority = priority_by_purpose(data.places, coverage(data.places, grid), grid)
    elif data.parcels is not None:
        fields = data.parcels.assign(purpose="", priority=1.0)
        priority = priority_by_purpose(fields, coverage(fields, grid), grid)
    else:
        priority = {"": np.ones(grid.shape, np.float32)}
    known = np.isfinite(data.elevation)
    return {name: np.where(known, field, np.float32(0)) for name, field in priority.items()}


def context_and_notices(data: SitingData) -> tuple[EvaluationContext, list[Notice]]:
    """Inputs of the evaluation in the case in which lines are compared."""
    terrain_wind, notices = _terrain_wind(data)
    return _context(data, data.case, _priority(data), terrain_wind), notices


def _context(
    data: SitingData, case: Case, priority: dict[str, Field], terrain_wind: dict[str, Field]
) -> EvaluationContext:
    areas = data.holdings if data.holdings is not None else data.parcels
    owner: NDArray[np.int32] | None = None
    holdings: tuple[str, ...] = ()
    if areas is not None and (known := areas["holding_id"] != "").any():
        owner, holdings = holding_numbers(areas[known], data.grid)
    return evaluation_context(
        data.grid,
        case,
        data.settled.winds[case.season],
        data.belts,
        priority,
        options=data.settled.options,
        speed_exponent=data.settled.speed_exponent,
        convergence_deg=data.convergence_deg,
        owner=owner,
        holdings=holdings,
        places=data.places,
        local_heights=data.settled.local_heights,
        terrain_wind=terrain_wind.get(case.season),
    )


def _with_years(frame: gpd.GeoDataFrame, choice: Choice, planting_year: int) -> gpd.GeoDataFrame:
    """Candidates with the year of the work on the chosen ones."""
    later = np.zeros(len(frame), dtype=np.int64)
    later[choice.rows] = choice.phase
    planted = frame["planted_year"]
    moved = pd.Series(later, index=frame.index, dtype="Int64")
    # Existing belts that are restored were planted before.
    return frame.assign(
        planted_year=planted.where(planted < planting_year, planted + moved),
        closing_from=frame["closing_from"] + moved,
    )
