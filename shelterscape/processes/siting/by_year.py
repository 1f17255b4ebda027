"""Benefit of the chosen belts of `siting` while they grow, and places at target by budget."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.places import targets
from shelterscape.science.siting.benefit_by_year import benefit_by_year
from shelterscape.science.siting.place_terms import reaches_target

GROWTH_YEARS = tuple(range(0, 41, 5))
"""Years after the work for which benefit, heights and porosities are reported."""


def benefit_table_by_year(data: SitingData, found: SitingDecision) -> pd.DataFrame:
    """Benefit of the chosen belts in `GROWTH_YEARS`, in the season in which they were compared."""
    first = data.params.planting_year
    years = [first + later for later in GROWTH_YEARS]
    benefit = benefit_by_year(
        found.context,
        data.belts,
        found.planted.iloc[found.choice.rows].reset_index(drop=True),
        [first + phase for phase in found.choice.phase],
        years,
        local_heights=data.settled.local_heights,
        seed=data.params.seed,
        stop_if_requested=data.check_stop,
    )
    low, high = CURVES[data.settled.options.curve].shelter_range(benefit)
    return pd.DataFrame(
        {
            "season": data.case.season_label,
            "year": years,
            "set_benefit_ha": benefit,
            "set_benefit_low_ha": low,
            "set_benefit_high_ha": high,
        }
    )


def places_at_target(data: SitingData, found: SitingDecision) -> pd.Series:
    """Places that reach their target with the best set of each step of the budget.

    The smallest-wind rule gives the difference between sets; the level is that of the full
    evaluation of the chosen set.
    """
    *steps, chosen = found.by_step
    if data.places is None:
        return pd.Series(pd.NA, range(len(steps)), dtype="Int64")
    full, wanted = found.full_evaluation[data.case].places, targets(data.places)
    wind, corner = (
        full[name].to_numpy() for name in ("relative_wind_with_belts", "corner_time_share_with")
    )
    counts = [
        reaches_target(
            wind + step.wind - chosen.wind, wanted, corner + step.corner_time - chosen.corner_time
        )
        for step in steps
    ]
    return pd.Series(np.sum(counts, axis=1) if counts else [], dtype="Int64")
