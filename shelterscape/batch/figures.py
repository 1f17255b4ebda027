"""The figures in the table of holdings, as the processes of the plan declare them.

Each run records its figures. They are collected here, and holdings are ranked by them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from shelterscape.errors import NOTICES
from shelterscape.files.record import read_record
from shelterscape.process import Figure, Process
from shelterscape.runs import Step


def figures_in(steps: Sequence[Step]) -> dict[str, Figure]:
    """The figures that the processes of the steps declare, by name, in order."""
    return figures_by_name([step.process for step in steps])


def figures_by_name(processes: Sequence[Process]) -> dict[str, Figure]:
    """The figures that processes declare, by name, in order."""
    return {f.name: f for process in processes for f in process.figures}


def figures_of(folder: Path) -> dict[str, Any]:
    """The figures that the run in a folder recorded."""
    steps = (read_record(folder) or {}).get("steps")
    found: dict[str, Any] = {}
    for step in steps if isinstance(steps, list) else []:
        figures = step.get("figures") if isinstance(step, dict) else None
        found |= figures if isinstance(figures, dict) else {}
    return found


def codes_noticed(record: dict[str, Any]) -> list[str]:
    """Codes of the notices in the record of a run, each once, the most serious first."""
    found = {one["code"] for step in record.get("steps", []) for one in step["notices"]}
    return [code for code in NOTICES if code in found]


def figure_with_role(figures: dict[str, Figure], role: str) -> str | None:
    """Name of the figure with a role in ranking; None where no figure has it."""
    return next((name for name, figure in figures.items() if figure.role == role), None)


def ranks(places: pd.Series, benefit: pd.Series, cost: pd.Series) -> pd.Series:
    """Rank by places that reach their target divided by cost, 1 first, then by benefit.

    Equal ratios share a rank. Places at no cost rank first; benefit at no cost does so among
    holdings with equal ratios of places. Empty where benefit or cost is unknown or nothing is
    gained; unknown places count as none.
    """
    cost, benefit = cost.astype(float), benefit.astype(float)
    places = places.astype(float).fillna(0.0)
    known = benefit.notna() & cost.notna() & ((benefit > 0) | (places > 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = pd.DataFrame({"places": places / cost, "benefit": benefit / cost})[known].fillna(0)
    order = ratios.sort_values(["places", "benefit"], ascending=False, kind="stable")
    first = ~order.duplicated()
    number = pd.Series(np.arange(1, len(order) + 1), order.index).where(first).ffill()
    return number.reindex(cost.index).astype("Int64")
