"""Selection shares: how often each candidate is chosen when inputs vary within uncertainty."""

from __future__ import annotations

import functools
from collections.abc import Collection, Generator, Sequence
from dataclasses import dataclass
from typing import Protocol

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.ray_cells import gains_in_cells, plant_in_cells
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.siting import sampled_cells
from shelterscape.science.siting.benefit import Benefits
from shelterscape.science.siting.budgets import BudgetTracker, Limits, NetCost
from shelterscape.science.siting.choice import choose_quickly
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.curve_tables import MOST_CURVES, CurveTables
from shelterscape.science.siting.input_uncertainty import InputUncertainty, varied_inputs
from shelterscape.science.siting.sampled_cells import SampledCells
from shelterscape.science.siting.sampled_wind import wind_with_each, wind_with_existing
from shelterscape.science.siting.search import Evaluator
from shelterscape.science.siting.two_grounds import TwoGrounds

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

DEFAULT_RUNS = 200
MOST_CANDIDATES = 300
"""Default number of runs, and of the best candidates that take part in them."""


@dataclass(frozen=True)
class SelectionShares:
    """Results of the runs.

    Parameters
    ----------
    selection_share : (n,) float64
        Share of the runs in which each candidate was chosen; NaN for those that did not take part.
    benefit_ha : (runs,) float64
        Benefit of the chosen set of each run, by the smallest-wind rule, ha eq.
    curve : list of str
        Shelter curve of each run.
    """

    selection_share: Array
    benefit_ha: Array
    curve: list[str]


class PlaceEvaluators(Protocol):
    """Makes an evaluator of places from sampled cells: `place_cover.PlaceGround`."""

    context: EvaluationContext

    def cover(
        self, cells: SampledCells, wind: Field, lowered: Field, ray_weights: Array
    ) -> Evaluator:
        """The evaluator with the heights, porosities, curve and winds of one run.

        Parameters
        ----------
        cells, wind, lowered, ray_weights
            As for `MonteCarloCells`.

        Returns
        -------
        Evaluator
        """


def selection_runs(
    context: EvaluationContext,
    candidates: gpd.GeoDataFrame,
    own: Benefits,
    limits: Limits,
    *,
    frame: gpd.GeoDataFrame | None = None,
    always: Sequence[int] = (),
    must: Collection[str] = (),
    forbidden: Collection[str] = (),
    net_cost: NetCost | None = None,
    stock: PlaceEvaluators | None = None,
    runs: int = DEFAULT_RUNS,
    best: int = MOST_CANDIDATES,
    uncertainty: InputUncertainty | None = None,
    seed: int = 1,
) -> Generator[int, None, SelectionShares]:
    """Repeat the choice with inputs varied within their uncertainty.

    Parameters
    ----------
    context : EvaluationContext
    candidates : GeoDataFrame
        As for `choice.choose`.
    own : Benefits
        As `benefit.benefits` returns it; candidates with the largest benefit per share of the
        budget take part.
    limits : Limits
    frame : GeoDataFrame, optional
        The candidates in the case, as `belt_growth.belts_at` returns them; calculated when not
        given.
    always : sequence of int
        Rows that take part in any case: the choice whose robustness is examined.
    must, forbidden, net_cost
        As for `choice.choose`; `net_cost` receives rows of `candidates`.
    stock : PlaceGround, optional
        Places whose benefit saturates; they have priority 0 in `context`.
    runs, best : int
        Number of runs, and of the best candidates that take part.
    uncertainty : InputUncertainty, optional
    seed : int
        The same seed and inputs give the same shares.

    Yields
    ------
    int
        Number of runs completed.

    Returns
    -------
    SelectionShares

    Notes
    -----
    Each run chooses greedily, without exchange of lines; the shelter lost by restoration does not
    vary. Runs keep the geometry of `sampled_cells`: rays do not move but are weighted for the
    varied spread of direction, and existing belts act together where they do at their expected
    heights.
    """
    part = _participating_rows(candidates, own, limits, {*must}, {*forbidden}, best, always)
    few = candidates.iloc[part].reset_index(drop=True)
    if frame is None:
        frame = belts_at(candidates, context.case) if len(candidates) else candidates
    grown_part = frame.iloc[part].reset_index(drop=True)
    part_net_cost = None if net_cost is None else functools.cache(_net_cost_of_part(net_cost, part))
    cells, curve_tables = SampledCells(context, grown_part, seed=seed), CurveTables()
    stock_cells = None if stock is None else SampledCells(stock.context, grown_part, seed=seed)
    counts, curves = np.zeros(len(part)), []
    benefit = np.zeros(runs)
    for run in range(runs if len(part) else 0):
        # One random stream per run, so that results of fewer runs are a part of those of more.
        rng = np.random.default_rng([seed, run])
        varied_context, varied = varied_inputs(
            context, grown_part, uncertainty or InputUncertainty(), rng
        )
        options, belts = varied_context.options, varied_context.belts
        weights = cells.ray_weights(varied_context.weights, options.spread_deg)
        winds = (
            (
                wind_with_existing(one, curve_tables, belts, options),
                wind_with_each(one, curve_tables, varied, options),
            )
            for one in (cells, stock_cells)
            if one is not None
        )
        ground: Evaluator = MonteCarloCells(cells, *next(winds), weights)
        if stock is not None and stock_cells is not None:
            cover = stock.cover(stock_cells, *next(winds), weights)
            ground = TwoGrounds(ground, cover)
        restoration_loss = own.restoration_loss[part]
        rows, benefit[run] = choose_quickly(
            ground,
            few,
            limits,
            must=must,
            net_cost=part_net_cost,
            restoration_loss=restoration_loss,
        )
        counts[rows] += 1
        curves.append(varied_context.options.curve)
        yield run + 1
    share = np.full(len(candidates), np.nan)
    share[part] = counts / max(runs, 1)
    return SelectionShares(share, benefit, curves)


def _participating_rows(
    candidates: gpd.GeoDataFrame,
    own: Benefits,
    limits: Limits,
    must: set[str],
    forbidden: set[str],
    best: int,
    always: Sequence[int],
) -> NDArray[np.int64]:
    """Rows of the best candidates, in order of their names."""
    names = candidates["candidate"].astype(str).to_numpy()
    shares = BudgetTracker(candidates, limits).shares_alone()
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(own.total > 0, own.total / shares, 0.0)
    order = np.lexsort((names, -ratio))
    found = {int(row) for row in order[:best] if ratio[row] > 0}
    found |= {int(row) for row in always}
    found |= {int(row) for row in np.flatnonzero(np.isin(names, sorted(must)))}
    found -= {int(row) for row in np.flatnonzero(np.isin(names, sorted(forbidden)))}
    return np.array(sorted(found, key=lambda row: names[row]), dtype=np.int64)


def _net_cost_of_part(net_cost: NetCost, part: NDArray[np.int64]) -> NetCost:
    return lambda rows: net_cost(frozenset(int(part[row]) for row in rows))


def work_bytes(cells: int, directions: int) -> float:
    """Memory that `selection_runs` needs in addition to its `EvaluationContext`, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    directions : int
        Directions of the wind set.

    Returns
    -------
    float
        Bytes.
    """
    return 14e3 * MOST_CURVES + sampled_cells.work_bytes(cells, directions)


class MonteCarloCells:
    """Sampled cells with the heights, porosities, curve and winds of one run.

    It has the methods `gains`, `plant` and `remove_last` of `ground.Ground`.

    Parameters
    ----------
    cells : SampledCells
    wind : (rays × cells,) float32
        Relative wind with existing belts and the candidates planted now, as
        `sampled_wind.wind_with_existing` returns it. It is changed in place.
    lowered : (k,) float32
        Relative wind with each candidate alone, where it acts: `sampled_wind.wind_with_each`.
    ray_weights : (rays,) float64
        As `SampledCells.ray_weights` returns them.
    """

    def __init__(
        self, cells: SampledCells, wind: Field, lowered: Field, ray_weights: Array
    ) -> None:
        self._cells, self.wind, self.lowered = cells, wind, lowered
        self.planted: list[int] = []
        self._saved: list[Field] = []
        weight = ray_weights[:, None] * cells.priority
        if len(cells.wind_weight):
            weight = weight * cells.wind_weight[cells.direction]
        self._weight = weight.ravel()

    def more_sheltered_ha(self, before: Field) -> float:
        """Wind reduction from another wind to that now, weighted and summed over all cells, ha eq.

        Parameters
        ----------
        before : (rays × cells,) float32
            Relative wind.
        """
        return float(self._weight @ (before.astype(float) - self.wind))

    def gains(self, which: Sequence[int] | Numbers) -> Array:
        """Benefit each of these candidates would add to the planted ones.

        Parameters
        ----------
        which : (w,) int
            Rows of candidates.

        Returns
        -------
        (w,) float64
            ha eq.
        """
        numbers, out = np.asarray(which, dtype=np.int64), np.zeros(len(which))
        known = (self._cells.first, self._cells.pair, self.lowered)
        gains_in_cells(numbers, *known, self.wind, self._weight, out)
        return out

    def plant(self, one: int) -> float:
        """Plant a candidate.

        Parameters
        ----------
        one : int
            Row of the candidate.

        Returns
        -------
        float
            Benefit it adds, ha eq.
        """
        first, last = self._cells.first[one : one + 2]
        known = (self._cells.pair, self.lowered, self.wind, self._weight)
        added, before = plant_in_cells(first, last, *known)
        self._saved.append(before)
        self.planted.append(one)
        return float(added)

    def remove_last(self) -> int:
        """Remove the candidate planted last and return its row."""
        one = self.planted.pop()
        first, last = self._cells.first[one : one + 2]
        self.wind[self._cells.pair[first:last]] = self._saved.pop()
        return one
