"""Properties of grant payments on random inputs, and areas by independent calculations."""

from __future__ import annotations

import dataclasses
import itertools
from decimal import Decimal

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from grant_helpers import CRS, YEAR, belts, ground, paid, scheme
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from shapely import box

from shelterscape.science import grants
from shelterscape.science.grants.parts import QUALIFIES, parts
from shelterscape.science.grants.paying import Payments, reduced_to_cap, total

METRES = st.integers(0, 300)
LINES = st.lists(
    st.tuples(st.tuples(METRES, METRES), st.tuples(METRES, METRES)).filter(
        lambda line: abs(line[0][0] - line[1][0]) + abs(line[0][1] - line[1][1]) > 20
    ),
    min_size=1,
    max_size=5,
)
FEW = settings(max_examples=12, phases=[Phase.generate])
"""Each example takes tens of milliseconds, and shrinking a failing one would take minutes."""

CAPS = st.one_of(st.none(), st.decimals(0, 3000, places=2))
COSTS = st.decimals(0, 10_000, places=2).map(float)


@st.composite
def cases(draw):
    """Belts that may cross, two areas, and two or three schemes that may be incompatible."""
    lines = draw(LINES)
    count = len(lines)
    frame = belts(
        *lines,
        width_m=draw(st.sampled_from([6.0, 10.0, 15.5])),
        holding_id=draw(st.lists(st.sampled_from(["H1", "H2"]), min_size=count, max_size=count)),
        parcel_id=draw(st.lists(st.sampled_from(["", "P1"]), min_size=count, max_size=count)),
        cost=draw(st.lists(COSTS, min_size=count, max_size=count)),
    )
    areas = {
        "hill": box(*draw(st.tuples(*[st.integers(0, 100)] * 2)), 200, 220),
        "vale": box(80, 60, *draw(st.tuples(*[st.integers(150, 330)] * 2))),
    }
    schemes = []
    for name in ("One", "Two", "Three")[: draw(st.integers(2, 3))]:
        rate = {"per": draw(st.sampled_from(["m", "ha", "tree"])), "what": "x"}
        money = st.decimals(0, 10, places=4)
        pay = [
            {**rate, "kind": "capital", "amount": draw(money)},
            {**rate, "kind": "annual", "amount": draw(money), "years": 3, "percent": 37},
            {"what": "part", "kind": "capital", "per": "cost", "percent": draw(st.integers(0, 60))},
        ]
        fence = draw(st.sampled_from([None, 1.0, 2.5]))
        qualify = {
            "categories": draw(st.sampled_from([["hill"], ["vale"], ["hill", "vale"]])),
            "min_block_ha": draw(st.sampled_from([0.0, 0.1, 0.2])),
            "max_gap_m": draw(st.sampled_from([0.0, 15.0])),
        }
        if fence:
            qualify |= {"area_to": "fence", "fence_m": fence}
        caps = {"parcel": draw(CAPS), "holding": draw(CAPS), "scheme": draw(CAPS)}
        beside = draw(st.sampled_from([[], ["any"]]))
        schemes.append(
            scheme(name=name, pay=pay, qualify=qualify, caps=caps, compatible_with=beside)
        )
    return frame, areas, schemes


@FEW
@given(cases())
def test_totals_are_sums_of_rows_in_every_grouping(case):
    """Exact to the minor unit; the total calculated without rows is the same."""
    frame, areas, schemes = case
    found = paid(frame, *schemes, areas=areas)
    rows = pd.DataFrame(found.rows, columns=found.rows[0]._fields if found.rows else ["year"])
    assert found.total_minor == total(found.ground, YEAR, range(len(frame)))
    if not len(rows):
        assert found.total_minor == 0
        return
    for key in ("belt", "scheme", "year", "rate"):
        assert rows.groupby(key)["amount_minor"].sum().sum() == found.total_minor
    shown = parts(found)
    assert int(shown["payment_minor"].sum()) == found.total_minor
    assert (rows["amount_minor"] <= rows["uncapped_minor"]).all()
    assert (rows["amount_minor"] >= 0).all()


@FEW
@given(cases())
def test_no_sum_exceeds_its_cap(case):
    frame, areas, schemes = case
    found = paid(frame, *schemes, areas=areas)
    for index, rules in enumerate(found.ground.schemes):
        mine = [row for row in found.rows if row.scheme == index]
        sums: dict[tuple[str, ...], int] = {}
        for row in mine:
            parcel = (found.ground.holding[row.belt], found.ground.parcel[row.belt])
            for key in (parcel, parcel[:1], ()):
                sums[key] = sums.get(key, 0) + row.amount_minor
        for key, amount in sums.items():
            cap = (rules.scheme_cap, rules.holding_cap, rules.parcel_cap)[len(key)]
            assert cap is None or amount <= cap


@FEW
@given(cases())
def test_no_ground_is_paid_twice_by_incompatible_schemes(case):
    """Paid parts of incompatible schemes do not overlap, nor do those of one scheme."""
    frame, areas, schemes = case
    shown = parts(paid(frame, *schemes, areas=areas))
    good = shown[shown["qualification"] == QUALIFIES]
    compatible = {s.name for s in schemes if "any" in s.compatible_with}
    for (_, one), (_, other) in itertools.combinations(good.iterrows(), 2):
        if one["scheme"] != other["scheme"] and {one["scheme"], other["scheme"]} <= compatible:
            continue
        assert one.geometry.intersection(other.geometry).area < 0.01


def rows_by_name(found: Payments) -> list[tuple[object, ...]]:
    """Rows with names in place of positions."""
    names = found.ground.belts["name"]
    return [
        (names.iloc[r.belt], found.ground.schemes[r.scheme].name, r.rate, r.year, r.amount_minor)
        for r in found.rows
    ]


@FEW
@given(cases(), st.randoms(use_true_random=False))
def test_the_order_of_inputs_has_no_effect(case, chance):
    """The order of schemes, of belts and of areas."""
    frame, areas, schemes = case
    order = list(range(len(frame)))
    chance.shuffle(order)
    mixed = list(schemes)
    chance.shuffle(mixed)
    again = paid(
        frame.iloc[order].reset_index(drop=True),
        *mixed,
        areas=dict(reversed(areas.items())),
    )
    assert rows_by_name(again) == rows_by_name(paid(frame, *schemes, areas=areas))


@FEW
@given(cases(), st.integers(0, 2), st.sampled_from(["parcel", "holding", "scheme"]))
def test_a_higher_cap_never_pays_less(case, which, kind):
    """Also with incompatible schemes."""
    frame, areas, schemes = case
    which %= len(schemes)
    before = -1
    for cap in (0, 20_000, 90_000, None):
        schemes[which] = dataclasses.replace(schemes[which], **{f"{kind}_cap": cap})
        now = paid(frame, *schemes, areas=areas).total_minor
        assert now >= before
        before = now


@FEW
@given(LINES, st.integers(2, 9))
def test_payments_are_in_proportion_to_rates(lines, times):
    """Without caps, except for rounding of one minor unit in each row."""
    frame = belts(*lines)
    rate = {"what": "x", "kind": "capital", "per": "m"}
    once = paid(frame, scheme(pay=[rate | {"amount": Decimal("0.0321")}]))
    more = paid(frame, scheme(pay=[rate | {"amount": Decimal("0.0321") * times}]))
    assert abs(more.total_minor - times * once.total_minor) <= times * len(once.rows)
    halved = paid(frame, scheme(pay=[rate | {"amount": Decimal("0.0642"), "percent": 50}]))
    assert halved.total_minor == once.total_minor


@FEW
@given(cases())
def test_more_belts_are_never_paid_less_by_one_scheme_without_caps(case):
    """Also where belts cross and blocks are joined."""
    frame, areas, schemes = case
    free = dataclasses.replace(schemes[0], parcel_cap=None, holding_cap=None, scheme_cap=None)
    # Payments per metre, tree or cost depend on the belt that shared ground counts for.
    free = dataclasses.replace(free, rates=tuple(r for r in free.rates if r.per == "ha"))
    site = ground(frame, free, areas=areas)
    sums = [total(site, YEAR, range(k)) for k in range(len(frame) + 1)]
    rows = 4 * len(frame)  # rounding: at most one minor unit per row
    assert all(b >= a - rows for a, b in itertools.pairwise(sums))


def test_no_belts_or_no_areas_give_no_payments():
    none = belts([(0, 0), (9, 0)]).iloc[:0]
    found = paid(none)
    assert (found.total_minor, found.rows) == (0, ())
    assert parts(found).empty
    assert grants.net_cost(found.ground, YEAR)([]) == 0
    outside = ground(belts([(0, 0), (90, 0)]), scheme(), areas={"hill": shapely.Polygon()})
    assert grants.payments(outside, YEAR).total_minor == 0
    assert grants.payments(outside, YEAR, []).total_minor == 0


@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=9), st.integers(0, 10**6))
def test_amounts_reduced_to_a_cap_sum_to_it(amounts, cap):
    """Exactly; no amount grows, and each is within one unit of its share."""
    found = reduced_to_cap(amounts, cap)
    assert sum(found) == min(sum(amounts), cap)
    for before, after in zip(amounts, found, strict=True):
        assert 0 <= after <= before
        if sum(amounts) > cap:
            assert abs(after - before * cap / sum(amounts)) < 1.0


# ---- areas by independent calculations


def counted_m2(lines, width, area, cell=0.25):
    """Area of straight strips inside a box, counted in cells, without a geometry library."""
    x, y = np.meshgrid(np.arange(-20, 330, cell) + cell / 2, np.arange(-20, 330, cell) + cell / 2)
    covered = np.zeros(x.shape, dtype=bool)
    for (x0, y0), (x1, y1) in lines:
        length = np.hypot(x1 - x0, y1 - y0)
        east, north = (x1 - x0) / length, (y1 - y0) / length
        along = (x - x0) * east + (y - y0) * north
        across = (y - y0) * east - (x - x0) * north
        covered |= (along >= 0) & (along <= length) & (np.abs(across) <= width / 2)
    west, south, east_, north_ = area
    covered &= (x >= west) & (x <= east_) & (y >= south) & (y <= north_)
    return covered.sum() * cell**2


@pytest.mark.parametrize("seed", range(6))
def test_areas_agree_with_counted_cells(seed):
    """Status D: a cell is in a strip by its distance along and across the line."""
    rng = np.random.default_rng(seed)
    lines = [tuple(map(tuple, rng.uniform(0, 300, (2, 2)))) for _ in range(5)]
    area, width = (40.0, 60.0, 210.0, 260.0), 13.0
    found = parts(paid(belts(*lines, width_m=width), areas={"hill": box(*area)}))
    ours = 1e4 * found.loc[found["qualification"] == QUALIFIES, "part_area_ha"].sum()
    assert ours == pytest.approx(counted_m2(lines, width, area), rel=2e-3)


def test_areas_agree_with_exact_shares_of_cells():
    """By another library: shares of cells that each part covers, over a raster of ones."""
    rng = np.random.default_rng(11)
    lines = [tuple(map(tuple, rng.uniform(0, 300, (2, 2)))) for _ in range(6)]
    rules = scheme(qualify={"area_to": "fence", "fence_m": 1.5})
    found = parts(paid(belts(*lines), rules, areas={"hill": box(40, 60, 210, 260)}))
    ones = NumPyRasterSource(
        np.ones((80, 80)), xmin=-40, ymin=-40, xmax=360, ymax=360, srs_wkt=found.crs.to_wkt()
    )
    sums = exact_extract(ones, gpd.GeoDataFrame(geometry=found.geometry, crs=CRS), "sum")
    cells = np.array([part["properties"]["sum"] for part in sums]) * 25.0
    assert len(cells) > 10
    np.testing.assert_allclose(1e4 * found["part_area_ha"], cells, atol=0.51)  # counted in whole m²
