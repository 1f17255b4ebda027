"""What candidates bring: laws, and values reached by other roads than the kernels'."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from numpy.testing import assert_allclose
from siting_helpers import (
    CELL_M,
    GRID,
    LEAF,
    SIDE,
    belts,
    candidates,
    exact_value,
    plain_value,
    seeded_lines,
    seeded_world,
    winds,
)

from shelterscape.errors import InputError
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.science.belts import Case
from shelterscape.science.places import complete as complete_places
from shelterscape.science.places import coverage
from shelterscape.science.scene import How, scene_of
from shelterscape.science.shelter import one_direction, relative_wind
from shelterscape.science.siting.benefit import benefits, table
from shelterscape.science.siting.exact import exact
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.setting import PUBLIC, need_of, owners_of, setting_of
from shelterscape.science.wind import equal_winds

PLAIN = How(ends=False)


def test_the_wind_ray_by_ray_sums_to_that_of_a_direction():
    setting, new = seeded_world(2, 3)
    ground = Ground(setting, new, rays=15)
    for number in range(len(setting.weights)):
        mean = ground.wind[ground.rays[1] == number].mean(axis=0)
        scene = scene_of([setting.belts], GRID, setting.how)
        by_shelter = one_direction(
            scene, GRID, setting.directions_deg[number], setting.sector_deg[number]
        )
        assert_allclose(mean, by_shelter[0], atol=2e-6)


@pytest.mark.parametrize("seed", [0, 1])
def test_own_benefit_is_that_of_the_field_with_and_without(seed):
    """By `relative_wind` of science.shelter, summed by numpy: another road to the same hectares."""
    setting, new = seeded_world(4, seed, PLAIN, standing=0)
    # Only one stands at first, and far in type: close belts would act as one with candidates.
    there = belts([[(40.0, 40.0), (140.0, 60.0)]], 2.0, 0.5)
    need = {"crop": setting.need[0]}
    setting = setting_of(GRID, LEAF, winds(), there, need, how=PLAIN)
    found = benefits(Ground(setting, new, rays=15), new)
    both = [gpd.GeoDataFrame(pd.concat([there, new.iloc[[i]]])) for i in range(len(new))]
    for i, frame in enumerate(both):
        by_direction = []
        for number, weight in enumerate(setting.weights):
            options = {"sector_deg": setting.sector_deg[number], "ends": False}
            direction = setting.directions_deg[number]
            lost = relative_wind(there, GRID, direction, **options).astype(float) - relative_wind(
                frame[there.columns], GRID, direction, **options
            )
            by_direction.append(weight * (lost * setting.need[0]).sum() * CELL_M**2 / 1e4)
        assert_allclose(found.by_direction[i], by_direction, rtol=2e-4, atol=2e-6)
    assert found.total.min() > 0


def test_one_belt_square_to_one_wind_follows_its_curve():
    """By hand: each column behind the belt holds the curve at the distance of its cells."""
    height, porosity = 10.0, 0.5
    new = candidates(belts([[(100.0, 500.0), (300.0, 500.0)]], height, porosity, width_m=2.0))
    how = How(ends=False, spread_deg=0.0, curve="barrier")
    need = {"crop": np.ones(GRID.shape, np.float32)}
    setting = setting_of(GRID, LEAF, equal_winds([0.0], "winds"), belts([]), need, how=how)
    found = benefits(Ground(setting, new), new).total[0]
    y = (np.arange(SIDE) + 0.5) * CELL_M
    lee, before = 499.0 - y[y < 499.0], y[y > 501.0] - 501.0
    curve = CURVES["barrier"].relative_wind
    x = np.concatenate([lee, -before]) / height
    within = (x >= -6) & (x <= 50)
    lost = 1.0 - curve(x[within], np.full(within.sum(), porosity), np.full(within.sum(), 0.2))
    by_hand = 20 * lost.sum() * CELL_M**2 / 1e4
    # Curves are looked up every .05 H, width and porosity to a hundredth, tails below .002 cut.
    assert found == pytest.approx(by_hand, rel=0.005)


def test_planting_and_taking_off_leave_no_trace():
    setting, new = seeded_world(5, 7)
    ground = Ground(setting, new)
    before = ground.wind.copy()
    for row in (3, 0, 4):
        added = ground.gains([row])[0]
        value = plain_value(ground, [row])
        assert added == pytest.approx(value, rel=1e-5)
        ground.plant(row)
        assert ground.gains([row])[0] == 0.0
    assert [ground.put_back() for _ in range(3)] == [4, 0, 3]
    assert np.array_equal(ground.wind, before)


def test_few_and_many_at_once_give_the_very_same():
    setting, new = seeded_world(7, 11)
    ground = Ground(setting, new)
    at_once = ground.by_direction(np.arange(7))
    assert np.array_equal(at_once, np.vstack([ground.by_direction([i]) for i in range(7)]))


def test_more_in_place_never_makes_a_line_add_more():
    """The law the bound rests on."""
    setting, new = seeded_world(8, 5)
    ground = Ground(setting, new)
    last = ground.gains(np.arange(8))
    for row in range(7):
        ground.plant(row)
        now = ground.gains(np.arange(8))
        assert (now <= last + 1e-9).all()
        last = now


def test_need_scales_benefit_and_no_need_gives_none():
    setting, new = seeded_world(4, 2)
    own = Ground(setting, new).gains(np.arange(4))
    need = {"crop": 4 * setting.need[0]}
    four = setting_of(GRID, LEAF, winds(), belts([]), need)
    one = setting_of(GRID, LEAF, winds(), belts([]), {"crop": setting.need[0]})
    assert np.array_equal(
        Ground(four, new).gains(np.arange(4)), 4 * Ground(one, new).gains(np.arange(4))
    )
    assert own.min() >= 0
    with pytest.raises(InputError) as error:
        setting_of(GRID, LEAF, winds(), belts([]), {"crop": 0 * setting.need[0]})
    assert error.value.code == "input-refused"


def test_windy_ground_counts_more_by_the_power():
    setting, new = seeded_world(3, 4)
    need = {"crop": setting.need[0]}
    layers = np.full((4, SIDE, SIDE), 1.5, np.float32)
    on_hills = setting_of(GRID, LEAF, winds(), belts([]), need, power=2.0, open_wind=layers)
    level = setting_of(GRID, LEAF, winds(), belts([]), need, power=2.0)
    every = np.arange(3)
    by_hills, by_level = (Ground(s, new).by_direction(every) for s in (on_hills, level))
    assert_allclose(by_hills, 2.25 * by_level, rtol=1e-6)


def test_a_cut_out_of_the_map_gives_the_values_of_the_whole():
    setting, new = seeded_world(5, 9)
    part = GRID.window(7, 11, (40, 45))
    need = setting.need[0].copy()
    outside = np.ones(GRID.shape, bool)
    outside[7:47, 11:56] = False
    need[outside] = 0
    there = belts(seeded_lines(3, 509), 6.0, 0.5)
    whole = setting_of(GRID, LEAF, winds(), there, {"crop": need})
    cut = setting_of(part, LEAF, winds(), there, {"crop": need[7:47, 11:56]})
    every = np.arange(5)
    by_whole, by_cut = (Ground(s, new).gains(every) for s in (whole, cut))
    assert_allclose(by_cut, by_whole, rtol=1e-5, atol=1e-9)


def test_a_line_not_standing_in_the_year_brings_nothing():
    lines = [[(100.0, 300.0), (300.0, 300.0)]] * 2
    frame = belts(lines, np.nan, 0.4, species="ash", planted_year=[2020, 2060])
    setting = setting_of(
        GRID, Case("in-leaf", 2045), winds(), belts([]), {"": np.ones(GRID.shape, np.float32)}
    )
    found = benefits(Ground(setting, candidates(frame)), candidates(frame)).total
    assert found[0] > 0
    assert found[1] == 0


def _held_places():
    squares = [shapely.box(x, y, x + 200, y + 180) for x in (50, 300) for y in (60, 300)]
    frame = gpd.GeoDataFrame(
        {
            "purpose": ["crop", "lambing", "crop", "lambing"],
            "need": [1.0, 2.0, 0.5, 1.0],
            "head": [np.nan, 60.0, np.nan, 5.0],
            "holding_id": ["farm 0", "farm 1", "farm 0", "common"],
        },
        geometry=squares,
        crs=GRID.crs,
    )
    return complete_places(frame, "places")[0]


def test_parts_sum_to_the_whole_and_fall_to_whom_they_belong():
    _, new = seeded_world(6, 8)
    places = _held_places()
    held = places.assign(public=places["holding_id"] == "common")
    owner, holdings = owners_of(held, GRID)
    assert (owner == PUBLIC).any()
    need = need_of(places, coverage(places, GRID), GRID)
    setting = setting_of(
        GRID, LEAF, winds(), belts([]), need, owner=owner, holdings=holdings, places=places
    )
    ground = Ground(setting, new)
    found = benefits(ground, new)
    assert setting.purposes == ("crop", "lambing")
    assert_allclose(found.by_purpose.sum(axis=(1, 2)), found.gains, rtol=1e-5, atol=1e-7)
    by_place = found.by_place.groupby("row")["benefit_ha"].sum()
    # Places worth less than a hundredth are not named.
    assert (by_place <= found.gains[by_place.index] * (1 + 1e-5)).all()
    assert (by_place >= found.gains[by_place.index] * (1 - 4 * 0.01)).all()
    # One candidate again, cell by cell in numpy.
    ground.plant(2)
    lost = np.einsum("r,rij->ij", ground.rays[2], Ground(setting, new).wind - ground.wind)
    own = owner == holdings.index(new["holding_id"][2])
    for p, name in enumerate(setting.purposes):
        hectares = lost * need[name] * CELL_M**2 / 1e4
        wanted = [hectares[own].sum(), hectares[~own & (owner != PUBLIC)].sum()]
        assert_allclose(found.by_purpose[2, p, :2], wanted, rtol=1e-4, atol=1e-7)


def test_stock_ground_is_told_by_the_time_there_is_a_corner():
    places = _held_places()
    need = need_of(places, coverage(places, GRID), GRID)
    setting = setting_of(GRID, LEAF, winds(), belts([]), need, places=places)
    new = candidates(belts([[(60.0, 170.0), (240.0, 170.0)], [(310.0, 400.0), (480.0, 400.0)]]))
    told = exact(setting, new, [0, 1]).places
    assert told["corner_share"].isna().tolist() == [True, False, True, False]
    assert (told["corner_share_with"].dropna() >= told["corner_share"].dropna()).all()
    assert told["corner_share_with"].max() > 0
    assert told["benefit_ha"].sum() == pytest.approx(
        exact(setting, new, [0, 1]).benefit_ha, rel=1e-5
    )


def test_exact_field_of_nothing_changes_nothing():
    setting, new = seeded_world(3, 1)
    nothing = exact(setting, Ground(setting, new).frame, [])
    assert nothing.benefit_ha == 0
    assert np.array_equal(nothing.relative_wind, nothing.relative_wind_with)


def test_a_belt_mended_into_itself_brings_nothing():
    setting, _ = seeded_world(1, 6)
    there = setting.belts
    new = candidates(there, mends=range(len(there)), action="lay")
    ground = Ground(setting, new)
    found = benefits(ground, new)
    assert_allclose(found.total, 0.0, atol=1e-5)
    for row in range(len(there)):
        assert abs(exact_value(setting, ground, [row])) < 1e-6


def test_mending_takes_the_old_belt_away():
    """A belt cut down to a third: by `relative_wind` with it in place of the old one."""
    line = [[(150.0, 300.0), (400.0, 320.0)]]
    there = belts([*line, [(100.0, 500.0), (300.0, 480.0)]], 9.0, 0.4)
    cut = candidates(belts(line, 3.0, 0.3), mends=[0], action="coppice")
    need = {"crop": np.ones(GRID.shape, np.float32)}
    setting = setting_of(GRID, LEAF, winds(), there, need, how=PLAIN)
    ground = Ground(setting, cut, rays=15)
    found = benefits(ground, cut)
    after = gpd.GeoDataFrame(pd.concat([there.iloc[1:], cut[there.columns]]))
    by_hand = 0.0
    for weight, direction, sector in zip(
        setting.weights, setting.directions_deg, setting.sector_deg, strict=True
    ):
        options = {"sector_deg": sector, "ends": False}
        lost = relative_wind(there, GRID, direction, **options).astype(float) - relative_wind(
            after, GRID, direction, **options
        )
        by_hand += weight * lost.sum() * CELL_M**2 / 1e4
    assert by_hand < -0.1
    assert found.total[0] == pytest.approx(by_hand, rel=1e-3)
    assert exact_value(setting, ground, [0]) == pytest.approx(by_hand, rel=1e-3)
    told = table(cut, found)
    assert told["benefit_ha"][0] < 0 < told["taken_away_ha"][0]


def test_the_table_counts_by_length_and_cost():
    setting, new = seeded_world(3, 12)
    new = new.assign(cost_minor=[50_000, 0, 20_000])
    told = table(new, benefits(Ground(setting, new), new))
    assert_allclose(told["benefit_per_100m_ha"], 100 * told["benefit_ha"] / new["length_m"])
    assert told["benefit_per_1000_ha"][0] == pytest.approx(2 * told["benefit_ha"][0])
    assert np.isnan(told["benefit_per_1000_ha"][1])


def test_no_candidates_at_all():
    setting, new = seeded_world(2, 1)
    none = new.iloc[:0]
    found = benefits(Ground(setting, none), none)
    assert found.total.shape == (0,)
    assert len(table(none, found)) == 0


def test_the_plain_rule_is_the_exact_field_where_nothing_stands_close():
    """Without ends and close belts nothing is left out: both must tell the same hectares."""
    lines = [[(60.0, 120.0), (240.0, 150.0)], [(320.0, 330.0), (500.0, 260.0), (520.0, 180.0)]]
    new = candidates(belts([*lines, [(120.0, 420.0), (260.0, 520.0)]], [5.0, 8.0, 6.0]))
    need = {"crop": np.ones(GRID.shape, np.float32)}
    setting = setting_of(GRID, LEAF, winds(), belts([]), need, how=PLAIN)
    ground = Ground(setting, new, rays=15)
    every = [0, 1, 2]
    assert exact_value(setting, ground, every) == pytest.approx(
        plain_value(ground, every), rel=1e-4
    )
    # Five rays in place of fifteen, as lines are compared by.
    assert plain_value(Ground(setting, new), every) == pytest.approx(
        plain_value(ground, every), rel=0.02
    )
