"""Full evaluation of the chosen belts, with days of sheep chill and windy hours on places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.process.place_hours import without_hours
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.belts import Case
from shelterscape.science.hours_on_places import COLUMNS, CellWinds
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.full_evaluation import FullEvaluation, full_evaluation

Field = NDArray[np.float32]


def evaluated_with_hours(
    data: SitingData,
    case: Case,
    context: EvaluationContext,
    then: gpd.GeoDataFrame,
    rows: Sequence[int],
    *,
    existing: Field | None = None,
) -> FullEvaluation:
    """A set in place; its places also have counts, ``_with`` the set and without it."""
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
    return replace(found, places=found.places.assign(**counts))
