"""Plants to order and a bill of quantities, from a plan of planting.

Quantities are whole numbers or decimals, and money is decimal: nothing depends on the rounding of
binary numbers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any

import geopandas as gpd
import pandas as pd

from shelterscape.science.planting.design import GUARDS, BeltDesign, protection
from shelterscape.science.planting.layout import BROWSER_FENCE, Layout

ORDER_COLUMNS = (
    "holding_id",
    "belt",
    "species",
    "plant_type",
    "plant_count",
    "ordered_count",
    "bundle_count",
    "guard_count",
    "stake_count",
    "person_days",
)
BILL_COLUMNS = ("holding_id", "belt", "item", "unit", "quantity", "price", "cost", "currency")

PLANT, CUTTING = "plant", "cutting"
CENT = Decimal("0.01")

BUNDLE_PLANTS = 25
"""Plants in a bundle (common practice)."""


def ordered_count(planted: int, loss_share: float) -> int:
    """Plants to order so that those planted survive: planted ÷ survival, rounded up.

    Parameters
    ----------
    planted : int
    loss_share : float
        Share of the plants expected to die, 0 to below 1.

    Returns
    -------
    int

    Examples
    --------
    >>> ordered_count(1000, 0.2)
    1250
    """
    survival = 1 - Fraction(str(loss_share))
    return -(-planted * survival.denominator // survival.numerator)


def plant_order(
    plan: Layout, belts: gpd.GeoDataFrame, designs: Mapping[str, BeltDesign]
) -> pd.DataFrame:
    """Plants, guards and stakes by belt and species.

    Parameters
    ----------
    plan : Layout
    belts : GeoDataFrame
        With ``belt``, ``design`` and ``holding_id``.
    designs : dict of BeltDesign

    Returns
    -------
    DataFrame
        With `ORDER_COLUMNS`, in the order of belts and of species in the design. Plants for
        expected losses are rounded up for each belt and species; sums are sums of these numbers.
        Guards and stakes are those of the plants first planted; they are used again for
        replacements.
    """
    found = []
    counts = plan.rows.groupby(["belt", "row", "species"], sort=False)["plant_count"].sum()
    for belt, name, holding in zip(
        belts["belt"], belts["design"], belts["holding_id"], strict=True
    ):
        if belt not in counts.index:
            continue
        design = designs[name]
        guarded = protection(design).way == GUARDS
        for (species, kind), planted in _by_kind(counts[belt], design).items():
            ordered = ordered_count(planted, design.loss_share)
            whole = planted if kind == PLANT else 0
            days = Decimal(ordered) / Decimal(str(design.plants_per_day))
            found.append(
                {
                    "holding_id": holding,
                    "belt": belt,
                    "species": species,
                    "plant_type": kind,
                    "plant_count": planted,
                    "ordered_count": ordered,
                    "bundle_count": -(-ordered // BUNDLE_PLANTS),
                    "guard_count": whole if guarded else 0,
                    "stake_count": whole if guarded or design.stakes else 0,
                    "person_days": days.quantize(CENT, ROUND_HALF_UP),
                }
            )
    return pd.DataFrame(found, columns=list(ORDER_COLUMNS))


def plant_totals(order: pd.DataFrame) -> pd.DataFrame:
    """The plant order by holding and species.

    Parameters
    ----------
    order : DataFrame
        As `plant_order` returns it.

    Returns
    -------
    DataFrame
        The columns of `order` without ``belt``, in the order of first use. Bundles hold plants of
        several belts, so they may be fewer than those of the belts together.
    """
    found = order.drop(columns=["belt", "bundle_count"])
    found = found.groupby(["holding_id", "species", "plant_type"], sort=False, as_index=False).sum()
    bundles = -(-found["ordered_count"].astype(int) // BUNDLE_PLANTS)
    return found.assign(bundle_count=bundles)[[c for c in ORDER_COLUMNS if c != "belt"]]


def holding_totals(
    order: pd.DataFrame, bill: pd.DataFrame, belts: gpd.GeoDataFrame, currency: str
) -> pd.DataFrame:
    """Belts, plants, work and cost by holding.

    Parameters
    ----------
    order, bill : DataFrame
        As `plant_order` and `bill_of_quantities` return them.
    belts : GeoDataFrame
        As for `plant_order`.
    currency : str

    Returns
    -------
    DataFrame
        ``holding_id, belt_count, length_m, plant_count, ordered_count, person_days, cost,
        currency``; work and cost are decimals.
    """
    by = belts.assign(length_m=belts.geometry.length).groupby("holding_id", sort=False)
    found = by["length_m"].agg(["size", "sum"]).set_axis(["belt_count", "length_m"], axis=1)
    zero: dict[str, Any] = {"plant_count": 0, "ordered_count": 0, "person_days": Decimal(0)}
    for column, none in zero.items():
        found[column] = order.groupby("holding_id")[column].sum()
        found[column] = found[column].where(found[column].notna(), none)
    found = found.astype({"plant_count": int, "ordered_count": int})
    found["cost"] = costs_by("holding_id", bill)
    found["cost"] = found["cost"].where(found["cost"].notna(), Decimal(0))
    return found.assign(currency=currency).reset_index()


def _by_kind(counts: pd.Series, design: BeltDesign) -> dict[tuple[str, str], int]:
    """Plants of a belt by species and whether they are cuttings."""
    found: dict[tuple[str, str], int] = {}
    numbers: dict[Any, Any] = counts.to_dict()
    for (row, species), planted in numbers.items():
        kind = CUTTING if species in design.rows[row - 1].cuttings else PLANT
        found[species, kind] = found.get((species, kind), 0) + int(planted)
    return found


def bill_of_quantities(
    order: pd.DataFrame,
    plan: Layout,
    belts: gpd.GeoDataFrame,
    designs: Mapping[str, BeltDesign],
    currency: str,
) -> pd.DataFrame:
    """What a contractor supplies and builds, belt by belt, with costs.

    Parameters
    ----------
    order : DataFrame
        As `plant_order` returns it.
    plan : Layout
    belts : GeoDataFrame
        As for `plant_order`.
    designs : dict of BeltDesign
    currency : str

    Returns
    -------
    DataFrame
        With `BILL_COLUMNS`; quantities, prices and costs are decimals, each cost rounded to two
        decimals, halves up. Lengths count to the centimetre. Price and cost are None where the
        price is 0, as of items that a design states no price for: 0 would read as free.
    """
    found = []
    lengths = belts.geometry.length
    orders, all_fences = (dict(list(t.groupby("belt", sort=False))) for t in (order, plan.fences))
    for belt, name, holding, length in zip(
        belts["belt"], belts["design"], belts["holding_id"], lengths, strict=True
    ):
        own = orders.get(belt, order.iloc[:0])
        fences = all_fences.get(belt, plan.fences.iloc[:0])
        if own.empty and fences.empty:
            continue
        for item, unit, quantity, price in _items(own, fences, designs[name], length):
            cost = (quantity * price).quantize(CENT, ROUND_HALF_UP) if price else None
            values = (holding, belt, item, unit, quantity, price or None, cost, currency)
            found.append(dict(zip(BILL_COLUMNS, values, strict=True)))
    return pd.DataFrame(found, columns=list(BILL_COLUMNS))


def costs_by(column: str, bill: pd.DataFrame) -> pd.Series:
    """Costs of the bill, added up.

    Parameters
    ----------
    column : str
        Column of the bill by whose values costs are added.
    bill : DataFrame
        As `bill_of_quantities` returns it.

    Returns
    -------
    Series
        Decimals, currency units; without values all of whose items have no price.
    """
    costs: pd.Series = bill.dropna(subset="cost").groupby(column)["cost"].sum()
    return costs


def _items(
    own: pd.DataFrame, fences: pd.DataFrame, design: BeltDesign, length_m: float
) -> Iterator[tuple[str, str, Decimal, Decimal]]:
    """Items of a belt: what, unit, quantity, price; 0 where none is stated."""
    prices = design.prices
    for species, plant_type, number in zip(
        own["species"], own["plant_type"], own["ordered_count"], strict=True
    ):
        price = prices.plants.get(species, prices.plant)
        kind = " (cutting)" if plant_type == CUTTING else ""
        yield f"{species}{kind}", "plants", Decimal(number), price
    mulched = int(own["plant_count"].sum()) if design.mulch else 0
    for item, number, price in (
        ("guards", int(own["guard_count"].sum()), prices.guard),
        ("stakes", int(own["stake_count"].sum()), prices.stake),
        ("mulch", mulched, prices.mulch),
    ):
        if number:
            yield item, "pieces", Decimal(number), price
    for against, part in fences.groupby("fence_type"):
        price = prices.fence_per_m if against == BROWSER_FENCE else prices.stock_fence_per_m
        fence = f"fence against {against}"
        yield fence, "m", _metres(part["length_m"].sum()), price
        for item, column in (("strainer posts", "strainer_count"), ("gates", "gate_count")):
            yield f"{item} of the {fence}", "pieces", _whole(part[column]), Decimal(0)
    days: Any = sum(own["person_days"], Decimal(0))
    if days:
        yield "planting and protecting", "person-days", days, prices.labour_per_day
    if prices.other_per_m:
        yield "other work", "m", _metres(length_m), prices.other_per_m


def _metres(length_m: float) -> Decimal:
    return Decimal(f"{length_m:.2f}")


def _whole(numbers: pd.Series) -> Decimal:
    return Decimal(int(numbers.sum()))
