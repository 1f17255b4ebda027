"""How the benefit of a set changes when one uncertain input at a time is varied."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.kernels.shelter_curves import MEASURED_RATIOS
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.curve_tables import CurveTables
from shelterscape.science.siting.input_uncertainty import InputUncertainty
from shelterscape.science.siting.monte_carlo import MonteCarloCells
from shelterscape.science.siting.sampled_cells import SampledCells
from shelterscape.science.siting.sampled_wind import wind_with_each, wind_with_existing

HEIGHT = "height of the new belts"
POROSITY = "porosity of the new belts"
SPREAD = "spread of the wind about each direction"
CURVE = "shelter curve and source of its evidence"
FREQUENCY = "frequency of wind from direction"
"""Followed by the index of the direction in the wind set."""

COLUMNS = ("varied_input", "set_benefit_low_ha", "set_benefit_high_ha")

Variation = tuple[str, EvaluationContext, gpd.GeoDataFrame]
"""An input that is varied, with the context and the belts in which it is."""


def sensitivity(
    context: EvaluationContext,
    grown: gpd.GeoDataFrame,
    rows: Sequence[int],
    *,
    uncertainty: InputUncertainty | None = None,
    seed: int = 1,
) -> pd.DataFrame:
    """Benefit of a set with each input of the Monte Carlo runs varied by itself.

    Parameters
    ----------
    context : EvaluationContext
    grown : GeoDataFrame
        Candidates as `belt_growth.belts_at` returns them in the case.
    rows : sequence of int
        The set.
    uncertainty : InputUncertainty, optional
    seed : int
        Seed of the sample of cells, where there are very many.

    Returns
    -------
    DataFrame
        `COLUMNS`, largest range first; without rows for a set without lines.
        Inputs are varied by one standard deviation up and down; shelter curves and published
        sources are all tried; of the wind directions, the one with the largest range is given.
    """
    if not len(rows):
        return pd.DataFrame(columns=list(COLUMNS))
    belts = grown.iloc[list(rows)].reset_index(drop=True)
    cells, tables = SampledCells(context, belts, seed=seed), CurveTables()
    found: dict[str, list[float]] = {}

    @cache
    def _existing(curve: str, shelter_ratio: float) -> NDArray[np.float32]:
        options = replace(context.options, curve=curve, shelter_ratio=shelter_ratio)
        return wind_with_existing(cells, tables, context.belts, options)

    for name, varied, there in _variations(context, belts, uncertainty or InputUncertainty()):
        options = varied.options
        weights = cells.ray_weights(varied.weights, options.spread_deg)
        wind = _existing(options.curve, options.shelter_ratio).copy()
        lowered = wind_with_each(cells, tables, there, options)
        ground = MonteCarloCells(cells, wind, lowered, weights)
        found.setdefault(name, []).append(sum(ground.plant(i) for i in range(len(belts))))
    table = pd.DataFrame(
        {
            "varied_input": list(found),
            "set_benefit_low_ha": [min(values) for values in found.values()],
            "set_benefit_high_ha": [max(values) for values in found.values()],
        }
    )
    spread = table["set_benefit_high_ha"] - table["set_benefit_low_ha"]
    table = table.iloc[np.argsort(-spread.to_numpy(), kind="stable")]
    of_wind = table["varied_input"].str.startswith(FREQUENCY)
    return table[~of_wind | (of_wind.cumsum() == 1)].reset_index(drop=True)


def _variations(
    context: EvaluationContext, belts: gpd.GeoDataFrame, uncertainty: InputUncertainty
) -> Iterator[Variation]:
    options = context.options
    for sign in (-1.0, 1.0):
        taller = belts["height_m"].to_numpy(dtype=float) * np.exp(sign * uncertainty.height)
        yield HEIGHT, context, belts.assign(height_m=taller)
        porosity = {
            name: np.clip(belts[name].to_numpy(dtype=float) + sign * uncertainty.porosity, 0, 1)
            for name in ("porosity", "porosity_low")
        }
        yield POROSITY, context, belts.assign(**porosity)
        spread = options.spread_deg * float(np.exp(sign * uncertainty.swing))
        yield SPREAD, replace(context, options=replace(options, spread_deg=spread)), belts
        for number in range(len(context.weights)):
            weights = context.weights.copy()
            weights[number] *= np.exp(sign * uncertainty.frequency)
            varied = replace(context, weights=weights / weights.sum())
            yield f"{FREQUENCY} {number}", varied, belts
    for curve, ratios in MEASURED_RATIOS.items():
        for ratio in (min(ratios), max(ratios)):
            chosen = replace(options, curve=curve, shelter_ratio=ratio)
            yield CURVE, replace(context, options=chosen), belts
