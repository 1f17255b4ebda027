"""Benefits kept by a search are those of the evaluator, and none is calculated twice."""

from __future__ import annotations

import numpy as np
import pytest
from siting_helpers import GRID, LEAF, belts, candidates, seeded_lines, seeded_world, winds
from test_siting_place_cover import stock_places
from test_siting_place_cover import world as place_world

from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.known_gains import KnownGains
from shelterscape.science.siting.two_grounds import TwoLocalGrounds


def seeded_ground(seed, count=14):
    """Low lines, so that only some of them act on the same ground."""
    context, _ = seeded_world(1, seed)
    low = candidates(belts(seeded_lines(count, seed), 1.5, 0.4))
    return Ground(context, low)


class Counted:
    """An evaluator that notes what it is asked."""

    def __init__(self, ground):
        self._ground, self.planted, self.asked = ground, ground.planted, []
        self.near, self.plant, self.remove_last = ground.near, ground.plant, ground.remove_last

    def gains(self, which):
        self.asked += [(int(row), frozenset(self._ground.planted)) for row in which]
        return self._ground.gains(which)


def random_search(evaluators, count, seed, steps=60):
    """Results of each evaluator for the same random sequence of requests."""
    rng = np.random.default_rng(seed)
    for _ in range(steps):
        kind, planted = rng.integers(3), evaluators[0].planted
        if kind == 0 and planted:
            yield [evaluator.remove_last() for evaluator in evaluators]
        elif kind == 1 and len(planted) < count:
            one = int(rng.choice([row for row in range(count) if row not in planted]))
            yield [evaluator.plant(one) for evaluator in evaluators]
        else:
            which = rng.choice(count, int(rng.integers(1, 6)), replace=False)
            yield [evaluator.gains(which).tolist() for evaluator in evaluators]


PLACES = [(40, 40, 200, 200), (320, 40, 560, 220), (60, 340, 260, 560), (380, 360, 540, 540)]


def make_ground(kind, seed):
    """An evaluator of a kind."""
    if kind == "ground":
        return seeded_ground(seed)
    new = candidates(belts(seeded_lines(14, seed), 3.0, 0.4))
    places = stock_places(PLACES, [3, 8, 20, 5])
    context, _, _, cover = place_world(places, new)
    return cover if kind == "places" else TwoLocalGrounds(Ground(context, new), cover)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("kind", ["ground", "places", "both"])
def test_gains_are_those_of_the_evaluator_whatever_is_planted_and_removed(kind, seed):
    plain, other = (make_ground(kind, seed) for _ in range(2))
    count = 14
    for one, known in random_search([plain, KnownGains(other)], count, seed):
        assert known == pytest.approx(one, rel=1e-12, abs=1e-12)


def test_nothing_is_evaluated_twice_beside_the_same_near_candidates():
    counted = Counted(seeded_ground(5))
    near = np.array([counted.near(row) for row in range(14)])
    assert near.any() and not near.all()
    for _ in random_search([KnownGains(counted)], 14, 6, 200):
        pass
    seen = [(row, frozenset(p for p in planted if near[p, row])) for row, planted in counted.asked]
    assert len(seen) == len(set(seen))


def test_a_candidate_that_is_not_near_changes_no_gain_and_near_is_mutual():
    ground = seeded_ground(7)
    alone, every = ground.gains(np.arange(14)), np.arange(14)
    near = np.array([ground.near(row) for row in range(14)])
    np.testing.assert_array_equal(near, near.T)
    assert near.diagonal().all()
    for row in range(14):
        ground.plant(row)
        np.testing.assert_array_equal(ground.gains(every)[~near[row]], alone[~near[row]])
        ground.remove_last()


def test_a_candidate_named_twice():
    ground, known = seeded_ground(9), KnownGains(seeded_ground(9))
    for which in ([1, 1], [2, 1, 2, 1]):
        np.testing.assert_array_equal(known.gains(which), ground.gains(np.array(which)))


def test_clearing_removes_everything_from_the_evaluator():
    ground = seeded_ground(8)
    before, known = ground.wind.copy(), KnownGains(ground)
    for row in (3, 1, 4):
        known.plant(row)
    known.gains(np.arange(14))
    known.clear()
    assert not known.planted and not ground.planted
    np.testing.assert_array_equal(ground.wind, before)


def test_no_candidates():
    context = evaluation_context(
        GRID, LEAF, winds(), belts(seeded_lines(2, 1)), {"crop": np.ones(GRID.shape, np.float32)}
    )
    known = KnownGains(Ground(context, candidates(belts(seeded_lines(1, 1))).iloc[:0]))
    assert known.gains(np.empty(0, np.int64)).tolist() == []
    known.clear()
