"""Terrain wind: invariants, an independent Fourier sum, a design code, validity, gaps and tiles."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage
from scipy.interpolate import RectBivariateSpline
from scipy.special import kv

from shelterscape.errors import InputError
from shelterscape.grid import Grid, downwind
from shelterscape.kernels import spectral
from shelterscape.kernels.enlarge import Surface
from shelterscape.kernels.gaps import filled
from shelterscape.kernels.lee import lee_of_crests
from shelterscape.science.terrain import (
    Edges,
    speed_up,
    speed_ups,
    wind_over_terrain,
    wind_over_terrain_tiles,
)
from shelterscape.science.terrain.ground import Ground, held
from shelterscape.science.terrain.guidelines import short_form_reach_m
from shelterscape.science.terrain.wind_over_terrain import speed_ups_in_strips
from shelterscape.science.terrain.wind_over_terrain_tiles import tile_weights

PERIODIC = Edges(pad_m=0.0)


def hills(rows, cols, seed=4, height_m=20.0):
    """Random round hills (seeded) on a periodic map."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[0:rows, 0:cols]
    ground = np.zeros((rows, cols))
    for _ in range(6):
        r, c, size = rng.uniform(0, rows), rng.uniform(0, cols), rng.uniform(4, 9)
        down = (row - r + rows / 2) % rows - rows / 2
        across = (col - c + cols / 2) % cols - cols / 2
        ground += height_m * rng.uniform(0.3, 1) * 0.5 ** ((down**2 + across**2) / size**2)
    return ground


def parts(wind):
    """Change of the wind along its direction and to the right."""
    speed, turn = 1.0 + wind.speed_up, np.radians(wind.turning_deg)
    return speed * np.cos(turn) - 1.0, speed * np.sin(turn)


# --- invariants ----------------------------------------------------------------------------------


@pytest.mark.parametrize("theory", ["full", "short", "potential"])
def test_flat_ground_has_no_effect(grid_of, theory):
    wind = speed_up(np.full((64, 80), 31.0), grid_of(64, 80), 73.0, theory=theory)
    assert np.abs(wind.speed_up).max() < 1e-5
    assert np.abs(wind.turning_deg).max() < 1e-3


def test_a_plane_has_no_effect(grid_of):
    ground = 0.05 * np.mgrid[0:64, 0:80].sum(axis=0) * 10.0
    assert np.abs(speed_up(ground, grid_of(64, 80), 73.0).speed_up).max() < 1e-4


@pytest.mark.parametrize("times", [0.5, 2.0, -1.0])
def test_the_change_is_linear_in_height_and_a_valley_is_minus_a_hill(grid_of, times):
    ground, grid = hills(60, 75), grid_of(60, 75, cell_m=20)
    one, many = parts(speed_up(ground, grid, 205.0)), parts(speed_up(times * ground, grid, 205.0))
    for a, b in zip(one, many, strict=True):
        assert np.abs(a).max() > 0.05  # there is something to compare
        np.testing.assert_allclose(b, times * a, atol=2e-5)


def test_two_hills_add(grid_of):
    grid = grid_of(64, 64, cell_m=20)
    first, second = hills(64, 64, seed=1), hills(64, 64, seed=2)
    both = parts(speed_up(first + second, grid, 118.0))
    each = [parts(speed_up(h, grid, 118.0)) for h in (first, second)]
    for i in (0, 1):
        np.testing.assert_allclose(both[i], each[0][i] + each[1][i], atol=2e-5)


@pytest.mark.parametrize("turns", [1, 2, 3])
@pytest.mark.parametrize("shape", [(60, 60), (45, 64), (63, 75)])
def test_rotating_ground_and_wind_rotates_the_result(grid_of, turns, shape):
    ground = hills(*shape, height_m=60.0)
    turned = np.rot90(ground, -turns)
    for direction in (0.0, 33.0, 210.0):
        plain = speed_up(ground, grid_of(*shape, cell_m=20), direction)
        other = speed_up(turned, grid_of(*turned.shape, cell_m=20), direction + 90 * turns)
        for name in ("speed_up", "turning_deg"):
            there = np.rot90(getattr(plain, name), -turns)
            np.testing.assert_allclose(getattr(other, name), there, atol=2e-3)


def test_raising_all_ground_has_no_effect(grid_of):
    ground, grid = hills(50, 60), grid_of(50, 60, cell_m=20)
    plain = speed_up(ground, grid, 300.0)
    raised = speed_up(ground + 512.0, grid, 300.0)
    np.testing.assert_allclose(raised.speed_up, plain.speed_up, atol=5e-5)


def test_mirrored_ground_turns_the_wind_the_other_way(grid_of):
    ground, grid = hills(60, 61), grid_of(60, 61, cell_m=20)
    plain, mirrored = speed_up(ground, grid, 180.0), speed_up(ground[:, ::-1], grid, 180.0)
    np.testing.assert_allclose(mirrored.speed_up[:, ::-1], plain.speed_up, atol=1e-4)
    np.testing.assert_allclose(mirrored.turning_deg[:, ::-1], -plain.turning_deg, atol=5e-3)


def test_wind_flows_around_a_hill_and_is_strongest_over_its_top(grid_of):
    row, col = np.mgrid[0:81, 0:81] - 40
    ground = 20.0 * 0.5 ** ((row**2 + col**2) / 8.0**2)
    wind = speed_up(ground, grid_of(81, 81, cell_m=25), 180.0)  # northward, from below in the map
    top = np.unravel_index(wind.speed_up.argmax(), ground.shape)
    # Friction moves the strongest wind to just upwind of the top.
    assert 40 <= top[0] <= 43 and top[1] == 40
    assert wind.speed_up[48, 40] < wind.speed_up[40, 40]
    # Upwind of the hill the wind diverges: left of it, it turns left, which is negative.
    assert wind.turning_deg[48, 33] < -0.3 and wind.turning_deg[48, 47] > 0.3


# --- an independent Fourier sum -----------------------------------------------------------


def depth_by_bisection(length, z0):
    low, high = z0, 100 * length + 100 * z0
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if middle * np.log(middle / z0) < 0.32 * length else (low, middle)
        )
    return low


def summed_apart(ground, cell, from_deg, z, z0):
    """The formula wave by wave in east and north: no transform, table or mirrored half."""
    rows, cols = ground.shape
    x, y = np.arange(cols) * cell, -np.arange(rows)[:, None] * cell  # north is up
    toward = np.radians(from_deg + 180.0)
    e, n = np.sin(toward), np.cos(toward)  # the wind goes there
    ahead, aside = np.zeros(ground.shape, complex), np.zeros(ground.shape, complex)
    half_r, half_c = (rows - 1) // 2, (cols - 1) // 2
    for i, j in itertools.product(range(-half_r, half_r + 1), range(-half_c, half_c + 1)):
        kx, ky = 2 * np.pi * j / (cols * cell), 2 * np.pi * i / (rows * cell)
        k, left = kx * e + ky * n, -kx * n + ky * e
        if k == 0:
            continue
        size = np.hypot(kx, ky)
        wave = np.exp(1j * (kx * x + ky * y))
        height = (ground * np.conj(wave)).mean()
        length = 1 / size
        depth = depth_by_bisection(length, z0)
        root = np.sqrt(1j * abs(k) * length / depth)
        ratio = kv(0, 2 * root * np.sqrt(z)) / kv(0, 2 * root * np.sqrt(z0))
        ratio = np.conj(ratio) if k < 0 else ratio
        lift = np.log(length / z0) ** 2 / (np.log(max(z, depth) / z0) * np.log(z / z0))
        common = k / size * height * np.exp(-size * z) * lift * (1 - ratio) * wave
        ahead += k * common
        aside += left * common
    assert max(np.abs(ahead.imag).max(), np.abs(aside.imag).max()) < 1e-9
    return ahead.real, aside.real


@pytest.mark.parametrize(("z", "z0"), [(10.0, 0.03), (1.5, 0.1), (40.0, 0.005)])
@pytest.mark.parametrize("shape", [(16, 18), (15, 16)])
@pytest.mark.parametrize("direction", [0.0, 90.0, 205.0, 311.0])
def test_against_an_independent_fourier_sum(grid_of, z, z0, shape, direction):
    ground = hills(*shape, seed=9)
    keep = Edges(pad_m=0.0, level=False)
    rows, cols = shape
    assert spectral.padded_size(rows, 0) == rows and spectral.padded_size(cols, 0) == cols
    wind = speed_up(
        ground, grid_of(*shape, cell_m=30), direction, height_m=z, roughness_m=z0, edges=keep
    )
    ahead, to_left = summed_apart(ground, 30.0, direction, z, z0)
    ours = parts(wind)
    assert np.abs(ahead).max() > 0.02
    np.testing.assert_allclose(ours[0], ahead, atol=2e-4 * max(1, np.abs(ahead).max()))
    np.testing.assert_allclose(ours[1], -to_left, atol=2e-4 * max(1, np.abs(ahead).max()))


def test_the_short_form_agrees_where_it_is_valid(grid_of):
    """For waves shorter than its limit, both forms give similar crests (within 20 %)."""
    reach = short_form_reach_m(10.0, 0.03)
    assert float(spectral.inner_depth(reach, 0.03)) == pytest.approx(10.0, rel=1e-6)
    wavelength = 2 * np.pi * 0.8 * reach
    cell = wavelength / 32
    ground = np.repeat(np.cos(2 * np.pi * np.arange(64) / 32)[:, None], 8, axis=1)
    full, short = (
        parts(speed_up(ground, grid_of(64, 8, cell_m=cell), 0.0, edges=PERIODIC, theory=t))[0]
        for t in ("full", "short")
    )
    assert short.max() == pytest.approx(full.max(), rel=0.2)


# --- EN 1991-1-4, annex A.3 ----------------------------------------------------------------


def orography_factor(hill_m, upwind_m, x_m, z_m):
    """Factor on the mean wind upwind of the crest of a ridge, EN 1991-1-4 A.3 (not verified)."""
    slope = hill_m / upwind_m
    length = upwind_m if slope < 0.3 else hill_m / 0.3
    t = z_m / length
    a = 0.1552 * t**4 - 0.8575 * t**3 + 1.8133 * t**2 - 1.9115 * t + 1.0124
    b = 0.3542 * t**2 - 1.0577 * t + 2.6456
    s = a * np.exp(b * x_m / upwind_m)
    return 1 + (2 * s * slope if slope < 0.3 else 0.6 * s)


def test_the_design_code_against_published_examples():
    # Worked values from a text that cites the code.
    assert orography_factor(50, 500, 0, 10) == pytest.approx(1.1950, abs=1e-4)
    assert orography_factor(50, 500, -250, 10) == pytest.approx(1.0525, abs=1e-4)
    assert orography_factor(100, 250, 0, 10) == pytest.approx(1.5740, abs=1e-4)


@pytest.mark.parametrize(("hill", "upwind", "x"), [(50, 500, 0), (50, 500, -250), (100, 250, 0)])
def test_a_ridge_has_the_order_of_magnitude_of_the_design_code(hill, upwind, x):
    """Order of magnitude only: the theory gives about twice the increase, at most 2.5 times."""
    cell = upwind / 50
    away = np.abs(np.arange(2048) - 1024) * cell
    ridge = np.where(away < upwind, hill / 2 * (1 + np.cos(np.pi * away / upwind)), 0.0)
    grid = Grid((2048, 8), Affine(cell, 0, 0, 0, -cell, 0))
    ground = np.repeat(ridge[:, None], 8, axis=1)
    wind = speed_up(ground, grid, 0.0, edges=PERIODIC)  # from the north: rows count downwind
    ours = wind.speed_up[1024 + int(x / cell), 4]
    ratio = ours / (orography_factor(hill, upwind, x, 10) - 1)
    assert 1 / 2.5 < ratio < 2.5


# --- where it is valid ------------------------------------------------------------------------


def test_steep_ground_is_not_valid_and_gentle_ground_is(grid_of):
    for degrees, holds in ((16.0, True), (18.0, False)):
        along = np.abs(np.arange(400) - 200) * 10.0
        ground = np.repeat(-np.tan(np.radians(degrees)) * along[:, None], 400, axis=1)
        valid = speed_up(ground, grid_of(400, 400), 0.0).valid
        assert valid[120, 200] == holds  # the windward slope, far from crest and edge


def test_banks_and_ditches_do_not_count_as_steep_ground(grid_of):
    ground = np.zeros((300, 300))
    ground[:, 148:152] = 3.0  # a bank of 3 m with upright sides
    assert speed_up(ground, grid_of(300, 300, cell_m=5), 270.0).valid[100:200, 100:200].all()


@pytest.mark.parametrize("direction", [0.0, 90.0, 180.0, 270.0, 225.0, 340.0])
def test_the_lee_of_a_steep_crest_is_downwind_of_it(direction):
    """A cone: the lee of its top is on the downwind side, as geometry predicts."""
    row, col = np.mgrid[0:161, 0:161] - 80.0
    ground = np.maximum(60.0 - 0.25 * 10 * np.hypot(row, col), 0.0).astype(np.float32)
    lee = lee_of_crests(ground, 10.0, downwind(direction), 0.2, 0.175)
    east, south = downwind(direction)
    behind = (row * south + col * east) * 10.0
    beside = np.abs(col * south - row * east) * 10.0
    # Directly downwind of the top, the 10 degree line meets level ground at 60/0.175 = 343 m.
    line = beside < 5
    assert lee[line & (behind > 40) & (behind < 320)].mean() > 0.95
    assert not lee[behind < -15].any()
    assert not lee[behind > 365].any()
    assert not lee[beside > 260].any()


def test_gentle_hills_have_no_lee():
    row, col = np.mgrid[0:101, 0:101] - 50.0
    ground = (40 - 0.15 * 10 * np.hypot(row, col)).clip(0).astype(np.float32)
    for direction in range(0, 360, 20):
        assert not lee_of_crests(ground, 10.0, downwind(direction), 0.2, 0.175).any()


def test_it_is_not_valid_along_edges_and_beside_gaps(grid_of):
    ground = np.zeros((240, 240))
    ground[:, 200:] = np.nan
    wind = speed_up(ground, grid_of(240, 240, cell_m=25), 90.0)
    assert not wind.valid[:8].any() and not wind.valid[:, :8].any()
    assert not wind.valid[100:140, 192:].any()
    assert wind.valid[60:180, 30:185].all()
    assert np.isnan(wind.speed_up[:, 200:]).all() and np.isnan(wind.turning_deg[:, 200:]).all()
    assert np.isfinite(wind.speed_up[:, :200]).all()


def test_it_is_not_valid_where_the_theory_would_reverse_the_wind(grid_of):
    ground = -150.0 * np.exp(-(((np.arange(240) - 120) / 6.0) ** 2))[:, None] * np.ones((1, 240))
    wind = speed_up(ground, grid_of(240, 240), 0.0, theory="potential")
    back = np.abs(wind.turning_deg) > 90
    assert back.any() and not wind.valid[back].any()
    assert (wind.speed_up >= -1).all()


# --- gaps ----------------------------------------------------------------------------------


def test_gaps_are_filled_smoothly():
    row, col = np.mgrid[0:90, 0:111]
    plane = 100 + 0.3 * row - 0.2 * col
    known = np.hypot(row - 40, col - 50) > 12
    ours = filled(np.where(known, plane, np.nan), known)
    assert np.array_equal(ours[known], plane[known].astype(np.float32))
    assert np.abs(ours - plane).max() < 2.5  # the hole spans 7 m of the plane


def test_a_map_without_known_ground_has_no_valid_result(grid_of):
    wind = speed_up(np.full((40, 40), np.nan), grid_of(40, 40), 0.0)
    assert np.isnan(wind.speed_up).all() and not wind.valid.any()


def test_a_gap_has_an_effect_only_near_it(grid_of):
    ground, grid = hills(128, 128, height_m=30.0), grid_of(128, 128, cell_m=20)
    holed = ground.copy()
    holed[60:66, 60:66] = np.nan
    whole, part = speed_up(ground, grid, 45.0).speed_up, speed_up(holed, grid, 45.0).speed_up
    off = np.abs(whole - part)
    assert np.isnan(off[60:66, 60:66]).all()
    off[50:76, 50:76] = 0
    assert off.max() < 0.02


# --- many directions, tiles ----------------------------------------------------------------


def test_many_directions_equal_single_ones(grid_of):
    ground, grid = hills(70, 60, height_m=60.0), grid_of(70, 60, cell_m=25)
    directions = [0.0, 77.0, 210.0]
    found = list(speed_ups(ground, grid, directions))
    for direction, many in zip(directions, found, strict=True):
        one = speed_up(ground, grid, direction)
        for name in ("speed_up", "turning_deg", "valid"):
            assert np.array_equal(getattr(one, name), getattr(many, name))


def test_tapered_ground_descends_to_the_plane_inside_the_edges_and_stays_within():
    """By hand: half a cell within the edge, a taper of 4 cells leaves sin²(π/16) of the height."""
    ground = np.full((40, 30), 8.0, np.float32)
    tapered = spectral.padded_ground(ground, (40, 30), (0.0, 0.0, 0.0), taper=4)
    np.testing.assert_array_equal(tapered[4:-4, 4:-4], 8.0)
    along = 8.0 * np.sin(np.pi / 8 * np.array([0.5, 1.5, 2.5, 3.5])) ** 2
    for edge in (tapered[:4, 15], tapered[:-5:-1, 15], tapered[20, :4], tapered[20, :-5:-1]):
        np.testing.assert_allclose(edge, along, rtol=1e-6)
    np.testing.assert_allclose(tapered[0, 0], along[0] ** 2 / 8.0, rtol=1e-6)


def test_the_input_is_not_changed(grid_of):
    ground = hills(64, 64).astype(np.float32)
    before = ground.copy()
    speed_up(ground, grid_of(64, 64), 10.0)
    assert np.array_equal(ground, before)


@pytest.mark.parametrize(("cells", "tile", "margin"), [(400, 150, 37), (97, 30, 7), (31, 30, 7)])
def test_weights_of_tiles_sum_to_one(cells, tile, margin):
    total = np.zeros(cells)
    for start, trust in tile_weights(cells, tile, margin):
        assert trust.size == tile and (trust >= 0).all()
        total[start : start + tile] += trust
        if start > 0:
            assert trust[: margin // 2].max() == 0
    np.testing.assert_allclose(total, 1.0, atol=1e-6)


@pytest.mark.parametrize("shape", [(300, 260), (420, 40)])
def test_tiles_agree_with_the_whole(grid_of, shape):
    rng = np.random.default_rng(6)
    spectrum = np.fft.rfft2(rng.standard_normal(shape))
    k = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :])
    k[0, 0] = 1
    ground = np.fft.irfft2(spectrum * (k + 0.01) ** -2.2, s=shape)
    ground *= 40 / ground.std()
    grid = grid_of(*shape, cell_m=25)
    whole = speed_up(ground, grid, 233.0)
    tiled = speed_up(ground, grid, 233.0, tile_cells=150)
    off = np.abs(whole.speed_up - tiled.speed_up)
    assert whole.speed_up.std() > 0.05
    assert 0 < np.percentile(off, 99) < 0.02
    assert np.array_equal(whole.valid, tiled.valid)


def test_a_surface_through_coarse_cells_is_smooth_and_interpolates_them():
    """Against the same spline of scipy, away from the edges, which the two treat differently."""
    rng = np.random.default_rng(4)
    coarse = ndimage.gaussian_filter(rng.standard_normal((40, 34)), 2) * 100 + 800
    fine = Surface.through(coarse, 5).on(0, 0, (200, 170))
    np.testing.assert_allclose(fine[2::5, 2::5], coarse, atol=2e-3)
    rows, cols = (((np.arange(n) + 0.5) / 5 - 0.5) for n in fine.shape)
    spline = RectBivariateSpline(np.arange(40), np.arange(34), coarse)(rows, cols)
    inner = np.s_[40:-40, 40:-40]
    np.testing.assert_allclose(fine[inner], spline[inner], atol=0.02)


@given(row=st.integers(0, 190), col=st.integers(0, 160))
def test_a_window_of_a_surface_equals_the_whole(row, col):
    coarse = np.random.default_rng(4).standard_normal((40, 34))
    surface = Surface.through(coarse, 5)
    whole = surface.on(0, 0, (200, 170))
    assert np.array_equal(surface.on(row, col, (10, 10)), whole[row : row + 10, col : col + 10])


def test_strips_equal_the_whole_exactly(grid_of, monkeypatch):
    """Read in parts, with gaps and a map of roughness, in tiles or as a whole."""
    monkeypatch.setattr(wind_over_terrain, "WHOLE_CELLS", 200)
    monkeypatch.setattr(wind_over_terrain, "TILE_CELLS", 150)
    monkeypatch.setattr(wind_over_terrain_tiles, "STRIP_ROWS", 32)
    for shape in ((420, 230), (150, 120)):
        ground = hills(*shape, height_m=60.0).astype(np.float32)
        ground[30:60, 70:110] = np.nan
        rough = np.where(np.indices(shape)[0] < 60, 0.01, 0.3).astype(np.float32)
        grid = grid_of(*shape, cell_m=20).window(0, 0, shape)
        whole = list(speed_ups(ground, grid, [77.0, 300.0], roughness_m=rough))
        strips = speed_ups_in_strips(held(ground, grid, rough), [77.0, 300.0])
        for one, pieces in zip(whole, strips, strict=True):
            end = 0
            for row, piece in pieces:
                assert row == end
                end = row + piece.valid.shape[0]
                for name in ("speed_up", "turning_deg", "valid"):
                    own = getattr(one, name)[row:end]
                    assert np.array_equal(getattr(piece, name), own, equal_nan=name != "valid")
            assert end == shape[0]


def test_tiles_use_no_more_memory_for_a_longer_map(grid_of, monkeypatch):
    """Ground is never read in parts larger than a row of tiles."""
    monkeypatch.setattr(wind_over_terrain, "WHOLE_CELLS", 200)
    monkeypatch.setattr(wind_over_terrain, "TILE_CELLS", 150)
    requested = []

    def elevation(part):
        requested.append(part.shape)
        return hills(*part.shape)

    grid = grid_of(2000, 160, cell_m=25)
    for strips in speed_ups_in_strips(Ground(grid, elevation, 0.03), [10.0]):
        for _ in strips:
            pass
    assert max(rows for rows, _ in requested) < 600 and max(cols for _, cols in requested) == 160


# --- refusals -----------------------------------------------------------------------


def test_a_height_too_low_for_the_roughness_is_refused(grid_of):
    with pytest.raises(InputError) as caught:
        speed_up(np.zeros((32, 32)), grid_of(32, 32), 0.0, height_m=1.0, roughness_m=0.5)
    assert caught.value.code == "input-refused" and caught.value.where == "height above ground"


def test_invalid_arguments_are_refused_at_once(grid_of):
    flat, grid = np.zeros((32, 32)), grid_of(32, 32)
    with pytest.raises(ValueError, match="the grid"):
        speed_ups(flat[1:], grid, [0.0])
    with pytest.raises(ValueError, match="theory"):
        speed_ups(flat, grid, [0.0], theory="other")
    with pytest.raises(ValueError, match="roughness"):
        speed_ups(flat, grid, [0.0], roughness_m=0.0)
