"""Wind close to the ground: laws of the packaged table, and what the evidence decides."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from importlib import resources

import near_ground_evidence as evidence
import numpy as np
import pytest
from affine import Affine
from test_shelter import belts_of

from shelterscape.grid import Grid
from shelterscape.kernels.influence import ROWS_PER_PROFILE
from shelterscape.kernels.shelter_curves import table_distances
from shelterscape.process.cases import CaseInputs
from shelterscape.process.section_picture import section_sheet
from shelterscape.runs.writing import draw
from shelterscape.science import near_ground as module
from shelterscape.science.belt_profiles import thin_belt
from shelterscape.science.belt_section import belt_section
from shelterscape.science.belts import Case, belts_in_season
from shelterscape.science.cross_section import Layer, section_wind
from shelterscape.science.near_ground import NearGround, flow_table, flow_wind, near_the_ground
from shelterscape.science.prepared_belts import ShelterOptions, prepare_belts
from shelterscape.science.shelter import relative_wind
from shelterscape.science.siting.benefit import benefits
from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.curve_tables import CurveTables
from shelterscape.science.siting.full_evaluation import full_evaluation
from shelterscape.science.siting.ground import Ground
from shelterscape.science.wind import WindSet

X = table_distances()
CURVE = NearGround(module.CURVE_HEIGHT_H, module.CURVE_H_OVER_Z0, 0.0)


def curve(porosity):
    theta = np.array([porosity])
    return thin_belt("exponential", theta, theta, np.array([0.3]))[0]


def wind(porosity, near):
    return near_the_ground(curve(porosity), porosity, 0.3, near, X)


def at(values, distance_h):
    return float(values[np.searchsorted(X, distance_h)])


def test_the_table_is_small_and_its_checksum_is_that_of_the_file():
    content = resources.files("shelterscape.data").joinpath(module.TABLE).read_bytes()
    table = flow_table()
    assert len(content) <= 3e6
    assert table.sha256 == hashlib.sha256(content).hexdigest()
    assert table.version == 1


def test_values_of_the_table_come_back_at_its_entries():
    table = flow_table()
    drag, width_h, stem_h, h_over_z0 = (axis[1] for axis in table.axes)
    near = NearGround(0.0, float(np.exp(h_over_z0)), float(stem_h))
    found = flow_wind(
        float(np.exp(drag)), float(np.exp(width_h)), near, table.distance_h,
        np.exp(table.ln_height_h),
    )  # fmt: skip
    assert found == pytest.approx(table.wind[1, 1, 1, 1] / module.SCALE, abs=1e-6)


@pytest.mark.parametrize("porosity", [0.0, 0.1, 0.4, 0.8, 0.97, 1.0])
def test_the_correction_keeps_the_laws_of_relative_wind(porosity):
    found = np.stack(
        [
            wind(porosity, NearGround(z, hz, stem))
            for z in (0.02, 0.3, 1.0, 5.0)
            for hz in (20.0, 5000.0)
            for stem in (0.0, 0.4)
        ]
    )
    assert found.min() >= 0.0
    assert found.max() <= 1.25
    assert found[:, [0, -1]] == pytest.approx(1.0)
    if porosity == 1.0:
        assert found == pytest.approx(1.0)
    assert np.abs(np.diff(found[:, X > 0.1], axis=1)).max() < 0.05
    assert wind(porosity, CURVE) == pytest.approx(curve(porosity), abs=1e-9)
    assert wind(porosity, NearGround(4.5, 450.0, 0.0)) == pytest.approx(1.0)


def test_what_height_stems_and_roughness_change():
    """As field workers find: lambs and eaves differ, hedges grown into stems shelter little near
    the ground (common practice), behind a belt the wind recovers sooner over rough ground."""
    low, high = (wind(0.3, CURVE._replace(height_h=z)) for z in (0.05, 0.25))
    assert at(low, 16.0) > at(high, 16.0) + 0.03
    rough, smooth = (wind(0.3, CURVE._replace(h_over_z0=hz)) for hz in (50.0, 1000.0))
    assert at(rough, 8.0) > at(smooth, 8.0) + 0.1
    stems = wind(0.3, NearGround(0.1, 450.0, 0.3))
    even = wind(0.3, NearGround(0.1, 450.0, 0.0))
    assert at(stems, 1.0) > at(even, 1.0) + 0.2
    # Measured under raised canopies: up to 1.20 (Reid and Bird 1990, status S2). The model gives
    # more, which the limit of relative wind cuts; docs/validation.md lists this miss.
    assert 1.05 < stems.max() <= 1.25
    assert np.argmin(stems[X > 0]) > np.argmin(even[X > 0])  # Brenner and others 1995, seen


@pytest.mark.parametrize("size", [1.0, 3.0])
def test_maps_follow_the_table(size):
    """On a ray behind a long belt; three times the size of everything is the same map."""
    grid = Grid((160, 5), Affine(size, 0, 0, 0, -size, 0), "EPSG:25832")
    line = [(-400 * size, -40.0 * size), (400 * size, -40.0 * size)]
    belts = belts_of(line, height_m=4.0 * size, porosity=0.4, width_m=2.0 * size)
    given = {"spread_deg": 0.0, "ends": False, "at_height_m": 0.2 * size}
    simple = relative_wind(belts, grid, 0.0, **given)
    flow = relative_wind(belts, grid, 0.0, **given, near_ground="flow", roughness_m=0.02 * size)
    theta = np.array([0.4])
    thin = thin_belt("exponential", theta, theta, np.array([0.5]))[0]
    near = module.near_ground_of(4.0, 0.0, 0.2, 0.02)
    for row in (60, 90, 130):
        distance_h = (row + 0.5 - 41.0) / 4.0
        expected = np.interp(distance_h, X, near_the_ground(thin, 0.4, 0.5, near, X))
        assert flow[row, 2] == pytest.approx(expected, abs=0.01)
    assert np.abs(flow - simple).max() > 0.05


def test_the_default_follows_the_rule_stated_beforehand():
    """`flow` must be no worse in any band, and better where height matters; it is not."""
    found = evidence.bands()
    assert len(found) >= 3
    allowed = all(band.flow <= band.simple + evidence.MOST_WORSE for band in found)
    better = evidence.better_where_height_is_known()
    default = CaseInputs.model_fields["near_ground"].default
    assert default == ("flow" if allowed and better else "simple")


@pytest.mark.pictures
def test_a_section_is_drawn_from_the_table(tmp_path, monkeypatch):
    section = belt_section(12.0, 0.35, 5.0, stem_m=2.0)
    x, z = section.distance_m / 12.0, section.height_m / 12.0
    near = module.near_ground_of(12.0, 2.0, 0.1 * 12.0, 0.03)
    theta = np.array([0.35])
    thin = thin_belt("exponential", theta, theta, np.array([5.0 / 12.0]))[0]
    expected = near_the_ground(thin, 0.35, 5.0 / 12.0, near, X)
    i, j = np.argmin(np.abs(x - 4.0)), np.argmin(np.abs(z - near.height_h))
    assert section.relative_wind[i, j] == pytest.approx(at(expected, 4.0), abs=0.02)
    draw(tmp_path / "section.png", section_sheet("Belt 7, in leaf", section))
    assert (tmp_path / "section.png").read_bytes()[1:4] == b"PNG"


@pytest.mark.slow
def test_the_table_is_what_the_solver_gives():
    """At an entry exactly, between entries within the error of interpolation."""
    table = flow_table()
    x = table.distance_h
    for drag, width_h, stem_h, hz, most in (
        (2.0, 0.4, 0.3, 640.0, 2e-4),
        (2.8, 0.7, 0.2, 300.0, 0.02),
    ):
        crown = Layer(0, width_h, stem_h, 1, drag)
        solved = section_wind([Layer(0, width_h, 0, stem_h, module.STEM_DRAG), crown], hz)
        near = NearGround(0.0, hz, stem_h)
        heights = np.exp(table.ln_height_h)
        behind = np.where(x < 0, x, x + width_h)
        expected = np.stack([solved.relative_wind(behind, z) for z in heights], axis=1)
        error = flow_wind(drag, width_h, near, x, heights) - expected
        assert np.sqrt((error**2).mean()) < most


def test_walls_keep_their_rule_and_monte_carlo_runs_follow_the_table():
    line = [(100.0, 100.0), (300.0, 100.0)]
    grid = Grid((40, 40), Affine(10, 0, 0, 0, -10, 400), "EPSG:25832")
    options = ShelterOptions(at_height_m=0.4, near_ground="flow", roughness_m=0.05)
    belts = belts_of(line, porosity=0.3, width=3.57, bare_stem_m=1.6)  # no rounding
    belts = belts_in_season(belts, "in-leaf")
    known = prepare_belts([belts], grid, options)
    varied = CurveTables()
    row = varied.rows(belts, options, [])[0]
    same = ROWS_PER_PROFILE * row, ROWS_PER_PROFILE * known.profile_index[0]
    assert varied.tables()[same[0]] == pytest.approx(known.tables.tables()[0, same[1]], abs=1e-3)
    simple = prepare_belts([belts], grid, replace(options, near_ground="simple"))
    assert np.abs(simple.tables.tables() - known.tables.tables()).max() > 0.1
    wall = belts_in_season(belts_of(line, belt_type="wall", porosity=0.0), "in-leaf")
    both = [
        prepare_belts([wall], grid, replace(options, near_ground=rule)).tables.tables()
        for rule in ("simple", "flow")
    ]
    assert np.array_equal(*both)


@pytest.mark.slow
def test_siting_evaluates_by_the_table():
    """Benefits of candidates, and the full evaluation of a set, follow the rule alike."""
    grid = Grid((96, 96), Affine(5.0, 0, 4e5, 0, -5.0, 6e6), "EPSG:25832")
    line = [(4e5 + 100, 6e6 - 150), (4e5 + 300, 6e6 - 150)]
    candidates = belts_of(line, crs=grid.crs).assign(
        candidate="a", kind="drawn", action="plant", restores_belt=None, holding_id="h",
        length_m=200.0, cost_minor=1000,
    )  # fmt: skip
    existing = belts_of([(4e5 + 350, 6e6 - 60), (4e5 + 400, 6e6 - 60)], crs=grid.crs)
    winds = WindSet("", np.array([0.0]), np.ones(1), np.full(1, 5.0), np.full(1, 2.0))
    priority = {"stock": np.ones(grid.shape, np.float32)}
    for stem_m in (0.0, 2.0):
        found = {}
        for rule in ("simple", "flow"):
            options = ShelterOptions(at_height_m=0.4, ends=False, near_ground=rule)
            case = (Case("in-leaf"), winds, existing, priority)
            context = evaluation_context(grid, *case, options=options)
            ground = Ground(context, candidates.assign(bare_stem_m=stem_m))
            gain = float(benefits(ground, ground.frame).gains.sum())
            full = full_evaluation(context, ground.frame, [0])
            found[rule] = gain
            assert full.benefit_ha == pytest.approx(gain, rel=0.05)
        assert found["flow"] < 0.95 * found["simple"]
