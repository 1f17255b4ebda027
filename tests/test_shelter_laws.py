"""Rules for several belts, gaps, woods, height and gusts, each tested by itself."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from test_shelter import belts_of, one_ray

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.science.belt_profiles import NEGLIGIBLE_REDUCTION, share_at_height, thin_belt
from shelterscape.science.belts import belts_in_season, complete
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts, sheltered_distance_m
from shelterscape.science.rays import accumulate_wind_reduction, rays_of
from shelterscape.science.shelter import one_direction, ray_offsets, relative_wind

H = 10.0
FINE = Grid((700, 300), Affine(1, 0, 0, 0, -1, 700))
"""Cells of 1 m; belts 10 m high run from west to east, the wind comes from the north."""


def across(y, **columns):
    """A belt much longer than the width of the map."""
    return belts_of([(-3000, y), (3300, y)], height=H, **columns)


def rows_of(*belts):
    """Several layers of belts joined."""
    frames = [belt for belt in belts]
    joined = frames[0].copy()
    for more in frames[1:]:
        joined.loc[len(joined)] = more.iloc[0]
    return joined


def lee(field, y, h):
    """Relative wind on the middle column, `h` belt heights south of a belt at `y`."""
    return field[round(700 - y + h * H), 150]


# --- several belts ---


def test_the_second_of_two_belts_never_adds_more_than_the_first():
    """For two belts 20 H apart: the second adds no more than it would alone."""
    first, second = across(650.0), across(450.0)
    both = one_ray(rows_of(first, second), FINE, 0.0)
    alone = [one_ray(belt, FINE, 0.0) for belt in (first, second)]
    np.testing.assert_array_equal(both, np.minimum(*alone))
    assert (1 - both).sum() <= 2 * (1 - alone[0]).sum()


def test_later_fences_in_a_row_add_no_shelter():
    """Behind later fences near-ground wind does not fall further (McAneney and Judd 1991, seen)."""
    fences = rows_of(*(across(690.0 - 60 * i, porosity=0.5, belt_type="fence") for i in range(8)))
    field = one_ray(fences, FINE, 0.0)
    behind = [lee(field, 690.0 - 60 * i, 3.0) for i in range(8)]
    assert min(behind[1:]) >= behind[0] - 0.01


def test_a_product_is_more_optimistic():
    belts = rows_of(across(650.0), across(500.0))
    smallest = one_ray(belts, FINE, 0.0)
    product = one_ray(belts, FINE, 0.0, combine="product")
    assert (product <= smallest + 1e-6).all()
    assert product.sum() < smallest.sum() - 100
    single = across(650.0)
    np.testing.assert_allclose(
        one_ray(single, FINE, 0.0), one_ray(single, FINE, 0.0, combine="product"), atol=1e-6
    )


def test_three_rows_drawn_separately_are_one_belt():
    """Three rows of porosity 0.74 have 0.405 together; 4 m between the outer faces."""
    rows = rows_of(*(across(650.0 - 1.5 * i, porosity=0.74, width=1.0) for i in range(3)))
    belt = across(648.5, porosity=0.74**3, width=4.0)
    apart, whole = one_ray(rows, FINE, 0.0), one_ray(belt, FINE, 0.0)
    assert np.abs(apart - whole)[60:].max() < 0.05


def test_belts_far_apart_or_of_different_height_do_not_act_as_one():
    near = rows_of(across(650.0, porosity=0.6), across(630.0, porosity=0.6))
    far = rows_of(across(650.0, porosity=0.6), across(615.0, porosity=0.6))
    low = rows_of(across(650.0, porosity=0.6), belts_of([(-3e3, 630.0), (3300, 630.0)], height=4.0))
    at = [lee(one_ray(belts, FINE, 0.0), 615.0, 4.0) for belts in (near, far)]
    assert at[0] < at[1] - 0.05
    # Each by itself, and the smaller wind of both; a joined belt would give less wind.
    alone = [one_ray(low.iloc[[i]], FINE, 0.0) for i in (0, 1)]
    np.testing.assert_array_equal(one_ray(low, FINE, 0.0), np.minimum(*alone))
    joined = low.assign(height_m=H)
    assert (one_ray(joined, FINE, 0.0) < np.minimum(*alone) - 0.05).any()


# --- length, ends and gaps ---


def test_shelter_behind_a_short_belt_narrows_with_distance():
    """The area with the same wind as behind a long belt becomes narrower downwind. At 20 H on the
    centre line a belt 10 H long gives at most 0.9 of the shelter of a long one, because wind
    directions mix."""
    short = belts_of([(100, 600), (200, 600)], height=H)
    field, long = (relative_wind(b, FINE, 0.0, ends=False) for b in (short, across(600.0)))
    widths = [(np.abs(field - long)[round(100 + x * H)] < 0.05).sum() for x in (2, 5, 10)]
    assert widths[0] > widths[1] > widths[2]
    shelter = [1 - lee(one, 600.0, 20.0) for one in (field, long)]
    assert shelter[0] <= 0.9 * shelter[1]


@given(st.floats(20, 200), st.floats(1.05, 3))
def test_a_longer_belt_shelters_more(length, more):
    """In total, and on every cell except near an end, where the faces differ."""
    grid = Grid((70, 40), Affine(10, 0, 0, 0, -10, 700))
    short, long = (
        relative_wind(belts_of([(200 - n / 2, 600), (200 + n / 2, 600)]), grid, 10.0, ends=False)
        for n in (length, length * more)
    )
    assert (1 - long).sum() >= (1 - short).sum()
    assert (long - short).max() < 0.05


def test_wind_increases_beside_an_end_and_nowhere_in_shelter():
    """Up to 20 % more wind near ends was measured (Reid and Bird 1990, in a text citing it)."""
    belt = belts_of([(100, 600), (200, 600)], height=H, porosity=0.3)
    with_ends, without = one_ray(belt, FINE, 0.0, ends=True), one_ray(belt, FINE, 0.0)
    assert 1.02 < with_ends.max() <= 1.2
    np.testing.assert_array_equal(with_ends[without < 1], without[without < 1])
    row, col = np.nonzero(with_ends > 1)
    assert row.min() >= 98 and row.max() <= 98 + 5 * H + 4
    assert col.min() >= 100 - 2 * H - 1 and col.max() <= 200 + 2 * H
    # There is no end effect of a belt of porosity 1, or of a very short one.
    assert (
        one_ray(belts_of([(100, 600), (200, 600)], porosity=1.0), FINE, 0.0, ends=True).max() == 1
    )
    twig = belts_of([(149.5, 600), (150.5, 600)], height=H, porosity=0.3)
    assert one_ray(twig, FINE, 0.0, ends=True).max() < 1.01


def test_wind_is_faster_in_a_gap():
    gappy = belts_of([(-3000, 600), (140, 600)], [(160, 600), (3300, 600)], height=H, porosity=0.3)
    field = one_ray(gappy, FINE, 0.0, ends=True)
    assert lee(field, 600.0, 1.0) > 1.02
    assert field.max() <= 1.25


# --- woods ---


def test_a_deep_wood_is_calm_inside_and_has_a_short_lee():
    deep = complete(
        belts_of([(0, 0), (1, 1)], height=H).assign(geometry=[shapely.box(-3000, 450, 3300, 650)]),
        "w",
    )[0]
    thin = across(450.0)
    wood, belt = one_ray(deep, FINE, 0.0), one_ray(thin, FINE, 0.0)
    inside = wood[60:240, 150]
    assert (np.diff(inside) <= 1e-6).all()
    assert inside[0] - inside[-1] > 0.05

    def length(field, face):
        return np.flatnonzero(field[:, 150] < 0.7).max() + 1 - face

    # Half, in cells of 1 m: one cell for the wood, half a cell for the belt, and the 0.025 H by
    # which the table may place the change of the lee too far.
    lengths = length(wood, 250.0), length(belt, 251.5)
    assert lengths[0] == pytest.approx(lengths[1] / 2, abs=1.0 + 0.5 + 0.025 * H)
    assert lee(wood, 450.0, 25.0) < 1


def test_a_strip_along_the_wind_has_no_long_lee():
    """20 m wide and 500 m deep along the wind: shelter inside it, none beyond 30 H."""
    strip = belts_of([(150, 400), (150, 900)], height=H, width=20.0)
    square = belts_of([(-3000, 400), (3300, 400)], height=H, width=20.0)
    field, usual = (relative_wind(belt, FINE, 0.0, ends=False) for belt in (strip, square))
    assert field[280, 150] < 0.6
    assert lee(field, 400.0, 29.5) > 0.95
    assert (1 - field[300:, 150]).sum() < 0.6 * (1 - usual[310:, 150]).sum()


# --- height above ground, bare stems, kinds of belts ---


def test_height_above_ground():
    assert share_at_height(np.array([10.0]), 5.0)[0] == 1
    assert share_at_height(np.array([10.0]), 12.0)[0] == 0
    assert share_at_height(np.array([10.0]), 8.5)[0] == pytest.approx(0.5)
    fields = [one_ray(across(600.0), FINE, 0.0, at_height_m=z) for z in (1.0, 4.9, 8.5, 12.1)]
    np.testing.assert_array_equal(fields[0], fields[1])
    np.testing.assert_allclose(1 - fields[2], 0.5 * (1 - fields[0]), atol=2e-3)
    assert (fields[3] == 1).all()


def test_a_hedge_with_bare_stems_shelters_little_near_the_ground():
    """Common practice, no source."""
    clothed, bare = across(600.0), across(600.0, bare_stem_m=4.0)
    near = [1 - lee(one_ray(belts, FINE, 0.0), 600.0, 4.0) for belts in (clothed, bare)]
    assert near[1] < 0.35 * near[0]


def test_the_lower_half_decides_near_a_belt_and_the_whole_farther_out():
    low = np.array([0.2])
    dense_below = thin_belt("mid", np.array([0.5]), low, np.zeros(1))[0]
    near, far = (thin_belt("mid", t, t, np.zeros(1))[0] for t in (low, np.array([0.5])))
    x = np.linspace(-6, 50, len(near))
    np.testing.assert_array_equal(dense_below[x <= 8], near[x <= 8])
    np.testing.assert_allclose(dense_below[x >= 10], far[x >= 10], atol=1e-12)


def test_walls_and_fences_follow_the_barrier_curve():
    fence, hedge = (across(600.0, belt_type=kind, porosity=0.5) for kind in ("fence", "hedge"))
    np.testing.assert_array_equal(
        one_ray(fence, FINE, 0.0), one_ray(hedge, FINE, 0.0, curve="barrier")
    )
    assert one_ray(fence, FINE, 0.0).sum() < one_ray(hedge, FINE, 0.0).sum()


def test_sheltered_distance_grows_with_height_and_agrees_with_the_field():
    belts = belts_in_season(
        rows_of(across(600.0), belts_of([(0, 0), (9, 0)], height=5.0)), "in-leaf"
    )
    reach = sheltered_distance_m(belts, ShelterOptions())
    field = one_ray(across(600.0), FINE, 0.0)[:, 150]
    seen = np.flatnonzero(field[102:] < 0.8).max() + 1
    assert reach[0] == pytest.approx(seen, abs=1.5)
    assert reach[1] == pytest.approx(reach[0] / 2, rel=0.05)


# --- lines and areas, seasons, rays ---


@given(st.floats(0, 360), st.floats(2, 25))
def test_a_belt_as_an_area_equals_the_same_belt_as_a_line(direction, width):
    grid = Grid((60, 60), Affine(10, 0, 0, 0, -10, 600))
    line = belts_of([(221.3, 298.1), (377.7, 341.9)], width=width)
    area = line.assign(geometry=line.geometry.buffer(width / 2, cap_style="flat"))
    # Lines are simplified before they are buffered, without a shift.
    field, other = (relative_wind(belts, grid, direction) for belts in (line, area))
    assert (np.abs(field - other) > 1e-3).mean() < 0.003


def test_two_seasons_together_equal_each_by_itself():
    belts = across(600.0, porosity=0.3, bare_porosity=0.6)
    both = one_direction(
        prepare_belts(
            [belts_in_season(belts, s) for s in ("in-leaf", "bare")], FINE, ShelterOptions()
        ),
        FINE,
        20.0,
        22.5,
    )
    for field, season in zip(both, ("in-leaf", "bare"), strict=True):
        alone = relative_wind(belts, FINE, 20.0, season=season, sector_deg=22.5)
        # Together they extend as far as the one with the larger distance.
        np.testing.assert_allclose(field, alone, atol=NEGLIGIBLE_REDUCTION)


def test_the_spread_of_rays_has_the_variance_of_sector_and_gusts():
    many = ray_offsets(22.5, 10.0, 4001)
    assert many.std() == pytest.approx(np.sqrt(22.5**2 / 12 + 100), rel=0.01)
    assert ray_offsets(22.5, 10.0).sum() == pytest.approx(0, abs=1e-9)
    assert ray_offsets(0.0, 0.0).tolist() == [0.0]


def test_fifteen_rays_are_enough():
    """99 % of cells differ by less than 0.02 from a calculation with 801 rays."""
    grid = Grid((90, 90), Affine(10, 0, 0, 0, -10, 900))
    rng = np.random.default_rng(3)
    belts = belts_of(*(rng.uniform(100, 800, (3, 2)) for _ in range(6)), height=12.0)
    prepared = prepare_belts([belts_in_season(belts, "in-leaf")], grid, ShelterOptions())
    taken = np.zeros((1, *grid.shape), np.float32)
    accumulate_wind_reduction(
        rays_of(prepared, 233.0 + ray_offsets(22.5, 10.0, 801)), [grid], "smallest", [taken]
    )
    field = one_direction(prepared, grid, 233.0, 22.5)
    assert np.quantile(np.abs(field - (1 - taken)), 0.99) <= 0.02


def test_shelter_beside_a_belt_with_wind_along_it():
    """Shelter extends to about 4 H beside it (a farm woodland adviser's page, seen): relative wind
    reaches 0.95 between 2 and 5 H, and does not jump as the wind turns from 89° to 90°."""
    grid = Grid((300, 300), Affine(1, 0, 0, 0, -1, 300))
    belt = belts_of([(-3000, 150), (3300, 150)], height=H)
    fields = [relative_wind(belt, grid, d) for d in (88.0, 89.0, 90.0)]
    side = fields[2][153:, 150]
    assert 2 * H <= np.argmax(side >= 0.95) <= 5 * H
    steps = [np.abs(a - b)[160:].max() for a, b in itertools.pairwise(fields)]
    assert max(steps) < 0.05


@pytest.mark.parametrize("slip", [{"season": "bear"}, {"combine": "largest"}, {"curve": "midd"}])
def test_misspelt_options_are_refused(slip):
    with pytest.raises(InputError) as caught:
        relative_wind(across(600.0), FINE, 0.0, **slip)
    assert caught.value.code == "name-unknown"
    assert next(iter(slip.values())) == caught.value.value
