"""Files of belt designs: what is refused and why, costs by hand, protection, evergreen share."""

from __future__ import annotations

import copy
from decimal import Decimal

import pytest

from shelterscape import data
from shelterscape.errors import InputError
from shelterscape.process.design_files import (
    HIGHEST_PRICE,
    PACKAGED,
    designs_from,
    packaged_designs,
)
from shelterscape.science.planting.design import FENCE, GUARDS, NONE, protection
from shelterscape.science.purposes import purposes

BOOK = packaged_designs()
PLANTED = [design for design in BOOK.designs.values() if design.rows]


def file_of(row=(), prices=(), **changes):
    """A file with one design of two species in one row."""
    rows = [{"offset_m": 0, "spacing_m": 0.5, "species": {"oak": 0.6, "hazel": 0.4}} | dict(row)]
    design = {"width_m": 4, "species": "oak", "porosity": 0.3, "prices": dict(prices), "row": rows}
    return {"currency": "EUR", "design": {"mine": design | changes}}


def mine(row=(), prices=(), **changes):
    return designs_from(file_of(row, prices, **changes), "mine.toml").design("mine")


def test_every_purpose_has_a_design_with_suitable_porosity():
    for name, purpose in purposes().items():
        if name == "old trees":
            continue  # no belt is tall enough after 20 years
        design = BOOK.design_for(name)
        seen = design.bare_porosity if purpose.season == "bare" else design.porosity
        assert purpose.porosity[0] - 0.01 <= seen <= purpose.porosity[1] + 0.01, name


def test_packaged_designs_follow_their_sources():
    """Seen: 6 plants a metre in a staggered double row; 67 plants per 100 m of row at 1.5 m."""
    hedge = BOOK.design("uncut hedge")
    belts = [design for design in PLANTED if design != hedge]
    assert len(hedge.rows) == 2 and float(sum(hedge.plants_per_m().values())) == pytest.approx(
        6, abs=0.01
    )
    for belt in belts:
        assert [round(100 / row.spacing_m) for row in belt.rows] == [67] * len(belt.rows)
        gaps = [b.offset_m - a.offset_m for a, b in zip(belt.rows[:-1], belt.rows[1:], strict=True)]
        assert gaps == [1.5] * len(gaps)
    for design in PLANTED:
        shares = design.plants_per_m()
        # No belt of a single species, and none led by one with shallow roots.
        assert design.source and max(shares.values()) < 0.7 * sum(shares.values())
        assert design.species not in ("Norway spruce", "Sitka spruce")


def test_cost_of_a_metre_by_hand():
    """2 plants a metre, 1.2 oak and 0.8 hazel; 1 of 5 is lost, so 2.5 are ordered."""
    prices = {
        "plant": 1,
        "plants": {"oak": "2.00"},
        "guard": "1.10",
        "stake": "0.40",
        "mulch": "0.25",
        "fence_per_m": 9,
        "stock_fence_per_m": 7,
        "labour_per_day": 200,
        "other_per_m": "0.13",
    }
    given = {"loss_share": 0.2, "plants_per_day": 100, "mulch": True, "stock": True}
    plain = Decimal("0.13") + Decimal("1.5") * 2 + 1 + 5 + Decimal("0.5") + 14
    assert mine(prices=prices, **given).cost_per_m == plain
    # Guards with stakes cost 2 · 1.50; fences on both sides 2 · (9 − 7) more than those for stock.
    guarded = mine(prices=prices, browsers=["rabbit", "vole"], **given)
    assert guarded.cost_per_m == plain + 3
    # A cutting needs neither guard nor stake: 1.2 plants · 1.50.
    cuttings = mine({"cuttings": ["hazel"]}, prices, browsers=["rabbit"], **given)
    assert cuttings.cost_per_m == plain + Decimal("1.80")


def test_the_cheaper_protection_is_chosen_and_the_break_even_is_where_both_cost_the_same():
    prices = {"guard": "1.50", "stake": "0.50", "fence_per_m": 9}
    below, at, above = (
        protection(mine({"spacing_m": 1 / n}, prices, browsers=["red deer"])) for n in (8, 9, 10)
    )
    assert below.break_even_plants_per_m == 9.0
    assert (below.way, above.way) == (GUARDS, FENCE)
    assert float(at.guards_per_m) == pytest.approx(float(at.fence_per_m))
    assert below.height_m == 1.8
    assert protection(mine(prices=prices)).way == NONE


def test_evergreen_share_and_rows_too_close_for_a_machine():
    dense = BOOK.design("dense stock belt")
    # Rows have as many plants each: (0.5 + 0.8 + 0.8 + 0.6) / 4.
    assert dense.evergreen_share == pytest.approx(2.7 / 4)
    assert dense.narrow_gaps(1.5) == [] and dense.narrow_gaps(1.6) == [2, 3, 4]


def test_natural_regeneration_has_fences_and_no_plants():
    """Fences on both sides at 6.50 a metre."""
    design = BOOK.design("natural regeneration")
    assert (design.cost_per_m, design.evergreen_share) == (Decimal(13), 0.0)
    assert not design.plants_per_m() and protection(design).way == NONE


def test_defaults():
    design = mine()
    # Oak and hazel have the same porosity without leaves in the table of species.
    assert (design.cost_per_m, round(design.bare_porosity, 9)) == (Decimal(0), 0.55)
    holly = mine(species="holly", row={"species": {"holly": 1}})
    assert holly.bare_porosity == pytest.approx(0.3)
    assert designs_from(file_of(), "x").restoration == BOOK.restoration
    assert designs_from(file_of() | {"restoration": {}}, "x").restoration == {}


@pytest.mark.parametrize(
    ("changes", "code", "word"),
    [
        ({"widht_m": 3}, "name-unknown", "width_m"),
        ({"row": {"spacing": 3}}, "name-unknown", "spacing_m"),
        ({"prices": {"gaurd": 3}}, "name-unknown", "guard"),
        ({"cost_per_m": 12}, "input-refused", "other_per_m"),
        ({"rows": 2}, "input-refused", "[[design.NAME.row]]"),
        ({"porosity": 40}, "input-refused", "porosity"),
        ({"bare_porosity": -0.01}, "input-refused", "bare_porosity"),
        ({"prices": {"plant": "16.505"}}, "input-refused", "plant"),
        ({"prices": {"plant": -1}}, "input-refused", "plant"),
        ({"prices": {"plant": "NaN"}}, "input-refused", "plant"),
        ({"prices": {"other_per_m": HIGHEST_PRICE + 1}}, "input-refused", "other_per_m"),
        ({"prices": {"plants": {"bramble": 1}}}, "name-unknown", "species"),
        ({"species": "ask"}, "input-refused", "in no row"),
        ({"row": {"species": {"oak": 0.5, "haazel": 0.5}}}, "name-unknown", "hazel"),
        ({"row": {"species": {"oak": 0.5, "hazel": 0.4}}}, "input-refused", "add up to 1"),
        ({"row": {"cuttings": ["willow"]}}, "input-refused", "willow"),
        ({"row": {"offset_m": 1}}, "input-refused", "first row"),
        ({"fence_offset_m": 1.4}, "input-refused", "fence_offset_m"),
        ({"browsers": ["moose"]}, "input-refused", "browsers"),
        ({"suits": ["fun"]}, "name-unknown", "purpose"),
    ],
)
def test_a_bad_design_is_refused(changes, code, word):
    with pytest.raises(InputError) as caught:
        mine(**changes)
    assert caught.value.code == code and "mine.toml" in caught.value.where
    assert caught.value.hint and word in str(caught.value)


@pytest.mark.parametrize(
    ("place", "key", "value", "word"),
    [
        ((), "designs", {}, "Did you mean design"),
        ((), "currency", "euro", "currency"),
        ((), "design", {}, "design"),
        (("restoration",), "burn", {"cost_per_m": 1}, "burn"),
        (("restoration", "lay"), "tallest_m", None, "tallest_m"),
        (("restoration", "thin"), "tallest_m", 4, "tallest_m"),
    ],
)
def test_a_bad_file_is_refused(place, key, value, word):
    raw = copy.deepcopy(data.toml(PACKAGED))
    part = raw
    for step in place:
        part = part[step]
    part[key] = value
    with pytest.raises(InputError, match=word) as caught:
        designs_from(raw, "mine.toml")
    assert "mine.toml" in caught.value.where and caught.value.hint
