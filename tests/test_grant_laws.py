"""Laws of grant payments on grounds drawn at random, and areas by roads of their own."""

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
from shelterscape.science.grants.paying import Payments, lowered, total

METRES = st.integers(0, 300)
LINES = st.lists(
    st.tuples(st.tuples(METRES, METRES), st.tuples(METRES, METRES)).filter(
        lambda line: abs(line[0][0] - line[1][0]) + abs(line[0][1] - line[1][1]) > 20
    ),
    min_size=1,
    max_size=5,
)
FEW = settings(max_examples=12, phases=[Phase.generate])
"""A field takes tens of milliseconds to lay out, and shrinking one takes minutes."""

CAPS = st.one_of(st.none(), st.integers(0, 300_000))


@st.composite
def fields(draw):
    """Belts that cross as they like, two areas, two or three schemes that may bar one another."""
    lines = draw(LINES)
    count = len(lines)
    frame = belts(
        *lines,
        width_m=draw(st.sampled_from([6.0, 10.0, 15.5])),
        holding_id=draw(st.lists(st.sampled_from(["H1", "H2"]), min_size=count, max_size=count)),
        parcel_id=draw(st.lists(st.sampled_from(["", "P1"]), min_size=count, max_size=count)),
        cost_minor=draw(st.lists(st.integers(0, 10**6), min_size=count, max_size=count)),
    )
    areas = {
        "hill": box(*draw(st.tuples(*[st.integers(0, 100)] * 2)), 200, 220),
        "vale": box(80, 60, *draw(st.tuples(*[st.integers(150, 330)] * 2))),
    }
    schemes = []
    for name in ("One", "Two", "Three")[: draw(st.integers(2, 3))]:
        rate = {"per": draw(st.sampled_from(["m", "ha", "tree"])), "what": "x"}
        money = st.decimals(0, 999, places=2)
        pay = [
            {**rate, "kind": "capital", "amount_minor": draw(money)},
            {**rate, "kind": "yearly", "amount_minor": draw(money), "years": 3, "percent": 37},
            {"what": "part", "kind": "capital", "per": "cost", "percent": draw(st.integers(0, 60))},
        ]
        fence = draw(st.sampled_from([None, 1.0, 2.5]))
        qualify = {
            "categories": draw(st.sampled_from([["hill"], ["vale"], ["hill", "vale"]])),
            "least_block_ha": draw(st.sampled_from([0.0, 0.1, 0.2])),
            "largest_gap_m": draw(st.sampled_from([0.0, 15.0])),
        }
        if fence:
            qualify |= {"area_to": "fence", "fence_m": fence}
        caps = {"parcel_minor": draw(CAPS), "holding_minor": draw(CAPS), "scheme_minor": draw(CAPS)}
        beside = draw(st.sampled_from([[], ["any"]]))
        schemes.append(scheme(name=name, pay=pay, qualify=qualify, caps=caps, paid_beside=beside))
    return frame, areas, schemes


@FEW
@given(fields())
def test_totals_are_the_sum_of_rows_by_every_way_of_adding(field):
    """To the last unit; and the short road, without rows, comes to the same."""
    frame, areas, schemes = field
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
@given(fields())
def test_caps_hold(field):
    frame, areas, schemes = field
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
@given(fields())
def test_the_same_ground_is_never_paid_twice(field):
    """Looked at on the map: parts of rival schemes share no ground, nor do parts of one scheme."""
    frame, areas, schemes = field
    shown = parts(paid(frame, *schemes, areas=areas))
    good = shown[shown["result"] == QUALIFIES]
    friendly = {s.name for s in schemes if "any" in s.paid_beside}
    for (_, one), (_, other) in itertools.combinations(good.iterrows(), 2):
        if one["scheme"] != other["scheme"] and {one["scheme"], other["scheme"]} <= friendly:
            continue
        assert one.geometry.intersection(other.geometry).area < 0.01


def rows_by_name(found: Payments) -> list[tuple[object, ...]]:
    """Rows with names in place of numbers."""
    names = found.ground.belts["name"]
    return [
        (names.iloc[r.belt], found.ground.schemes[r.scheme].name, r.rate, r.year, r.amount_minor)
        for r in found.rows
    ]


@FEW
@given(fields(), st.randoms(use_true_random=False))
def test_no_order_plays_a_role(field, chance):
    """Neither that of schemes, nor of belts, nor of areas."""
    frame, areas, schemes = field
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
@given(fields(), st.integers(0, 2), st.sampled_from(["parcel", "holding", "scheme"]))
def test_a_higher_cap_never_pays_less(field, which, kind):
    """With rivals and all: the order that pays most can only gain."""
    frame, areas, schemes = field
    which %= len(schemes)
    before = -1
    for cap in (0, 20_000, 90_000, None):
        schemes[which] = dataclasses.replace(schemes[which], **{f"{kind}_cap": cap})
        now = paid(frame, *schemes, areas=areas).total_minor
        assert now >= before
        before = now


@FEW
@given(LINES, st.integers(2, 9))
def test_rates_scale(lines, times):
    """Without caps each row is so many times as high, but for the rounding of one unit in each."""
    frame = belts(*lines)
    rate = {"what": "x", "kind": "capital", "per": "m"}
    once = paid(frame, scheme(pay=[rate | {"amount_minor": Decimal("3.21")}]))
    more = paid(frame, scheme(pay=[rate | {"amount_minor": Decimal("3.21") * times}]))
    assert abs(more.total_minor - times * once.total_minor) <= times * len(once.rows)
    halved = paid(frame, scheme(pay=[rate | {"amount_minor": Decimal("6.42"), "percent": 50}]))
    assert halved.total_minor == once.total_minor


@FEW
@given(fields())
def test_more_belts_are_never_paid_less_without_caps_and_rivals(field):
    """Also where belts cross and blocks are joined."""
    frame, areas, schemes = field
    free = dataclasses.replace(schemes[0], parcel_cap=None, holding_cap=None, scheme_cap=None)
    # A share of the cost goes with the ground that counts for a belt, which a later one may take.
    free = dataclasses.replace(free, rates=tuple(r for r in free.rates if r.per == "ha"))
    there = ground(frame, free, areas=areas)
    sums = [total(there, YEAR, range(k)) for k in range(len(frame) + 1)]
    rows = 4 * len(frame)  # of rounding, one unit for each row at most
    assert all(b >= a - rows for a, b in itertools.pairwise(sums))


def test_nothing_in_nothing_out():
    none = belts([(0, 0), (9, 0)]).iloc[:0]
    found = paid(none)
    assert (found.total_minor, found.rows) == (0, ())
    assert parts(found).empty
    assert grants.net_cost(found.ground, YEAR)([]) == 0
    there = ground(belts([(0, 0), (90, 0)]), scheme(), areas={"hill": shapely.Polygon()})
    assert grants.payments(there, YEAR).total_minor == 0
    assert grants.payments(there, YEAR, []).total_minor == 0


@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=9), st.integers(0, 10**6))
def test_lowered_amounts_sum_to_the_cap(amounts, cap):
    """Exactly; none rises; none falls more than a unit short of its share."""
    found = lowered(amounts, cap)
    assert sum(found) == min(sum(amounts), cap)
    for before, after in zip(amounts, found, strict=True):
        assert 0 <= after <= before
        if sum(amounts) > cap:
            assert abs(after - before * cap / sum(amounts)) < 1.0


# ---- areas by roads of their own


def counted_m2(lines, width, area, cell=0.25):
    """Ground of straight strips inside a box, counted in cells; no geometry library has a part."""
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
def test_areas_agree_with_cells_counted(seed):
    """Status D: a strip is where distance along and across its line say so."""
    rng = np.random.default_rng(seed)
    lines = [tuple(map(tuple, rng.uniform(0, 300, (2, 2)))) for _ in range(5)]
    area, width = (40.0, 60.0, 210.0, 260.0), 13.0
    found = parts(paid(belts(*lines, width_m=width), areas={"hill": box(*area)}))
    ours = 1e4 * found.loc[found["result"] == QUALIFIES, "area_ha"].sum()
    assert ours == pytest.approx(counted_m2(lines, width, area), rel=2e-3)


def test_areas_agree_with_exact_shares_of_cells():
    """By another library: shares of cells that each part covers, summed over a raster of ones."""
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
    np.testing.assert_allclose(1e4 * found["area_ha"], cells, atol=0.51)  # counted in whole m²
