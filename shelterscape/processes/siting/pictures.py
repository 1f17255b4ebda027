"""Preview pictures of `siting`."""

from __future__ import annotations

import geopandas as gpd
import numpy as np

from shelterscape.files.draw import ChartSheet, MapSheet
from shelterscape.process import Run
from shelterscape.processes.siting.decide import Decision
from shelterscape.processes.siting.read import Given
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
    by_money = given.asked.budget_m is None
    limit = [
        float(share) * (float(given.asked.budget) if by_money else float(given.asked.budget_m or 0))
        for share in curve["share"]
    ]
    return ChartSheet(
        title="What a larger budget brings",
        x_label="budget, units of money" if by_money else "budget, metres of belt",
        y_label=TERMS["benefit_of_set"].label,
        lines={
            "best set found": (limit, [float(x) for x in curve["benefit_ha"]]),
            "no set brings more": (limit, [float(x) for x in curve["bound_ha"]]),
        },
        levels={},
        notes=(
            f"{given.case.label}; by the plain rule that the smallest relative wind counts. "
            f"{found.choice.claim}",
            *cautions,
        ),
    )
