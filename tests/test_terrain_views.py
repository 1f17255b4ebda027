"""Sums of horizon angles: each view is calculated once, with the values of single views."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from affine import Affine

from shelterscape.grid import COMPASS_POINTS, Grid
from shelterscape.kernels.weighted_sums import add_weighted
from shelterscape.science.terrain import horizon_angle, speed_up, speed_ups, topex, upwind_slope
from shelterscape.science.terrain.averages import WindMean
from shelterscape.science.terrain.horizon import horizon_angles
from shelterscape.science.terrain.views import horizon_sum, topex_sum, upwind_sum, views

SHAPE = (150, 180)
WINDS = [22.5 * n for n in range(16)]


@pytest.fixture(scope="module")
def ground():
    rng = np.random.default_rng(5)
    z = rng.normal(size=SHAPE).cumsum(axis=0).cumsum(axis=1).astype(np.float32)
    z[40:44, 60:70] = np.nan
    return z


@pytest.fixture(scope="module")
def grid():
    return Grid(SHAPE, Affine(10, 0, 0, 0, -10, 0))


def test_views_are_calculated_once_in_rising_order(ground, grid):
    sums = [topex_sum(SHAPE), upwind_sum(SHAPE, WINDS), horizon_sum(SHAPE, WINDS, np.ones(16))]
    azimuths = [azimuth for azimuth, _ in views(ground, grid, sums, limit_m=200.0)]
    assert azimuths == sorted(set(azimuths))
    assert set(azimuths) == {
        *COMPASS_POINTS,
        *WINDS,
        *(round((w + t) % 360, 6) for w in WINDS for t in (-15, 15)),
    }
    assert len(azimuths) == 48  # of 8 + 48 + 16


@pytest.mark.parametrize("signed", [True, False])
def test_shared_sums_equal_views_added_one_by_one(ground, grid, signed):
    """Compared with a sum of single views in double precision."""
    weights = np.arange(1.0, 17.0)
    sums = [topex_sum(SHAPE, signed=signed), upwind_sum(SHAPE, WINDS, weights)]
    for _ in views(ground, grid, sums, limit_m=200.0):
        pass
    each = {
        d: horizon_angle(ground, grid, d % 360, limit_m=200.0).astype(float)
        for d in {*COMPASS_POINTS, *(w + t for w in WINDS for t in (-15, 0, 15))}
    }
    whole = sum(each[d] if signed else np.where(each[d] < 0, 0.0, each[d]) for d in COMPASS_POINTS)
    np.testing.assert_allclose(sums[0].total, whole, atol=2e-4)
    slope = sum(
        w * np.mean([each[d + t] for t in (-15, 0, 15)], axis=0)
        for d, w in zip(WINDS, weights / weights.sum(), strict=True)
    )
    np.testing.assert_allclose(sums[1].total, slope, atol=2e-4)
    np.testing.assert_array_equal(sums[0].total, topex(ground, grid, limit_m=200.0, signed=signed))
    np.testing.assert_array_equal(
        sums[1].total, upwind_slope(ground, grid, WINDS, weights, limit_m=200.0)
    )


def test_views_can_be_stopped_before_any_of_them(ground, grid):
    seen = []

    def stop(azimuth):
        seen.append(azimuth)
        if azimuth == 90.0:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        for _ in views(ground, grid, [topex_sum(SHAPE)], limit_m=200.0, before_each=stop):
            pass
    assert seen == [0.0, 45.0, 90.0]


def test_many_directions_equal_single_ones(ground, grid):
    directions = [10.0, 200.0, 10.0]
    for direction, angle in zip(directions, horizon_angles(ground, grid, directions), strict=True):
        np.testing.assert_array_equal(angle, horizon_angle(ground, grid, direction))


def test_sums_keep_missing_cells_and_the_order_of_operations():
    field = np.array([[1.5, np.nan, -2.0], [0.1, 0.0, 3.0]], np.float32)
    total = np.full(field.shape, 0.25, np.float32)
    add_weighted(field, 0.3, total, plus=1.0, least=0.0)
    expected = 0.25 + 0.3 * np.where(field + 1 < 0, 0, field + 1)
    np.testing.assert_allclose(total, expected, rtol=1e-6)
    mean = WindMean([0.75, 0.0, 0.25], field.shape)
    mean.add(0, np.ones(field.shape, bool))
    mean.add(1, np.full(field.shape, np.nan))  # does not count
    mean.add(2, np.zeros(field.shape, bool))
    np.testing.assert_array_equal(mean.mean, np.full(field.shape, 0.75, np.float32))


def test_wind_speed_is_the_same_without_turning(ground, grid):
    whole = speed_up(ground, grid, 77.0)
    for tile_cells in (None, 64):
        expected = speed_up(ground, grid, 77.0, tile_cells=tile_cells)
        wind = next(speed_ups(ground, grid, [77.0], turning=False, tile_cells=tile_cells))
        assert wind.turning_deg is None and whole.turning_deg is not None
        np.testing.assert_array_equal(wind.speed_up, expected.speed_up)
        np.testing.assert_array_equal(wind.valid, expected.valid)


MEMORY = """
import resource, sys
import numpy as np
from affine import Affine
from shelterscape.grid import Grid
from shelterscape.science.terrain import horizon_angle, speed_ups, topex, upwind_slope
from shelterscape.science import site_wind
from shelterscape.science.site_wind import SiteWind
from shelterscape.science.terrain import TerrainWind, horizon, wind_over_terrain

def peak():
    lines = open("/proc/self/status", encoding="ascii").read().splitlines()
    return {line.split(":")[0]: int(line.split()[1]) * 1024 for line in lines if "kB" in line}

rows, cols = int(sys.argv[2]), int(sys.argv[3])

def site(z, grid):
    wind = TerrainWind(z, None, z > 5)
    field = np.broadcast_to(np.float32(0.5), (2, *grid.shape))
    sums = SiteWind(grid.shape, 2, 3.0)
    for _ in range(2):
        sums.add([0.5, 0.5], wind, field)
    return sums

work = {
    "horizon": lambda z, g: horizon_angle(z, g, 17.0),
    "far": lambda z, g: horizon_angle(z, g, 17.0, limit_m=None),
    "topex": lambda z, g: topex(z, g),
    "upwind": lambda z, g: upwind_slope(z, g, [10.0, 100.0]),
    "site": site,
    "wind": lambda z, g: [w.valid.sum() for w in speed_ups(z, g, [10.0, 100.0, 200.0])],
}[sys.argv[1]]

def ground(rows, cols):
    z = np.arange(rows * cols, dtype=np.float32).reshape(rows, cols) % 97
    z[::50, ::50] = np.nan
    return z, Grid((rows, cols), Affine(5, 0, 0, 0, -5, 0))

work(*ground(150, 160))  # compiles and loads all that is required
z, grid = ground(rows, cols)
with open("/proc/self/clear_refs", "w", encoding="ascii") as file:
    file.write("5")  # reset the peak
before = peak()["VmRSS"]
kept = work(z, grid)
estimate = {
    "wind": lambda: wind_over_terrain.work_bytes(grid),
    "site": lambda: site_wind.work_bytes(grid, 2, 3.0),
}.get(sys.argv[1], lambda: horizon.work_bytes(grid))()
print(peak()["VmHWM"] - before, estimate, z.nbytes)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads the peak from /proc")
@pytest.mark.parametrize(
    ("name", "returned", "shape"),
    [
        ("horizon", 0, (1700, 1700)),
        ("far", 0, (1700, 1700)),
        ("far", 0, (500, 4000)),
        ("topex", 1, (1700, 1700)),
        ("upwind", 1, (1700, 1700)),
        ("site", 0, (1700, 1700)),
        # The result of one direction, 9 bytes per cell, and of the one before.
        ("wind", 4.5, (1700, 1700)),
        ("wind", 4.5, (900, 2400)),
        ("wind", 4.5, (4300, 600)),  # in tiles
    ],
)
def test_memory_is_between_half_of_the_estimate_and_the_estimate(name, returned, shape):
    """`returned` is the number of arrays in results, which the estimate excludes."""
    command = [sys.executable, "-c", MEMORY, name, *map(str, shape)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    peak, estimate, array = map(float, done.stdout.split())
    estimate += returned * array
    assert peak <= estimate <= 2 * peak, (peak / array, estimate / array)
