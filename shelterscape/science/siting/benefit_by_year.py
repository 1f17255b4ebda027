"""Benefit of a chosen set of belts in several years, while they and the existing belts grow."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.curve_tables import CurveTables
from shelterscape.science.siting.monte_carlo import MonteCarloCells
from shelterscape.science.siting.sampled_cells import SampledCells
from shelterscape.science.siting.sampled_wind import wind_with_each, wind_with_existing

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

NO_HEIGHT_M = 1e-6
"""Height of a belt that is not there, m: above 0, because distances are divided by it."""


def benefit_by_year(
    context: EvaluationContext,
    belts: gpd.GeoDataFrame,
    chosen: gpd.GeoDataFrame,
    work_years: Sequence[int],
    years: Sequence[int],
    *,
    local_heights: Mapping[str, SiteIndex] | None = None,
    seed: int = 1,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> Array:
    """Benefit that a set adds to the existing belts, by the smallest-wind rule.

    Parameters
    ----------
    context : EvaluationContext
        Its season applies to every year.
    belts, chosen : GeoDataFrame
        Existing belts and the set, as `belt_growth.belts_at` takes them; ``restores_belt`` of the
        set where a line replaces an existing belt.
    work_years : sequence of int
        Year of the work on each line of the set.
    years : sequence of int
    local_heights : mapping, optional
        As for `belt_growth.belts_at`.
    seed : int
        Seed of the sample of cells, where there are very many.
    stop_if_requested : callable
        Called between short pieces of work; raises to stop.

    Returns
    -------
    (years,) float64
        ha eq. Below 0 where restored belts are lower than those they replace.
    """
    if not len(chosen):
        return np.zeros(len(years))
    cases = [Case(context.case.season, year) for year in years]
    there = [_grown(belts, case, local_heights) for case in cases]
    new = [_grown(chosen, case, local_heights) for case in cases]
    # The ground that a belt can reach is that of its greatest height.
    tallest = replace(context, belts=_tallest(there))
    cells = SampledCells(tallest, _tallest(new), seed=seed, stop_if_requested=stop_if_requested)
    options, replaced = context.options, replaced_rows(chosen)
    rays = cells.ray_weights(context.weights, options.spread_deg)
    tables, found = CurveTables(), []
    for year, old, young in zip(years, there, new, strict=True):
        stop_if_requested()
        done = np.asarray(work_years) <= year
        gone = np.isin(np.arange(len(old)), replaced[done & (replaced >= 0)])
        before, rest = (
            wind_with_existing(cells, tables, belts, options)
            for belts in (old, _without(old, gone))
        )
        lowered = wind_with_each(cells, tables, _without(young, ~done), options)
        after = MonteCarloCells(cells, rest, lowered, rays)
        # A line without height would end the gusts beside the ends of existing belts.
        for row in np.flatnonzero(done & (young["height_m"] > NO_HEIGHT_M)):
            after.plant(int(row))
        found.append(after.more_sheltered_ha(before))
    return np.array(found)


def _grown(
    belts: gpd.GeoDataFrame, case: Case, local_heights: Mapping[str, SiteIndex] | None
) -> gpd.GeoDataFrame:
    """Belts in a case; those that are not planted yet have no effect."""
    if not len(belts):
        return belts
    found = belts_at(belts, case, local_heights=local_heights)
    return _without(found, (found["height_m"] <= 0).to_numpy())


def _tallest(frames: Sequence[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """Belts with their greatest height."""
    first = frames[0]
    if not len(first):
        return first
    return first.assign(height_m=np.max([frame["height_m"] for frame in frames], axis=0))


def _without(belts: gpd.GeoDataFrame, gone: Flags) -> gpd.GeoDataFrame:
    """Belts of which some have no effect; rows stay, because cells are numbered by them."""
    open_ground = {
        name: belts[name].astype(float).where(~gone, 1.0) for name in ("porosity", "porosity_low")
    }
    return belts.assign(height_m=belts["height_m"].where(~gone, NO_HEIGHT_M), **open_ground)
