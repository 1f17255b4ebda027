"""Pictures of a run of `siting`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.files.draw_sheets import ChartSheet, MapPanel, MapSheet
from shelterscape.files.draw_views import Bounds, views_of
from shelterscape.processes.siting.aims import MOST_SHELTER
from shelterscape.processes.siting.answer import stock_note
from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.layers import SitingResults
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.spec import MINOR_UNITS
from shelterscape.processes.siting.targets import places_in_case, targets_reached
from shelterscape.science.belts import SEASONS
from shelterscape.science.siting.candidates import PLANT
from shelterscape.terms import TERMS

Field = NDArray[np.float32]


def pictures_of(results: SitingResults) -> dict[str, Any]:
    """Map of the chosen belts, and charts of benefit by budget and of height by year."""
    found: dict[str, Any] = {
        "chosen_belts": _map(results),
        "benefit_curve": _curve(results),
    }
    if results.decision.choice.rows:
        found["benefit_by_year"] = _by_year(results.tables["benefit_by_year"], results.data)
    if results.data.earlier is not None:
        number = results.data.cases.index(results.data.case)
        winds = _shown_winds(results)[1], results.data.earlier.winds[number]
        found["plan_comparison"] = _comparison(results.data, *winds, found["chosen_belts"])
    growth = results.tables["belt_growth"]
    planted = growth[growth["action"] == PLANT]
    return {**found, "belt_growth": _growth(planted)} if len(planted) else found


def _map(results: SitingResults) -> MapSheet:
    """Before, after and difference of the cluster with most benefit; the difference elsewhere."""
    data, chosen = results.data, results.layers["chosen_belts"]
    before, after = _shown_winds(results)
    winds = data.settled.winds[data.case.season]
    how = f"{winds.label}; {data.settled.options.at_height_m:g} m above ground"
    heading = f"{data.case.heading}; {how}"
    shown = {f"before; {heading}": before, f"after; {heading}": after}
    change = ("difference: wind reduction added", before - after, "wind_reduction_added")
    views = views_of(chosen.geometry.to_numpy(), list(chosen["benefit_added_ha"]), data.grid)
    return MapSheet(
        title="Shelter by the chosen belts: before, after, and the wind reduction they add",
        panels=_panels(shown, change, views, data),
        grid=data.grid,
        notes=(
            f"Design of new belts: {data.design.name}, work from {data.params.planting_year} on. "
            "The letter of a cluster is its order by benefit.",
        ),
        ground=data.elevation,
        belts=data.belts,
        outlined=data.places,
        outline_label="places to be sheltered",
        marked=chosen,
        labels=_place_names(data),
        boxes=views,
    )


def _shown_winds(results: SitingResults) -> tuple[Field, Field]:
    """Relative wind without and with the chosen belts, NaN where elevation is missing."""
    evaluation = results.decision.full_evaluation[results.data.case]
    missing = ~np.isfinite(results.data.elevation)
    before, after = (
        np.where(missing, np.nan, wind).astype(np.float32)
        for wind in (evaluation.relative_wind, evaluation.relative_wind_with_belts)
    )
    return before, after


def _comparison(data: SitingData, wind: Field, earlier: Field, sheet: MapSheet) -> MapSheet:
    """The wind with both plans in the case in which lines are compared, and the difference."""
    heading = f"relative wind; {data.case.heading}"
    winds = {f"other plan; {heading}": earlier, f"this plan; {heading}": wind}
    change = ("difference: this plan minus other plan", wind - earlier, "relative_wind_difference")
    return replace(
        sheet,
        title="Two plans compared: relative wind with each, and the difference",
        panels=_panels(winds, change, sheet.boxes, data),
        notes=("Belts drawn are those of this plan.",),
        marked_label="belts of this plan, in order of choice",
    )


def _panels(
    winds: Mapping[str, Field],
    change: tuple[str, Field, str],
    views: Mapping[str, Bounds],
    data: SitingData,
) -> tuple[MapPanel, ...]:
    """The first cluster with each wind and its change, the whole ground, then other clusters.

    The change is a heading, values and their term.
    """
    main_deg = data.settled.winds[data.case.season].most_frequent_deg
    first = next(iter(views.values()), None)
    letter = "A: " if views else ""
    before, after = (
        MapPanel(f"{letter}{heading}", wind, "relative_wind", first)
        for heading, wind in winds.items()
    )
    panels = [
        before,
        replace(after, wind_from_deg=main_deg),
        MapPanel(f"{letter}{change[0]}", *change[1:], first),
    ]
    if views:
        panels.append(MapPanel("clusters of chosen belts; after", after.values, "relative_wind"))
    panels += [
        MapPanel(f"{name}: {change[0]}", *change[1:], view)
        for name, view in list(views.items())[1:]
    ]
    return tuple(panels)


def _place_names(data: SitingData) -> dict[tuple[float, float], str]:
    """Names of places, those with the highest priority first, by the point to write them at."""
    if data.places is None:
        return {}
    ordered = data.places.sort_values("priority", ascending=False, kind="stable")
    points = ordered.geometry.representative_point()
    return {
        (point.x, point.y): str(name)
        for point, name in zip(points, ordered["name"], strict=True)
        if name
    }


def _curve(results: SitingResults) -> ChartSheet:
    data, found = results.data, results.decision
    curve, params = found.choice.curve, data.params
    with_budget = params.aim == MOST_SHELTER
    by_money = params.budget_m is None and with_budget
    most = float(params.budget_net or params.budget) if by_money else float(params.budget_m or 0)
    if not with_budget:
        # One set, drawn at its length.
        most = found.choice.metres / float(curve["budget_share"].iloc[-1])
    limit = [0.0] + [float(share) * most for share in curve["budget_share"]]
    money = "budget net of grant" if params.budget_net else "budget"
    return ChartSheet(
        title="Benefit of the best set of belts, by budget",
        x_label=f"{money} ({data.currency or 'currency units'})" if by_money else "belt length (m)",
        y_label=TERMS["set_benefit_ha"].label,
        lines={
            "best set found": (limit, [0.0] + [float(x) for x in curve["set_benefit_ha"]]),
            "upper bound for any set": (limit, [0.0] + [float(x) for x in
                                                        curve["benefit_bound_ha"]]),
            **_at_full_cost(found, data, by_money),
        },
        levels={},
        steps=("best set found",),
        points=("upper bound for any set",),
        notes=(_curve_note(results),),
        below=_at_target(results, limit),
        below_label="places at target",
    )  # fmt: skip


def _curve_note(results: SitingResults) -> str:
    """Season and year, and what counts."""
    counts = "counts stock up to sufficient ground" if stock_note(results) else "ha eq."
    return f"{results.data.case.heading}; smallest-wind rule; {counts}."


def _at_target(results: SitingResults, limit: list[float]) -> tuple[list[float], ...]:
    """Places at target by budget; empty where no place has a target."""
    here = places_in_case(results.layers, results.data.case)
    if here is None or not targets_reached(here):
        return ()
    without = float((here["reaches_target_without"] == "yes").sum())
    counts = results.tables["benefit_curve"]["places_at_target"]
    return limit, [without, *map(float, counts)]


def _at_full_cost(
    found: SitingDecision, data: SitingData, by_money: bool
) -> dict[str, tuple[list[float], list[float]]]:
    """The same sets by their cost before grants; empty where no grant is deducted."""
    if not by_money or data.grants is None:
        return {}
    curve = found.choice.curve
    gross = [float(cost) / MINOR_UNITS for cost in curve["cost_minor"]]
    return {"best set found, by its cost before grants": (gross, list(curve["set_benefit_ha"]))}


def _by_year(table: pd.DataFrame, data: SitingData) -> ChartSheet:
    """Benefit by year in steps: what is reached holds until the next step."""
    years = [float(year) for year in table["year"]]
    ends = {
        "upper end of the typical range": "set_benefit_high_ha",
        "chosen belts": "set_benefit_ha",
        "lower end of the typical range": "set_benefit_low_ha",
    }
    return ChartSheet(
        title="Shelter that the chosen belts add, by year",
        x_label="year",
        y_label=TERMS["set_benefit_ha"].label,
        lines={name: (years, [float(v) for v in table[end]]) for name, end in ends.items()},
        levels={},
        steps=tuple(ends),
        between=("lower end of the typical range", "upper end of the typical range"),
        notes=(f"{SEASONS[data.case.season]}; smallest-wind rule; range of published belts; growth "
               "is an estimate.",),
    )  # fmt: skip


def _growth(planted: pd.DataFrame) -> ChartSheet:
    """Lowest and highest of the new belts by year."""
    heights = planted.groupby("year")["height_m"].agg(["min", "max"])
    years = [float(year) for year in heights.index]
    equal = (heights["min"] == heights["max"]).all()
    ends = {"new belts": "max"} if equal else {"highest": "max", "lowest": "min"}
    return ChartSheet(
        title="Height of the new belts by year",
        x_label="year",
        y_label=TERMS["height_m"].label,
        lines={name: (years, [float(h) for h in heights[end]]) for name, end in ends.items()},
        levels={},
        notes=(
            "Growth curves are estimates: soil, exposure and care decide. Sheltered distance "
            "grows with height.",
        ),
    )
