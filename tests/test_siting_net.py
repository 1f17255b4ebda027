"""`siting` on money net of grant: held to what `grant-overlay` pays for the belts chosen."""

from __future__ import annotations

import pandas as pd
import pytest
from run_helpers import NORTH, WEST
from shapely import box
from test_siting_process import inputs, layer, save  # noqa: F401

import shelterscape
from shelterscape.errors import InputError

pytestmark = pytest.mark.slow

SCHEME = """
name = "hill shelter"
dated = 2026-01-01
source = "made up for a test"
status = "invented"
currency = "EUR"
opens = 2026-01-01
closes = 2040-12-31

[qualify]
categories = ["shelter"]
least_block_ha = 0.1
area_to = "stems"

[[pay]]
what = "share of the cost"
kind = "capital"
per = "cost"
percent = 50
"""


@pytest.fixture
def granted(inputs, tmp_path):  # noqa: F811
    """Inputs with a scheme that pays half of what blocks of .1 ha cost, on the eastern ground."""
    scheme = tmp_path / "scheme.toml"
    scheme.write_text(SCHEME, encoding="utf-8")
    east = box(WEST + 190, NORTH - 600, WEST + 600, NORTH)
    areas = save(tmp_path / "areas.gpkg", "areas", [east], category=["shelter"])
    plain = {name: value for name, value in inputs.items() if name != "budget_m"}
    return plain | {"schemes": [str(scheme)], "grant_areas": [areas], "reruns": 2}


def overlay(result, given, out):
    """What the schemes pay for the belts chosen, by the process made for that."""
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
    return int(table["payment_minor"].sum()), chosen


def test_money_net_of_grant_is_cost_less_what_the_schemes_pay(granted, tmp_path):
    found = shelterscape.siting(**granted, budget_net="20000", out=tmp_path / "o")
    paid, chosen = overlay(found, granted, tmp_path / "p")
    gross = int(chosen["cost_minor"].sum())
    last = pd.read_csv(found.tables["benefit_curve"]).iloc[-1]
    assert 0 < paid < gross
    assert last["cost_minor"] == gross
    assert last["net_cost_minor"] == gross - paid
    assert gross - paid <= 2_000_000 < gross
    curve = pd.read_csv(found.tables["benefit_curve"])
    assert curve["benefit_ha"].is_monotonic_increasing
    assert (curve["net_cost_minor"] <= curve["cost_minor"]).all()
    assert (curve["net_cost_minor"] >= 0.05 * curve["cost_minor"] - 1).all()


def test_a_grant_never_brings_less_shelter_for_the_money(granted, tmp_path):
    without = {k: v for k, v in granted.items() if k not in ("schemes", "grant_areas")}
    plain = shelterscape.siting(**without, budget="20000", out=tmp_path / "a")
    helped = shelterscape.siting(**granted, budget_net="20000", out=tmp_path / "b")
    most = [pd.read_csv(r.tables["benefit_curve"])["benefit_ha"].iloc[-1] for r in (plain, helped)]
    assert most[1] > most[0]


def test_a_scheme_that_pays_nothing_changes_nothing(granted, tmp_path):
    """No block is large enough: the choice is that of plain money."""
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
    assert (curve["cost_minor"] == curve["net_cost_minor"]).all()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"schemes": [], "budget_net": "10"}, "give the scheme files"),
        ({"budget": "10"}, "give it as budget_net"),
        ({}, "Give a budget"),
        ({"budget_net": "much"}, "an amount of money"),
    ],
)
def test_money_and_schemes_must_fit(granted, changes, words, tmp_path):
    with pytest.raises(InputError, match=words):
        shelterscape.siting(**granted | changes, out=tmp_path / "o")
    assert not (tmp_path / "o").exists()


def test_reasons_where_grants_count_and_where_nothing_is_chosen(granted, tmp_path):
    """Costs of single lines net of grant are those that `grant-overlay` leaves."""
    free = granted | {"candidate_lines": None, "offer": ("edges",), "reruns": 0}
    for budget in ("1", "3000"):
        found = shelterscape.siting(**free, budget_net=budget, out=tmp_path / budget)
        every = layer(found, "candidates")
        told = every["reason"].value_counts()
        limit = 100 * int(budget)
        # A grant pays half at most, so a line of more than twice the limit exceeds it by itself.
        dear = every[every["cost_minor"] > 2 * limit]
        wrong = {"chosen", "does not fit the budget beside the belts chosen"}
        assert not wrong & set(dear["reason"])
        if budget == "1":
            assert set(told.index) <= {
                "more than the whole budget by itself",
                "brings next to nothing",
            }
        else:
            assert told["chosen"] >= 1
        over = every[every["reason"] == "more than the whole budget by itself"]
        assert len(over) >= 1
        assert (over["cost_minor"] > limit).all()
