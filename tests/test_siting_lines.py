"""Generated lines: bearing across the wind, lines in fields, parcel edges, corners."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from conftest import REAL_DATA
from hypothesis import given
from hypothesis import strategies as st
from line_helpers import array_of, fields, same_lines, turned

from shelterscape.science.siting.candidates import segment_bearings
from shelterscape.science.siting.generated_lines import (
    CORNER_DEG,
    best_bearing,
    corner_shapes,
    cross_shapes,
    equal_parts,
    lines_across,
    parcel_edges,
    share_of_wind_across,
)

NOTHING = np.empty(0, dtype=object)
roses = st.lists(
    st.tuples(st.floats(0, 359.99), st.floats(0.01, 1.0)), min_size=1, max_size=16
).map(lambda rows: (np.array([r[0] for r in rows]), np.array([r[1] for r in rows])))

# --- bearing ----------------------------------------------------------------------------------


@given(roses)
def test_the_best_bearing_is_that_of_an_exhaustive_search(rose):
    direction, weight = rose
    weight = weight / weight.sum()
    found = best_bearing(direction, weight)
    # Independent: the component of each wind along the normal of the belt, by dot products.
    tried = np.arange(0, 180, 0.05)
    normal = np.column_stack([np.cos(np.radians(tried)), -np.sin(np.radians(tried))])
    wind = np.column_stack([np.sin(np.radians(direction)), np.cos(np.radians(direction))])
    caught = np.abs(normal @ wind.T) @ weight
    assert 0 <= found.bearing_deg < 180
    assert caught.max() <= found.wind_share + 1e-9
    assert found.wind_share <= caught.max() + 1e-3
    for turn in (-90, -15, 30, 75):
        there = np.abs(np.sin(np.radians(direction - found.bearing_deg - turn))) @ weight
        assert found.loss[turn] == pytest.approx(1 - there / found.wind_share, abs=1e-9)


def test_one_wind_has_a_perpendicular_best_bearing_and_losses_by_cosine():
    found = best_bearing([240.0], [1.0])
    assert found.bearing_deg == pytest.approx(150.0)
    assert found.wind_share == pytest.approx(1.0)
    assert found.wind_axis_deg == pytest.approx(60.0)
    for turn, loss in found.loss.items():
        assert loss == pytest.approx(1 - np.cos(np.radians(turn)), abs=1e-9)


def test_wind_from_all_directions_gives_a_share_of_two_divided_by_pi():
    # The mean of |sin| over a circle is 2/π.
    direction = np.arange(0, 360, 0.5)
    found = best_bearing(direction, np.full(720, 1 / 720))
    assert found.wind_share == pytest.approx(2 / np.pi, abs=1e-4)
    assert max(found.loss.values()) < 1e-4


@given(roses, st.sampled_from([30.0, 90.0, 137.0]))
def test_the_best_bearing_rotates_with_the_wind_directions(rose, by):
    direction, weight = rose
    weight = weight / weight.sum()
    here, there = best_bearing(direction, weight), best_bearing(direction + by, weight)
    assert there.wind_share == pytest.approx(here.wind_share, abs=1e-9)
    # Two bearings can be equally good; the one found must be among the best in both cases.
    back = share_of_wind_across(there.bearing_deg - by, direction, weight)
    assert back[0] == pytest.approx(here.wind_share, abs=1e-9)


# --- lines in open ground ---------------------------------------------------------------------


def test_lines_divide_a_field_evenly():
    lines = lines_across(array_of(shapely.box(0, 0, 300, 1000)), 90.0, 220.0)
    # Four spacings of 220 m fit into 1000 m: three lines, 250 m apart, across the whole field.
    assert sorted(shapely.get_coordinates(shapely.centroid(lines))[:, 1]) == [250, 500, 750]
    assert shapely.length(lines) == pytest.approx([300, 300, 300])


def test_small_fields_get_no_line():
    assert len(lines_across(fields(1, 1, 100.0), 30.0, 150.0)) == 0
    assert len(lines_across(NOTHING, 30.0, 150.0)) == 0


@pytest.mark.parametrize("by", [90.0, 41.0])
def test_lines_rotate_with_fields_and_wind(by):
    ground = array_of(shapely.Polygon([(0, 0), (700, 90), (640, 800), (-50, 560)]))
    here = lines_across(ground, 20.0, 120.0)
    there = lines_across(turned(ground, by), 20.0 + by, 120.0)
    assert len(here) > 3
    assert same_lines(turned(here, by), there)


def test_lines_are_inside_the_ground_and_have_the_bearing():
    hole = shapely.box(200, 200, 400, 300)
    ground = array_of(shapely.box(0, 0, 900, 600).difference(hole))
    lines = lines_across(ground, 65.0, 100.0, longest_m=250.0)
    assert shapely.within(lines, shapely.buffer(ground[0], 1e-6)).all()
    assert shapely.length(lines).max() <= 250.0 + 1e-6
    bearing, _, _ = segment_bearings(lines)
    assert bearing == pytest.approx(np.full(len(bearing), 65.0))


def test_equal_parts_keep_length_and_vertices():
    bent = shapely.LineString([(0, 0), (310, 0), (310, 500), (700, 900)])
    parts = equal_parts(array_of(bent), 300.0)
    assert len(parts) == 5
    assert shapely.length(parts) == pytest.approx(np.full(5, bent.length / 5))
    assert shapely.hausdorff_distance(shapely.union_all(parts), bent) < 1e-9
    # Ten ends, and the two corners, none of which is at a division.
    assert len(shapely.get_coordinates(parts)) == 2 * 5 + 2


# --- parcel edges -----------------------------------------------------------------------------


def test_shared_edges_are_proposed_once():
    found = parcel_edges(fields(2, 3))
    # A block of 2 by 3 squares has (2+1)·3 + 2·(3+1) = 17 sides of 200 m.
    assert len(found.lines) == 17
    assert shapely.length(found.lines) == pytest.approx(np.full(17, 200.0))
    assert found.duplicate_m == 0


def test_edges_are_divided_at_junctions():
    tee = array_of(
        shapely.box(0, 0, 300, 100), shapely.box(0, 100, 120, 200), shapely.box(120, 100, 300, 200)
    )
    found = parcel_edges(tee)
    lengths = sorted(round(x) for x in shapely.length(found.lines))
    assert lengths == sorted([300, 100, 100, 120, 180, 120, 180, 100, 100, 100])


def test_parallel_edges_of_neighbours_share_one_line():
    apart = array_of(shapely.box(0, 0, 200, 200), shapely.box(203, 0, 403, 200))
    found = parcel_edges(apart, same_m=5.0)
    assert found.duplicate_m == pytest.approx(200, abs=0.1)
    assert shapely.length(found.lines).sum() == pytest.approx(8 * 200 - 200, abs=0.1)
    both = parcel_edges(apart, same_m=1.0)
    assert both.duplicate_m == 0
    assert shapely.length(both.lines).sum() == pytest.approx(8 * 200)


@given(st.integers(0, 10_000), st.sampled_from([90.0, 180.0, 270.0]))
def test_edges_rotate_with_the_parcels(seed, by):
    rng = np.random.default_rng(seed)
    points = shapely.points(np.round(rng.uniform(-400, 400, (9, 2)), 2))
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.union_all(points)))
    cells = shapely.set_precision(shapely.intersection(cells, shapely.box(-500, -500, 500, 500)), 1)
    options = {"longest_m": 1e6, "shortest_m": 0.5}
    here, there = parcel_edges(cells, **options), parcel_edges(turned(cells, by), **options)
    assert same_lines(turned(here.lines, by), there.lines)
    # Every edge is there once.
    total = shapely.length(shapely.union_all(shapely.boundary(cells)))
    kept = shapely.length(here.lines).sum() + here.duplicate_m
    assert kept == pytest.approx(total, rel=0.02)


def test_no_edge_has_a_sharp_bend_and_the_order_of_parcels_does_not_matter():
    star = [(0, 0), (400, 60), (500, 300), (250, 200), (90, 480)]
    ground = array_of(shapely.Polygon(star), shapely.box(600, 0, 900, 300))
    found = parcel_edges(ground)
    for line in found.lines:
        bearing, _, _ = segment_bearings(array_of(line))
        turns = np.abs((np.diff(bearing) + 90) % 180 - 90)
        assert (turns <= CORNER_DEG).all()
    again = parcel_edges(ground[::-1])
    assert shapely.equals_exact(found.lines, again.lines).all()


def test_no_parcels_no_edges():
    assert parcel_edges(NOTHING).lines.tolist() == []


@pytest.mark.realdata
@pytest.mark.parametrize(
    "file",
    ["at_parcels_with_hedges_31287.gpkg", "nl_parcels_landscape_elements_28992.gpkg"],
)
def test_edges_of_real_parcels(file):
    # Lines are on drawn edges only, and near each drawn edge there is a line.
    parcels = gpd.read_file(REAL_DATA / "field_parcels" / file).geometry.to_numpy()
    parcels = shapely.make_valid(parcels)
    found = parcel_edges(parcels, shortest_m=0.0)
    drawn = shapely.union_all(shapely.boundary(parcels))
    assert shapely.distance(found.lines, drawn).max() < 0.02
    assert shapely.length(found.lines).sum() <= shapely.length(drawn) + 1
    covered = shapely.intersection(drawn, shapely.buffer(shapely.union_all(found.lines), 8.0))
    assert covered.length > 0.99 * drawn.length
    # No line runs beside another one over a long distance.
    near = shapely.STRtree(found.lines).query(found.lines, predicate="dwithin", distance=4.0)
    one, other = near[:, near[0] < near[1]]
    strips = shapely.buffer(found.lines[other], 2.0, cap_style="flat")
    beside = shapely.length(shapely.intersection(found.lines[one], strips))
    assert (beside > 60).sum() <= 0.01 * len(found.lines)


# --- corners ----------------------------------------------------------------------------------


def test_a_square_field_has_four_corners():
    field = fields(1, 1)
    found = corner_shapes(field, arm_m=60.0)
    assert shapely.length(found) == pytest.approx(np.full(4, 120.0))
    corners = {tuple(shapely.get_coordinates(line)[1]) for line in found}
    assert corners == {(0, 0), (200, 0), (200, 200), (0, 200)}
    assert shapely.covered_by(found, shapely.boundary(field[0])).all()


def test_corners_that_point_into_the_field_get_no_shape():
    ell = shapely.Polygon([(0, 0), (400, 0), (400, 200), (200, 200), (200, 400), (0, 400)])
    found = {tuple(shapely.get_coordinates(line)[1]) for line in corner_shapes(array_of(ell))}
    assert found == {(0, 0), (400, 0), (400, 200), (200, 400), (0, 400)}
    again = corner_shapes(array_of(shapely.reverse(ell)))
    assert {tuple(shapely.get_coordinates(line)[1]) for line in again} == found


@pytest.mark.parametrize("by", [90.0, 33.0])
def test_corners_and_crosses_rotate_with_field_and_wind(by):
    field = array_of(shapely.Polygon([(0, 0), (300, 30), (280, 260), (-20, 240)]))
    assert same_lines(turned(corner_shapes(field), by), corner_shapes(turned(field, by)))
    here = cross_shapes(field, 25.0)
    assert same_lines(turned(here, by), cross_shapes(turned(field, by), 25.0 + by))


def test_a_cross_has_four_arms_two_across_the_wind():
    (cross,) = cross_shapes(fields(1, 1), 20.0, arm_m=60.0)
    assert cross.length == pytest.approx(240.0)
    bearing, length, _ = segment_bearings(array_of(cross))
    assert sorted(np.round(bearing % 180)) == [20, 20, 110, 110]
    assert length == pytest.approx(np.full(4, 60.0))
    assert len(cross_shapes(fields(1, 1, 60.0), 20.0, arm_m=60.0)) == 0
    assert len(cross_shapes(NOTHING, 20.0)) == len(corner_shapes(NOTHING)) == 0
