"""Full evaluation of the chosen belts, with days of sheep chill and windy hours on places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.place_hours import without_hours
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.belts import Case
from shelterscape.science.hours_on_places import COLUMNS, CellWinds, shelter_times
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.full_evaluation import (
    ExistingWinds,
    FullEvaluation,
    full_evaluation,
)

MOST_PLACES = 4
"""Places whose chill days avoided are named."""


def evaluated_with_hours(
    data: SitingData,
    case: Case,
    context: EvaluationContext,
    then: gpd.GeoDataFrame,
    rows: Sequence[int],
    *,
    existing: ExistingWinds | None = None,
) -> FullEvaluation:
    """A set in place; its places also have counts, ``_with`` the set and without it.

    Days of sheep chill avoided are also given for shelter divided by, and multiplied by, its
    typical factor of error, of existing and new belts alike.
    """
    hours, covered, winds = data.hours, context.covered, data.settled.winds[case.season]
    cells = None
    if hours is not None and covered is not None:
        cells = CellWinds([winds, winds], covered)
    found = full_evaluation(
        context,
        then,
        rows,
        existing=existing,
        cell_winds=cells,
        stop_if_requested=data.check_stop,
    )
    if context.places is None or covered is None:
        return found
    known = np.isfinite(data.elevation)
    counts: dict[str, NDArray[np.float64]] = {}
    for number, end in enumerate(("", "_with")):
        table = without_hours(context.places)
        if hours is not None and cells is not None:
            table = hours.counted(context.places, covered, winds, cells.values[number], known)
        counts |= {f"{name}{end}": table[name].to_numpy() for name in COLUMNS}
    avoided = [counts["chill_days"] - counts["chill_days_with"]]
    if hours is not None and cells is not None:
        factor = CURVES[data.settled.options.curve].shelter_factor
        for error in (1.0 / factor, factor):
            days = (
                hours.counted(context.places, covered, winds, shelter_times(values, error), known)[
                    "chill_days"
                ].to_numpy()
                for values in cells.values
            )
            avoided.append(next(days) - next(days))
    # The index grows with the root of wind speed and days are counted above a threshold, so that
    # more shelter may also avoid fewer days than less: on places that are sheltered already.
    ends = {"chill_days_avoided": avoided[0]}
    ends |= {"chill_days_avoided_low": np.min(avoided, axis=0)}
    ends |= {"chill_days_avoided_high": np.max(avoided, axis=0)}
    return replace(found, places=found.places.assign(**counts, **ends))


def avoided_answer(here: pd.DataFrame, case: Case) -> list[str]:
    """Days of sheep chill that the new belts avoid on each stock place; empty without hours."""
    counted = here[here["chill_days_avoided"].notna()]
    if not len(counted):
        return []
    most = counted.sort_values("chill_days_avoided", ascending=False, kind="stable")
    named = "; ".join(
        f"{row['name'] or 'a place without a name'} {row['chill_days_avoided']:.1f} "
        f"({row['chill_days_avoided_low']:.1f} to {row['chill_days_avoided_high']:.1f})"
        for _, row in most.head(MOST_PLACES).iterrows()
    )
    more = f" and {len(most) - MOST_PLACES} more places" if len(most) > MOST_PLACES else ""
    return [
        f"Chill days avoided a year by the new belts, with the typical error of shelter, "
        f"{case.label}: {named}{more}"
    ]
