"""What the table of holdings reports: figures that the processes of the plan declare.

Each run keeps its figures in its record; here they are collected and ranked.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from shelterscape.files.record import read_record
from shelterscape.process import Figure
from shelterscape.runs import Step


def figures_in(steps: Sequence[Step]) -> dict[str, Figure]:
    """The figures that the processes of some steps declare, by name, in order."""
    return {f.name: f for step in steps for f in step.process.figures}


def figures_of(folder: Path) -> dict[str, Any]:
    """Figures of the run in a folder."""
    record = read_record(folder) or {"steps": []}
    found: dict[str, Any] = {}
    for step in record["steps"]:
        found |= step["figures"]
    return found


def with_role(figures: dict[str, Figure], role: str) -> str | None:
    """Name of the figure that plays a role in ranking; None where there is none."""
    return next((name for name, figure in figures.items() if figure.role == role), None)


def ranks(benefit: pd.Series, cost: pd.Series) -> pd.Series:
    """Rank by benefit divided by cost, 1 first, equal ones alike; empty where either is unknown.

    A benefit at no cost comes first.
    """
    cost, benefit = cost.astype(float), benefit.astype(float)
    known = benefit.notna() & cost.notna() & (benefit > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = (benefit / cost).where(known)
    return worth.rank(ascending=False, method="min").astype("Int64")
