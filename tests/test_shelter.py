"""The shelter field: laws that always apply, and a comparison with an independent calculation."""

from __future__ import annotations

import csv
import itertools

import geopandas as gpd
import numpy as np
import published_checks
import pytest
import ray_oracle
import shapely
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity

from shelterscape.grid import Grid
from shelterscape.science.belt_profiles import thin_belt
from shelterscape.science.belts import belts_in_season, complete
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts
from shelterscape.science.shelter import over_winds, relative_wind
from shelterscape.science.wind import WindSet, equal_winds

SIDE = 81
MIDDLE = SIDE * 10 / 2
GRID = Grid((SIDE, SIDE), Affine(10, 0, 0, 0, -10, SIDE * 10))


def belts_of(*lines, height=8.0, porosity=0.4, width=3.0, crs=None, **columns):
    """Completed belts along lines of (x, y)."""
    frame = gpd.GeoDataFrame(
        {"height_m": height, "porosity": porosity, "width_m": width} | columns,
        geometry=[shapely.LineString(line) for line in lines],
        index=range(len(lines)),
        crs=crs,
    )
    return complete(frame, "belts")[0]


def one_belt(length=300.0, **columns):
    """A belt through the middle of the map, running west to east."""
    return belts_of([(MIDDLE - length / 2, MIDDLE), (MIDDLE + length / 2, MIDDLE)], **columns)


def prepared(belts, *seasons, grid=GRID):
    """Prepared belts, in leaf by default."""
    return prepare_belts(
        [belts_in_season(belts, season) for season in seasons or ("in-leaf",)],
        grid,
        ShelterOptions(),
    )


def one_ray(belts, grid, direction_deg, **options):
    """Options with a single ray and without end effects by default."""
    return relative_wind(
        belts, grid, direction_deg, **({"spread_deg": 0.0, "ends": False} | options)
    )


SMALL = GRID.window(20, 20, (41, 41))
ALL_ROUND = pytest.mark.parametrize("direction", [0.0, 90.0, 200.0, 233.7, 315.0])

# Corners are not on cell centres, so that no ray touches the end of a belt.
LINES = [
    [(301.3, 350.7), (452.9, 377.1), (498.3, 431.9)],
    [(333.3, 520.1), (391.7, 562.3)],
]

# Largest difference between the tables and the curves. Linear interpolation with a step of
# h = 0.05 H has an error of up to h²/8 = 3.1e-4 times the second derivative of the curve. That is
# at most 0.64 / H² between -1 H and the face of a belt. Behind the belt it is largest at the
# calmest point, with wind m, where the recovery starts: (1 - m) / (8 H · 0.5 H), at most
# 0.215 / H² (at the sharp bends, 0, 3, 7, 8, 10 and 40 H, there is a table entry). Sums in float32
# add less than 1e-6, and 201 faces for the windward side 3e-6; the calmest point is found to about
# 1e-4 H, which adds 1e-5.
LEEWARD, WINDWARD = 8e-5, 2.1e-4
# The lee of a wood changes its form where relative wind reaches 0.7, at the next entry of the
# table: up to 0.05 H too far, of which half counts, 0.025 H. From there the wind recovers by
# 1 - 0.3 ((40 H - x) / (40 H - turn))², which rises by 0.6 / (40 - 6) per H: 4.5e-4. (Within the
# 0.025 H the error could be 1.4e-3; no cell centre is there.)
WOOD = 4.6e-4
# A wind reduction below 0.002 is neglected.
LEFT_OUT = 2e-3


def width_of(share, height):
    """Width, m, with exactly this share of width, which is rounded to 0.01."""
    return -2 * height * np.log(1 - share)


def assert_as_in_oracle(ours, belts, grid, direction, more=0.0):
    theirs, place = ray_oracle.field_of(belts, grid, direction)
    wood, before = (place == kind for kind in (ray_oracle.BEHIND_WOOD, ray_oracle.BEFORE))
    allowed = more + np.select([wood, before], [WOOD, WINDWARD], LEEWARD)
    allowed[theirs > 1 - LEFT_OUT] = LEFT_OUT
    assert (theirs < 0.9).sum() > 50  # the comparison needs shelter
    np.testing.assert_array_less(np.abs(ours - theirs), allowed)


@ALL_ROUND
def test_belts_against_rays_by_shapely(direction):
    """Porosities and widths need no rounding, so only the tables differ. The second belt is dense,
    and denser in its lower half, so that every rule of the curve applies."""
    height, porosity, low = [6.0, 11.0], [0.35, 0.12], [0.35, 0.20]
    width = [width_of(0.15, 6.0), width_of(0.42, 11.0)]
    belts = belts_of(*LINES, height=height, porosity=porosity, width=width, porosity_low=low)
    theirs = [
        ray_oracle.Belt(ray_oracle.strip(shapely.LineString(line), w), h, p, q, w)
        for line, h, p, q, w in zip(LINES, height, porosity, low, width, strict=True)
    ]
    assert_as_in_oracle(one_ray(belts, SMALL, direction), theirs, SMALL, direction)


@ALL_ROUND
def test_a_wood_against_rays_by_shapely(direction):
    ground = shapely.Polygon([(231.3, 230.9), (331.9, 241.3), (321.7, 291.1), (241.1, 283.3)])
    width = width_of(0.96, 7.0)
    belts = belts_of(LINES[0], height=7.0, porosity=0.5, width=width).assign(geometry=[ground])
    theirs = [ray_oracle.Belt(ground, 7.0, 0.5, 0.5, width)]
    assert_as_in_oracle(one_ray(belts, SMALL, direction), theirs, SMALL, direction)


@ALL_ROUND
def test_rounding_porosity_and_width_changes_wind_by_no_more_than_half_a_step(direction):
    """Porosity and width are between two steps of 0.01; the effect of half a step is calculated
    from the curves."""
    line, height, porosity, width = LINES[0], 6.0, 0.357, 2.0
    belts = belts_of(line, height=height, porosity=porosity, width=width)
    ground = ray_oracle.strip(shapely.LineString(line), width)
    full_evaluation = ray_oracle.Belt(ground, height, porosity, porosity, width)
    x, share = np.linspace(-6, 50, 1000), 1 - np.exp(-width / height / 2)
    cost = 0.0
    for p, s in itertools.product((porosity - 0.005, porosity + 0.005), (-0.005, 0.005)):
        near = ray_oracle.Belt(ground, height, p, p, width_of(share + s, height))
        cost = max(cost, np.abs(near.thin(x) - full_evaluation.thin(x)).max())
    assert cost < 0.01
    ours = one_ray(belts, SMALL, direction)
    assert_as_in_oracle(ours, [full_evaluation], SMALL, direction, cost)


def test_the_equation_of_the_oracle_gives_the_published_values():
    """The curve of the comparison above is checked against values calculated beforehand from the
    published equation (Vigiak and others 2003; coefficients seen in a text citing them)."""
    with (published_checks.FOLDER / "barrier_curve.csv").open(encoding="utf-8") as stream:
        rows = [[float(value) for value in row.values()] for row in csv.DictReader(stream)]
    leeward = [row for row in rows if row[1] >= 0]
    assert len(leeward) == 78
    for theta, x, published in leeward:
        assert ray_oracle.published_equation(x, theta, 0.0) == pytest.approx(published, abs=6e-4)


def test_no_belts_no_shelter():
    belts = one_belt().iloc[:0]
    assert (relative_wind(belts, GRID, 200.0) == 1).all()
    winds = WindSet(
        "", np.arange(0.0, 360, 30), np.full(12, 1 / 12), np.full(12, 5.0), np.full(12, 2.0)
    )
    assert (over_winds(prepared(belts), GRID, [winds]) == 1).all()


def test_a_belt_of_porosity_one_changes_nothing():
    field = relative_wind(one_belt(porosity=1.0), GRID, 180.0)
    assert field.min() == pytest.approx(1, abs=1e-6)


@given(st.floats(0, 360), st.floats(0, 1), st.floats(0.5, 40), st.floats(0, 60), st.floats(0, 360))
def test_relative_wind_is_within_its_range(direction, porosity, height, width, bearing):
    line = affinity.rotate(shapely.LineString([(300, 405), (510, 405)]), bearing)
    belts = belts_of(line.coords, porosity=porosity, height=height, width=width)
    field = relative_wind(belts, GRID, direction)
    assert field.min() >= 0
    assert field.max() <= 1.25


@given(st.integers(0, 71), st.floats(0, 360))
def test_a_mirrored_belt_mirrors_the_field(step, bearing):
    direction = step * 5.0
    line = affinity.rotate(shapely.LineString([(330, 405), (430, 415), (480, 380)]), bearing)
    mirrored = [(2 * MIDDLE - x, y) for x, y in line.coords]
    field = relative_wind(belts_of(line.coords), GRID, direction)
    other = relative_wind(belts_of(mirrored), GRID, -direction)
    # A cell that an edge of the strip touches may be on either side, in one ray of 15.
    assert (np.abs(field - other[:, ::-1]) > 1e-3).mean() < 0.002
    assert np.abs(field - other[:, ::-1]).max() < 0.1


@given(st.integers(1, 3), st.integers(0, 71))
def test_turning_belts_and_wind_turns_the_field(turns, step):
    direction = step * 5.0 + 1.3
    line = shapely.LineString([(331, 404), (433, 417), (484, 381)])
    turned = affinity.rotate(line, -90 * turns, origin=(MIDDLE, MIDDLE))
    field = relative_wind(belts_of(line.coords), GRID, direction)
    other = relative_wind(belts_of(turned.coords), GRID, direction + 90 * turns)
    assert (np.abs(np.rot90(field, -turns) - other) > 1e-3).mean() < 0.002


def test_scaling_all_lengths_changes_nothing():
    double = Grid(GRID.shape, Affine(20, 0, 0, 0, -20, SIDE * 20))
    small = relative_wind(one_belt(), GRID, 203.0)
    line = [(2 * MIDDLE - 300, 2 * MIDDLE), (2 * MIDDLE + 300, 2 * MIDDLE)]
    large = relative_wind(belts_of(line, height=16.0, width=6.0), double, 203.0)
    np.testing.assert_allclose(small, large, atol=1e-5)


@given(st.floats(0.02, 0.98), st.floats(0, 360))
def test_a_belt_in_two_pieces_has_the_effect_of_one(share, direction):
    a, b = np.array([281.0, 377.0]), np.array([533.0, 441.0])
    knot = tuple(a + share * (b - a))
    whole = relative_wind(belts_of([a, b]), GRID, direction)
    pieces = relative_wind(belts_of([knot, a], [knot, b]), GRID, direction)
    assert (np.abs(whole - pieces) > 1e-3).mean() < 0.001


def test_the_order_of_belts_changes_nothing():
    rng = np.random.default_rng(4)
    lines = [rng.uniform(100, 700, (3, 2)) for _ in range(12)]
    height = rng.uniform(2, 15, 12)
    belts = belts_of(*lines, height=height)
    shuffled = belts.iloc[rng.permutation(12)]
    assert np.array_equal(relative_wind(belts, GRID, 222), relative_wind(shuffled, GRID, 222))


@pytest.fixture(scope="module")
def whole():
    rng = np.random.default_rng(9)
    belts = belts_of(*(rng.uniform(0, 810, (4, 2)) for _ in range(5)), height=7.0)
    return belts, relative_wind(belts, GRID, 237.0)


@given(st.integers(0, 60), st.integers(0, 60), st.integers(1, 21), st.integers(1, 21))
def test_a_part_of_the_map_equals_the_whole_bit_for_bit(whole, row, col, rows, cols):
    belts, field = whole
    part = relative_wind(belts, GRID.window(row, col, (rows, cols)), 237.0)
    assert np.array_equal(part, field[row : row + rows, col : col + cols])


@pytest.mark.parametrize("slant", [30, 45, 60])
def test_sheltered_distance_of_an_oblique_belt_falls_with_the_cosine(slant):
    """Published: about the cosine of the angle, ± 25 % (Wang and Takle 1996, S; Woodruff and Zingg
    1952, S2). Our calculation uses that cosine by construction, so this tests the code only, with
    the accuracy of the code."""
    fine = Grid((801, 801), Affine(1, 0, 0, 0, -1, 801))
    belts = belts_of([(-4000, 600.5), (4800, 600.5)], height=8.0)

    def reach(direction):
        column = one_ray(belts, fine, direction)[:, 400]
        sheltered = np.flatnonzero(column[201:] < 0.8)  # south of the belt
        return sheltered.max()

    ratio = reach(float(slant)) / reach(0.0)
    # Distances of 140 m and at least 70 m, each counted in cells of 1 m: 1/140 + 1/70 = 0.021.
    assert ratio == pytest.approx(np.cos(np.radians(slant)), rel=0.021)


def test_degenerate_belts_give_valid_results():
    doubled = belts_of([(405.0, 300.0), (405.0, 300.0), (405.0, 500.0)])
    single = belts_of([(405.0, 300.0), (405.0, 500.0)])
    np.testing.assert_allclose(
        relative_wind(doubled, GRID, 90), relative_wind(single, GRID, 90), atol=1e-6
    )
    for direction in (0.0, 45.0, 90.0, 300.0):
        tiny = relative_wind(belts_of([(405.0, 400.0), (405.0, 400.001)]), GRID, direction)
        assert (tiny < 0.95).sum() < 60  # a belt 3 m long shelters a strip of its own length
    spike = belts_of([(300.0, 400.0), (500.0, 400.0), (300.0, 400.0)])
    plain = belts_of([(300.0, 400.0), (500.0, 400.0)])
    np.testing.assert_allclose(
        relative_wind(spike, GRID, 180), relative_wind(plain, GRID, 180), atol=0.05
    )


@pytest.mark.parametrize("extent", [1e5, 1e7])
def test_huge_belts(extent):
    belts = belts_of([(-extent, 405.0), (extent, 405.0)])
    field = one_ray(belts, GRID, 180.0)  # from the south
    lee = thin_belt("exponential", np.array([0.4]), np.array([0.4]), np.array([3 / 8]))[0]
    assert field[:40].min() == pytest.approx(lee.min(), abs=0.01)
    assert np.ptp(field, axis=1).max() < 1e-4


def test_bare_belts_shelter_less():
    belts = one_belt(porosity=0.3, bare_porosity=0.6)
    leaf = relative_wind(belts, GRID, 180.0, season="in-leaf")
    bare = relative_wind(belts, GRID, 180.0, season="bare")
    assert (1 - bare).sum() < (1 - leaf).sum()
    assert leaf.min() < bare.min()


def test_shelter_is_downwind_of_a_belt():
    field = relative_wind(one_belt(), GRID, 0.0)  # from the north, so shelter is south
    north, south = field[:40], field[41:]
    assert (1 - south).sum() > 3 * (1 - north).sum()


def test_several_winds_are_a_weighted_mean():
    belts = one_belt()
    ready = prepared(belts)
    winds = WindSet(
        "", np.array([0.0, 200.0]), np.array([0.3, 0.6]), np.array([4.0, 8.0]), np.full(2, 2.0), 0.1
    )
    # The two are 160° apart, so each represents a sector of the largest width.
    north, south = (
        relative_wind(belts, GRID, d, sector_deg=45.0).astype(float) for d in (0.0, 200.0)
    )
    share = 0.3 * 4 / (0.3 * 4 + 0.6 * 8)
    mean = share * north + (1 - share) * south
    np.testing.assert_allclose(over_winds(ready, GRID, [winds])[0], mean, atol=1e-5)
    w2 = 0.3 * 16 / (0.3 * 16 + 0.6 * 64)
    force = np.sqrt(w2 * north**2 + (1 - w2) * south**2)
    np.testing.assert_allclose(
        over_winds(ready, GRID, [winds], speed_exponent=2.0)[0], force, atol=1e-5
    )


def test_true_north_makes_the_field_the_same_in_any_crs():
    """One belt in three coordinate systems, wind from 240° from true north."""
    lonlat = gpd.GeoDataFrame(
        {"height_m": [10.0]},
        geometry=[shapely.LineString([(7.200, 55.300), (7.206, 55.297)])],
        crs="EPSG:4326",
    )
    probes = gpd.GeoSeries.from_xy(
        7.203 + np.array([0.0005, 0.001, 0.002]),
        55.2985 + np.array([0.0004, 0.0008, 0.0012]),
        crs="EPSG:4326",
    )
    found = []
    for crs in ("EPSG:25832", "EPSG:25831", "EPSG:2154"):
        belts, _ = complete(lonlat.to_crs(crs), "belts")
        x, y = belts.geometry.iloc[0].centroid.coords[0]
        grid = Grid((800, 800), Affine(1, 0, x - 400, 0, -1, y + 400), crs)
        field = over_winds(
            prepared(belts, grid=grid),
            grid,
            [equal_winds([240.0], "w")],
            convergence_deg=grid.convergence_deg(),
        )[0]
        at = grid.to_cells(shapely.get_coordinates(probes.to_crs(crs).to_numpy()))
        found.append([field[int(r), int(c)] for c, r in at])
    assert np.ptp(found, axis=0).max() < 0.02
    assert np.min(found) < 0.6
