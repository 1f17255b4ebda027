"""Monte Carlo runs on cells with a need: against the rays laid on the whole map, and by laws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm
from siting_helpers import belts, candidates, seeded_lines, seeded_world

from shelterscape.science.scene import How
from shelterscape.science.siting import monte_carlo, sampled_cells
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.monte_carlo import CurveBank, DrawnCells
from shelterscape.science.siting.sampled_cells import SampledCells, sample_of, tilted


def drawn_as_given(setting, frame, rays=5):
    """Cells under a draw that changes nothing."""
    cells = SampledCells(setting, frame, rays=rays)
    weights = cells.ray_weights(setting.weights, setting.how.spread_deg)
    return DrawnCells(cells, CurveBank(), setting.belts, frame, setting.how, weights)


@pytest.mark.parametrize("how", [How(), How(ends=False, combine="product"), How(curve="field")])
@pytest.mark.parametrize("seed", [3, 4])
def test_cells_give_the_benefit_of_the_whole_map(seed, how, monkeypatch):
    """The kernels of `Ground` fill spans of rows; here distances are kept cell by cell."""
    # Curves of the very same belts, so that only the geometry is compared.
    monkeypatch.setattr(monte_carlo, "POROSITY_STEP", 0.01)
    monkeypatch.setattr(monte_carlo, "SHARE_STEP", 0.01)
    setting, new = seeded_world(8, seed, how, standing=6)
    ground = Ground(setting, new)
    cells = drawn_as_given(setting, ground.frame)
    every = np.arange(8)
    assert_allclose(cells.gains(every), ground.gains(every), rtol=2e-3, atol=1e-5)
    for row in (5, 2, 7):
        assert cells.plant(row) == pytest.approx(ground.plant(row), rel=2e-3, abs=1e-5)
        assert_allclose(cells.gains(every), ground.gains(every), rtol=2e-3, atol=1e-4)
    before = cells.gains(every)
    cells.plant(0)
    assert cells.put_back() == 0
    assert np.array_equal(cells.gains(every), before)
    assert cells.planted == ground.planted


def test_rounding_of_curves_is_small_beside_what_is_drawn():
    setting, new = seeded_world(12, 9)
    ground = Ground(setting, new)
    every = np.arange(12)
    # Porosity is drawn with a standard deviation of 0.07, which moves a benefit by about a tenth.
    cells = drawn_as_given(setting, ground.frame)
    assert_allclose(cells.gains(every), ground.gains(every), rtol=0.03)


def test_taller_belts_reach_farther_with_the_geometry_kept(monkeypatch):
    """Heights drawn a quarter up: as if the belts had been that tall from the start."""
    monkeypatch.setattr(monte_carlo, "POROSITY_STEP", 0.01)
    monkeypatch.setattr(monte_carlo, "SHARE_STEP", 0.01)
    setting, _ = seeded_world(1, 5, standing=0)
    low, tall = (candidates(belts(seeded_lines(6, 21), h, 0.5)) for h in (8.0, 10.0))
    cells = SampledCells(setting, low)
    weights = cells.ray_weights(setting.weights, setting.how.spread_deg)
    drawn = DrawnCells(cells, CurveBank(), setting.belts, tall, setting.how, weights)
    every = np.arange(6)
    assert_allclose(drawn.gains(every), Ground(setting, tall).gains(every), rtol=2e-3)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 1.4, 1.9])
def test_tilted_rays_have_the_variance_wanted(ratio):
    weights = tilted(5, ratio)
    squares = norm.ppf((np.arange(5) + 0.5) / 5) ** 2
    assert weights.sum() == pytest.approx(1.0)
    assert_allclose(weights, weights[::-1])
    assert weights @ squares == pytest.approx(min(ratio * squares.mean(), 0.95 * squares.max()))
    if ratio == 1.0:
        assert_allclose(weights, 0.2)


def test_a_wider_spread_counts_outer_rays_more_and_a_lone_ray_stays():
    setting, new = seeded_world(2, 3)
    cells = SampledCells(setting, new)
    same = cells.ray_weights(setting.weights, setting.how.spread_deg)
    assert_allclose(same, cells.share)
    wide = cells.ray_weights(setting.weights, 1.3 * setting.how.spread_deg)
    assert_allclose(wide.reshape(-1, 5).sum(axis=1), setting.weights)
    assert (wide.reshape(-1, 5)[:, [0, 4]] > same.reshape(-1, 5)[:, [0, 4]]).all()
    assert tilted(1, 2.0).tolist() == [1.0]


def test_a_sample_keeps_the_sum_and_nearly_the_benefits(monkeypatch):
    rng = np.random.default_rng(1)
    need = rng.uniform(0, 1, (50, 60)).astype(np.float32)
    need[:10] = 0
    cell, counts = sample_of(need, 500, 7)
    assert len(cell) <= 500
    assert (need.ravel()[cell] > 0).all()
    assert counts.sum() == pytest.approx(need.sum(dtype=float))
    assert sample_of(need, 10_000, 7)[1].sum() == pytest.approx(need.sum(dtype=float))
    assert np.array_equal(sample_of(need, 500, 7)[0], cell)
    assert not np.array_equal(sample_of(need, 500, 8)[0], cell)
    setting, new = seeded_world(10, 6)
    whole = drawn_as_given(setting, new).gains(np.arange(10))
    monkeypatch.setattr(sampled_cells, "MOST_PAIRS", 20 * 1200)
    part = drawn_as_given(setting, new).gains(np.arange(10))
    # Of the 150 cells or more that each belt shelters 50 remain. Even drawn at random, with what
    # they bring varying as much as its mean, they would err by 1/sqrt(50) (standard deviation).
    assert_allclose(part, whole, rtol=0.14)
    assert np.abs(part / whole - 1).mean() <= 0.05
