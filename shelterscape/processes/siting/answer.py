"""The answer of a run of `siting` in sentences, and how sure it is."""

from __future__ import annotations

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.place_hours import hours_answer
from shelterscape.processes.siting.aims import SUFFICIENT
from shelterscape.processes.siting.compare import comparison_answer
from shelterscape.processes.siting.crops import crops_answer
from shelterscape.processes.siting.layers import SitingResults, money_text
from shelterscape.processes.siting.place_hours import avoided_answer
from shelterscape.processes.siting.present_value import present_value_answer
from shelterscape.processes.siting.screens import screens_answer
from shelterscape.processes.siting.spec import MINOR_UNITS
from shelterscape.processes.siting.targets import (
    least_answer,
    out_of_reach,
    places_in_case,
    targets_answer,
)
from shelterscape.processes.siting.trees import trees_answer, trees_certainty
from shelterscape.processes.siting.working_land import boundary_answer
from shelterscape.science.field_crops import CROP

STOCK_NOTE = (
    "“Counted”: places for stock count up to sufficient sheltered ground for all animals, so what "
    "counts there is not the equivalent sheltered area of the whole place"
)

NO_BELT = "No belt is chosen: no candidate adds enough to what counts, within the limits given"
ENOUGH_GROUND = (
    "No belt is chosen: all stock has sufficient sheltered ground with existing belts. To count "
    "the wind reduction on the whole area of its places, give --stock-benefit “whole area”"
)

LITTLE = 0.2
"""Belts whose share of the benefit is below this part of their share of the cost are named."""

UNSURE_SHARE = 0.5
"""Belts chosen in a smaller share of Monte Carlo runs are named."""


def answer_of(results: SitingResults) -> list[str]:
    """Places that reach their target, totals, each chosen belt, then candidates and bearing.

    Where all places have crops, what belts change in them comes first.

    Parameters
    ----------
    results : SitingResults

    Returns
    -------
    list of str
    """
    crops = crops_answer(results.tables, results.data.case.year)
    targets, totals = _targets(results), _totals(results)
    return [
        *([*crops, *targets, totals] if _only_crops(results) else [*targets, totals, *crops]),
        *_compared(results),
        *present_value_answer(results.data, results.decision, results.tables),
        *boundary_answer(results.lines, results.decision, _counted(results)),
        *_little_for_cost(results),
        *_by_purpose(results),
        *_hours(results),
        *trees_answer(results.layers["chosen_belts"], results.data),
        *screens_answer(results.data, results.layers["chosen_belts"]),
        *_belts(results),
        *_candidates(results),
    ]


def _compared(results: SitingResults) -> list[str]:
    """The difference from the plan compared with, where one is given."""
    table, data = results.tables.get("plan_comparison"), results.data
    return [] if table is None else comparison_answer(table, data.case)


def _only_crops(results: SitingResults) -> bool:
    places = results.data.places
    return places is not None and bool((places["purpose"] == CROP).all())


def certainty_of(results: SitingResults) -> list[str]:
    """How near the set is to the best one, and how often its belts are chosen with varied inputs.

    Parameters
    ----------
    results : SitingResults

    Returns
    -------
    list of str
    """
    found = results.decision
    if not found.choice.rows:
        return _bounds(results)
    here = found.full_evaluation[results.data.case].benefit_ha
    low, high = CURVES[results.data.settled.options.curve].shelter_range(here)
    return [
        f"Equivalent sheltered area, typical range from published belts: {low:+,.1f} to "
        f"{high:+,.1f} ha eq.",
        *_bounds(results),
        *trees_certainty(results.data),
        *_most_sensitive(results),
        *_selection(results),
    ]


def _bounds(results: SitingResults) -> list[str]:
    """How near the set is to the best one."""
    choice, least = results.decision.choice, results.decision.least
    if least is not None:
        return least_answer(least, results.data)
    return [
        f"No set within the budget adds more than {choice.benefit_bound_ha:,.1f} "
        f"{_counted(results)}; this one adds {choice.benefit_ha:,.1f} (smallest-wind rule)",
        *stock_note(results),
    ]


def _selection(results: SitingResults) -> list[str]:
    """How often the chosen belts are chosen with varied inputs."""
    chosen = results.layers["chosen_belts"]
    share = chosen["selection_share"].astype(float)
    if share.isna().all():
        return ["No Monte Carlo runs: how robust the choice is was not examined."]
    unsure = chosen["candidate"][share < UNSURE_SHARE].tolist()
    less = f"; below {UNSURE_SHARE:g}: {', '.join(unsure)}" if unsure else ""
    runs = results.data.params.monte_carlo_runs
    return [
        f"Selection shares {share.min():.2f}–{share.max():.2f} in {runs} Monte Carlo runs{less}"
    ]


def _saturates(results: SitingResults) -> bool:
    """Whether the benefit of places for stock saturates."""
    return results.data.params.stock_benefit == SUFFICIENT and "stock_ground" in results.tables


def stock_note(results: SitingResults) -> list[str]:
    """What “counted” means; nothing where no benefit saturates.

    Parameters
    ----------
    results : SitingResults

    Returns
    -------
    list of str
    """
    return [STOCK_NOTE] if _saturates(results) else []


def _counted(results: SitingResults) -> str:
    """Unit of the benefit that the choice compares."""
    return "ha eq. counted" if _saturates(results) else "ha eq."


def _most_sensitive(results: SitingResults) -> list[str]:
    """The input that changes the benefit of the chosen belts most."""
    table = results.tables["sensitivity"]
    if not len(table):
        return []
    first = table.iloc[0]
    return [
        f"Most sensitive to: {first.varied_input}; with it varied alone the chosen belts add "
        f"{first.set_benefit_low_ha:,.1f} to {first.set_benefit_high_ha:,.1f} ha eq. "
        "(smallest-wind rule)"
    ]


def _totals(results: SitingResults) -> str:
    data, choice = results.data, results.decision.choice
    here = results.decision.full_evaluation[data.case]
    if not choice.rows:
        return _none_chosen(results)
    gross = int(results.lines.candidates["cost_minor"].iloc[choice.rows].sum())
    net = gross - choice.net_cost_minor
    grant = f", grant {money_text(net / MINOR_UNITS, data)}" if data.grants else ""
    return (
        f"{len(choice.rows)} belts chosen: {choice.metres:,.0f} m, cost "
        f"{money_text(gross / MINOR_UNITS, data)}{grant}; equivalent sheltered area "
        f"+{here.benefit_ha:,.1f} ha eq. ({data.case.label})"
    )


def _none_chosen(results: SitingResults) -> str:
    """Why there is no belt."""
    here = places_in_case(results.layers, results.data.case)
    # Without stock the share is NaN.
    enough = here is not None and (here["corner_time_share_without"] >= 1.0).all()
    return ENOUGH_GROUND if enough and _saturates(results) else NO_BELT


def _belts(results: SitingResults) -> list[str]:
    """Each chosen belt: work, length, cost, what it adds and where, and targets that need it."""
    texts = []
    for row in results.layers["chosen_belts"].itertuples():
        cost = money_text(row.cost, results.data)
        places = f" ({row.places_served})" if row.places_served else ""
        if row.places_lost_without:
            several = "; " in row.places_lost_without
            verb = "are below their targets" if several else "is below its target"
            places += f"; without it {row.places_lost_without} {verb}"
        texts.append(
            f"{row.choice_order}. {row.candidate}: {row.action} {row.length_m:,.0f} m, {cost}; "
            f"+{row.benefit_added_ha:.1f} {_counted(results)}{places}"
        )
    return texts


def _little_for_cost(results: SitingResults) -> list[str]:
    """Belts that nobody requires and no target needs, with little benefit for their cost."""
    chosen, found = results.layers["chosen_belts"], results.decision
    lines = results.lines.candidates
    total, cost = found.choice.benefit_ha, chosen["cost"].astype(float)
    if found.least is not None or total <= 0 or not cost.sum() > 0:
        return []
    required = {*results.data.params.must_have, *lines["candidate"][lines["must_have"]]}
    lost = chosen["benefit_lost_without_ha"].astype(float)
    little = (lost / total < LITTLE * cost / cost.sum()) & (chosen["places_lost_without"] == "")
    some = chosen[little & ~chosen["candidate"].isin(required)]
    if not len(some):
        return []
    names = (f"{row.candidate} ({money_text(row.cost, results.data)})" for row in some.itertuples())
    return [
        f"Little benefit for the cost: {', '.join(names)}. Without any one of these belts the "
        f"benefit falls by {100 * (lost[some.index] / total).max():.1f} % at most, and no place "
        "misses its target; --forbidden or a lower budget leaves belts out"
    ]


def _targets(results: SitingResults) -> list[str]:
    """Places that reach their target, and those that do not."""
    here, found = places_in_case(results.layers, results.data.case), results.decision
    return (
        [] if here is None else [*targets_answer(here), *out_of_reach(found.least, found.context)]
    )


def _by_purpose(results: SitingResults) -> list[str]:
    """What the set adds to the places of each purpose, where there are several."""
    here = places_in_case(results.layers, results.data.case)
    if here is None or here["purpose"].nunique() < 2:
        return []
    added = here.groupby("purpose")["place_benefit_ha"].sum().sort_values(ascending=False)
    texts = [f"{name or 'no purpose'} {benefit:+.1f}" for name, benefit in added.items()]
    return [f"By purpose, ha eq. weighted by priority: {'; '.join(texts)}"]


def _hours(results: SitingResults) -> list[str]:
    """Stock places with the chosen belts."""
    data, here = results.data, places_in_case(results.layers, results.data.case)
    if here is None or data.hours is None:
        return []
    means = hours_answer(
        here, data.params, data.case.label, "with existing belts alone", "with the chosen belts"
    )
    return [*means, *avoided_answer(here, data.case)]


def _candidates(results: SitingResults) -> list[str]:
    """Length that can be planted, and the best bearing."""
    data, lines = results.data, results.lines
    best = data.bearing
    true_deg = (best.bearing_deg + data.convergence_deg) % 180.0
    losses = sorted({f"{100 * max(best.loss[turn], 0.0):.0f}" for turn in (30, -30)}, key=int)
    return [
        f"{len(lines.candidates):,} candidates compared; {lines.allowed_m / 1000:,.1f} km of the "
        f"{lines.proposed_m / 1000:,.1f} km of proposed lines can be planted",
        f"Best bearing {true_deg:.0f}°–{true_deg + 180:.0f}°; turned by 30°, belts lose "
        f"{' to '.join(losses)} % of their effect",
    ]
