"""Plants to order and bill of quantities: by hand, and by an independent count of the layer."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal

import geopandas as gpd
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString

from shelterscape.process.design_files import packaged_designs
from shelterscape.science.planting.design import PlantedRow, Prices
from shelterscape.science.planting.design_costs import design_costs
from shelterscape.science.planting.layout import Site, layout
from shelterscape.science.planting.order import (
    bill_of_quantities,
    costs_by,
    ordered_count,
    plant_order,
)

DESIGNS = packaged_designs().designs


def ordered(lines, names, designs=DESIGNS):
    belts = gpd.GeoDataFrame(
        {
            "belt": [f"B{i}" for i in range(len(lines))],
            "design": names,
            "holding_id": [f"H{i % 2}" for i in range(len(lines))],
        },
        geometry=lines,
        crs="EPSG:25832",
    )
    plan = layout(belts, designs, Site(270.0))
    order = plant_order(plan, belts, designs)
    return plan, order, bill_of_quantities(order, plan, belts, designs, "EUR")


def test_the_rule_for_losses():
    """1000 at a survival of 80 % is 1250, not 1200 as by adding 20 %."""
    assert ordered_count(1000, 0.2) == 1250
    assert [ordered_count(n, 0.1) for n in (0, 1, 9, 90)] == [0, 2, 10, 100]


@given(st.integers(0, 10_000), st.integers(0, 90))
def test_enough_plants_survive_and_not_one_more_is_ordered(planted, percent):
    number = ordered_count(planted, percent / 100)
    assert number * (100 - percent) >= planted * 100
    assert (number - 1) * (100 - percent) < planted * 100 or planted == 0


def test_a_belt_by_hand():
    """One row of 30 m at 1 m: 20 oak plants and 10 willow rods; a fifth is lost."""
    design = dataclasses.replace(
        DESIGNS["uncut hedge"],
        rows=(PlantedRow(0.0, 1.0, {"oak": 2 / 3, "willow": 1 / 3}, 4, ("willow",)),),
        prices=Prices(
            plant=Decimal("0.35"),
            plants={"oak": Decimal("1.15")},
            guard=Decimal("0.90"),
            stake=Decimal("0.40"),
            fence_per_m=Decimal(99),
            stock_fence_per_m=Decimal("6.05"),
            labour_per_day=Decimal(200),
            other_per_m=Decimal("1.01"),
        ),
        loss_share=0.2,
        plants_per_day=100.0,
        mulch=False,
    )
    _, order, bill = ordered([LineString([(0, 0), (0, 30)])], ["mine"], {"mine": design})
    by_species = order.set_index("species")
    assert by_species["ordered_count"].to_dict() == {"oak": 25, "willow": 13}
    assert by_species["guard_count"].to_dict() == {"oak": 20, "willow": 0}
    costs = bill.set_index("item")["cost"].to_dict()
    assert costs_by("holding_id", bill).to_dict() == {"H0": sum(filter(None, costs.values()))}
    assert costs == {
        "oak": Decimal("28.75"),
        "willow (cutting)": Decimal("4.55"),
        "guards": Decimal("18.00"),
        "stakes": Decimal("8.00"),
        # 2 · (30 + 3) + 2 · 3 = 72 m.
        "fence against stock": Decimal("435.60"),
        # They have no price; 0 would read as free.
        "strainer posts of the fence against stock": None,
        "gates of the fence against stock": None,
        "planting and protecting": Decimal("76.00"),
        "other work": Decimal("30.30"),
    }


def test_sums_by_holding_equal_an_independent_count_of_the_clumps():
    lines = [LineString([(x, 0), (x, 200 + 37 * i)]) for i, x in enumerate((0, 100, 200))]
    names = ["uncut hedge", "three-row belt", "dense stock belt"]
    plan, order, _ = ordered(lines, names)
    counted = plan.rows.drop(columns="geometry").pivot_table(
        index="belt", columns="species", values="plant_count", aggfunc="sum", fill_value=0
    )
    table = order.pivot_table(
        index="belt", columns="species", values="plant_count", aggfunc="sum", fill_value=0
    )
    pd.testing.assert_frame_equal(counted, table, check_dtype=False)
    for row in order.itertuples():
        assert row.ordered_count == math.ceil(round(row.plant_count / 0.85, 9))
    assert order.groupby("holding_id")["belt"].unique().map(list).to_dict() == {
        "H0": ["B0", "B2"],
        "H1": ["B1"],
    }
    # A long belt costs what siting calculates from its length; fences around ends differ.
    long, name = LineString([(0, 0), (0, 5000)]), "three-row belt"
    _, _, dear = ordered([long], [name])
    assert float(dear["cost"].sum()) == pytest.approx(
        5000 * float(DESIGNS[name].cost_per_m), rel=0.002
    )


def test_guards_and_fence_by_hand():
    """Three rows at 1.5 m: 2 plants a metre. Guard 1.60 + stake 0.60: 4.40 a metre of belt.

    A fence of 11.00 on both sides replaces stock fences of 5.00: 12.00, as much as guards for
    12 / 2.2 = 5.45 plants a metre.
    """
    designs = packaged_designs()
    (row,) = design_costs(
        {"three-row belt": designs.design("three-row belt")}, {"three-row belt": 2027}, "EUR"
    ).itertuples()
    assert (row.plants_per_m, row.protection, row.protection_height_m) == (2.0, "guards", 1.2)
    assert (row.guards_cost_per_m, row.fence_cost_per_m) == (Decimal("4.40"), Decimal("12.00"))
    assert row.break_even_plants_per_m == pytest.approx(12 / 2.2)
    assert row.guards_removed_year == 2035
    hedge = designs.design("uncut hedge")
    (row,) = design_costs({"uncut hedge": hedge}, {"uncut hedge": 2027}, "EUR").itertuples()
    # 6 plants a metre × 0.70 = 4.20 against 2 × (9.50 − 5.00) = 9.00.
    assert row.guards_cost_per_m == Decimal("4.20") and row.fence_cost_per_m == Decimal("9.00")


def test_a_design_without_prices_costs_nothing_that_is_stated():
    design = dataclasses.replace(DESIGNS["uncut hedge"], prices=Prices())
    _, _, bill = ordered([LineString([(0, 0), (0, 30)])], ["mine"], {"mine": design})
    assert len(bill) > 3
    assert bill[["price", "cost"]].isna().all(axis=None)
    assert costs_by("belt", bill).empty
