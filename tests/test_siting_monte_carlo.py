"""Monte Carlo runs on sampled cells: against the evaluation of the whole map, and by laws."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm
from siting_helpers import (
    GRID,
    LEAF,
    belts,
    candidates,
    seeded_lines,
    seeded_world,
    winds,
)

from shelterscape.kernels.influence import ROWS_PER_PROFILE
from shelterscape.kernels.shelter_curves import MEASURED_RATIOS
from shelterscape.processes.siting import decide
from shelterscape.science.belt_profiles import NEGLIGIBLE_REDUCTION
from shelterscape.science.prepared_belts import ShelterOptions
from shelterscape.science.siting import (
    curve_tables,
    input_uncertainty,
    sampled_cells,
    sampled_wind,
)
from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.curve_tables import CurveTables
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.monte_carlo import MonteCarloCells
from shelterscape.science.siting.sampled_cells import (
    SampledCells,
    ray_weights_for_variance,
    sample_cells,
)
from shelterscape.science.siting.sampled_wind import wind_with_each, wind_with_existing


def of_one_run(cells, context, frame, weights):
    """Cells with the existing belts of a context and candidates as given."""
    tables, options = CurveTables(), context.options
    wind = wind_with_existing(cells, tables, context.belts, options)
    return MonteCarloCells(cells, wind, wind_with_each(cells, tables, frame, options), weights)


def run_as_given(context, frame, rays=5):
    """Cells of a run whose inputs are those given."""
    cells = SampledCells(context, frame, rays=rays)
    weights = cells.ray_weights(context.weights, context.options.spread_deg)
    return of_one_run(cells, context, frame, weights)


def far_gains(cells):
    """Gain of each candidate where it reduces wind by less than `NEGLIGIBLE_REDUCTION`: the rise
    beside the ends of other belts, which acts only where nothing shelters. `Ground` neglects such
    far shelter, and so keeps the rise there."""
    first, pair, lowered = cells._cells.first, cells._cells.pair, cells.lowered
    negligible = lowered > 1 - NEGLIGIBLE_REDUCTION
    lost = np.where(negligible, np.maximum(cells.wind[pair] - lowered, 0.0), 0.0)
    counted = np.append(0.0, np.cumsum(cells._weight[pair] * lost))
    return np.diff(counted[first])


@pytest.mark.parametrize(
    "options",
    [
        ShelterOptions(),
        ShelterOptions(shelter_ratio=1.46),
        ShelterOptions(ends=False, combine="product"),
        ShelterOptions(curve="field"),
    ],
)
@pytest.mark.parametrize("seed", [3, 4])
def test_cells_give_the_benefit_of_the_whole_map(seed, options, monkeypatch):
    """The kernels of `Ground` work by rows; those of sampled cells by stored distances."""
    # Curves of identical belts, so that only the geometry is compared.
    monkeypatch.setattr(curve_tables, "POROSITY_STEP", 0.01)
    monkeypatch.setattr(curve_tables, "SHARE_STEP", 0.01)
    context, new = seeded_world(8, seed, options, standing=6)
    ground = Ground(context, new)
    cells = run_as_given(context, ground.frame)
    every = np.arange(8)
    off = np.abs(cells.gains(every) - ground.gains(every))
    assert (off <= 2e-3 * ground.gains(every) + 1e-5 + far_gains(cells)).all()
    for row in (5, 2, 7):
        far = far_gains(cells)[row]
        added = ground.plant(row)
        assert abs(cells.plant(row) - added) <= 2e-3 * added + 1e-5 + far
        assert_allclose(cells.gains(every), ground.gains(every), rtol=2e-3, atol=1e-4)
    before = cells.gains(every)
    cells.plant(0)
    assert cells.remove_last() == 0
    assert np.array_equal(cells.gains(every), before)
    assert cells.planted == ground.planted


def test_rounding_of_curves_is_small_compared_with_the_uncertainty():
    context, new = seeded_world(12, 9)
    ground = Ground(context, new)
    every = np.arange(12)
    # The standard deviation of porosity, 0.07, changes a benefit by about a tenth.
    cells = run_as_given(context, ground.frame)
    assert_allclose(cells.gains(every), ground.gains(every), rtol=0.03)


def test_taller_belts_shelter_farther_with_the_same_geometry(monkeypatch):
    """Heights varied by a quarter give the result of belts that are that tall from the start."""
    monkeypatch.setattr(curve_tables, "POROSITY_STEP", 0.01)
    monkeypatch.setattr(curve_tables, "SHARE_STEP", 0.01)
    context, _ = seeded_world(1, 5, standing=0)
    low, tall = (candidates(belts(seeded_lines(6, 21), h, 0.5)) for h in (8.0, 10.0))
    cells = SampledCells(context, low)
    weights = cells.ray_weights(context.weights, context.options.spread_deg)
    varied = of_one_run(cells, context, tall, weights)
    every = np.arange(6)
    assert_allclose(varied.gains(every), Ground(context, tall).gains(every), rtol=2e-3)


@pytest.mark.parametrize(
    ("types", "is_hard"),
    [
        (["tree belt", "tree belt"], False),
        (["wall", "tree belt"], False),
        (["wall", "fence"], True),
        (["wall", "wall", "wall"], True),
    ],
)
def test_close_belts_act_as_one_with_the_curve_of_trees_if_one_is_of_trees(
    types, is_hard, monkeypatch
):
    monkeypatch.setattr(curve_tables, "POROSITY_STEP", 0.01)
    monkeypatch.setattr(curve_tables, "SHARE_STEP", 0.01)
    lines = [[(150.0, 450.0 - 15 * i), (450.0, 450.0 - 15 * i)] for i in range(len(types))]
    there = belts(lines, 8.0, 0.6, belt_type=types)
    # A belt of another type away from them, last in the layer.
    other = belts(
        [[(20.0, 60.0), (60.0, 60.0)]], 8.0, 0.6, belt_type="wall" if not is_hard else "hedge"
    )
    there = pd.concat([there, other], ignore_index=True)
    priority = {"crop": np.ones(GRID.shape, np.float32)}
    options = ShelterOptions(curve="field")
    context = evaluation_context(GRID, LEAF, winds((0.0,)), there, priority, options=options)
    ground = Ground(context, candidates(belts([[(150.0, 330.0), (450.0, 330.0)]])))
    cells = run_as_given(context, ground.frame)
    assert_allclose(cells.gains([0]), ground.gains([0]), rtol=2e-3)
    figures = sampled_wind._chain_figures(there, cells._cells.chains)
    assert {bool(figure[4]) for figure in figures} == {is_hard}


@pytest.mark.parametrize("ratio", [0.5, 1.0, 1.4, 1.9, 2.1, 3.0])
def test_weighted_rays_have_the_required_variance(ratio):
    weights = ray_weights_for_variance(5, ratio)
    squares = norm.ppf((np.arange(5) + 0.5) / 5) ** 2
    assert weights.sum() == pytest.approx(1.0)
    assert_allclose(weights, weights[::-1])
    assert weights @ squares == pytest.approx(min(ratio * squares.mean(), 0.95 * squares.max()))
    if ratio == 1.0:
        assert_allclose(weights, 0.2)


def test_a_wider_spread_gives_outer_rays_more_weight_and_a_single_ray_stays():
    context, new = seeded_world(2, 3)
    cells = SampledCells(context, new)
    same = cells.ray_weights(context.weights, context.options.spread_deg)
    assert_allclose(same, cells.share)
    wide = cells.ray_weights(context.weights, 1.3 * context.options.spread_deg)
    assert_allclose(wide.reshape(-1, 5).sum(axis=1), context.weights)
    assert (wide.reshape(-1, 5)[:, [0, 4]] > same.reshape(-1, 5)[:, [0, 4]]).all()
    assert ray_weights_for_variance(1, 2.0).tolist() == [1.0]


def test_one_listed_direction_with_a_spread_below_one_degree_also_varies():
    """A single direction has no sector, so all its variance is that of the spread."""
    priority = {"crop": np.ones(GRID.shape, np.float32)}
    options = ShelterOptions(spread_deg=0.5)
    context = evaluation_context(GRID, LEAF, winds((20.0,)), belts([]), priority, options=options)
    cells = SampledCells(context, candidates(belts([[(150.0, 330.0), (450.0, 330.0)]])))
    squares = norm.ppf((np.arange(5) + 0.5) / 5) ** 2
    for spread_deg in (0.4, 0.5, 0.6):
        weights = cells.ray_weights(context.weights, spread_deg)
        wanted = squares.mean() * (spread_deg / 0.5) ** 2
        assert weights @ squares == pytest.approx(wanted)


def test_a_sample_keeps_the_sum_and_approximates_the_benefits(monkeypatch):
    rng = np.random.default_rng(1)
    priority = rng.uniform(0, 1, (50, 60)).astype(np.float32)
    priority[:10] = 0
    cell, counts = sample_cells(priority, 500, 7)
    assert len(cell) <= 500
    assert (priority.ravel()[cell] > 0).all()
    assert counts.sum() == pytest.approx(priority.sum(dtype=float))
    assert sample_cells(priority, 10_000, 7)[1].sum() == pytest.approx(priority.sum(dtype=float))
    assert np.array_equal(sample_cells(priority, 500, 7)[0], cell)
    assert not np.array_equal(sample_cells(priority, 500, 8)[0], cell)
    context, new = seeded_world(10, 6)
    whole = run_as_given(context, new).gains(np.arange(10))
    monkeypatch.setattr(sampled_cells, "MOST_PAIRS", 20 * 1200)
    part = run_as_given(context, new).gains(np.arange(10))
    # Each belt shelters at least 150 cells, of which 50 remain. A random sample with a coefficient
    # of variation of 1 would have a standard error of 1/sqrt(50).
    assert_allclose(part, whole, rtol=0.14)
    assert np.abs(part / whole - 1).mean() <= 0.05


def test_runs_draw_their_curve_and_shelter_from_the_evidence():
    """Both forms, and the shelter ratio of every source, each about as often; walls and fences keep
    theirs."""
    context, new = seeded_world(2, 3)
    drawn = [
        input_uncertainty.varied_inputs(
            context, new, input_uncertainty.InputUncertainty(), np.random.default_rng([5, run])
        )[0].options
        for run in range(280)
    ]
    for curve, ratios in MEASURED_RATIOS.items():
        found = [o.shelter_ratio for o in drawn if o.curve == curve]
        # Of 280 runs 140 draw each curve: within 3 standard deviations of 8.4.
        assert 115 <= len(found) <= 165
        # 20 of them each source: within 4 of 4.1.
        assert all(4 <= found.count(ratio) <= 36 for ratio in ratios)
        assert set(found) == set(ratios)


def test_a_shelter_ratio_scales_the_reduction_by_living_belts():
    """To nothing less than calm, and not beside fences."""
    bank = CurveTables()
    hedge, fence = (
        belts(seeded_lines(1, 2), 8.0, 0.4, belt_type=kind) for kind in ("hedge", "fence")
    )
    for ratio in (0.65, 1.0, 1.46):
        options = ShelterOptions(shelter_ratio=ratio)
        plain = bank.rows(hedge, ShelterOptions(), [])[0] * ROWS_PER_PROFILE
        scaled = bank.rows(hedge, options, [])[0] * ROWS_PER_PROFILE
        tables = bank.tables()
        taken = np.minimum((1 - tables[plain]) * np.round(ratio / 0.05) * 0.05, 1.0)
        assert_allclose(1 - tables[scaled], taken, atol=1e-6)
        assert tables[scaled].min() >= 0
        assert bank.rows(fence, options, [])[0] == bank.rows(fence, ShelterOptions(), [])[0]


def test_runs_vary_frequencies_as_the_wind_set_states():
    """The bootstrap of `wind-set` reaches the runs: log weights vary by what it states."""
    context, new = seeded_world(4, 1, ShelterOptions())
    for stated in (0.05, 0.4):
        set_of_winds = SimpleNamespace(frequency_uncertainty=stated)
        uncertainty = decide._uncertainty(SimpleNamespace(winds=set_of_winds))
        rng = np.random.default_rng(2)
        drawn = [
            input_uncertainty.varied_inputs(context, new, uncertainty, rng)[0].weights
            for _ in range(400)
        ]
        # Weights are scaled to a sum of 1; ratios of two directions are not changed by that.
        ratio = np.log(np.array(drawn) / context.weights)
        spread = (ratio[:, 1:] - ratio[:, :1]).std() / np.sqrt(2)
        assert spread == pytest.approx(stated, rel=0.06)
    unknown = SimpleNamespace(winds=SimpleNamespace(frequency_uncertainty=np.nan))
    assert decide._uncertainty(unknown) == input_uncertainty.InputUncertainty()
