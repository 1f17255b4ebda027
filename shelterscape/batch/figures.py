"""What is told of each holding in the table of a catchment, from the results in its folder.

Figures that no step of the plan gives stay empty.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from shelterscape.files.record import read_record
from shelterscape.files.results import features_of, first_band, table_of
from shelterscape.runs import GEOPACKAGE, STEP_PREFIX

BEST = 3
"""How many candidates are named as the best."""

FIGURES = {
    "exposed_share": "exposed_share",
    "sheltered_in_leaf_ha": "sheltered_area",
    "sheltered_bare_ha": "sheltered_area",
    "best_candidates": "best_candidates",
    "chosen_m": "chosen_length",
    "cost_minor": "chosen_cost",
    "payment_minor": "chosen_payment",
    "need_met_ha": "need_met",
}
"""Columns and their terms."""


def figures_of(folder: Path, holding_id: str) -> dict[str, Any]:
    """Figures of one holding; None where its plan does not give them."""
    return {
        "exposed_share": _exposed(folder),
        **_sheltered(folder),
        "best_candidates": _best(folder),
        **_chosen(folder),
        "payment_minor": _payment(folder, holding_id),
        "need_met_ha": _need_met(folder),
    }


def ranks(need_met: pd.Series, cost: pd.Series) -> pd.Series:
    """Rank by need met per cost, 1 first, equal ones alike; empty where either is not known.

    What meets need at no cost comes first.
    """
    cost, need_met = cost.astype(float), need_met.astype(float)
    known = need_met.notna() & cost.notna() & (need_met > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = (need_met / cost).where(known)
    return worth.rank(ascending=False, method="min").astype("Int64")


def _exposed(folder: Path) -> float | None:
    """Share of the ground that hills make windier than the plain."""
    speed_up = first_band(folder / "rasters" / "speed_up.tif")
    if speed_up is None or not np.isfinite(speed_up).any():
        return None
    return float((speed_up[np.isfinite(speed_up)] > 0).mean())


def _sheltered(folder: Path) -> dict[str, float | None]:
    """Sheltered hectares as surveyed, by season."""
    found: dict[str, float | None] = {"sheltered_in_leaf_ha": None, "sheltered_bare_ha": None}
    table = table_of(folder / "tables" / "sheltered_hectares.csv")
    if table is not None:
        now = table[table["year"].isna()]
        for season, hectares in zip(now["season"], now["sheltered_ha"], strict=True):
            found[f"sheltered_{str(season).replace(' ', '_')}_ha"] = float(hectares)
    return found


def _features(folder: Path, layer: str, *columns: str) -> pd.DataFrame | None:
    """A layer of the run as a table, where it has such columns."""
    frame = features_of(folder / GEOPACKAGE, layer, geometry=False)
    return None if frame is None or not {*columns} <= {*frame.columns} else frame


def _best(folder: Path) -> str | None:
    frame = _features(folder, "candidates", "candidate", "benefit_ha")
    if frame is None:
        return None
    best = frame[frame["benefit_ha"] > 0].sort_values(
        ["benefit_ha", "candidate"], ascending=[False, True], kind="stable"
    )
    return ", ".join(
        f"{row.candidate} ({row.benefit_ha:.2f} ha)" for row in best.head(BEST).itertuples()
    )


def _chosen(folder: Path) -> dict[str, float | None]:
    frame = _features(folder, "chosen_belts", "length_m", "cost_minor")
    if frame is None:
        return {"chosen_m": None, "cost_minor": None}
    # A cost nobody gave is not nothing.
    cost = float(frame["cost_minor"].sum()) if frame["cost_minor"].notna().all() else None
    return {"chosen_m": float(frame["length_m"].sum()), "cost_minor": cost}


def _payment(folder: Path, holding_id: str) -> float | None:
    """What the scheme that pays most pays for belts of this holding; schemes seldom add.

    Belts that name no holding are its own where siting chose them on it. Others may lie anywhere.
    """
    table = table_of(folder / "tables" / "grant_by_holding.csv")
    if table is None or not {"scheme", "payment_minor", "holding_id"} <= {*table.columns}:
        return None
    named = table["holding_id"].astype("string").fillna("")
    nameless = bool((named == "").all())
    if not (_chosen_here(folder) if nameless else holding_id):
        return None
    by_scheme = table[nameless | (named == holding_id)].groupby("scheme")["payment_minor"].sum()
    return float(by_scheme.max()) if len(by_scheme) else 0.0


def _chosen_here(folder: Path) -> bool:
    """Whether grants were told for belts that an earlier step chose on the holding."""
    record = read_record(folder) or {"steps": []}
    inputs = [step["inputs"].get("belts") for step in record["steps"]]
    return any(str(text).startswith(STEP_PREFIX) for text in inputs)


def _need_met(folder: Path) -> float | None:
    """Mean over seasons and years of what the belts chosen bring to the holding's own places."""
    table = table_of(folder / "tables" / "benefit_by_case.csv")
    if table is None or "own_ha" not in table or not len(table):
        return None
    return float(table["own_ha"].mean())
