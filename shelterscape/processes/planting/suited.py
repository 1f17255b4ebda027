"""Species kept or excluded for each belt of `planting`."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shelterscape.processes.planting.layers import used_designs
from shelterscape.processes.planting.loading import PlantingData
from shelterscape.science.planting.belt_sites import belt_exposure, belt_sites
from shelterscape.science.planting.suitability import EXCLUDED, SpeciesRules, species_suitability


def suitability(data: PlantingData) -> pd.DataFrame:
    """Species kept or excluded for each belt, with the reason."""
    params, designs = data.params, used_designs(data)
    mean_ms = float(np.average(data.winds.mean_speed_ms, weights=data.winds.frequency))
    exposure = belt_exposure(
        data.belts, data.elevation, data.grid, data.site.wind_from_deg, mean_ms
    )
    sites = belt_sites(data.belts, designs, data.layers, exposure)
    rules = SpeciesRules(params.native_species, params.peat_allowed, params.exposed_wind_ms)
    return species_suitability(sites, data.belts, designs, rules)


def excluded_of_designs(table: pd.DataFrame) -> list[str]:
    """Species of the designs that are excluded for some belts, in one sentence."""
    used = table[(table["design_share"] > 0) & (table["suitability"] == EXCLUDED)]
    if used.empty:
        return []
    counts = used.groupby("species", sort=False)["belt"].nunique().sort_values(ascending=False)
    shown = ", ".join(f"{name} ({n} belts)" for name, n in counts.items())
    return [f"Replace species of the designs that the ground excludes: {shown}"]
