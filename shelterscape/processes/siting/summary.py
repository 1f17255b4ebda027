"""What a run of `siting` says of itself: findings, figures and pictures."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shelterscape.files.draw_sheets import ChartSheet, MapSheet
from shelterscape.process.stages import Summary
from shelterscape.processes.siting.decide import Decision
from shelterscape.processes.siting.layers import SitingResults
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.spec import MINOR_UNITS, SitingInputs
from shelterscape.terms import TERMS

BEST = 3
"""How many candidates are named as the best."""


def summarise(results: SitingResults, params: SitingInputs) -> Summary:
    """Findings, figures and pictures."""
    return Summary(
        findings=[*_lines(results), _choice(results)],
        figures=_figures(results),
        pictures={
            "chosen_belts": _map(results),
            "benefit_curve": _curve(results.data, results.decision),
        },
    )


def _lines(results: SitingResults) -> list[str]:
    """What lines there are, and the best bearing."""
    data, frame = results.data, results.lines.candidates
    new_m = frame["length_m"][frame["action"] == "plant"].sum()
    best = data.bearing
    true_deg = (best.bearing_deg + data.convergence_deg) % 180.0
    return [
        f"{len(frame):,} candidates; of {results.lines.offered_m / 1000:,.1f} km of lines offered "
        f"{new_m / 1000:,.1f} km could be planted",
        f"belts that run {true_deg:.0f}°–{true_deg + 180:.0f}° catch most of the wind; turned by "
        f"30° they lose {min(best.loss[30], best.loss[-30]):.0%} to "
        f"{max(best.loss[30], best.loss[-30]):.0%}",
    ]


def _choice(results: SitingResults) -> str:
    data, choice = results.data, results.decision.choice
    here = results.decision.exact[data.case]
    gross = int(results.lines.candidates["cost_minor"].iloc[choice.rows].sum())
    net = gross - choice.net_cost_minor
    paid = f" less {net / MINOR_UNITS:,.2f} of grant" if data.grants else ""
    return (
        f"{len(choice.rows)} belts chosen, {choice.metres:,.0f} m for "
        f"{gross / MINOR_UNITS:,.2f}{paid}: {here.benefit_ha:,.1f} sheltered hectares, "
        f"{data.case.label}; by the plain rule {choice.benefit_ha:,.1f}, and no set more than "
        f"{choice.bound_ha:,.1f}"
    )


def _figures(results: SitingResults) -> dict[str, float | str | None]:
    """Figures for the table of holdings."""
    found, chosen = results.decision, results.layers["chosen_belts"]
    names = results.lines.candidates["candidate"]
    best = pd.DataFrame({"candidate": names, "ha": found.own.total})
    best = best[best["ha"] > 0].sort_values(
        ["ha", "candidate"], ascending=[False, True], kind="stable"
    )
    # A cost that is not given is not zero.
    known = chosen["cost_minor"].notna().all()
    return {
        "best_candidates": ", ".join(
            f"{row.candidate} ({row.ha:.2f} ha)" for row in best.head(BEST).itertuples()
        ),
        "chosen_m": float(chosen["length_m"].sum()),
        "cost_minor": float(chosen["cost_minor"].sum()) if known else None,
        "need_met_ha": float(np.mean([exact.own_ha for exact in found.exact.values()])),
    }


def _map(results: SitingResults) -> MapSheet:
    """The belts chosen over the wind with them."""
    data = results.data
    missing = ~np.isfinite(data.elevation)
    height = f"{data.settled.how.at_height_m:g} m above ground"
    return MapSheet(
        title="Where belts help most: relative wind with them",
        panels={
            f"{case.label}; {data.settled.winds[case.season].label}; {height}": np.where(
                missing, np.nan, exact.relative_wind_with
            )
            for case, exact in results.decision.exact.items()
        },
        grid=data.grid,
        term=TERMS["relative_wind"],
        notes=(
            "Bold lines: belts to plant or restore, numbered in the order chosen. Thin lines: "
            "existing belts. Dark outlines: places that count.",
            f"Design of new belts: {data.design.name}, work from {data.params.planting_year} on. "
            "Costs are those of the file of designs; the packaged ones are invented.",
        ),
        ground=data.elevation,
        belts=data.belts,
        outlined=data.places,
        marked=results.layers["chosen_belts"],
    )


def _curve(data: SitingData, found: Decision) -> ChartSheet:
    curve = found.choice.curve
    params = data.params
    by_money = params.budget_m is None
    most = float(params.budget_net or params.budget) if by_money else float(params.budget_m or 0)
    limit = [float(share) * most for share in curve["share"]]
    money = "budget net of grant" if params.budget_net else "budget"
    return ChartSheet(
        title="What a larger budget brings",
        x_label=f"{money}, units of money" if by_money else "budget, metres of belt",
        y_label=TERMS["benefit_of_set"].label,
        lines={
            "best set found": (limit, [float(x) for x in curve["benefit_ha"]]),
            "no set brings more": (limit, [float(x) for x in curve["bound_ha"]]),
            **_at_full_cost(curve, data, by_money),
        },
        levels={},
        notes=(
            f"{data.case.label}; by the plain rule that the smallest relative wind counts. "
            f"{found.choice.claim}",
        ),
    )


def _at_full_cost(
    curve: pd.DataFrame, data: SitingData, by_money: bool
) -> dict[str, tuple[list[float], list[float]]]:
    """The same sets by what they cost without grants; nothing where no grant was counted."""
    if not by_money or data.grants is None:
        return {}
    gross = [float(cost) / MINOR_UNITS for cost in curve["cost_minor"]]
    return {"the same set, at its cost without grants": (gross, list(curve["benefit_ha"]))}
