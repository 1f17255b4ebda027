"""Tables of `photo-porosity`."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from shelterscape.process.stages import Results
from shelterscape.processes.photo_porosity.loading import Shot
from shelterscape.processes.photo_porosity.spec import OUTPUTS
from shelterscape.science.belts import SEASONS
from shelterscape.science.photographs import PhotographResult, spread_of

_COLUMNS = {output.name: list(output.columns) for output in OUTPUTS if hasattr(output, "columns")}


@dataclass(frozen=True, kw_only=True)
class PhotographResults(Results):
    """Results of `photo-porosity`, for `summarise`.

    Parameters
    ----------
    found : list of tuple
        Each shot with its result.
    """

    found: list[tuple[Shot, PhotographResult]] = field(default_factory=list)


def tables_of(found: list[tuple[Shot, PhotographResult]]) -> dict[str, pd.DataFrame]:
    """Every table of a run."""
    photographs = [{**_stamp(shot), **_row(result)} for shot, result in found]
    tenths = [
        {**_stamp(shot), "height_tenth": n + 1, "porosity": value}
        for shot, result in found
        for n, value in enumerate(result.by_height)
    ]
    parts = [
        {**_stamp(shot), "belt_part": n + 1, "porosity": value}
        for shot, result in found
        for n, value in enumerate(result.along)
    ]
    gaps = [
        {
            **_stamp(shot),
            "begins_share": gap.begins_share,
            "ends_share": gap.ends_share,
            "gap_width_h": gap.width_h,
        }
        for shot, result in found
        for gap in result.gaps
    ]
    assessed = pd.DataFrame(photographs)
    rows = {
        "belt_porosity": _belts(assessed),
        "photographs_assessed": photographs,
        "porosity_by_height": tenths,
        "porosity_along_belt": parts,
        "photograph_gaps": gaps,
    }
    return {name: pd.DataFrame(each, columns=_COLUMNS[name]) for name, each in rows.items()}


def _stamp(shot: Shot) -> dict[str, object]:
    return {"photograph": shot.file, "name": shot.name, "season": SEASONS[shot.season]}


def _row(result: PhotographResult) -> dict[str, object]:
    return {
        "porosity": result.porosity,
        "porosity_low": result.porosity_low,
        "gap_share": sum(gap.ends_share - gap.begins_share for gap in result.gaps),
        "gap_count": len(result.gaps),
        "pixels_across": result.cols,
        "pixels_high": result.rows,
        "faults": "; ".join(result.faults),
    }


def _belts(photographs: pd.DataFrame) -> list[dict[str, object]]:
    """A row for each belt and season, in the order of the photographs."""
    rows: list[dict[str, object]] = []
    for (name, season), shots in photographs.groupby(["name", "season"], sort=False):
        porosity = shots["porosity"].to_numpy(dtype=float)
        rows.append(
            {
                "name": name,
                "season": season,
                "porosity": float(np.mean(porosity)),
                "porosity_spread": spread_of(porosity),
                "porosity_low": float(shots["porosity_low"].mean()),
                "gap_share": float(shots["gap_share"].mean()),
                "photograph_count": len(shots),
                "doubtful_count": int((shots["faults"] != "").sum()),
            }
        )
    return rows
