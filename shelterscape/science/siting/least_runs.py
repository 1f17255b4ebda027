"""Selection shares of the cheapest set that reaches targets, when inputs vary."""

from __future__ import annotations

import copy
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.input_uncertainty import InputUncertainty, varied_inputs
from shelterscape.science.siting.least_cost import least_cost_quickly
from shelterscape.science.siting.monte_carlo import DEFAULT_RUNS, MOST_CANDIDATES
from shelterscape.science.siting.place_cover import PlaceCover, PlaceGround
from shelterscape.science.siting.place_terms import PlaceTerms
from shelterscape.science.siting.sampled_cells import SampledCells
from shelterscape.science.siting.sampled_wind import wind_with_each, wind_with_existing

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class LeastProblem:
    """What a set of lines has to reach, at which cost, under which rules.

    Parameters
    ----------
    terms : PlaceTerms
        What counts on each place.
    cost : (n,) float64
        Cost of each line, 0 for required ones.
    enough : (m,) float64
        As for `least_cost.least_cost`.
    allowed, required : (n,) bool
        Lines that may be chosen, and lines that are part of every set; these are allowed too.
    conflicts : list of pairs of int
        Lines that cannot be chosen together.
    """

    terms: PlaceTerms
    cost: Array
    enough: Array
    allowed: Flags
    required: Flags
    conflicts: list[tuple[int, int]]

    def part(self, rows: Sequence[int]) -> LeastProblem:
        """The same with some of the lines.

        Parameters
        ----------
        rows : sequence of int

        Returns
        -------
        LeastProblem
        """
        number = {row: i for i, row in enumerate(rows)}
        kept = [(number[a], number[b]) for a, b in self.conflicts if a in number and b in number]
        some = {name: getattr(self, name)[list(rows)] for name in ("cost", "allowed", "required")}
        return replace(self, conflicts=kept, **some)


def least_cost_runs(
    context: EvaluationContext,
    grown: gpd.GeoDataFrame,
    problem: LeastProblem,
    *,
    always: Sequence[int] = (),
    runs: int = DEFAULT_RUNS,
    best: int = MOST_CANDIDATES,
    uncertainty: InputUncertainty | None = None,
    seed: int = 1,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> Generator[int, None, Array]:
    """Repeat the search for the cheapest set with inputs varied within their uncertainty.

    Parameters
    ----------
    context : EvaluationContext
    grown : GeoDataFrame
        Candidates as `belt_growth.belts_at` returns them in the case.
    problem : LeastProblem
    always : sequence of int
        Rows that take part in any case: the choice whose robustness is examined.
    runs, best : int
        Number of runs, and of the candidates with most benefit per cost that take part.
    uncertainty : InputUncertainty, optional
    seed : int
        The same seed and inputs give the same shares.
    stop_if_requested : callable
        Called between short pieces of work; raises to stop.

    Yields
    ------
    int
        Number of runs completed.

    Returns
    -------
    (n,) float64
        Share of the runs in which each candidate was chosen; NaN for those that did not take part.

    Notes
    -----
    Inputs vary as in `monte_carlo.selection_runs`, and each run chooses greedily. Places that are
    out of reach with the inputs of a run require nothing in it. Sets are not evaluated in full.
    """
    ground = PlaceGround(context, problem.terms)
    part = _participating_rows(ground.expected(ground.cells(grown), grown), problem, always, best)
    few, here = grown.iloc[part].reset_index(drop=True), problem.part(part)
    cells, counts = ground.cells(few, seed), np.zeros(len(part))
    for run in range(runs if part else 0):
        rng = np.random.default_rng([seed, run])
        varied, lines = varied_inputs(context, few, uncertainty or InputUncertainty(), rng)
        chosen = least_cost_quickly(
            _cover(ground, cells, varied, lines),
            here.cost,
            enough=here.enough,
            allowed=here.allowed,
            conflicts=here.conflicts,
            stop_if_requested=stop_if_requested,
        )
        counts[here.required | np.isin(np.arange(len(part)), chosen)] += 1
        yield run + 1
    share = np.full(len(grown), np.nan)
    share[part] = counts / max(runs, 1)
    return share


def _participating_rows(
    cover: PlaceCover, problem: LeastProblem, always: Sequence[int], best: int
) -> list[int]:
    """Allowed rows that help places most per cost, and those that always take part."""
    helps = cover.gains(np.arange(len(problem.cost)))
    per_cost = np.where(problem.allowed, helps / np.maximum(problem.cost, 1e-9), 0.0)
    order = np.argsort(-per_cost, kind="stable")[:best]
    found = {int(row) for row in order if per_cost[row] > 0}
    return sorted({*found, *always, *(int(row) for row in np.flatnonzero(problem.required))})


def _cover(
    ground: PlaceGround,
    cells: SampledCells,
    varied: EvaluationContext,
    lines: gpd.GeoDataFrame,
) -> PlaceCover:
    """The cover with the inputs of one run."""
    weights = cells.ray_weights(varied.weights, varied.options.spread_deg)
    tables = ground.curve_tables
    wind = wind_with_existing(cells, tables, varied.belts, varied.options)
    lowered = wind_with_each(cells, tables, lines, varied.options)
    # The share of the time of a direction varies as its weight does.
    before = ground.context.weights
    ratio = np.divide(varied.weights, before, out=np.ones_like(before), where=before > 0)
    time = varied.time_share * ratio
    cells = copy.copy(cells)
    cells.context = replace(cells.context, time_share=time / time.sum())
    return ground.cover(cells, wind, lowered, weights)
