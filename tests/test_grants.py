"""Grants: rules with their reasons, the example of the page, widening, thresholds, net cost."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import chain, combinations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from conftest import ROOT
from grant_helpers import CRS, HILL, YEAR, belts, ground, paid, scheme
from shapely import box

from shelterscape.errors import InputError
from shelterscape.process.grant_files import scheme_from
from shelterscape.science import grants
from shelterscape.science.grants.maps import Agreement
from shelterscape.science.grants.parts import FAILS, QUALIFIES, parts
from shelterscape.science.grants.paying import amount_of
from shelterscape.science.grants.scheme import Scheme
from shelterscape.science.grants.thresholds import Threshold

PAGE = (ROOT / "docs" / "grants.md").read_text(encoding="utf-8")
LINE = [(0, 0), (150, 0)]


def reasons(found) -> list[str]:
    """Reasons of parts that do not qualify, in order."""
    return list(found.loc[found["qualification"] == FAILS, "reason"])


# ---- the example of docs/grants.md (status D: calculated by hand there)


def example():
    """Belts, scheme and area as the page describes them."""
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    rules = scheme_from(tomllib.loads(text, parse_float=Decimal), "docs/grants.md")
    frame = belts(LINE, [(156, 0), (256, 0)], name=["A", "B"], parcel_id=["P1", "P2"])
    return ground(frame, rules, areas={"hill": box(-100, -100, 210, 100)})


def test_the_payments_of_the_example():
    found = grants.payments(example(), 2027)
    scheme_ = found.ground.schemes[0]
    ours = [
        (
            found.ground.belts["name"].iloc[row.belt],
            scheme_.rates[row.rate].what,
            str(row.year),
            f"{row.uncapped_minor / 100:.2f}",
            f"{row.amount_minor / 100:.2f}",
        )
        for row in found.rows
    ]
    body = PAGE.partition("| belt | payment | year |")[2].partition("\n\n")[0]
    page = [tuple(c.strip() for c in line.split("|")[1:-1]) for line in body.splitlines()[2:]]
    assert ours == page
    assert found.total_minor == 303_950
    assert "3039.50 EUR." in PAGE


def test_the_areas_and_lengths_of_the_example():
    found = parts(grants.payments(example(), 2027))
    reported = found[
        ["name", "qualification", "part_area_ha", "part_length_m", "block"]
    ].values.tolist()
    assert sorted(reported) == [
        ["A", QUALIFIES, 0.2128, 150.0, 1],
        ["B", FAILS, 0.0658, 46.0, 0],
        ["B", QUALIFIES, 0.0770, 54.0, 1],
    ]
    assert reasons(found) == ["outside grant areas of: hill"]


def test_neither_belt_of_the_example_qualifies_alone():
    two = example()
    assert [grants.payments(two, 2027, [i]).total_minor for i in (0, 1)] == [0, 0]
    assert reasons(parts(grants.payments(two, 2027, [0]))) == [
        "block of 0.2128 ha, at least 0.25 ha required"
    ]


# ---- rates


@pytest.mark.parametrize(
    ("rate", "amount"),
    [
        # 150 m by 12 m: 0.18 ha, 450 plants at 2500 per ha (arithmetic)
        ({"per": "ha", "amount": 6000}, 108_000),
        ({"per": "m", "amount": Decimal("0.125")}, 1_875),
        ({"per": "tree", "amount": Decimal("1.45")}, 65_250),
        ({"per": "tree", "amount": Decimal("1.45"), "percent": 40}, 26_100),
        ({"per": "cost", "percent": 35}, 70_000),
        ({"per": "m", "amount": Decimal("0.0001")}, 2),  # 1.5 rounded half up
    ],
)
def test_each_kind_of_rate(rate, amount):
    rules = scheme(pay=[{"what": "x", "kind": "capital", **rate}])
    assert paid(belts(LINE, cost=[2000]), rules).total_minor == amount


@pytest.mark.parametrize("kind", ["annual", "maintenance"])
def test_payments_by_year_are_in_their_years(kind):
    rates = [
        {"what": "once", "kind": "capital", "per": "m", "amount": 1},
        {
            "what": "care",
            "kind": kind,
            "per": "m",
            "amount": Decimal("0.1"),
            "year": 3,
            "years": 4,
        },
    ]
    found = paid(belts(LINE), scheme(pay=rates))
    assert [(r.year, r.amount_minor) for r in found.rows] == [
        (2027, 15_000),
        *((year, 1_500) for year in range(2029, 2033)),
    ]


def test_payments_for_a_later_phase_start_in_its_year():
    found = paid(belts(LINE, [(0, 50), (150, 50)], planted_year=[2029, 1990]))
    assert sorted(row.year for row in found.rows) == [2027, 2029]


def test_a_share_of_an_unknown_cost_is_not_paid():
    rules = scheme(pay=[{"what": "x", "kind": "capital", "per": "cost", "percent": 35}])
    assert paid(belts(LINE), rules).rows == ()


# ---- each rule, with the figure that does not meet it


@pytest.mark.parametrize(
    ("qualify", "columns", "reason"),
    [
        ({"min_width_m": 20}, {}, "12 m wide to the outer stems, at least 20 m required"),
        (
            {"min_width_m": 20, "area_to": "fence", "fence_m": 1.5},
            {},
            "15 m wide to the fence, at least 20 m required",
        ),
        ({"min_block_ha": 0.5}, {}, "block of 0.1800 ha, at least 0.5 ha required"),
        ({"min_length_m": 200}, {}, "block 150.0 m long, at least 200 m required"),
        (
            {"min_native_share": 0.6, "native_species": ["Oak"]},
            {"species": ["oak 50 %, Sitka spruce 50 %"]},
            "native share 50 %, at least 60 % required",
        ),
        (
            {"min_native_share": 0.6, "native_species": ["oak"]},
            {"species": [""]},
            "native share unknown (no species given), at least 60 % required",
        ),
        (
            {"max_evergreen_share": 0.3},
            {"species": ["holly, oak"]},
            "evergreen share 50 %, at most 30 % allowed",
        ),
        (
            {"species_not_paid": ["Sitka spruce"]},
            {"species": ["sitka spruce 10 %, oak 90 %"]},
            "species not paid: sitka spruce",
        ),
        (
            {"min_plants_per_ha": 2600},
            {},
            "2500 plants per hectare, at least 2600 required",
        ),
        (
            {"max_plants_per_ha": 1600},
            {"plants_per_ha": [1800]},
            "1800 plants per hectare, at most 1600 allowed",
        ),
        (
            {"max_open_share": 0.1},
            {"open_share": [0.2]},
            "open ground 20 %, at most 10 % allowed",
        ),
        ({}, {"belt_type": ["Wall"]}, "a wall is not planted"),
    ],
)
def test_a_belt_that_breaks_a_rule_is_not_paid_and_the_figure_is_stated(qualify, columns, reason):
    found = paid(belts(LINE, **columns), scheme(qualify=qualify))
    assert reasons(parts(found)) == [reason]
    assert found.total_minor == 0
    if qualify:
        assert paid(belts(LINE, **columns)).total_minor > 0


def test_every_rule_that_is_not_met_is_stated():
    found = paid(belts(LINE), scheme(qualify={"min_width_m": 20, "min_plants_per_ha": 3000}))
    assert reasons(parts(found))[0].count("required") == 2


def test_a_belt_exactly_at_the_limits_qualifies():
    exact = {"min_width_m": 12, "min_length_m": 150, "min_block_ha": 0.18}
    exact |= {
        "min_plants_per_ha": 2500,
        "max_plants_per_ha": 2500,
        "max_open_share": 0,
    }
    assert paid(belts(LINE), scheme(qualify=exact)).total_minor == 108_000


def test_a_scheme_without_limits_pays_for_a_belt_of_any_size():
    """0.5 m × 12 m are 6 m²: 600 minor units at 1,000,000 per hectare."""
    rate = grants.Rate("planting", "capital", "ha", Fraction(1_000_000))
    rules = Scheme("Hill", date(2026, 1, 1), "EUR", (rate,), categories=("hill",))
    assert paid(belts([(0.0, 0.0), (0.5, 0.0)]), rules).total_minor == 600


def test_a_share_given_takes_precedence_over_the_mix():
    rules = scheme(qualify={"min_native_share": 0.6, "native_species": ["oak"]})
    assert paid(belts(LINE, native_share=[0.5]), rules).total_minor == 0
    assert paid(belts(LINE, species=["yew"], native_share=[0.6]), rules).total_minor > 0


def test_every_species_of_a_design_counts_and_not_the_main_one_alone():
    """Half of the plants are oak, the main species; the columns of siting state both."""
    rules = scheme(qualify={"min_native_share": 0.6, "native_species": ["oak"]})
    both = belts(LINE, species=["oak"], species_shares=["oak 50.0 %, Sitka spruce 50.0 %"])
    assert paid(belts(LINE, species=["oak"]), rules).total_minor > 0
    assert paid(both, rules).total_minor == 0
    no_spruce = scheme(qualify={"species_not_paid": ["Sitka spruce"]})
    assert paid(both, no_spruce).total_minor == 0
    assert paid(belts(LINE, species_shares=[""]), no_spruce).total_minor > 0


def test_the_start_year_must_be_within_the_years_of_application():
    rules = scheme(opens=date(2026, 5, 1), closes=date(2028, 4, 30))
    for year, word in ((2025, "open on 2026-05-01"), (2029, "closed on 2028-04-30")):
        found = paid(belts(LINE), rules, year=year)
        assert found.total_minor == 0
        assert word in reasons(parts(found))[0]
    assert all(paid(belts(LINE), rules, year=y).total_minor for y in (2026, 2027, 2028))


# ---- blocks


def test_touching_belts_form_one_block():
    rules = scheme(qualify={"min_block_ha": 0.3})
    bend = belts(LINE, [(150, 0), (150, 150)])
    assert paid(bend, rules).total_minor > 0
    assert all(grants.payments(ground(bend, rules), YEAR, [i]).total_minor == 0 for i in (0, 1))


def test_a_gap_splits_a_block_when_it_is_wider_than_allowed():
    apart = belts(LINE, [(158, 0), (308, 0)])
    for gap, total in ((7.9, 0), (8.0, 216_000)):
        rules = scheme(qualify={"min_block_ha": 0.3, "max_gap_m": gap})
        assert paid(apart, rules).total_minor == total


def test_gaps_also_split_pieces_of_one_belt():
    frame = belts(LINE)
    frame.geometry = [shapely.MultiLineString([[(0, 0), (70, 0)], [(80, 0), (150, 0)]])]
    frame, _ = grants.complete_belts(frame.drop(columns="outline"), "belts", 2500.0)
    rules = [scheme(qualify={"min_length_m": 100, "max_gap_m": gap}) for gap in (9, 10)]
    assert [paid(frame, one).total_minor > 0 for one in rules] == [False, True]


def test_blocks_end_at_holdings_unless_the_scheme_joins_them():
    frame = belts(LINE, [(150, 0), (300, 0)], holding_id=["H1", "H2"])
    alone = {"min_block_ha": 0.3}
    assert paid(frame, scheme(qualify=alone)).total_minor == 0
    joined = alone | {"join_across_holdings": True}
    assert paid(frame, scheme(qualify=joined)).total_minor == 216_000


def test_ground_that_does_not_qualify_does_not_add_to_a_block():
    frame = belts(LINE, [(150, 0), (300, 0)], species=["oak", "Sitka spruce"])
    rules = scheme(qualify={"min_block_ha": 0.3, "species_not_paid": ["Sitka spruce"]})
    found = parts(paid(frame, rules))
    assert reasons(found) == [
        "block of 0.1800 ha, at least 0.3 ha required",
        "species not paid: sitka spruce",
    ]


def test_ground_that_belts_share_counts_once():
    cross = belts([(-100, 0), (100, 0)], [(0, -100), (0, 100)])
    # Two strips of 200 m by 12 m less one crossing of 12 m by 12 m.
    assert paid(cross).total_minor == (2 * 2400 - 144) * 60
    found = parts(paid(cross))
    assert reasons(found) == ["ground shared with b0 and counted for that belt"]


def test_the_same_belt_twice_is_paid_once():
    assert paid(belts(LINE, LINE)).total_minor == paid(belts(LINE)).total_minor


# ---- areas, agreements, incompatible schemes


def test_several_categories_and_none():
    areas = {"hill": box(-10, -10, 50, 10), "vale": box(50, -10, 100, 10)}
    two = scheme(qualify={"categories": ["hill", "vale"]})
    assert paid(belts(LINE), two, areas=areas).total_minor == 100 * 12 * 60
    assert paid(belts(LINE), scheme(), areas=areas).total_minor == 50 * 12 * 60
    anywhere = scheme(qualify={"categories": []})
    assert paid(belts(LINE), anywhere, areas=areas).total_minor == 150 * 12 * 60


def test_half_the_width_of_a_belt_can_qualify():
    found = parts(paid(belts(LINE), areas={"hill": box(-10, 0, 200, 100)}))
    assert found.groupby("qualification")["part_length_m"].sum().to_dict() == {
        QUALIFIES: 75.0,
        FAILS: 75.0,
    }


def test_ground_under_an_agreement_is_not_paid_again():
    standing = [Agreement("Old", 2031, box(100, -50, 200, 50))]
    found = paid(belts(LINE), agreements=standing)
    assert found.total_minor == 100 * 12 * 60
    assert reasons(parts(found)) == ["already under an agreement: “Old” until 2031"]
    beside = scheme(compatible_with=["Old"])
    assert paid(belts(LINE), beside, agreements=standing).total_minor == 150 * 12 * 60


def rich(**changes):
    """A scheme that pays 9,000.00 per hectare."""
    rate = {"what": "planting", "kind": "capital", "per": "ha", "amount": 9000}
    return scheme(name="Rich", pay=[rate], **changes)


def test_incompatible_schemes_do_not_pay_for_the_same_ground():
    found = paid(belts(LINE), scheme(), rich())
    assert found.total_minor == 1800 * 90
    assert reasons(parts(found)) == ["paid for by the incompatible scheme “Rich”"]


def test_schemes_are_compatible_only_if_both_allow_it():
    one, other = scheme(compatible_with=["Rich"]), rich(compatible_with=["Hill"])
    assert paid(belts(LINE), one, other).total_minor == 1800 * 150
    assert paid(belts(LINE), one, rich()).total_minor == 1800 * 90
    assert paid(
        belts(LINE), scheme(compatible_with=["any"]), rich(compatible_with=["any"])
    ).total_minor == (1800 * 150)


def test_the_order_of_incompatible_schemes_that_pays_most_after_caps_applies():
    """The scheme with the higher rate has a small cap, so the other must come first."""
    rules = scheme(), rich(caps={"scheme": 50})
    areas = {"hill": box(-10, -10, 100, 10)}
    wide = rich(qualify={"categories": []}, caps={"scheme": 50})
    assert paid(belts(LINE), *rules).total_minor == 1800 * 60
    # 100 m are paid by the first scheme, the other 50 m by the second, up to its cap.
    assert paid(belts(LINE), scheme(), wide, areas=areas).total_minor == 1200 * 60 + 5_000


def test_a_later_scheme_is_tested_on_the_ground_that_remains():
    """One scheme pays for 110 m; the 40 m that remain are too short for the other."""
    areas = {"hill": HILL, "near": box(-10, -10, 110, 10)}
    long = scheme(qualify={"min_length_m": 60})
    found = paid(belts(LINE), long, rich(qualify={"categories": ["near"]}), areas=areas)
    assert found.total_minor == 1320 * 90 > 1800 * 60
    assert "block 40.0 m long, at least 60 m required" in reasons(parts(found))


def test_incompatible_schemes_may_pay_for_different_belts_on_the_same_ground():
    """Two belts on one line, each qualifying for one of the schemes: the order matters."""
    frame = belts(LINE, LINE, species=["yew", "oak"])
    one = scheme(name="A", qualify={"species_not_paid": ["oak"]})
    other = rich(qualify={"species_not_paid": ["yew"]})
    assert paid(frame, one, other).total_minor == 1800 * 90


def test_too_many_incompatible_schemes_are_an_error():
    with pytest.raises(InputError) as caught:
        ground(belts(LINE), *(scheme(name=f"S{i}") for i in range(6)))
    assert caught.value.code == "grants-too-many"
    compatible = [scheme(name=f"S{i}", compatible_with=["any"]) for i in range(6)]
    assert paid(belts(LINE), *compatible).total_minor == 6 * 108_000


# ---- caps


def test_caps_by_parcel_holding_and_scheme():
    lines = [[(0, 50 * i), (150, 50 * i)] for i in range(4)]
    frame = belts(*lines, holding_id=["H1", "H1", "H1", "H2"], parcel_id=["P1", "P1", "P2", "P3"])
    assert paid(frame).total_minor == 432_000
    assert paid(frame, scheme(caps={"parcel": 1500})).total_minor == 366_000
    assert paid(frame, scheme(caps={"holding": 1500})).total_minor == 258_000
    assert paid(frame, scheme(caps={"scheme": Decimal("1000.01")})).total_minor == 100_001
    every = {"parcel": 1500, "holding": 2000, "scheme": 2900}
    assert paid(frame, scheme(caps=every)).total_minor == 290_000
    assert paid(frame, scheme(caps={"scheme": 0})).total_minor == 0


def test_a_belt_without_a_parcel_counts_as_a_parcel():
    frame = belts(LINE, [(0, 50), (150, 50)])
    assert paid(frame, scheme(caps={"parcel": 1000})).total_minor == 200_000


def test_a_belt_in_two_blocks_has_a_part_with_a_payment_for_each():
    areas = {"hill": shapely.MultiPolygon([box(-10, -10, 50, 10), box(100, -10, 200, 10)])}
    found = parts(paid(belts(LINE), areas=areas))
    good = found[found["qualification"] == QUALIFIES]
    assert sorted(good["payment_minor"]) == [50 * 12 * 60, 50 * 12 * 60]
    assert sorted(good["block"]) == [1, 2]


# ---- widening


def test_widening_matches_a_calculation_by_hand():
    """12 m to 20 m on 150 m: 0.12 ha and 8/12 of the cost more; 0.3 ha paid instead of none."""
    frame = belts(LINE, cost=[1800])
    site = ground(frame, scheme(qualify={"min_width_m": 20}))
    (row,) = grants.widening_options(site, {"hill": HILL}, [], YEAR).to_dict("records")
    assert (row["width_m"], row["required_width_m"], row["extra_area_ha"]) == (12.0, 20.0, 0.12)
    assert (row["extra_cost_minor"], row["extra_payment_minor"]) == (120_000, 180_000)
    assert row["still_fails"] == ""


def test_widening_may_pay_only_for_all_belts_together():
    frame = belts(LINE, [(150, 0), (300, 0)], cost=[1800, None])
    rules = scheme(qualify={"min_width_m": 20, "min_block_ha": 0.5})
    found = grants.widening_options(ground(frame, rules), {"hill": HILL}, [], YEAR)
    assert list(found["extra_payment_minor"]) == [0, 0, 360_000]
    assert list(found["name"]) == ["b0", "b1", "all belts too narrow for this scheme"]
    assert list(found["extra_cost_minor"].isna()) == [False, True, True]


def test_widening_states_rules_not_met_and_subtracts_payments_that_are_lost():
    rules = scheme(qualify={"min_width_m": 20, "species_not_paid": ["oak"]})
    (row,) = grants.widening_options(ground(belts(LINE), rules), {"hill": HILL}, [], YEAR).to_dict(
        "records"
    )
    assert (row["extra_payment_minor"], row["still_fails"]) == (0, "species not paid: oak")
    # Another scheme pays for the narrow belt already, and the two are incompatible.
    both = ground(belts(LINE), scheme(), rich(qualify={"min_width_m": 20}))
    (row,) = grants.widening_options(both, {"hill": HILL}, [], YEAR).to_dict("records")
    assert row["extra_payment_minor"] == 3000 * 90 - 1800 * 60


def test_no_belt_to_widen_gives_an_empty_table():
    assert grants.widening_options(ground(belts(LINE)), {"hill": HILL}, [], YEAR).empty
    away = ground(
        belts(LINE), scheme(qualify={"min_width_m": 20}), areas={"hill": box(9e3, 0, 9.1e3, 9)}
    )
    assert grants.widening_options(away, {}, [], YEAR).empty


# ---- thresholds


def rule(**changes) -> Threshold:
    """A threshold of 0.3 ha within 100 m and 5 years."""
    given = {"country": "Nowhere", "name": "new woods", "effect": "consent", "area_ha": 0.3}
    given |= {"within_m": 100.0, "within_years": 5, "categories": (), "source": "x"}
    return Threshold(**(given | {"status": "invented", "rules_date": date(2026, 1, 1)} | changes))


def against(frame, *rules, own=None, areas=None):
    """Rows of a comparison with thresholds."""
    mine = np.ones(len(frame), dtype=bool) if own is None else np.array(own)
    return grants.threshold_comparison(frame, mine, list(rules or [rule()]), areas or {}).to_dict(
        "records"
    )


TWO = [LINE, [(0, 100), (150, 100)]]  # 0.18 ha each, 88 m from strip to strip


def test_neighbours_and_phases_are_added():
    (row,) = against(belts(*TWO, planted_year=[2027, 2031]))
    assert (row["part_area_ha"], row["threshold_result"], row["years_counted"]) == (
        0.36,
        "reached",
        "2027–2031",
    )
    (row,) = against(belts(*TWO, planted_year=[2027, 2032]))
    assert (row["part_area_ha"], row["threshold_result"]) == (0.18, "below")
    (row,) = against(belts(*TWO, planted_year=[2027, 2027]), rule(within_m=87.0))
    assert (row["part_area_ha"], row["threshold_result"]) == (0.18, "below")
    (row,) = against(belts(*TWO, planted_year=[2027, 2027]), rule(area_ha=0.36))
    assert row["threshold_result"] == "reached"


def test_groups_without_a_planned_belt_are_left_out():
    frame = belts(*TWO, [(0, 5000), (150, 5000)], planted_year=[2027] * 3)
    (row,) = against(frame, own=[False, False, True])
    assert (row["belt_names"], row["threshold_result"]) == ("b2", "below")
    (row,) = against(frame, own=[True, False, False])
    assert (row["belt_names"], row["part_area_ha"]) == ("b0, b1", 0.36)


def test_old_belts_do_not_link_new_ones():
    """Only belts planted within the years link others into a group."""
    lines = [[(0, 90 * i), (150, 90 * i)] for i in range(3)]
    (row,) = against(belts(*lines, planted_year=[2027, 1980, 2027]), rule(within_m=80.0))
    assert row["part_area_ha"] == 0.18


def test_a_rule_may_be_limited_to_categories():
    frame = belts(LINE, planted_year=[2027])
    areas = {"bog": box(-10, -10, 100, 10)}
    (row,) = against(frame, rule(categories=("bog",), area_ha=0.12), areas=areas)
    assert (row["part_area_ha"], row["threshold_result"]) == (0.12, "reached")
    assert against(frame, rule(categories=("heath",)), areas=areas) == []


def test_no_belts_give_no_rows():
    assert against(belts(LINE, planted_year=[2027]).iloc[:0]) == []


# ---- net cost


def test_net_cost_is_that_of_the_whole_set():
    """The belts form a large enough block only together, which makes the set cheaper."""
    frame = belts(LINE, [(150, 0), (300, 0)], cost=[1500, 1500])
    site = ground(frame, scheme(qualify={"min_block_ha": 0.3}))
    net = grants.net_cost(site, YEAR)
    assert [net([]), net([0]), net([1]), net([0, 1])] == [0, 150_000, 150_000, 84_000]
    assert net([1, 0, 1]) == net({0, 1})


def test_net_cost_has_a_minimum():
    site = ground(belts(LINE, cost=[100.01]))
    assert grants.net_cost(site, YEAR)([0]) == 501
    assert grants.net_cost(site, YEAR, min_own_share=0.0)([0]) == 0


def test_net_cost_requires_the_cost_of_every_belt():
    with pytest.raises(InputError) as caught:
        grants.net_cost(ground(belts(LINE, LINE, cost=[0.01, None])), YEAR)
    assert caught.value.code == "column-missing"
    assert "b1" in str(caught.value)


def test_net_cost_of_every_subset_equals_that_of_a_ground_of_its_own():
    """Divided once for all candidates or separately for each set: equal to the minor unit."""
    lines = [LINE, [(150, 0), (300, 0)], [(75, -80), (75, 80)], [(200, 20), (320, 90)]]
    costs = [100_000, 120_000, 90_000, 110_000]
    rules = (
        scheme(qualify={"min_block_ha": 0.3, "area_to": "fence", "fence_m": 1}),
        rich(qualify={"categories": ["near"]}, caps={"scheme": 900}),
    )
    areas = {"hill": HILL, "near": box(100, -100, 260, 100)}
    site = ground(belts(*lines, cost=[c / 100 for c in costs]), *rules, areas=areas)
    net = grants.net_cost(site, YEAR, min_own_share=0.0)
    every = chain.from_iterable(combinations(range(4), k) for k in range(1, 5))
    for chosen in every:
        names = [f"b{i}" for i in chosen]
        frame = belts(*(lines[i] for i in chosen), name=names)
        alone = paid(frame, *rules, areas=areas).total_minor
        assert net(chosen) == max(sum(costs[i] for i in chosen) - alone, 0)


# ---- belts from files


def test_belts_need_no_column():
    frame = gpd.GeoDataFrame(geometry=[shapely.LineString(LINE)], crs=CRS)
    done, notices = grants.complete_belts(frame, "belts", 1600.0)
    assert done[["name", "width_m", "plants_per_ha"]].values.tolist() == [["belt 1", 3.0, 1600.0]]
    assert {n.code for n in notices} == {"value-assumed"}
    assert paid(done).total_minor == 450 * 60


def test_areas_are_used_as_drawn():
    frame = gpd.GeoDataFrame({"species": ["oak"]}, geometry=[box(0, 0, 150, 12)], crs=CRS)
    done, _ = grants.complete_belts(frame, "belts", 2500.0)
    assert done["length_m"].iloc[0] == pytest.approx(150.0)
    assert paid(done).total_minor == 108_000


def test_species_not_in_the_table_give_a_notice():
    frame = gpd.GeoDataFrame(
        {"species": ["oak", "Sitca spruce 50 %, oak 50 %"], "width_m": [6.0, 6.0]},
        geometry=[shapely.LineString(LINE)] * 2,
        crs=CRS,
    )
    _, notices = grants.complete_belts(frame, "belts", 2500.0)
    (reported,) = [n for n in notices if n.code == "species-unknown"]
    assert reported.count == 1
    assert reported.text.endswith(": sitca spruce")


@pytest.mark.parametrize(
    ("columns", "code"),
    [({"width_m": [0.0]}, "column-bad"), ({"cost": [-0.01]}, "column-bad")],
)
def test_belts_without_width_or_with_a_negative_cost_are_an_error(columns, code):
    with pytest.raises(InputError) as caught:
        belts(LINE, **columns)
    assert caught.value.code == code


def test_points_are_an_error():
    frame = gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)], crs=CRS)
    with pytest.raises(InputError) as caught:
        grants.complete_belts(frame, "belts", 2500.0)
    assert caught.value.code == "belts-points"


def test_amounts_in_files_are_read_as_exact_decimals():
    """2.675 in binary is a little below the decimal, and would round to 2.67 for one tree."""
    text = PAGE.replace("6000.00", "2.675").replace('per = "ha"', 'per = "tree"', 1)
    (text,) = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    rules = scheme_from(tomllib.loads(text, parse_float=Decimal), "test.toml")
    assert rules.rates[0].amount_minor == Fraction(535, 2)
    assert amount_of(rules.rates[0], 1) == 268
    assert rules.parcel_cap == 220_000


@pytest.mark.parametrize(
    ("minor_per_major", "cap", "minor"), [(1, 7, 7), (10, "0.7", 7), (1000, "0.007", 7)]
)
def test_amounts_follow_the_minor_units_of_the_currency(minor_per_major, cap, minor):
    rules = scheme(minor_per_major=minor_per_major, caps={"scheme": Decimal(cap)})
    assert rules.scheme_cap == minor
    assert rules.rates[0].amount_minor == 6000 * minor_per_major


def test_a_cap_finer_than_a_minor_unit_is_an_error():
    with pytest.raises(InputError, match=r"holding: 9000\.005 EUR has too many decimals"):
        scheme(caps={"holding": Decimal("9000.005")})


@pytest.mark.parametrize(
    ("cost", "minor"), [(0.1 + 0.2, 30), (1.005, 101), (2.675, 268), (1234.56, 123_456)]
)
def test_costs_of_belts_are_rounded_half_up_to_whole_minor_units(cost, minor):
    """Of the decimal as written: 1.005 in binary is a little below it."""
    assert ground(belts(LINE, cost=[cost])).cost_minor == [minor]


@pytest.mark.parametrize(
    "old",
    [
        {"dated": date(2026, 1, 1)},
        {"paid_beside": ["any"]},
        {"qualify": {"least_width_m": 9}},
        {"qualify": {"largest_gap_m": 9}},
        {"caps": {"holding_minor": 9}},
        {"pay": [{"what": "x", "kind": "capital", "per": "m", "amount_minor": 9}]},
    ],
)
def test_keys_of_earlier_versions_are_unknown(old):
    with pytest.raises(InputError) as caught:
        scheme(**old)
    assert caught.value.code == "name-unknown"
    assert caught.value.hint


def test_rates_are_exact_fractions():
    """Thirty times a third of a unit is ten units."""
    third = grants.Rate("x", "capital", "tree", Fraction(1, 3))
    above, below = third.per_counting_unit
    assert Fraction(above, below) * 30 == 10
