"""Ground that a set of belts changes: the wind elsewhere is the same to the last bit."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
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


@pytest.mark.parametrize("seed", range(4))
def test_windows_contain_all_ground_that_changes(seed, monkeypatch):
    monkeypatch.setattr(changed_ground, "MOST_IN_WINDOWS", 1.0)
    before, after = both_sets(seed)
    changed, whole, smaller = ChangedGround(before, after), GRID.shape[0] * GRID.shape[1], 0
    for direction in np.random.default_rng(seed).uniform(0.0, 360.0, 4):
        towards = direction + ray_offsets(20.0, 10.0)
        steps = np.array([downwind(float(d)) for d in towards])
        windows = changed.windows(steps, GRID)
        parts = mean_over_rays(changed.belts_on(windows, steps), windows, towards)
        found = one_direction(before, GRID, direction, 20.0)[0]
        for window, part in zip(windows, parts, strict=True):
            at = np.s_[
                window.row0 : window.row0 + window.shape[0],
                window.col0 : window.col0 + window.shape[1],
            ]
            found[at] = part[0]
        np.testing.assert_array_equal(found, one_direction(after, GRID, direction, 20.0)[0])
        smaller += sum(one.shape[0] * one.shape[1] for one in windows) < whole
    assert smaller


def test_nothing_changes_with_the_same_belts_and_all_may_where_winds_are_multiplied():
    frame = belts(seeded_lines(5, 3), 3.0)
    one, other = (prepare_belts([frame], GRID, ShelterOptions()) for _ in range(2))
    assert not ChangedGround(one, other).windows(np.eye(2), GRID)
    assert not ChangedGround(None, None).windows(np.eye(2), GRID)
    product = prepare_belts([frame], GRID, ShelterOptions(combine="product"))
    (window,) = ChangedGround(product, product).windows(np.eye(2), GRID)
    assert window.shape == GRID.shape
