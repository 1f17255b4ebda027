"""Answer, figures and pictures of a run of `siting`."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.stages import Summary
from shelterscape.processes.siting.aims import FEWEST_METRES, MOST_SHELTER
from shelterscape.processes.siting.answer import answer_of, certainty_of
from shelterscape.processes.siting.compare import set_figures
from shelterscape.processes.siting.layers import SitingResults
from shelterscape.processes.siting.pictures import pictures_of
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.processes.siting.targets import own_places_reached, places_in_case
from shelterscape.processes.siting.working_land import boundary_figures

BEST = 3
"""Number of best candidates reported."""


def summarise(results: SitingResults, params: SitingInputs) -> Summary:
    """Answer, figures and pictures."""
    return Summary(
        question=_question(params),
        answer=answer_of(results),
        certainty=certainty_of(results),
        figures=_figures(results),
        pictures=pictures_of(results),
    )


def _question(params: SitingInputs) -> str:
    """What a run answers, with its purpose and budget."""
    named = ", ".join(dict.fromkeys(filter(None, [params.purpose, *params.purposes])))
    whom = f"places for {named}" if named else "the places"
    if params.aim != MOST_SHELTER:
        what = "the fewest metres" if params.aim == FEWEST_METRES else "the least money"
        return f"With {what} of new or restored belts, how do {whom} reach their targets?"
    budget = params.budget_net or params.budget
    within = f"a budget of {budget}" if budget else f"{params.budget_m:,.0f} m of belt"
    return f"Where do new or restored belts protect {whom} most, within {within}?"


def _figures(results: SitingResults) -> dict[str, float | str | None]:
    """Figures for the table of holdings."""
    found, chosen = results.decision, results.layers["chosen_belts"]
    names = results.lines.candidates["candidate"]
    best = pd.DataFrame({"candidate": names, "ha": found.own.total})
    best = best[best["ha"] > 0].sort_values(
        ["ha", "candidate"], ascending=[False, True], kind="stable"
    )
    return {
        "best_candidates": ", ".join(
            f"{row.candidate} ({row.ha:.2f} ha eq.)" for row in best.head(BEST).itertuples()
        ),
        **set_figures(chosen, found.choice),
        "currency": results.data.currency,
        "shelter_error_factor": CURVES[results.data.settled.options.curve].shelter_factor,
        **boundary_figures(results.lines, found),
        "own_places_reached": own_places_reached(
            places_in_case(results.layers, results.data.case), chosen
        ),
        "own_benefit_ha": float(
            np.mean([evaluation.own_benefit_ha for evaluation in found.full_evaluation.values()])
        ),
    }
