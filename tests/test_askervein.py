"""Open wind on a measured hill, with nothing given but roughness and height."""

from __future__ import annotations

import askervein_masts as hill
import numpy as np
import pytest

pytestmark = pytest.mark.realdata

# Written out here too, so that no mast can drop out of the comparison unseen.
COMPARED = {
    *("ASW85", "ASW50", "ASW35", "ASW20", "ASW10", "HT", "CP_mf", "CP_t", "AANE10"),
    *("AASW70", "AASW60", "AASW50", "AASW40", "AASW30", "AASW20", "AASW10"),
}
# The foot of the lee: 9 degrees below the crest, where our marked lee has ended.
LEE_NOT_MARKED = {"AANE60"}


@pytest.fixture(scope="module")
def found():
    return hill.ours()


def test_every_mast_has_its_place():
    assert {*hill.UPWIND, *hill.CREST} == COMPARED
    assert {*COMPARED, *hill.LEE, "RS"} == set(hill.masts())


def test_line_a_bears_as_the_report_says_from_grid_north():
    masts = hill.masts()
    far, top = masts["ASW85"], masts["HT"]
    bearing = np.degrees(np.arctan2(top.x - far.x, top.y - far.y))
    assert bearing == pytest.approx(43.1, abs=0.1)


def test_hilltop(found):
    # Measured .82 to .88 by instrument.
    assert 0.75 <= found[1]["HT"] <= 0.95


def test_upwind_and_crest_masts(found):
    _, potential = hill.ours(theory="potential")
    assert hill.rmse(found[1]) <= 0.10
    # Flow without friction misses by more than twice as much: the formula earns its keep.
    assert hill.rmse(potential) > 2 * hill.rmse(found[1])


def test_no_compared_mast_is_marked(found):
    _, grid = hill.ground()
    masts = hill.masts()
    assert not [n for n in COMPARED if hill.flagged(found[0], grid, masts[n])]


def test_lee_masts_are_marked_all_but_one(found):
    _, grid = hill.ground()
    masts = hill.masts()
    missed = {n for n in hill.LEE if not hill.flagged(found[0], grid, masts[n])}
    assert missed == LEE_NOT_MARKED
    # Without its mark the theory would tell of wind where there was a lull.
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
def test_coarser_cells_tell_the_same_of_the_hilltop(found, times):
    _, coarse = hill.ours(*hill.coarser(*hill.ground(), times))
    assert coarse["HT"] == pytest.approx(found[1]["HT"], abs=0.03)


def test_tiles_tell_what_the_whole_tells(found):
    tiled, _ = hill.ours(tile_cells=200)
    off = np.abs(tiled.speed_up - found[0].speed_up)
    assert np.percentile(off, 99) <= 0.02
