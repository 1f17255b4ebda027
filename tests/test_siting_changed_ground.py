"""Ground that a set of belts changes: the wind elsewhere is the same to the last bit."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from siting_helpers import GRID, belts, seeded_lines

from shelterscape.grid import downwind
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts
from shelterscape.science.shelter import mean_over_rays, one_direction, ray_offsets
from shelterscape.science.siting import changed_ground
from shelterscape.science.siting.changed_ground import ChangedGround


def both_sets(seed):
    """Existing belts, and these with new ones in place of the first, prepared.

    The last new belt continues an existing one, so that both become one outline.
    """
    lines = seeded_lines(8, seed)
    last = np.array(lines[-1][-1])
    old = belts(lines, 3.0, 0.4)
    new = belts([*seeded_lines(1, 40 + seed), [last, last + np.array([20.0, 30.0])]], 3.0, 0.4)
    after = gpd.GeoDataFrame(pd.concat([old.iloc[1:], new], ignore_index=True), crs=old.crs)
    return [prepare_belts([one], GRID, ShelterOptions()) for one in (old, after)]


def assert_windows_contain_all_that_changes(before, after, direction, sector=20.0):
    """Check the wind composed of windows against that on the whole map; their share of it."""
    changed, area = ChangedGround(before, after), 0
    towards = direction + ray_offsets(sector, before.options.spread_deg)
    steps = np.array([downwind(float(d)) for d in towards])
    windows = changed.windows(steps, GRID)
    parts = mean_over_rays(changed.belts_on(windows, steps), windows, towards)
    found = one_direction(before, GRID, direction, sector)[0]
    for window, part in zip(windows, parts, strict=True):
        (rows, cols), top, left = window.shape, window.row0, window.col0
        found[top : top + rows, left : left + cols] = part[0]
        area += rows * cols
    np.testing.assert_array_equal(found, one_direction(after, GRID, direction, sector)[0])
    return area / found.size


@pytest.mark.parametrize("seed", range(4))
def test_windows_contain_all_ground_that_changes(seed, monkeypatch):
    monkeypatch.setattr(changed_ground, "MOST_IN_WINDOWS", 1.0)
    before, after = both_sets(seed)
    directions = np.random.default_rng(seed).uniform(0.0, 360.0, 4)
    shares = [assert_windows_contain_all_that_changes(before, after, d) for d in directions]
    assert min(shares) < 1.0


ACROSS = [(100.0, 500.0), (500.0, 500.0)]
"""A line at right angles to wind from north and south, far from any other belt."""

FAN = [[(100.0, 440.0 + 18.0 * n), (300.0, 440.0 + 6.0 * n)] for n in range(3)]
"""Lines close behind each other, farther apart in the west."""


@pytest.mark.parametrize(
    ("there", "new", "options"),
    [
        ([], belts([ACROSS], 4.0, 0.1), {}),
        ([], belts([ACROSS], 4.0, 0.1), {"near_ground": "flow"}),
        ([], belts([ACROSS], 3.0, 0.0, belt_type="wall"), {}),
        ([], belts([ACROSS], 3.0, 0.4).assign(geometry=shapely.box(100, 490, 500, 530)), {}),
        (FAN[1:], belts(FAN[:1], 4.0, 0.1), {}),
        (FAN[:2], belts(FAN[2:], 4.0, 0.1), {}),
    ],
    ids=["belt", "near ground", "wall", "wood", "close leeward", "close windward"],
)
@pytest.mark.parametrize("direction", [0.0, 4.0, 180.0])
def test_windows_reach_as_far_as_a_long_belt_across_the_wind(
    there, new, options, direction, monkeypatch
):
    monkeypatch.setattr(changed_ground, "MOST_IN_WINDOWS", 1.0)
    far = belts([[(20.0, 20.0), (20.0, 60.0)], *there], 4.0, 0.5)
    after = gpd.GeoDataFrame(pd.concat([far, new], ignore_index=True), crs=far.crs)
    given = ShelterOptions(spread_deg=0.0, **options)
    both = [prepare_belts([one], GRID, given) for one in (far, after)]
    for one, other in (both, both[::-1]):
        assert assert_windows_contain_all_that_changes(one, other, direction, 0.0) < 1.0


def test_nothing_changes_with_the_same_belts_and_all_may_where_winds_are_multiplied():
    frame = belts(seeded_lines(5, 3), 3.0)
    one, other = (prepare_belts([frame], GRID, ShelterOptions()) for _ in range(2))
    assert not ChangedGround(one, other).windows(np.eye(2), GRID)
    assert not ChangedGround(None, None).windows(np.eye(2), GRID)
    product = prepare_belts([frame], GRID, ShelterOptions(combine="product"))
    (window,) = ChangedGround(product, product).windows(np.eye(2), GRID)
    assert window.shape == GRID.shape


@pytest.mark.parametrize(
    "column", ["height_m", "width_m", "porosity", "porosity_low", "recovery_h", "bare_stem_m"]
)
def test_every_figure_of_a_belt_on_which_its_effect_depends_changes_its_ground(column):
    frame = belts([ACROSS], 4.0, 0.4, recovery_h=8.0)
    given = ShelterOptions(near_ground="flow")
    before, after = (
        prepare_belts([frame.assign(**{column: value})], GRID, given) for value in (0.5, 0.6)
    )
    assert ChangedGround(before, after).windows(np.array([[0.0, 1.0]]), GRID)
