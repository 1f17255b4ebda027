"""Rows, clumps and fences of planted belts: hand computations and laws."""

from __future__ import annotations

import dataclasses
from collections import Counter

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point, box

from shelterscape.process.design_files import packaged_designs
from shelterscape.science.planting.clumps import counts_by_share, species_of_plants
from shelterscape.science.planting.fences import fence_lines, strainer_count
from shelterscape.science.planting.layout import Site, layout
from shelterscape.science.planting.rows import (
    GAP_TOLERANCE,
    row_lines,
    veteran_clearances,
    windward_side_deg,
)

DESIGNS = packaged_designs().designs
FOUR_ROWS = DESIGNS["dense stock belt"]
WEST = Site(270.0)


def planned(*lines, design="dense stock belt", site=WEST, seed=0, designs=DESIGNS):
    frame = {"belt": [f"B{i}" for i in range(len(lines))], "design": design}
    belts = gpd.GeoDataFrame(frame, geometry=list(lines), crs="EPSG:25832")
    return layout(belts, designs, site, seed=seed)


def test_six_metres_of_staggered_hedge_are_35_plants():
    """6 per metre in a staggered double row: 18 + 17 = 35, not 36 (worked example, seen)."""
    rows = planned(LineString([(0, 0), (0, 6)]), design="uncut hedge").rows
    assert rows.groupby("row")["plant_count"].sum().tolist() == [18, 17]


def test_a_straight_belt_by_hand():
    """300 m northwards, wind from the west: rows at x = −2.25, −0.75, 0.75, 2.25; 200 plants in
    the first, 199 in the staggered second. The fence is 1.5 m outside."""
    found = planned(LineString([(0, 0), (0, 300)]))
    x = shapely.get_coordinates(found.rows.geometry).reshape(-1, 2)[:, 0]
    assert sorted(set(x.round(9))) == [-2.25, -0.75, 0.75, 2.25]
    west = found.rows[found.rows["row"] == 1]
    assert shapely.get_coordinates(west.geometry)[:, 0].max() == pytest.approx(-2.25)
    assert found.rows.groupby("row")["plant_count"].sum().tolist() == [200, 199, 200, 199]
    counts = found.rows.groupby(["row", "species"])["plant_count"].sum()
    assert counts[1].to_dict() == {"hawthorn": 100, "holly": 100}
    # 0.8 · 199 = 159.2 and 39.8.
    assert counts[2].to_dict() == {"Scots pine": 159, "birch": 40}
    (fence,) = found.fences.itertuples()
    assert fence.length_m == pytest.approx(2 * (300 + 3) + 2 * (4.5 + 3))
    assert (fence.strainer_count, fence.gate_count) == (4, 1)
    # A schedule without gaps: pieces of a row follow each other from end to end.
    for _, row in found.rows.groupby("row"):
        assert row["from_m"].tolist()[1:] == row["to_m"].tolist()[:-1]
        assert row["to_m"].iloc[-1] == pytest.approx(300)
        assert np.allclose(row.geometry.length, row["to_m"] - row["from_m"])
    # Wind from the east turns the belt round.
    east = planned(LineString([(0, 0), (0, 300)]), site=Site(90.0)).rows
    assert shapely.get_coordinates(east[east["row"] == 1].geometry)[:, 0].min() == 2.25


@pytest.mark.parametrize("end", [(0, 300), (0, -300), (200, 200), (-300, 40)])
@pytest.mark.parametrize("wind_from_deg", [20.0, 100.0, 260.0, 310.0])
def test_the_side_of_the_first_row_is_that_of_its_middle(end, wind_from_deg):
    line = LineString([(0, 0), end])
    rows = planned(line, site=Site(wind_from_deg)).rows
    first = shapely.union_all(rows[rows["row"] == 1].geometry.to_numpy()).centroid
    middle = line.centroid
    bearing = np.degrees(np.arctan2(first.x - middle.x, first.y - middle.y)) % 360
    side = windward_side_deg(line, wind_from_deg)
    assert side == pytest.approx(bearing, abs=1e-6)
    assert np.cos(np.radians(side - wind_from_deg)) > 0


def test_offsets_at_a_bend_are_mitred():
    """A right angle: each row keeps its corner, on the bisector."""
    rows = row_lines(LineString([(0, 0), (100, 0), (100, 100)]), FOUR_ROWS, leeward_left=True)
    corners = [shapely.get_coordinates(row[0])[1].tolist() for row in rows]
    assert np.allclose(corners, [[100 - o, o] for o in (-2.25, -0.75, 0.75, 2.25)])
    assert all(len(row) == 1 for row in rows)


bends = st.lists(st.tuples(st.floats(5, 60), st.floats(-170, 170)), min_size=1, max_size=6)


def bent(steps) -> LineString:
    heading = np.cumsum([np.radians(turn) for _, turn in steps])
    lengths = np.array([length for length, _ in steps])
    xy = np.cumsum(lengths[:, None] * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    return LineString([(0, 0), *xy.round(2)])


@settings(max_examples=20, deadline=None)
@given(bends, st.integers(0, 5), st.floats(0.2, 12))
@example([(5.0, 0.0), (5.0, 132.0)], 0, 1.0)  # nothing of a row remains within the bend
def test_laws_of_rows_on_any_line(steps, seed, tree_m):
    """Rows never cross nor come nearer than the gap, nothing is inside a clearance, and shares hold
    to within one plant; the same seed gives the same plan."""
    line = bent(steps)
    tree = line.interpolate(0.5, normalized=True)
    (circle,) = veteran_clearances(np.array([tree]), np.array([tree_m / 15]), np.array([np.nan]))
    site = Site(200.0, [circle])
    found = planned(line, site=site, seed=seed)
    again = planned(line, site=site, seed=seed)
    assert found.rows.equals(again.rows)
    lines = found.rows.dissolve("row").geometry if len(found.rows) else found.rows.geometry
    for a in range(len(lines)):
        for b in range(a):
            assert lines.iloc[a].distance(lines.iloc[b]) >= 1.5 * (1 - GAP_TOLERANCE)
    assert all(tree.distance(shape) >= tree_m - 1e-6 for shape in found.rows.geometry)
    assert all(tree.distance(shape) >= tree_m - 1e-6 for shape in found.fences.geometry)
    # No fence has a hole through which animals reach the plants.
    enclosed = shapely.union_all([shapely.Polygon(fence) for fence in found.fences.geometry])
    outside = shapely.difference(found.rows.geometry.to_numpy(), enclosed.buffer(1e-6))
    assert shapely.is_empty(outside).all()
    for number, part in found.rows.groupby("row"):
        total = part["plant_count"].sum()
        counts = part.groupby("species")["plant_count"].sum()
        for species, share in FOUR_ROWS.rows[number - 1].species.items():
            assert abs(counts.get(species, 0) - total * share) < 1


def test_rows_and_fences_stop_at_openings_and_at_gaps_of_the_line():
    """An opening of 4 m takes 4 m of every row; each part has a fence of its own."""
    site = Site(270.0, openings=[Point(1, 100)])
    found = planned(LineString([(0, 0), (0, 300)]), site=site)
    assert found.rows.groupby("row").apply(lambda r: (r["to_m"] - r["from_m"]).sum()).tolist() == (
        pytest.approx([296] * 4)
    )
    assert not found.rows.intersects(box(-9, 98.01, 9, 101.99)).any()
    assert not found.fences.intersects(box(-9, 98.01, 9, 101.99)).any() and len(found.fences) == 2
    gap = planned(MultiLineString([[(0, 0), (0, 98)], [(0, 102), (0, 300)]]))
    assert sorted(gap.rows["row_part"].unique()) == [1, 2]
    assert gap.rows["plant_count"].sum() == found.rows["plant_count"].sum()


def test_a_belt_without_space_is_reported():
    found = planned(LineString([(0, 0), (0, 50)]), site=Site(270.0, [box(-50, -50, 50, 150)]))
    assert found.unplanted == ["B0"] and found.rows.empty and found.fences.empty


def test_natural_regeneration_is_fenced_without_plants():
    found = planned(LineString([(0, 0), (0, 50)]), design="natural regeneration")
    assert found.rows.empty and len(found.fences) == 1 and not found.unplanted


def test_the_larger_clearance_of_a_veteran_tree_counts():
    """15 · 1.2 = 18 m against 10 + 5 m; 15 · 0.8 = 12 m against 8 + 5 m."""
    trees = np.array([Point(0, 0), Point(0, 0)])
    areas = veteran_clearances(trees, np.array([1.2, 0.8]), np.array([10.0, 8.0]))
    assert areas[0].contains(Point(17.999, 0)) and not areas[0].contains(Point(18.1, 0))
    assert areas[1].contains(Point(0, 12.999)) and not areas[1].contains(Point(0, 13.1))


def test_clumps_are_those_of_a_seed_and_near_the_asked_size():
    distance = np.arange(2000) * 1.5
    shares = {"oak": 0.5, "hazel": 0.5}
    kinds = [species_of_plants(distance, 0.0, 6 * 1.5, shares, key) for key in ("1|B", "2|B")]
    assert not np.array_equal(*kinds) and [k.sum() for k in kinds] == [1000, 1000]
    # Plants drawn one by one would change every second time: clumps of 2.
    for kind in kinds:
        assert 4.5 < len(kind) / (1 + np.count_nonzero(np.diff(kind))) < 9
    # More species do not cut clumps smaller: rows of 200 plants, mixes that were not fitted.
    row, keys = distance[:200], [f"{n}|B" for n in range(20)]
    for shares in ({"a": 0.4, "b": 0.35, "c": 0.25}, dict.fromkeys("abcdef", 1 / 6)):
        each = [species_of_plants(row, 2.0, 8 * 1.5, shares, key) for key in keys]
        runs = sum(1 + np.count_nonzero(np.diff(kind)) for kind in each)
        assert 0.8 * 8 < len(row) * len(keys) / runs < 1.2 * 8
    shares = {"oak": 0.5, "hazel": 0.5}
    # Written down once: another machine or version of a library must give the same.
    assert "".join(map(str, species_of_plants(distance[:40], 1.5, 6.0, shares, "7|B"))) == KNOWN


KNOWN = "0111001111011100001000011000111100011100"


@given(st.integers(0, 500), st.lists(st.integers(1, 50), min_size=1, max_size=6))
def test_counts_add_up_and_are_within_one_of_the_shares(number, weights):
    shares = {str(i): w / sum(weights) for i, w in enumerate(weights)}
    counts = counts_by_share(number, shares)
    assert sum(counts.values()) == number
    assert all(abs(counts[k] - number * share) < 1 for k, share in shares.items())


def test_strainers_are_at_ends_and_sharp_bends():
    assert strainer_count(LineString([(0, 0), (10, 0), (20, 1), (20, 30)])) == 3
    ring = fence_lines(LineString([(0, 0), (50, 0), (50, 50)]), FOUR_ROWS)[0]
    assert strainer_count(ring) == 6
    wide = dataclasses.replace(FOUR_ROWS, fence_offset_m=3.0)
    assert fence_lines(LineString([(0, 0), (50, 0)]), wide)[0].length == pytest.approx(
        2 * 56 + 2 * 10.5
    )


def test_equal_lines_of_two_belts_have_clumps_of_their_own():
    line = LineString([(0, 0), (0, 300)])
    rows = planned(line, line).rows
    kinds = [tuple(part["plant_count"]) for _, part in rows.groupby("belt")]
    assert Counter(kinds).most_common(1)[0][1] == 1
