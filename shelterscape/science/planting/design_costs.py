"""What a metre of each design costs, and what its protection costs either way."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

import pandas as pd

from shelterscape.science.planting.design import GUARDS, BeltDesign, protection, rounded_money

DESIGN_COST_COLUMNS = (
    "design",
    "plants_per_m",
    "protection",
    "protection_height_m",
    "guards_cost_per_m",
    "fence_cost_per_m",
    "break_even_plants_per_m",
    "guards_removed_year",
    "cost_per_m",
    "currency",
    "source",
)


def design_costs(
    designs: Mapping[str, BeltDesign], planted_year: Mapping[str, int], currency: str
) -> pd.DataFrame:
    """Costs of designs per metre of a long belt.

    Parameters
    ----------
    designs : dict of BeltDesign
    planted_year : dict of int
        First year in which each is planted.
    currency : str

    Returns
    -------
    DataFrame
        With `DESIGN_COST_COLUMNS`; money is decimal. Without browsers the costs of protection are
        missing, as is the year in which guards are removed where there are none.
    """
    rows = []
    for name, design in designs.items():
        chosen = protection(design)
        removal = planted_year[name] + design.guards_removed_after_years
        either = (chosen.guards_per_m, chosen.fence_per_m) if design.browsers else (None, None)
        rows.append(
            (
                name,
                float(sum(design.plants_per_m().values())),
                chosen.way,
                chosen.height_m,
                *map(_money, either),
                chosen.break_even_plants_per_m if design.browsers else float("nan"),
                removal if chosen.way == GUARDS else pd.NA,
                design.cost_per_m,
                currency,
                design.source,
            )
        )
    found = pd.DataFrame(rows, columns=list(DESIGN_COST_COLUMNS))
    return found.astype({"guards_removed_year": "Int64"})


def _money(amount: Fraction | None) -> Decimal | None:
    return None if amount is None else rounded_money(amount)
