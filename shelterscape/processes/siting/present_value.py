"""Net present value of the chosen belts of `siting`, where prices were given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.process.design_files import packaged_designs
from shelterscape.process.money import decimal_amounts
from shelterscape.processes.siting.crops import YEARS, FieldChanges
from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.net import grants_by_year
from shelterscape.processes.siting.outputs import AMOUNTS, PAYBACK
from shelterscape.processes.siting.spec import MINOR_UNITS
from shelterscape.science.field_crops import CROP, value_minor, values_per_ha
from shelterscape.science.present_value import present_values, years_until_paid_back
from shelterscape.science.siting.candidates import SCREENED
from shelterscape.science.siting.designs import ACTIONS

COST, GRANT, LAND, CROPS, NET = "cost", "grant", "land", "crops", "net"
"""Items: spent, received, value of the crop on land taken, change of yield elsewhere, and all."""

LEFT_OUT = "stock, timber, carbon, upkeep and tax are left out"

Array = NDArray[np.float64]
Ends = tuple[list[int], list[int]]
"""Low and high amounts by year, whole minor units; below 0 where money is spent or lost."""


def present_value_tables(
    data: SitingData, found: SitingDecision, crops: FieldChanges
) -> dict[str, pd.DataFrame]:
    """Amounts and present values by item and year, and their totals; none without prices."""
    if reason_against(data, found) != "":
        return {}
    items: dict[str, Ends] = {COST: (_costs(found, crops.years),) * 2}
    if data.grants is not None:
        chosen = found.planted.iloc[found.choice.rows]
        paid = grants_by_year(data.grants, chosen, crops.years[0])
        items[GRANT] = ([paid.get(year, 0) for year in crops.years],) * 2
    items |= _of_crops(crops)
    low, high = (np.sum([ends[end] for ends in items.values()], axis=0).tolist() for end in (0, 1))
    items[NET] = low, high
    by_year = pd.concat([_by_year(item, *ends, data, crops) for item, ends in items.items()])
    totals = by_year.groupby("money_item", sort=False, as_index=False)[[*AMOUNTS]].sum()
    rate = data.params.discount_rate
    totals = totals.assign(**_payback(totals, (low, high), data), discount_rate=rate)
    return {
        "present_value": _in_currency(totals, data),
        "present_value_by_year": _in_currency(by_year, data),
    }


def reason_against(data: SitingData, found: SitingDecision) -> str | None:
    """Why there is no present value; empty where there is one, None where no price was given."""
    if data.places is None or not len(found.choice.rows) or not any(_priced(data)):
        return None
    chosen = found.planted.iloc[found.choice.rows]
    restored = chosen["action"].isin(ACTIONS).any()
    screened = (chosen["candidate_type"] == SCREENED).any()
    if not data.params.designs:
        return "costs of the packaged designs are invented: give your own as designs"
    if restored and data.designs.restoration is packaged_designs().restoration:
        return "packaged costs of restoration are invented: add restoration to the file of designs"
    if screened and not data.params.screen_cost_per_m:
        return "temporary screens have no price: give screen_cost_per_m"
    return ""


def present_value_answer(
    data: SitingData, found: SitingDecision, tables: Mapping[str, pd.DataFrame]
) -> list[str]:
    """The net present value with its items, or why there is none; empty without prices."""
    reason = reason_against(data, found)
    if reason is None:
        return []
    if reason:
        return [f"Present value not calculated: {reason}"]
    ends = tables["present_value"].set_index("money_item")[["present_low", "present_high"]]
    net, *items = (f"{item} {_range(*ends.loc[item])}" for item in [NET, *ends.index.drop(NET)])
    priced = _priced(data)
    return [
        f"Present value over {YEARS} years at {100 * data.params.discount_rate:g} % a year, "
        f"{data.currency}: {net} ({'; '.join(items)}); {_paid_back(tables)}; {LEFT_OUT}; "
        f"{sum(priced)} of {len(priced)} fields with crops have yield and price"
    ]


def _payback(totals: pd.DataFrame, net: Ends, data: SitingData) -> dict[str, pd.Series]:
    """Years from which the sum of present values stays above 0, in the row of the net."""
    years = {}
    # The high amounts are paid back first.
    for name, amounts in zip(PAYBACK, reversed(net), strict=True):
        after = years_until_paid_back(amounts, data.params.discount_rate)
        year = pd.NA if after is None else data.params.planting_year + after
        years[name] = pd.Series(year, totals.index, "Int64").where(totals["money_item"] == NET)
    return years


def _paid_back(tables: Mapping[str, pd.DataFrame]) -> str:
    """From which year the belts are paid back."""
    table = tables["present_value"].set_index("money_item")
    found = (table[name].dropna() for name in PAYBACK)
    earliest, latest = (f"from {years[NET]}" if len(years) else "" for years in found)
    never = f"not within {YEARS} years"
    if not earliest:
        return f"paid back {never}"
    return f"paid back {earliest} with the high amounts, {latest or never} with the low ones"


def _priced(data: SitingData) -> list[bool]:
    """Whether yield and price of each field with crops are known."""
    assert data.places is not None
    fields = data.places[(data.places["purpose"] == CROP).to_numpy()]
    return [value is not None for value in values_per_ha(fields)]


def _costs(found: SitingDecision, years: Sequence[int]) -> list[int]:
    """Cost of the chosen belts, each in the year of its work."""
    cost = found.planted["cost_minor"].iloc[found.choice.rows]
    spent = cost.groupby(np.asarray(found.choice.phase)).sum()
    return [-int(spent.get(after, 0)) for after in range(len(years))]


def _of_crops(crops: FieldChanges) -> dict[str, Ends]:
    """Value of the crop on land taken, and of the change of yield elsewhere."""
    per_ha = values_per_ha(crops.fields)
    ends = (crops.low, crops.high)
    land = [[_value(-change.taken, per_ha) for change in end] for end in ends]
    rest = [[_value(change.gained - change.lost, per_ha) for change in end] for end in ends]
    return {LAND: (land[0], land[1]), CROPS: (rest[0], rest[1])}


def _value(hectares: Array, per_ha: Sequence[Decimal | None]) -> int:
    """Value of hectares of full yield on all fields whose value is known, minor units."""
    return sum(
        value_minor(float(ha), value, MINOR_UNITS)
        for ha, value in zip(hectares, per_ha, strict=True)
        if value is not None
    )


def _by_year(
    item: str, low: list[int], high: list[int], data: SitingData, crops: FieldChanges
) -> pd.DataFrame:
    """One item by year, whole minor units."""
    rate = data.params.discount_rate
    columns = (low, high, present_values(low, rate), present_values(high, rate))
    table = dict(zip(AMOUNTS, columns, strict=True))
    return pd.DataFrame({"year": crops.years, "money_item": item, **table})


def _in_currency(table: pd.DataFrame, data: SitingData) -> pd.DataFrame:
    amounts = {name: decimal_amounts(table[name], MINOR_UNITS) for name in AMOUNTS}
    return table.assign(**amounts, currency=data.currency).reset_index(drop=True)


def _range(low: float, high: float) -> str:
    """Two amounts, or one where they are equal."""
    return f"{low:+,.2f}" if low == high else f"{low:+,.2f} to {high:+,.2f}"
