"""`siting` with a budget net of grant, compared with `grant-overlay` on the chosen belts."""

from __future__ import annotations

import pandas as pd
import pytest
from run_helpers import NORTH, WEST
from shapely import box
from test_siting_process import inputs, layer, save  # noqa: F401

import shelterscape
from shelterscape.errors import InputError
from shelterscape.science.siting.budgets import OVER_BUDGET

pytestmark = pytest.mark.slow

SCHEME = """
name = "hill shelter"
rules_date = 2026-01-01
source = "invented for a test"
status = "invented"
currency = "EUR"
opens = 2026-01-01
closes = 2040-12-31

[qualify]
categories = ["shelter"]
min_block_ha = 0.1
area_to = "stems"

[[pay]]
what = "share of the cost"
kind = "capital"
per = "cost"
percent = 50
"""


@pytest.fixture
def granted(inputs, tmp_path):  # noqa: F811
    """Inputs with a scheme that pays half the cost of blocks of at least 0.1 ha, in the east."""
    scheme = tmp_path / "scheme.toml"
    scheme.write_text(SCHEME, encoding="utf-8")
    east = box(WEST + 190, NORTH - 600, WEST + 600, NORTH)
    areas = save(tmp_path / "areas.gpkg", "areas", [east], category=["shelter"])
    plain = {name: value for name, value in inputs.items() if name != "budget_m"}
    return plain | {"schemes": [str(scheme)], "grant_areas": [areas], "monte_carlo_runs": 2}


def cents(amounts):
    """Decimal amounts as whole minor units; an amount that is no whole number of them fails."""
    found = (100 * amounts).round().astype("int64")
    assert (found / 100 == amounts).all()
    return found


def overlay(result, given, out):
    """Payments for the chosen belts by `grant-overlay`, in minor units, and the chosen belts."""
    path = out.parent / "chosen.gpkg"
    chosen = layer(result, "chosen_belts")
    new = chosen[chosen["action"] == "plant"]
    new.to_file(path, layer="chosen", driver="GPKG")
    paid = shelterscape.grant_overlay(
        belts=f"{path}:chosen",
        schemes=given["schemes"],
        grant_areas=given["grant_areas"],
        start_year=given["planting_year"],
        out=out,
    )
    table = pd.read_csv(paid.tables["grant_by_scheme"])
    return int(cents(table["payment"]).sum()), chosen


def test_net_cost_is_cost_minus_payments_of_grant_overlay(granted, tmp_path):
    found = shelterscape.siting(**granted, budget_net="20000", out=tmp_path / "o")
    paid, chosen = overlay(found, granted, tmp_path / "p")
    gross = int(cents(chosen["cost"]).sum())
    curve = pd.read_csv(found.tables["benefit_curve"])
    assert (curve["currency"] == "EUR").all() and (chosen["currency"] == "EUR").all()
    costs, net_costs = cents(curve["cost"]), cents(curve["net_cost"])
    assert 0 < paid < gross
    assert costs.iloc[-1] == gross
    assert net_costs.iloc[-1] == gross - paid
    assert gross - paid <= 2_000_000 < gross
    assert curve["set_benefit_ha"].is_monotonic_increasing
    assert (net_costs <= costs).all()
    assert (net_costs >= 0.05 * costs - 1).all()


def test_a_grant_adds_shelter_within_the_same_budget(granted, tmp_path):
    without = {k: v for k, v in granted.items() if k not in ("schemes", "grant_areas")}
    plain = shelterscape.siting(**without, budget="20000", out=tmp_path / "a")
    granted_ = shelterscape.siting(**granted, budget_net="20000", out=tmp_path / "b")
    benefits = [
        pd.read_csv(result.tables["benefit_curve"])["set_benefit_ha"].iloc[-1]
        for result in (plain, granted_)
    ]
    assert benefits[1] > benefits[0]


def test_a_scheme_that_pays_nothing_changes_nothing(granted, tmp_path):
    """No block is large enough, so the choice is that without a grant."""
    scheme = tmp_path / "idle.toml"
    scheme.write_text(SCHEME.replace("0.1", "50.0"), encoding="utf-8")
    idle = shelterscape.siting(
        **granted | {"schemes": [str(scheme)]}, budget_net="20000", out=tmp_path / "a"
    )
    without = {k: v for k, v in granted.items() if k not in ("schemes", "grant_areas")}
    plain = shelterscape.siting(**without, budget="20000", out=tmp_path / "b")
    names = [layer(r, "chosen_belts")["candidate"].tolist() for r in (idle, plain)]
    assert names[0] == names[1]
    curve = pd.read_csv(idle.tables["benefit_curve"])
    assert (curve["cost"] == curve["net_cost"]).all()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"schemes": [], "budget_net": "10"}, "schemes"),
        ({"budget": "10"}, "budget_net"),
        ({}, "budget_m"),
        ({"budget_net": "much"}, "budget_net"),
    ],
)
def test_a_budget_that_does_not_fit_the_schemes_is_an_error(granted, changes, words, tmp_path):
    with pytest.raises(InputError, match=words):
        shelterscape.siting(**granted | changes, out=tmp_path / "o")
    assert not (tmp_path / "o").exists()


def test_reasons_with_grants_and_where_nothing_is_chosen(granted, tmp_path):
    """Reasons depend on the cost of single lines net of grant."""
    free = granted | {
        "candidate_lines": None,
        "candidate_types": ("parcel-edges",),
        "monte_carlo_runs": 0,
    }
    for budget in ("1", "3000"):
        found = shelterscape.siting(**free, budget_net=budget, out=tmp_path / budget)
        every = layer(found, "candidates")
        costs, limit = cents(every["cost"]), 100 * int(budget)
        # A grant pays half at most, so a line of more than twice the limit exceeds it by itself.
        reasons = every.loc[costs > 2 * limit, "reason"]
        assert not reasons.str.contains("chosen|does not fit").any()
        over = every["reason"].str.startswith(OVER_BUDGET)
        if budget == "1":
            short = every["reason"].str.startswith(("adds too little", "shorter than"))
            assert (over | short).all()
        else:
            assert every["reason"].str.match("chosen(;|$)").any()
        assert over.any()
        assert (costs[over] > limit).all()


def test_schemes_with_other_minor_units_than_costs_are_an_error(granted, tmp_path):
    """Costs of siting have two decimals; payments in thousandths cannot be subtracted from them."""
    scheme = tmp_path / "thousandths.toml"
    scheme.write_text(SCHEME.replace("opens", "minor_per_major = 1000\nopens"), encoding="utf-8")
    with pytest.raises(InputError, match="100 minor units") as caught:
        shelterscape.siting(
            **granted | {"schemes": [str(scheme)]}, budget_net="10", out=tmp_path / "o"
        )
    assert caught.value.value == 1000
    assert caught.value.hint
