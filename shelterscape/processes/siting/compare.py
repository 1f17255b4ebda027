"""A plan compared with that of an earlier run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Block
from shelterscape.processes.siting.spec import MINOR_UNITS, PROCESS, SitingInputs
from shelterscape.science.belts import Case
from shelterscape.science.siting.choice import Choice
from shelterscape.terms import TERMS

Field = NDArray[np.float32]

COLUMNS = ("compared_figure", "season", "year", "this_plan", "other_plan", "plan_difference")

WHOLE = {
    "belt_count": "belt_count",
    "length_m": "chosen_length_m",
    "cost": "cost",
    "net_cost": "net_cost",
}
"""Figures of the whole set, and their names in the record of a run."""

BY_CASE = ("set_benefit_ha", "own_benefit_ha", "neighbours_benefit_ha", "public_benefit_ha")
"""Figures of each season and year."""


@dataclass(frozen=True)
class EarlierPlan:
    """Results of an earlier run of `siting`.

    Parameters
    ----------
    winds : list of (rows, cols) float32
        Relative wind with its belts, by case of this run.
    figures : dict
        Figures in its record, as `set_figures` returns them.
    by_case : DataFrame
        Its table ``benefit_by_case``.
    """

    winds: list[Field]
    figures: Mapping[str, Any]
    by_case: pd.DataFrame


def read_earlier(
    params: SitingInputs, reader: Reader, grid: Grid, cases: Sequence[Case]
) -> EarlierPlan | None:
    """The plan to compare with, in the cases of this run; None where none is given."""
    if not params.compare:
        return None
    run = reader.earlier_run(params.compare, PROCESS.id)
    winds = [run.raster("relative_wind_with_belts", case.label, grid) for case in cases]
    return EarlierPlan(winds, run.figures, run.table("benefit_by_case"))


def difference_blocks(earlier: EarlierPlan, winds: Sequence[Field]) -> Iterator[Block]:
    """Relative wind with this plan minus that with the other, by case."""
    for number, (wind, other) in enumerate(zip(winds, earlier.winds, strict=True)):
        yield Block("relative_wind_difference", number, wind - other)


def set_figures(chosen: pd.DataFrame, choice: Choice) -> dict[str, float | None]:
    """Number, length and cost of the chosen belts; cost is None where that of a belt is unknown."""
    known = chosen["cost"].notna().all()
    return {
        "belt_count": float(len(chosen)),
        "chosen_length_m": float(chosen["length_m"].sum()),
        "cost": float(chosen["cost"].sum()) if known else None,
        "net_cost": choice.net_cost_minor / MINOR_UNITS if known else None,
    }


def plan_comparison(
    earlier: EarlierPlan, figures: Mapping[str, Any], by_case: pd.DataFrame
) -> pd.DataFrame:
    """Figures of both plans and their difference, of the whole set and then by season and year.

    Parameters
    ----------
    earlier : EarlierPlan
    figures : dict
        Those of this run, as `set_figures` returns them.
    by_case : DataFrame
        Table ``benefit_by_case`` of this run.
    """
    pairs = [
        (name, *(plan.get(key) for plan in (figures, earlier.figures)))
        for name, key in WHOLE.items()
    ]
    rows = [
        (name, "", pd.NA, *(np.nan if one is None else one for one in pair))
        for name, *pair in pairs
    ]
    others = earlier.by_case
    for _, row in by_case.iterrows():
        same = (others["season"] == row["season"]) & (
            others["year"].fillna(0) == (0 if pd.isna(row["year"]) else row["year"])
        )
        other = others[same].iloc[0]
        rows += [(name, row["season"], row["year"], row[name], other[name]) for name in BY_CASE]
    table = pd.DataFrame(rows, columns=list(COLUMNS[:-1]))
    # Tables of the other plan were rounded when they were written. Both are written with the same
    # digits, so that their difference is that of the figures beside it.
    names, digits = table["compared_figure"], TERMS["this_plan"].rounded
    here, there = (
        pd.Series(
            [digits(TERMS[str(n)].rounded(float(v))) for n, v in zip(names, column, strict=True)]
        )
        for column in (table["this_plan"], table["other_plan"])
    )
    return table.assign(
        year=table["year"].astype("Int64"),
        this_plan=here,
        other_plan=there,
        plan_difference=here - there,
    )


def comparison_answer(table: pd.DataFrame, case: Case) -> list[str]:
    """How much more or less this plan shelters than the other one, in one season and year."""
    in_case = (table["season"] == case.season_label) & (table["year"].fillna(0) == (case.year or 0))
    more = table[in_case | (table["season"] == "")].set_index("compared_figure")["plan_difference"]
    return [
        f"Compared with the other plan: equivalent sheltered area {more['set_benefit_ha']:+,.1f} "
        f"ha eq. ({case.label}), length {more['length_m']:+,.0f} m"
    ]
