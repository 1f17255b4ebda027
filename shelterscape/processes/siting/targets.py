"""Targets of places in `siting`: which are reached, and the least with which all are."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.processes.siting.aims import FEWEST_METRES
from shelterscape.processes.siting.least import LeastSets
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.spec import MINOR_UNITS
from shelterscape.science.belts import Case
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.place_terms import (
    ROUNDING,
    STOCK_TIME,
    reaches_target,
    target_terms,
)

Field = NDArray[np.float32]

BOUND_NOTE = "(bound by the smallest-wind rule, for sheltered ground that may be scattered)"

MOST_PLACES = 3
"""Places below their target that are named."""


def with_targets(places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The layer of places with whether each reaches its target, without and with new belts."""
    target = places["target_relative_wind"]
    has_target = places["corner_time_share"].notna() | target.notna()
    columns = {}
    for end in ("_without", ""):
        wind, corner = places[f"relative_wind{end}"], places[f"corner_time_share{end}"]
        reached = reaches_target(wind.to_numpy(), target.to_numpy(), corner.to_numpy())
        words = pd.Series(np.where(reached, "yes", "no"), places.index)
        columns[f"reaches_target{end}"] = words.where(has_target, "")
    return places.assign(**columns)


def places_in_case(layers: Mapping[str, gpd.GeoDataFrame], case: Case) -> pd.DataFrame | None:
    """Rows of the layer of places in one season and year; None without places."""
    places = layers.get("places_with_belts")
    if places is None:
        return None
    here = places[places["season"] == case.season_label]
    return here[here["year"].isna() if case.year is None else here["year"] == case.year]


def targets_answer(here: pd.DataFrame) -> list[str]:
    """How many places reach their target, and those that do not, the farthest from it first."""
    first = targets_reached(here)
    missed = here[here["reaches_target"] == "no"]
    if not len(missed):
        return first
    missed = missed.assign(share=_share_of_target(missed))
    worst = missed.sort_values("share", kind="stable").head(MOST_PLACES)
    named = "; ".join(_below(row) for _, row in worst.iterrows())
    more = f" and {len(missed) - len(worst)} more" if len(missed) > len(worst) else ""
    return [f"{first[0]}. Below target: {named}{more}"]


def targets_reached(here: pd.DataFrame) -> list[str]:
    """How many places reach their target, with and without new belts; empty without targets."""
    wanted = here[here["reaches_target"] != ""]
    if not len(wanted):
        return []
    after, before = ((wanted[f"reaches_target{end}"] == "yes").sum() for end in ("", "_without"))
    return [f"{after} of {len(wanted)} places reach their target ({before} without new belts)"]


def own_places_reached(here: pd.DataFrame | None, chosen: gpd.GeoDataFrame) -> float | None:
    """Places on holdings of the chosen belts at target with these and not without, None if unknown.

    Where no holding is known, as on maps without holdings, all places count.
    """
    if here is None:
        return None
    own = here["holding_id"].isin(chosen["holding_id"])
    gained = (here["reaches_target"] == "yes") & (here["reaches_target_without"] != "yes")
    return float((own & gained).sum())


def _share_of_target(places: pd.DataFrame) -> pd.Series:
    """Share of its target that each place reaches."""
    calm = (1.0 - places["relative_wind"]) / (1.0 - places["target_relative_wind"])
    return (places["corner_time_share"] / STOCK_TIME).where(
        places["corner_time_share"].notna(), calm
    )


def _below(row: pd.Series) -> str:
    name = row["name"] or "a place without a name"
    if np.isfinite(row["corner_time_share"]):
        return (
            f"{name}: sheltered corner for all stock {100 * row['corner_time_share']:.0f} % of the "
            f"time (target {100 * STOCK_TIME:.0f} %)"
        )
    return f"{name} {row['relative_wind']:.2f} (target {row['target_relative_wind']:.2f})"


def out_of_reach(least: LeastSets | None, context: EvaluationContext) -> list[str]:
    """Places out of reach of their target, and the best each reaches with all candidates."""
    places = context.places
    if least is None or places is None:
        return []
    found = least.chosen
    counts = target_terms(context).weight > 0
    beyond = [int(place) for place in np.flatnonzero(counts & (found.required == 0))]
    if not beyond:
        return []
    beyond.sort(key=lambda place: (found.best[place], place))
    named = "; ".join(
        f"{places['name'].iloc[place] or 'a place without a name'} "
        f"(at best {100 * found.best[place]:.0f} % of its target)"
        for place in beyond[:MOST_PLACES]
    )
    more = f" and {len(beyond) - MOST_PLACES} more" if len(beyond) > MOST_PLACES else ""
    return [f"Out of reach with the candidates that may be chosen: {named}{more}"]


def least_answer(least: LeastSets, data: SitingData) -> list[str]:
    """How near the set is to the shortest or cheapest one, without and with the working land."""

    def _amount(value: float) -> str:
        if data.params.aim == FEWEST_METRES:
            return f"{value:,.0f} m"
        return f"{value / MINOR_UNITS:,.2f} {data.currency or 'currency units'}"

    chosen, alone = least.chosen, least.alone
    found = []
    if np.array_equal(chosen.required, alone.required):
        found = [
            f"No set with these targets needs less than {_amount(alone.cost_bound)}; without "
            f"regard to the working land {_amount(alone.cost)} are enough, this set needs "
            f"{_amount(least.cost)} {BOUND_NOTE}"
        ]
    if found and chosen.cost <= least.cost * (1.0 + ROUNDING):
        return found
    return [
        *found,
        f"With the cost to working land in the same unit this set costs {_amount(chosen.cost)}, "
        f"and no set with these targets less than {_amount(chosen.cost_bound)} {BOUND_NOTE}",
    ]
