"""Terrain wind on a measured hill, from roughness and height only."""

from __future__ import annotations

import askervein_masts as hill
import numpy as np
import pytest

pytestmark = pytest.mark.realdata

# Listed here too, so that no mast can be missing from the comparison.
COMPARED = {
    *("ASW85", "ASW50", "ASW35", "ASW20", "ASW10", "HT", "CP_mf", "CP_t", "AANE10"),
    *("AASW70", "AASW60", "AASW50", "AASW40", "AASW30", "AASW20", "AASW10"),
}
# The foot of the lee: 9 degrees below the crest, where the marked lee has ended.
LEE_NOT_MARKED = {"AANE60"}


@pytest.fixture(scope="module")
def found():
    return hill.ours()


def test_every_mast_has_a_position():
    assert {*hill.UPWIND, *hill.CREST} == COMPARED
    assert {*COMPARED, *hill.LEE, "RS"} == set(hill.masts())


def test_line_a_has_the_bearing_stated_in_the_report():
    masts = hill.masts()
    far, top = masts["ASW85"], masts["HT"]
    bearing = np.degrees(np.arctan2(top.x - far.x, top.y - far.y))
    assert bearing == pytest.approx(43.1, abs=0.1)


def test_hilltop(found):
    # Measured: 0.82 to 0.88, depending on the instrument.
    assert 0.75 <= found[1]["HT"] <= 0.95


def test_upwind_and_crest_masts(found):
    _, potential = hill.ours(theory="potential")
    assert hill.rmse(found[1]) <= 0.10
    # The error of flow without friction is more than twice as large.
    assert hill.rmse(potential) > 2 * hill.rmse(found[1])


def test_no_compared_mast_is_marked_as_not_valid(found):
    _, grid = hill.ground()
    masts = hill.masts()
    assert not [n for n in COMPARED if hill.flagged(found[0], grid, masts[n])]


def test_lee_masts_are_marked_all_but_one(found):
    _, grid = hill.ground()
    masts = hill.masts()
    missed = {n for n in hill.LEE if not hill.flagged(found[0], grid, masts[n])}
    assert missed == LEE_NOT_MARKED
    # Without the mark, the theory would predict wind where it was calm.
    marked = tuple(n for n in hill.LEE if n not in missed)
    assert hill.rmse(found[1], marked) > 0.2


def test_little_of_the_hill_is_marked(found):
    _, grid = hill.ground()
    square = found[0].valid[hill.near_hill(grid)]
    assert square.shape == (80, 80)
    assert 0.02 < 1 - square.mean() <= 0.15


@pytest.mark.parametrize(
    "times",
    [
        2,
        pytest.param(
            4,
            marks=pytest.mark.xfail(
                reason="averaged over 100 m the top loses 2 m and its sharpest waves"
            ),
        ),
    ],
)
def test_coarser_cells_give_the_same_speed_up_at_the_hilltop(found, times):
    _, coarse = hill.ours(*hill.coarser(*hill.ground(), times))
    assert coarse["HT"] == pytest.approx(found[1]["HT"], abs=0.03)


def test_tiles_agree_with_the_whole(found):
    tiled, _ = hill.ours(tile_cells=200)
    off = np.abs(tiled.speed_up - found[0].speed_up)
    assert np.percentile(off, 99) <= 0.02
