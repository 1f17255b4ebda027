"""The validity mask against published limits of separation downwind of high ground.

Attached over sinusoidal hills with a maximum slope of 10 degrees, separated at 20: Athanassiadou
and Castro 2001, Boundary-Layer Meteorology 101:1-30 (status S). Attached over the wind-tunnel hill
of aspect a/H 8, separated over a/H 3: Khurshudyan, Snyder and Nekrasov 1981, EPA-600/4-81-067
(shape S). At a/H 5, near the limit, either is right.
"""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine

from shelterscape.grid import Grid, downwind
from shelterscape.kernels.lee import lee_of_crests
from shelterscape.science.terrain import speed_ups
from shelterscape.science.terrain.validity import (
    LEE,
    LEE_BEGINS,
    LEE_ENDS,
    MODELLED,
    NEAR_UNKNOWN,
    STEEP_GROUND,
    Blocks,
    reasons_where,
)

CELL_M = 12.5
SIDE = 480


def tunnel_hill(x_m, height_m, aspect):
    """Height of the wind-tunnel hill at distances from its crest, m."""
    a, n = aspect * height_m, 1 / aspect
    m = n + np.sqrt(n * n + 1)
    xi = np.linspace(0, a, 4001)
    root = xi**2 + m * m * (a * a - xi**2)
    x = 0.5 * xi * (1 + a * a / root)
    z = 0.5 * m * np.sqrt(a * a - xi**2) * (1 - a * a / root)
    return np.interp(np.abs(x_m), x, z, right=0.0)


def across(profile, direction):
    """Ground with a profile along the wind, and the distance along the wind, m."""
    row, col = np.mgrid[:SIDE, :SIDE] - SIDE / 2 + 0.5
    east, south = downwind(direction)
    along = (col * east + row * south) * CELL_M
    return profile(along).astype(np.float32), along


def inside(margin_m=900.0):
    """Cells away from the edges, where nothing is masked as close to unknown ground."""
    n = int(margin_m / CELL_M)
    return np.s_[n:-n, n:-n]


def masked(ground, direction):
    """Blocks that are not valid, on cells; and of them the lee."""
    blocks = Blocks.of(ground, np.ones(ground.shape, bool), CELL_M)
    wind = downwind(direction)
    lee = lee_of_crests(blocks.ground, blocks.block_m, wind, LEE_BEGINS, LEE_ENDS)
    both = (blocks.on_cells(b, 0, SIDE) for b in (blocks.reasons(wind), lee.view(np.uint8)))
    return tuple(field[inside()] > 0 for field in both)


DIRECTIONS = [0.0, 45.0, 250.0]


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("wave_m", [800.0, 1600.0])
def test_sinusoidal_hills_are_attached_at_10_degrees_and_separated_at_20(wave_m, direction):
    for slope_deg, separated in ((10.0, False), (20.0, True)):
        height_m = np.tan(np.radians(slope_deg)) * wave_m / np.pi
        ground, along = across(
            lambda x, h=height_m: h / 2 * (1 + np.cos(2 * np.pi * x / wave_m)), direction
        )
        lost, lee = masked(ground, direction)
        if not separated:
            assert not lost.any()
            continue
        # The steepest ground of each lee slope, a quarter of a wave behind the crest.
        phase = (along[inside()] / wave_m) % 1.0
        assert lee[np.abs(phase - 0.3) < 0.05].mean() > 0.95
        assert not lee[np.abs(phase - 0.8) < 0.1].any()


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("height_m", [40.0, 120.0])
def test_tunnel_hills_are_attached_at_aspect_8_and_separated_at_aspect_3(height_m, direction):
    shares = {}
    for aspect in (3, 8):
        ground, along = across(lambda x, k=aspect: tunnel_hill(x, height_m, k), direction)
        lost, lee = masked(ground, direction)
        away = along[inside()] / (aspect * height_m)
        shares[aspect] = lee[(away > 0.4) & (away < 0.9)].mean()
        assert not lee[away < 0].any()
        if aspect == 8:
            assert not lost.any()
    assert shares[3] > 0.95


def test_reasons_are_stated_cell_by_cell():
    """A steep ridge, its lee, and unknown ground beside it; the highest code applies."""
    slope = np.tan(np.radians(24.0))
    ground, along = across(lambda x: np.maximum(150 - slope * np.abs(x), 0.0), 0.0)
    ground[:, -120:] = np.nan
    grid = Grid(ground.shape, Affine(CELL_M, 0, 0, 0, -CELL_M, 0))
    (wind,) = speed_ups(ground, grid, [0.0], turning=False)
    assert ((wind.reason > 0) == ~wind.valid)[:, :-120].all()
    column = wind.reason[:, SIDE // 2]
    at = along[:, SIDE // 2]
    assert (column[(at > -200) & (at < -130)] == STEEP_GROUND).all()
    assert (column[(at > 500) & (at < 700)] == LEE).all()
    assert (column[(at < -900) & (at > -1500)] == MODELLED).all()
    assert (wind.reason[:, -138:-120] == NEAR_UNKNOWN).all()
    lost = ~wind.valid
    found = reasons_where(lost, wind.reason, np.isfinite(ground))
    assert (found[:, -120:] == 255).all() and (found[wind.valid] == MODELLED).all()
