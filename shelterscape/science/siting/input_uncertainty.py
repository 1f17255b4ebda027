"""Uncertainty of the inputs of siting, and inputs varied within it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.shelter_curves import MEASURED_RATIOS
from shelterscape.science.siting.context import EvaluationContext

Array = NDArray[np.float64]

CURVES_VARIED = tuple(MEASURED_RATIOS)
"""The default curve and the other form that evidence supports, equally likely; the shelter is
scaled to that of one published source, drawn from `MEASURED_RATIOS`."""


@dataclass(frozen=True)
class InputUncertainty:
    """Uncertainty of the inputs: standard deviations, all of them assumed values.

    Parameters
    ----------
    frequency : float
        Of the natural logarithm of the weight of each direction: about how much its share of the
        wind differs between periods of several years, unless the wind set states it.
    swing : float
        Of the natural logarithm of the spread of the wind about a direction.
    height, each_height : float
        Of the natural logarithm of heights: common to all new belts of a run, and of each belt,
        including existing ones.
    porosity, each_porosity : float
        Of porosity, likewise; added to it.
    """

    frequency: float = 0.20
    swing: float = 0.20
    height: float = 0.15
    each_height: float = 0.10
    porosity: float = 0.07
    each_porosity: float = 0.05


def varied_inputs(
    context: EvaluationContext,
    grown_part: gpd.GeoDataFrame,
    uncertainty: InputUncertainty,
    rng: np.random.Generator,
) -> tuple[EvaluationContext, gpd.GeoDataFrame]:
    """Vary the inputs of one run within their uncertainty.

    Parameters
    ----------
    context : EvaluationContext
    grown_part : GeoDataFrame
        Candidates that take part, as `belt_growth.belts_at` returns them.
    uncertainty : InputUncertainty
    rng : numpy.random.Generator

    Returns
    -------
    context : EvaluationContext
    candidates : GeoDataFrame
    """
    weights = context.weights * np.exp(rng.normal(0.0, uncertainty.frequency, len(context.weights)))
    spread = context.options.spread_deg * float(np.exp(rng.normal(0.0, uncertainty.swing)))
    curve = CURVES_VARIED[int(rng.integers(len(CURVES_VARIED)))]
    ratio = float(rng.choice(MEASURED_RATIOS[curve]))
    grown = float(np.exp(rng.normal(0.0, uncertainty.height)))
    opened = float(rng.normal(0.0, uncertainty.porosity))
    varied_context = replace(
        context,
        weights=weights / weights.sum(),
        options=replace(context.options, curve=curve, shelter_ratio=ratio, spread_deg=spread),
        belts=_varied(context.belts, 1.0, 0.0, uncertainty, rng),
    )
    return varied_context, _varied(grown_part, grown, opened, uncertainty, rng)


def _varied(
    belts: gpd.GeoDataFrame,
    grown: float,
    opened: float,
    uncertainty: InputUncertainty,
    rng: np.random.Generator,
) -> gpd.GeoDataFrame:
    """Belts with the heights and porosities of a run."""
    if not len(belts):
        return belts
    height = grown * np.exp(rng.normal(0.0, uncertainty.each_height, len(belts)))
    more = opened + rng.normal(0.0, _each_porosity(belts, uncertainty), len(belts))
    changed = {
        name: np.clip(belts[name].to_numpy(dtype=float) + more, 0.0, 1.0)
        for name in ("porosity", "porosity_low")
    }
    return belts.assign(height_m=belts["height_m"].to_numpy(dtype=float) * height, **changed)


def _each_porosity(belts: gpd.GeoDataFrame, uncertainty: InputUncertainty) -> float | Array:
    """Standard deviation of the porosity of each belt: its own, from photographs, where known."""
    if "porosity_spread" not in belts or belts["porosity_spread"].isna().all():
        return uncertainty.each_porosity
    known = belts["porosity_spread"].fillna(uncertainty.each_porosity)
    return np.asarray(known.to_numpy(dtype=float))
