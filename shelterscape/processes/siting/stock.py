"""Stock places of `siting`: benefit that saturates, and sheltered ground per animal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.processes.siting.aims import SUFFICIENT
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.belts import Case
from shelterscape.science.places import stock_need_m2
from shelterscape.science.siting.benefit import Benefits, loss_by_restoration
from shelterscape.science.siting.context import EvaluationContext, priority_by_purpose
from shelterscape.science.siting.full_evaluation import FullEvaluation
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.known_gains import LocalEvaluator
from shelterscape.science.siting.place_cover import PlaceGround, restoration_losses
from shelterscape.science.siting.place_terms import STOCK_MARGIN, stock_terms
from shelterscape.science.siting.sampled_cells import SampledCells
from shelterscape.science.siting.two_grounds import TwoLocalGrounds


@dataclass(frozen=True)
class CountedBenefit:
    """What the choice counts.

    Parameters
    ----------
    own : Benefits
        ``total`` and ``restoration_loss`` as counted; all else as equivalent sheltered area.
    context : EvaluationContext
        With priority 0 where benefit saturates.
    stock : PlaceGround or None
        Places whose benefit saturates.
    cells : SampledCells or None
        Candidates relative to the cells of these places.
    """

    own: Benefits
    context: EvaluationContext
    stock: PlaceGround | None = None
    cells: SampledCells | None = None


def counted_benefit(
    data: SitingData,
    ground: Ground,
    frame: gpd.GeoDataFrame,
    own: Benefits,
    margin: NDArray[np.float64] | float = STOCK_MARGIN,
    earlier: CountedBenefit | None = None,
) -> tuple[LocalEvaluator, CountedBenefit]:
    """What the choice counts: equivalent sheltered area, or for stock sufficient ground.

    The evaluator is the ground itself, or changes its wind. The ground counted for stock is
    `margin` times what it needs, by place. Geometry and curves are those of an `earlier` margin.
    """
    context, places = ground.context, ground.context.places
    terms = stock_terms(context, margin)
    if data.params.stock_benefit != SUFFICIENT or places is None or not terms.stock.any():
        return ground, CountedBenefit(own, context)
    if earlier is None or earlier.stock is None or earlier.cells is None:
        stock = PlaceGround(context, terms)
        cells = stock.cells(ground.frame)
    else:
        stock, cells = earlier.stock.with_terms(terms), earlier.cells
    cover: LocalEvaluator = stock.expected(cells, ground.frame)
    loss = restoration_losses(stock, cells, frame, ground.frame)
    others = _without_stock(context, terms.stock)
    if others.priority.any():
        linear = Ground(others, frame, wind=ground.wind, frame=ground.frame)
        loss = loss + loss_by_restoration(linear, frame)
        cover = TwoLocalGrounds(linear, cover)
    gains = cover.gains(np.arange(len(frame)))
    counted = replace(own, total=gains - loss, restoration_loss=loss)
    return cover, CountedBenefit(counted, others, stock, cells)


def _without_stock(context: EvaluationContext, stock: NDArray[np.bool_]) -> EvaluationContext:
    """The context with priority for places without stock alone."""
    assert context.places is not None and context.covered is not None
    priority = context.places["priority"].where(~stock, 0.0)
    fields = priority_by_purpose(
        context.places.assign(priority=priority), context.covered, context.grid
    )
    # Cells with missing elevation have no priority.
    there = context.priority.sum(axis=0) > 0
    layers = [np.where(there, fields[name], np.float32(0)) for name in context.purposes]
    return replace(context, priority=np.stack(layers))


def stock_ground(
    data: SitingData, evaluations: Mapping[Case, FullEvaluation]
) -> pd.DataFrame | None:
    """Sheltered ground per animal by wind direction; None without stock places."""
    if data.places is None:
        return None
    need, head = stock_need_m2(data.places), data.places["head"].to_numpy(dtype=float)
    rows = []
    for case, evaluation in evaluations.items():
        winds = data.settled.winds[case.season]
        share = winds.frequency / winds.frequency.sum()
        for place in np.flatnonzero(need > 0):
            per_head = evaluation.sheltered_m2[:, place] / head[place]
            rows.append(
                pd.DataFrame(
                    {
                        "name": data.places["name"].iloc[place],
                        "purpose": data.places["purpose"].iloc[place],
                        "season": case.season_label,
                        "year": case.year,
                        "direction_deg": winds.direction_deg,
                        "wind_time_share": share,
                        "sheltered_per_head_without_m2": per_head[:, 0],
                        "sheltered_per_head_m2": per_head[:, 1],
                        "stock_ground_m2": need[place] / head[place],
                    }
                )
            )
    return pd.concat(rows, ignore_index=True) if rows else None
