"""Belts and the working land: hand computations on square fields, and all sets of a small world."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, MultiLineString, Polygon, box
from siting_helpers import every_set, seeded_world, smallest_wind_value

from shelterscape.process.design_files import packaged_designs
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.siting.budgets import Limits
from shelterscape.science.siting.candidates import with_design
from shelterscape.science.siting.choice import choose
from shelterscape.science.siting.continuity import (
    boundary_sides,
    continuous_lengths,
    with_joined_edges,
)
from shelterscape.science.siting.generated_lines import as_array
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.joining import belt_ends
from shelterscape.science.siting.regeneration import (
    as_regenerating,
    failure_cost_ha,
    regenerating_lines,
)
from shelterscape.science.siting.working_land import (
    boundary_shares,
    excluded_rows,
    excludes_column,
    excluding_pairs,
    working_land,
)

WEST, EAST = box(0, 0, 200, 200), box(200, 0, 400, 200)
FIELDS = as_array([WEST, EAST])
BOUNDARIES = as_array([WEST.exterior, EAST.exterior])


def across(x, south=0.0, north=200.0):
    return LineString([(x, south), (x, north)])


def new_belts(lines, **more):
    """Candidates 6 m wide: with a fence on each side they take 8 m."""
    columns = {"action": ["plant"] * len(lines), "width_m": 6.0, **more}
    return gpd.GeoDataFrame(columns, geometry=as_array(lines))


def test_a_belt_pays_for_the_land_it_takes_cuts_off_and_divides():
    lines = [
        across(5),  # along the boundary: 8 m and the strip of 1 m behind it
        across(100),  # two parts of 96 m x 200 m
        across(40),  # the smaller part of 36 m x 200 m is below 1 ha
        across(100, 50, 150),  # machines pass at both ends
        across(100, 0, 195),  # a passage of 5 m is too narrow for machines
        across(100, 0, 180),  # a passage of 20 m is not
        MultiLineString([across(100, 0, 90), across(100, 110, 200)]),  # opening of 20 m
    ]
    land = working_land(new_belts(lines), FIELDS, BOUNDARIES)
    np.testing.assert_allclose(land.land_out_ha[:4], [0.18, 0.16, 0.88, 0.08], atol=1e-9)
    np.testing.assert_allclose(land.land_cut_off_ha[:4], [0.02, 0, 0.72, 0], atol=1e-9)
    nothing = np.nan
    smallest = [nothing, 1.92, 0.72, nothing, 1.92, nothing, nothing]
    np.testing.assert_allclose(land.smallest_part_ha, smallest, atol=1e-2)
    assert land.new_gates.tolist() == [0, 1, 0, 0, 1, 0, 0]
    # 8 m at each end of a line across are beside the boundary.
    np.testing.assert_allclose(land.boundary_share[:3], [1.0, 0.08, 0.08], atol=1e-9)
    cost = land.cost_ha(np.full(7, 2.0), boundary_preference=0.5, land_weight=3.0)
    np.testing.assert_allclose(cost[:2], [3 * 0.18, 0.5 * 2 * 0.92 + 3 * 0.16], atol=1e-9)


def test_a_yard_one_working_width_from_the_edge_of_a_field_is_no_failure():
    """Once mitred, the outline of the ground that machines reach crosses itself there."""
    edge = [(389850, 6127840.486303472), (390450, 6127780.486303472), (390450, 6128430)]
    yard = [(390157.660444431, 6127836.427876097), (390029.1029224936, 6127989.636764721)]
    yard += [(390013.7820336311, 6127976.781012527), (390142.3395555685, 6127823.572123903)]
    field = Polygon([*edge, (389850, 6128430)], [yard])
    line = LineString([(389900, 6128300), (390000, 6128300)])
    land = working_land(new_belts([line]), as_array([field]), as_array([field.exterior]))
    # 100 m of 8 m; machines pass at both ends.
    assert (land.land_out_ha, land.new_gates) == (pytest.approx([0.08]), [0])


def test_restorations_and_existing_boundaries_need_no_land():
    land = working_land(new_belts([across(100)], action=["lay"]), FIELDS, BOUNDARIES)
    assert (land.boundary_share, land.land_out_ha, land.new_gates) == ([1.0], [0.0], [0])
    beside = boundary_shares(as_array([across(100)]), [6.0], as_array([across(107, 0, 100)]))
    # The face of the belt is 4 m from a hedge along half of its length, and 8 m beyond its end.
    assert beside[0] == pytest.approx((100 + np.sqrt(8**2 - 7**2)) / 200, abs=1e-3)


def test_belts_side_by_side_or_with_too_little_between_them_exclude_each_other():
    lines = [across(195), across(205), across(100), across(150), across(30), LineString(
        [(0, 100), (200, 100)])]  # fmt: skip
    frame = new_belts(lines, candidate=list("abcdef"))
    land = working_land(frame, FIELDS, BOUNDARIES)
    pairs = excluding_pairs(frame, FIELDS, land)
    # Both sides of one boundary; and 42 m x 200 m between the lines at 100 m and 150 m.
    assert [0, 1] in pairs.tolist() and [2, 3] in pairs.tolist()
    # Between 30 m and 100 m there are 62 m x 200 m; two lines that cross leave 0.92 ha each.
    assert [2, 4] not in pairs.tolist() and [2, 5] in pairs.tolist()
    assert [2, 5] not in excluding_pairs(frame, FIELDS, land, min_field_part_ha=0.9).tolist()
    frame["excludes"] = excludes_column(frame, pairs)
    assert frame["excludes"].iloc[0] == "b"
    assert excluded_rows(frame)[2] == {3, 5}
    # Names of candidates that are not there, as in a part of the candidates, are ignored.
    assert excluded_rows(frame.iloc[[0, 2]].reset_index(drop=True)) == [set(), set()]


@pytest.mark.parametrize("seed", range(4))
def test_no_allowed_set_is_better_after_its_cost_to_the_working_land(seed):
    """All sets within the budget; benefit by the smallest-wind rule."""
    context, new = seeded_world(10, seed + 60)
    ground, rng = Ground(context, new), np.random.default_rng(seed)
    own = ground.gains(np.arange(10))
    cost = own * rng.uniform(0, 0.7, 10)
    pairs = np.array([[0, 1], [1, 2], [3, 7], [4, 5]])
    new["excludes"] = excludes_column(new, pairs)
    metres = 0.5 * new["length_m"].sum()
    found = choose(ground, new, Limits(metres=metres), land_cost=cost)

    def allowed(rows):
        return not any(one in rows and other in rows for one, other in pairs)

    values = {
        rows: smallest_wind_value(ground, rows) for rows in every_set(new, metres) if allowed(rows)
    }
    best = max(values, key=lambda rows: values[rows] - cost[list(rows)].sum())
    assert allowed(found.rows)
    assert found.land_cost_ha == pytest.approx(cost[found.rows].sum())
    assert found.benefit_ha == pytest.approx(values[tuple(sorted(found.rows))], rel=1e-5)
    after = found.benefit_ha - found.land_cost_ha
    assert after == pytest.approx(values[best] - cost[list(best)].sum(), rel=1e-5)
    assert max(values.values()) <= found.benefit_bound_ha * (1 + 1e-5)
    other = [r for one, r in [*pairs, *pairs[:, ::-1]] if one in found.rows]
    assert other
    assert all(found.reasons[r].startswith("cannot be combined with c") for r in other)


def test_belts_are_placed_on_either_side_of_a_boundary_that_is_a_field():
    boundaries = as_array([across(200), LineString([(0, 200), (200, 200)]), across(900)])
    sides = boundary_sides(boundaries, FIELDS, width_m=6.0)
    assert sides.boundary.tolist() == [0, 0, 1, 2]
    assert sorted(sides.side[:2]) == ["E", "W"] and sides.side[2:].tolist() == ["S", ""]
    x = {side: line.coords[0][0] for line, side in zip(sides.lines, sides.side, strict=True)}
    # Half of 6 m and the strip of a fence.
    assert (x["W"], x["E"]) == (196.0, 204.0)
    assert {y for _, y in sides.lines[2].coords} == {196.0}
    assert sides.lines[3].equals(across(900))


def test_short_belts_count_with_what_they_adjoin_and_join_their_neighbours():
    hedge = LineString([(0, -100), (0, -10)])
    lines = [across(0, 0, 40), across(0, 50, 200), across(4, 50, 200)]
    lines.append(LineString([(400, 0), (430, 0)]))
    existing = as_array([hedge])
    assert continuous_lengths(as_array(lines), existing).tolist() == [130.0, 150.0, 150.0, 30.0]
    frame = new_belts(
        lines,
        candidate=["E1", "E2W", "E2E", "E3"],
        part=["E1", "E2W", "E2E", "E3"],
        candidate_type="parcel edge",
    )
    found = with_joined_edges(frame, np.full(4, 140.0), existing)
    assert found["candidate"].tolist() == ["E1", "E2W", "E2E", "E3", "E1+E2W"]
    assert found.geometry.iloc[4].length == 190.0
    # Where it is long enough with the hedge, nothing is joined.
    assert len(with_joined_edges(frame, np.full(4, 130.0), existing)) == 4


def test_lines_are_exchanged_for_others_with_fewer_free_ends_at_little_loss():
    """Three of five lines in one place: two in a row and one apart, or all in a row."""
    context, new = seeded_world(5, 3)
    row = [LineString([(x, 300), (x + 60, 300)]) for x in (100, 160, 220)]
    apart = [LineString([(100, 500), (160, 500)]), LineString([(400, 100), (460, 100)])]
    new = new.set_geometry(as_array([*row, *apart]), crs=new.crs).assign(length_m=60.0)
    ends = belt_ends(new, as_array([box(280, 290, 300, 310)]))
    # One end adjoins the wood.
    assert [ends.free(rows) for rows in ((0,), (2,), (0, 1), (0, 1, 2), (0, 2))] == [2, 1, 2, 1, 3]
    ground, limits = Ground(context, new), Limits(metres=180.0)
    gross = {rows: smallest_wind_value(ground, rows) for rows in every_set(new, 180.0)}
    # The line in the middle costs so much that the set with one line apart is slightly better.
    cost = np.array([0.0, gross[0, 1, 2] - gross[0, 2, 3] + 0.004, 0.0, 0.0, 9.0])
    values = {rows: value - cost[list(rows)].sum() for rows, value in gross.items()}
    best = choose(ground, new, limits, land_cost=cost)
    assert sorted(best.rows) == list(max(values, key=values.__getitem__)) == [0, 2, 3]
    share = 0.004 / values[0, 2, 3]
    for loss, rows in ((1.01 * share, [0, 1, 2]), (0.99 * share, [0, 2, 3])):
        found = choose(ground, new, limits, land_cost=cost, ends=ends, join_loss=loss)
        assert sorted(found.rows) == rows


def test_natural_regeneration_needs_trees_nearby_time_and_luck():
    """A fence of 60 m within 50 m of a wood; the hedge on the other side is too low."""
    frame = gpd.GeoDataFrame(
        {"candidate": ["E0001N", "A0001"], "part": ["E0001N", "A0001"], "design": "", "name": "",
         "candidate_type": ["parcel edge", "line across the wind"]},
        geometry=as_array([LineString([(0, 0), (200, 0)]), LineString([(0, 5), (200, 5)])]),
    )  # fmt: skip
    trees = gpd.GeoDataFrame(
        {"height_m": [12.0, 2.0]}, geometry=[box(-100, -5, 10, 5), box(190, -5, 300, 5)]
    )
    found = regenerating_lines(frame, trees, seed_distance_m=50.0)
    assert found["candidate"].tolist() == ["NE0001N"]
    assert found.geometry.item().equals(LineString([(0, 0), (60, 0)]))
    designs = packaged_designs()
    both = pd.concat([frame, found], ignore_index=True)
    belts = as_regenerating(with_design(both, designs, "three-row belt", 2027), delay_years=5)
    assert belts["action"].tolist() == ["plant", "plant", "regenerate"]
    assert belts["planted_year"].tolist() == [2027, 2027, 2032]
    rate = designs.design("natural regeneration").cost_per_m
    assert belts["cost_minor"].iloc[2] == 60 * 100 * rate
    years = [belts_at(belts, Case("in-leaf", year))["height_m"].to_numpy() for year in (2031, 2037)]
    assert years[0][2] == 0 and 0 < years[1][2] < 10
    # Of what fails, 40 % on average, nothing counts; it takes land like other new belts.
    np.testing.assert_allclose(failure_cost_ha(belts, np.full(3, 2.0)), [0, 0, 0.8])
    assert (working_land(belts, FIELDS, BOUNDARIES).land_out_ha > 0).all()
    assert [0, 2] in excluding_pairs(
        belts, FIELDS, working_land(belts, FIELDS, BOUNDARIES)
    ).tolist()
