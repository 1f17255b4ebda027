"""Preview pictures of `siting`."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from shelterscape.files.draw_sheets import ChartSheet, MapSheet
from shelterscape.process.run import Run
from shelterscape.processes.siting.decide import Decision
from shelterscape.processes.siting.read import Given
from shelterscape.science.siting.designs import MINOR_UNITS
from shelterscape.terms import TERMS


def draw(
    given: Given,
    found: Decision,
    chosen: gpd.GeoDataFrame,
    run: Run,
    cautions: tuple[str, ...],
) -> None:
    """Draw the belts chosen over the wind they leave, and the curve of benefit."""
    missing = ~np.isfinite(given.elevation)
    asked = given.asked
    run.picture(
        "chosen_belts",
        MapSheet(
            title="Where belts help most: relative wind with them",
            panels={
                f"{case.label}; {given.settled.winds[case.season].label}; "
                f"{given.settled.how.at_height_m:g} m above ground": np.where(
                    missing, np.nan, exact.relative_wind_with
                )
                for case, exact in found.exact.items()
            },
            grid=given.grid,
            term=TERMS["relative_wind"],
            notes=(
                "Bold lines: belts to plant or mend, numbered in the order chosen. Thin lines: "
                "belts that stand. Dark outlines: places that count.",
                f"Design of new belts: {given.design.name}, work from {asked.planting_year} on. "
                "Costs are those of the file of designs; the packaged ones are invented.",
                *cautions,
            ),
            ground=given.elevation,
            belts=given.belts,
            outlined=given.places,
            marked=chosen,
        ),
    )
    run.picture("benefit_curve", _curve(given, found, cautions))


def _curve(given: Given, found: Decision, cautions: tuple[str, ...]) -> ChartSheet:
    curve = found.choice.curve
    asked = given.asked
    by_money = asked.budget_m is None
    most = float(asked.budget_net or asked.budget) if by_money else float(asked.budget_m or 0)
    limit = [float(share) * most for share in curve["share"]]
    money = "budget net of grant" if asked.budget_net else "budget"
    return ChartSheet(
        title="What a larger budget brings",
        x_label=f"{money}, units of money" if by_money else "budget, metres of belt",
        y_label=TERMS["benefit_of_set"].label,
        lines={
            "best set found": (limit, [float(x) for x in curve["benefit_ha"]]),
            "no set brings more": (limit, [float(x) for x in curve["bound_ha"]]),
            **_at_full_cost(curve, given, by_money),
        },
        levels={},
        notes=(
            f"{given.case.label}; by the plain rule that the smallest relative wind counts. "
            f"{found.choice.claim}",
            *cautions,
        ),
    )


def _at_full_cost(
    curve: pd.DataFrame, given: Given, by_money: bool
) -> dict[str, tuple[list[float], list[float]]]:
    """The same sets by what they cost without grants; nothing where no grant was counted."""
    if not by_money or given.grants is None:
        return {}
    gross = [float(cost) / MINOR_UNITS for cost in curve["cost_minor"]]
    return {"the same set, at its cost without grants": (gross, list(curve["benefit_ha"]))}
