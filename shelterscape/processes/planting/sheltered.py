"""The year in which each place reaches its target, in `planting`."""

from __future__ import annotations

import pandas as pd

from shelterscape.processes.planting.layers import PlantingResults, as_designed
from shelterscape.processes.planting.loading import PlantingData
from shelterscape.science import belts as belt_layers
from shelterscape.science.planting.place_targets import BEFORE, GROWN_YEARS, places_by_year

MOST_PLACES = 3
"""Places that are named."""

QUESTION = "Year in which places reach their targets"


def target_table(data: PlantingData) -> pd.DataFrame | None:
    """Wind on places by year; None without places that the belts may shelter."""
    if data.sheltered is None or data.neighbouring.empty:
        return None
    lines = as_designed(data, data.neighbouring)
    planned, _ = belt_layers.complete(lines, "belts")
    found = places_by_year(data.sheltered, planned, stop_if_requested=data.check_stop)
    if found.empty:
        return None
    return found.drop(columns=["place", "priority"]).assign(head=found["head"].astype("Int64"))


def target_answer(results: PlantingResults) -> list[str]:
    """How many places reach their target by when, and the first of them."""
    if results.data.neighbouring.empty:
        return []
    if results.data.sheltered is None:
        return [f"{QUESTION}: not calculated, because no places were given"]
    table = results.tables.get("places_by_year")
    if table is None:
        return ["No place is within 50 heights of the belts"]
    named_places = table.assign(name=table["name"].replace("", "a place without a name"))
    first_year, last_year = table["year"].min(), table["year"].max()
    wanted = named_places[(table["year"] == first_year) & (table["target_reached"] != "")]
    if wanted.empty:
        return [f"{QUESTION}: places within 50 heights of the belts have no target"]
    when = wanted["target_reached"]
    before, never = when == BEFORE, when.str.startswith("not")
    by_belts = wanted[~before & ~never].sort_values("target_reached", kind="stable")
    named = "; ".join(
        f"{row.name!s} by {row.target_reached}"
        for row in by_belts.head(MOST_PLACES).itertuples(index=False)
    )
    more = f" and {len(by_belts) - MOST_PLACES} more" if len(by_belts) > MOST_PLACES else ""
    return [
        f"Of {len(wanted)} places within 50 heights of the belts, {len(by_belts)} reach their "
        f"target because of them{': ' if named else ''}{named}{more}; {before.sum()} reach it "
        f"without them, {never.sum()} do not within {GROWN_YEARS[-1]} years"
        f"{_below_again(wanted[~never], table[table['year'] == last_year])}"
    ]


def _below_again(reached: pd.DataFrame, last: pd.DataFrame) -> str:
    """Places that reach their target, but not in the last year: taller belts may leave more open.

    Both frames have the places in the same order; the index of the first counts them from 0.
    """
    below = last["reaches_target"].to_numpy()[reached.index] == "no"
    names = list(reached.loc[below, "name"])
    more = f" and {len(names) - MOST_PLACES} more" if len(names) > MOST_PLACES else ""
    found = f"; below it again in {last['year'].iloc[0]}: {', '.join(names[:MOST_PLACES])}{more}"
    return found if names else ""
