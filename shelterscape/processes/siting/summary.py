"""Answer, figures and pictures of a run of `siting`."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shelterscape.files.draw_sheets import ChartSheet, MapSheet
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.stages import Summary
from shelterscape.processes.siting.aims import FEWEST_METRES, MOST_SHELTER
from shelterscape.processes.siting.answer import answer_of, certainty_of
from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.layers import SitingResults
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.spec import MINOR_UNITS, SitingInputs
from shelterscape.processes.siting.working_land import boundary_figures
from shelterscape.terms import TERMS

BEST = 3
"""Number of best candidates reported."""


def summarise(results: SitingResults, params: SitingInputs) -> Summary:
    """Answer, figures and pictures."""
    return Summary(
        question=_question(params),
        answer=answer_of(results),
        certainty=certainty_of(results),
        figures=_figures(results),
        pictures={
            "chosen_belts": _map(results),
            "benefit_curve": _curve(results.data, results.decision),
        },
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
    # An unknown cost is not zero.
    known = chosen["cost"].notna().all()
    return {
        "best_candidates": ", ".join(
            f"{row.candidate} ({row.ha:.2f} ha eq.)" for row in best.head(BEST).itertuples()
        ),
        "chosen_length_m": float(chosen["length_m"].sum()),
        "cost": float(chosen["cost"].sum()) if known else None,
        "currency": results.data.currency,
        "shelter_error_factor": CURVES[results.data.settled.options.curve].shelter_factor,
        **boundary_figures(results.lines, found),
        "own_benefit_ha": float(
            np.mean([evaluation.own_benefit_ha for evaluation in found.full_evaluation.values()])
        ),
    }


def _map(results: SitingResults) -> MapSheet:
    """Chosen belts over relative wind with them."""
    data = results.data
    missing = ~np.isfinite(data.elevation)
    height = f"{data.settled.options.at_height_m:g} m above ground"
    return MapSheet(
        title="Shelter: relative wind with the chosen belts",
        panels={
            f"{case.heading}; {data.settled.winds[case.season].label}; {height}": np.where(
                missing, np.nan, evaluation.relative_wind_with_belts
            )
            for case, evaluation in results.decision.full_evaluation.items()
        },
        grid=data.grid,
        term=TERMS["relative_wind"],
        notes=(
            "Bold lines: belts to plant or restore, numbered in order of choice. Thin lines: "
            "existing belts. Dark outlines: places to be sheltered.",
            f"Design of new belts: {data.design.name}, work from {data.params.planting_year} on. "
            "Costs are those of the file of designs; the packaged ones are invented.",
        ),
        ground=data.elevation,
        belts=data.belts,
        outlined=data.places,
        marked=results.layers["chosen_belts"],
    )


def _curve(data: SitingData, found: SitingDecision) -> ChartSheet:
    curve = found.choice.curve
    params = data.params
    with_budget = params.aim == MOST_SHELTER
    by_money = params.budget_m is None and with_budget
    most = float(params.budget_net or params.budget) if by_money else float(params.budget_m or 0)
    if not with_budget:
        # One set, drawn at its length.
        most = found.choice.metres / float(curve["budget_share"].iloc[-1])
    limit = [float(share) * most for share in curve["budget_share"]]
    money = "budget net of grant" if params.budget_net else "budget"
    return ChartSheet(
        title="Benefit of the best set of belts, by budget",
        x_label=f"{money} ({data.currency or 'currency units'})" if by_money else "belt length (m)",
        y_label=TERMS["set_benefit_ha"].label,
        lines={
            "best set found": (limit, [float(x) for x in curve["set_benefit_ha"]]),
            "upper bound for any set": (limit, [float(x) for x in curve["benefit_bound_ha"]]),
            **_at_full_cost(curve, data, by_money),
        },
        levels={},
        notes=(
            f"{data.case.heading}; smallest-wind rule: where several belts act, the "
            "smallest relative wind counts. "
            f"{found.choice.bound_note}",
        ),
    )


def _at_full_cost(
    curve: pd.DataFrame, data: SitingData, by_money: bool
) -> dict[str, tuple[list[float], list[float]]]:
    """The same sets by their cost before grants; empty where no grant is deducted."""
    if not by_money or data.grants is None:
        return {}
    gross = [float(cost) / MINOR_UNITS for cost in curve["cost_minor"]]
    return {"best set found, by its cost before grants": (gross, list(curve["set_benefit_ha"]))}
