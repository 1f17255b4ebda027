"""Layers and tables of `siting`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.kernels.shelter_curves import CURVES, ShelterCurve
from shelterscape.process import Layer
from shelterscape.process.money import decimal_amounts
from shelterscape.process.stages import Results
from shelterscape.processes.siting.by_year import (
    GROWTH_YEARS,
    benefit_table_by_year,
    places_at_target,
)
from shelterscape.processes.siting.choosing import named_candidates
from shelterscape.processes.siting.compare import plan_comparison, set_figures
from shelterscape.processes.siting.crops import crop_tables, field_changes
from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.lines import ProposedLines
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.outputs import AVOIDED, LAND, OUTPUTS
from shelterscape.processes.siting.present_value import present_value_tables
from shelterscape.processes.siting.spec import MINOR_UNITS, minor_units
from shelterscape.processes.siting.stock import stock_ground
from shelterscape.processes.siting.targets import with_targets
from shelterscape.processes.siting.working_land import land_columns, land_reason
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.places import targets
from shelterscape.science.siting.benefit import benefit_table
from shelterscape.science.siting.budgets import OVER_BUDGET, OVER_HOLDING, OVER_PHASE
from shelterscape.science.siting.candidates import PLANT, SHORT, land_required
from shelterscape.science.siting.choice import DOES_NOT_FIT, FORBIDDEN
from shelterscape.science.siting.full_evaluation import FullEvaluation
from shelterscape.science.siting.place_terms import reaches_target
from shelterscape.science.siting.planner_layers import EFFECTS
from shelterscape.science.siting.suitability import tall_enough_from

_COLUMNS = {output.name: output.columns for output in OUTPUTS if isinstance(output, Layer)}

MOST_NAMED = 3
"""Most places and wind directions reported for a line."""

LEAST_SHARE = 0.10
"""Least share of the benefit for which a wind direction is reported (assumed)."""

TOO_LITTLE = "adds too little for its length"
NOT_NEEDED = "not needed for the targets within reach"

BUDGET_REASONS = (OVER_BUDGET, OVER_HOLDING, OVER_PHASE, DOES_NOT_FIT)
"""Reasons that depend on the length or the cost of a line."""

CONSTRAINT_NAMES = {
    "effect": "constraint_effect",
    "distance_m": "required_distance_m",
    "found_m": "distance_found_m",
    "within_m": "length_within_m",
    "date": "constraint_date",
}
"""Names of columns in the table of constraint checks; those of the input layer are shorter."""


@dataclass(frozen=True, kw_only=True)
class SitingResults(Results):
    """Layers, tables, and what `summarise` needs in addition.

    Parameters
    ----------
    data : SitingData
    lines : ProposedLines
    decision : SitingDecision
    """

    data: SitingData
    lines: ProposedLines
    decision: SitingDecision


def results_of(
    data: SitingData, lines: ProposedLines, found: SitingDecision, notices: Sequence[Notice]
) -> SitingResults:
    """All layers and tables of a run."""
    candidates = _candidates(data, lines, found)
    chosen = _chosen(candidates, data, found)
    layers = {
        "candidates": candidates[[*_COLUMNS["candidates"], "geometry"]],
        "chosen_belts": chosen[[*_COLUMNS["chosen_belts"], "geometry"]],
    }
    if data.places is not None:
        layers["places_with_belts"] = places_with_belts(data, found.full_evaluation)
    curve, by_case = _curve(data, found), _by_case(data, found)
    tables = {
        "benefit_curve": curve,
        "benefit_by_case": by_case,
        "benefit_by_year": benefit_table_by_year(data, found),
        "constraint_checks": lines.constraints.rename(columns=CONSTRAINT_NAMES),
        "exclusions": lines.exclusions,
        "belt_bearings": _bearings(data),
        "belt_growth": _growth(data, lines, found),
        "sensitivity": found.sensitivity,
    }
    stock = stock_ground(data, found.full_evaluation)
    if stock is not None:
        tables["stock_ground"] = stock
    crops = field_changes(data, found)
    if crops is not None:
        tables |= crop_tables(crops, data.currency)
        tables |= present_value_tables(data, found, crops)
    if data.earlier is not None:
        tables["plan_comparison"] = plan_comparison(
            data.earlier, set_figures(chosen, found.choice), by_case
        )
    if data.survey_changes is not None:
        tables["siting_survey_changes"] = data.survey_changes
    return SitingResults(
        layers=layers,
        tables=tables,
        notices=notices,
        data=data,
        lines=lines,
        decision=found,
    )


def _candidates(data: SitingData, lines: ProposedLines, found: SitingDecision) -> gpd.GeoDataFrame:
    """Candidates with all results."""
    frame, own, choice = lines.candidates, found.own, found.choice
    names = data.belts["name"].to_numpy(dtype=object)
    numbers = frame["restores_belt"].to_numpy(dtype=float, na_value=np.nan)
    restored = [names[int(n)] or f"belt {int(n) + 1}" if n == n else "" for n in numbers]
    order = pd.array([pd.NA] * len(frame), "Int64")
    order[np.array(choice.rows, dtype=np.int64)] = np.arange(1, len(choice.rows) + 1)
    planner_choice = np.where(
        frame["must_have"], "must have", np.where(frame["forbidden"], "forbidden", "")
    )
    figures = benefit_table(frame, own).drop(columns="candidate")
    land = land_required(
        frame["length_m"].to_numpy(dtype=float),
        frame["width_m"].to_numpy(dtype=float),
        frame["height_at_20_years_m"].to_numpy(dtype=float),
        (frame["action"] == PLANT).to_numpy(),
    )
    return frame.drop(columns="restores_belt").assign(
        **dict(zip(LAND, land, strict=True)),
        **land_columns(lines, found),
        **{str(column): figures[column].to_numpy() for column in figures},
        restores_belt=restored,
        shelter_error_factor=_curve_of(data).shelter_factor,
        planner_choice=planner_choice,
        choice_order=order,
        selection_share=found.selection_share,
        places_served=_places_served(data, found, len(frame)),
        main_wind_directions=_main_directions(data, found),
        constraint_summary=_constraint_summary(frame, lines.constraints),
        reason=_reasons(data, lines, found),
        cost=decimal_amounts(frame["cost_minor"], MINOR_UNITS),
        currency=data.currency,
    )


def _places_served(data: SitingData, found: SitingDecision, count: int) -> list[str]:
    """Places that benefit most from each candidate."""
    served_places: list[list[str]] = [[] for _ in range(count)]
    if data.places is None:
        return [""] * count
    names = data.places["name"].to_numpy(dtype=object)
    columns = ("row", "place", "benefit_ha")
    served = (found.own.by_place[column].to_numpy() for column in columns)
    for row, place, benefit in zip(*served, strict=True):
        if len(served_places[int(row)]) < MOST_NAMED:
            name = names[int(place)] or f"place {int(place) + 1}"
            served_places[int(row)].append(f"{name} {benefit:.2f} ha eq.")
    return ["; ".join(each) for each in served_places]


def _main_directions(data: SitingData, found: SitingDecision) -> list[str]:
    """Wind directions, from true north, in which each candidate adds most."""
    by_wind = found.own.by_direction
    share = by_wind / np.maximum(by_wind.sum(axis=1, keepdims=True), 1e-12)
    order = np.argsort(-share, axis=1, kind="stable")[:, :MOST_NAMED]
    names = [f"{d:g}°" for d in data.winds.direction_deg]
    return [
        "; ".join(
            f"{names[k]} {100 * share[i, k]:.0f} %" for k in row if share[i, k] >= LEAST_SHARE
        )
        for i, row in enumerate(order)
    ]


def _constraint_summary(frame: gpd.GeoDataFrame, checks: pd.DataFrame) -> list[str]:
    """Constraints on each candidate, most serious first."""
    rows = checks[checks["candidate"] != ""]
    rows = rows[["candidate", "effect", "constraint"]].drop_duplicates()
    rank = {effect: n for n, effect in enumerate(EFFECTS)}
    rows = rows.assign(rank=rows["effect"].map(rank)).sort_values(["candidate", "rank"])
    texts = (rows["effect"] + ": " + rows["constraint"]).groupby(rows["candidate"]).agg("; ".join)
    return list(texts.reindex(frame["candidate"]).fillna(""))


def _reasons(data: SitingData, lines: ProposedLines, found: SitingDecision) -> NDArray[np.object_]:
    """Why each candidate is chosen or not, with the numbers that decide."""
    frame = lines.candidates
    by_planner = frame["candidate"].isin(
        named_candidates(frame, data.params.forbidden, "forbidden")
    )
    length = frame["length_m"].to_numpy(dtype=float)
    cost = decimal_amounts(frame["cost_minor"], MINOR_UNITS).to_numpy()
    # Lines with too little benefit were excluded from the choice like forbidden ones.
    too_little = (found.choice.reasons == FORBIDDEN) & ~by_planner.to_numpy()
    texts, before = [], " before grants" if data.grants else ""
    for row, reason in enumerate(found.choice.reasons):
        if too_little[row] and found.least is not None:
            reason = NOT_NEEDED
        elif too_little[row] and frame["too_short"].iloc[row] and not data.params.allow_short:
            reason = f"{SHORT}: {frame['continuous_length_m'].iloc[row]:,.0f} m"
        elif too_little[row]:
            benefit = 100.0 * found.counted_ha[row] / max(length[row], 1e-9)
            reason = f"{TOO_LITTLE}: {benefit:.3f} ha eq. per 100 m"
        elif reason in BUDGET_REASONS:
            reason += f": {length[row]:,.0f} m, {money_text(cost[row], data)}{before}"
        if reason.startswith(DOES_NOT_FIT):
            reason += f"; {_remaining(data, found)} remain"
        if reason != FORBIDDEN:
            reason += land_reason(lines, found, row)
        texts.append(reason)
    return np.array(texts, dtype=object)


def money_text(amount: float, data: SitingData) -> str:
    """An amount with its currency."""
    return f"{amount:,.2f} {data.currency or 'currency units'}"


def _remaining(data: SitingData, found: SitingDecision) -> str:
    """What remains of the whole budget."""
    params, choice = data.params, found.choice
    texts = []
    if params.budget_m is not None:
        texts.append(f"{max(params.budget_m - choice.metres, 0.0):,.0f} m")
    money = minor_units(params.budget_net or params.budget)
    if money is not None:
        left = max(money - choice.net_cost_minor, 0.0) / MINOR_UNITS
        texts.append(money_text(left, data) + (" net of grant" if params.budget_net else ""))
    return " and ".join(texts)


def _chosen(
    candidates: gpd.GeoDataFrame, data: SitingData, found: SitingDecision
) -> gpd.GeoDataFrame:
    """The chosen belts in order of choice."""
    choice, without = found.choice, found.left_out
    names = candidates["candidate"].to_numpy(dtype=object)
    chosen = candidates.iloc[choice.rows].reset_index(drop=True)
    adds = np.asarray(choice.benefit_added_ha, dtype=float)
    first = data.params.planting_year
    years = tall_enough_from(
        found.planted.iloc[choice.rows].reset_index(drop=True),
        data.settled.options.at_height_m,
        first,
        local_heights=data.settled.local_heights,
    )
    return chosen.assign(
        tall_enough_from=pd.Series(years, chosen.index).astype("Int64"),
        planting_year=first + np.asarray(choice.phase, dtype=np.int64),
        benefit_added_ha=adds,
        benefit_lost_without_ha=[one.benefit_lost_ha for one in without],
        places_lost_without=_places_lost(data, found),
        best_alternative=[
            "" if one.alternative is None else names[one.alternative] for one in without
        ],
        alternative_benefit_ha=[one.alternative_benefit_ha for one in without],
        cumulative_benefit_ha=np.cumsum(adds),
        cumulative_length_m=chosen["length_m"].cumsum(),
        cumulative_cost=chosen["cost"].cumsum(),
    )


def _places_lost(data: SitingData, found: SitingDecision) -> list[str]:
    """Places that reach their target with all chosen belts, and not without each of them."""
    if data.places is None:
        return [""] * len(found.left_out)
    here = places_with_belts(data, {data.case: found.full_evaluation[data.case]})
    wind, target, corner = (
        here[name].to_numpy()
        for name in ("relative_wind", "target_relative_wind", "corner_time_share")
    )
    reached = reaches_target(wind, target, corner)
    names = [
        name or f"place {place}" for place, name in enumerate(data.places["name"].to_numpy(), 1)
    ]
    texts = []
    for one in found.left_out:
        # The rule gives the change; the level is that of the full evaluation.
        still = reaches_target(wind + one.wind_rise, target, corner - one.corner_time_fall)
        texts.append("; ".join(names[place] for place in np.flatnonzero(reached & ~still)))
    return texts


def places_with_belts(
    data: SitingData, evaluations: Mapping[Case, FullEvaluation]
) -> gpd.GeoDataFrame:
    """Places in each season and year, without and with a set of belts."""
    places = data.places
    assert places is not None
    frames = []
    for case, evaluation in evaluations.items():
        wind = evaluation.places
        frames.append(
            places.assign(
                season=case.season_label,
                year=case.year,
                relative_wind_without=wind["relative_wind"].to_numpy(),
                relative_wind=wind["relative_wind_with_belts"].to_numpy(),
                target_relative_wind=targets(places),
                place_benefit_ha=wind["benefit_ha"].to_numpy(),
                shelter_error_factor=_curve_of(data).shelter_factor,
                corner_time_share_without=wind["corner_time_share"].to_numpy(),
                corner_time_share=wind["corner_time_share_with"].to_numpy(),
                chill_days_without=wind["chill_days"].to_numpy(),
                chill_days=wind["chill_days_with"].to_numpy(),
                **{name: wind[name].to_numpy() for name in AVOIDED},
                windy_hours_without=wind["windy_hours"].to_numpy(),
                windy_hours=wind["windy_hours_with"].to_numpy(),
            )
        )
    frame = with_targets(pd.concat(frames, ignore_index=True))
    frame = frame[[*_COLUMNS["places_with_belts"], "geometry"]]
    return frame.assign(head=frame["head"].astype("Int64"), year=frame["year"].astype("Int64"))


def _curve(data: SitingData, found: SitingDecision) -> pd.DataFrame:
    curve = found.choice.curve
    return curve.drop(columns=["cost_minor", "net_cost_minor"]).assign(
        cost=decimal_amounts(curve["cost_minor"], MINOR_UNITS),
        net_cost=decimal_amounts(curve["net_cost_minor"], MINOR_UNITS),
        currency=data.currency,
        places_at_target=places_at_target(data, found).to_numpy(),
        **_set_benefit_range(curve["set_benefit_ha"].to_numpy(dtype=float), data),
    )


def _by_case(data: SitingData, found: SitingDecision) -> pd.DataFrame:
    rows = [
        {
            "season": case.season_label,
            "year": case.year,
            "set_benefit_ha": evaluation.benefit_ha,
            "own_benefit_ha": evaluation.own_benefit_ha,
            "neighbours_benefit_ha": evaluation.neighbours_benefit_ha,
            "public_benefit_ha": evaluation.public_benefit_ha,
        }
        for case, evaluation in found.full_evaluation.items()
    ]
    table = pd.DataFrame(rows)
    return table.assign(**_set_benefit_range(table["set_benefit_ha"].to_numpy(), data))


def _curve_of(data: SitingData) -> ShelterCurve:
    return CURVES[data.settled.options.curve]


def _set_benefit_range(benefit_ha: NDArray[np.float64], data: SitingData) -> dict[str, Any]:
    """Low and high of the benefit of a set."""
    low, high = _curve_of(data).shelter_range(benefit_ha)
    return {"set_benefit_low_ha": low, "set_benefit_high_ha": high}


def _growth(data: SitingData, lines: ProposedLines, found: SitingDecision) -> pd.DataFrame:
    """Height and porosity over the years of chosen belts and of restorations."""
    reported = (lines.candidates["action"] != PLANT).to_numpy(copy=True)
    reported[found.choice.rows] = True
    planted = found.planted[reported]
    first = data.params.planting_year
    years = sorted({first + n for n in GROWTH_YEARS} | {y for y in data.settled.years if y})
    frames = []
    for case in (Case(season, year) for year in years for season in data.settled.seasons):
        grown = belts_at(planted, case, local_heights=data.settled.local_heights)
        # Work of a later phase has not started: only the existing belt, if any, is there.
        there = grown[(grown["closing_from"] <= case.year).to_numpy(dtype=bool)]
        frames.append(
            there[["candidate", "action", "height_m", "porosity"]].assign(
                season=case.season_label, year=case.year
            )
        )
    growth = pd.concat(frames, ignore_index=True)
    return pd.DataFrame(growth).sort_values(["candidate", "year", "season"], ignore_index=True)


def _bearings(data: SitingData) -> pd.DataFrame:
    """Effect lost at other bearings than the best one; bearings from true north."""
    turns = np.array(sorted(data.bearing.loss))
    true_deg = (data.bearing.bearing_deg + data.convergence_deg + turns) % 180.0
    lost = [data.bearing.loss[int(turn)] for turn in turns]
    return pd.DataFrame(
        {"turned_from_best_deg": turns, "bearing_deg": true_deg, "effect_lost_share": lost}
    )
