"""Relief beneath maps: the ground that is read or cut out, and that it holds every view."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from affine import Affine
from run_helpers import CRS
from shapely import LineString, Point, box, contains

from shelterscape.files.draw_views import bounds_around, part_around, views_of
from shelterscape.grid import Grid
from shelterscape.process.relief import ReliefInputs, relief_of

SIDE_M = 8000.0


@pytest.fixture
def slope(tmp_path):
    """A raster of a plane: elevation is a tenth of the way east, plus twice the way north in km."""
    x, y = np.meshgrid(np.arange(5.0, SIDE_M, 10), np.arange(SIDE_M - 5, 0, -10))
    with rasterio.open(
        tmp_path / "dem.tif", "w", driver="GTiff", height=800, width=800, count=1, dtype="float32",
        crs=CRS, transform=Affine(10, 0, 0, 0, -10, SIDE_M), nodata=-9999,
    ) as data:  # fmt: skip
        data.write((0.1 * x + 0.002 * y).astype(np.float32), 1)
    return str(tmp_path / "dem.tif")


def test_relief_is_the_elevation_of_the_ground(slope):
    found = relief_of(ReliefInputs(dem=slope), (1000.0, 2000.0, 1900.0, 2600.0), CRS)
    assert found is not None and found.grid.bounds == (1000.0, 2000.0, 1900.0, 2600.0)
    rows, cols = found.grid.shape
    x, y = found.grid.affine * np.meshgrid(np.arange(cols) + 0.5, np.arange(rows) + 0.5)
    # Interpolation in a plane is exact, up to the rounding of 32-bit numbers.
    assert found.elevation == pytest.approx(0.1 * x + 0.002 * y, abs=1e-3)


def test_relief_is_no_finer_than_a_picture_and_may_be_missing(slope):
    whole = relief_of(ReliefInputs(dem=slope), (0.0, 0.0, SIDE_M, SIDE_M), CRS)
    assert whole is not None and max(whole.grid.shape) <= 800
    assert relief_of(ReliefInputs(dem=slope), (20e3, 20e3, 21e3, 21e3), CRS) is None
    assert relief_of(ReliefInputs(), (0.0, 0.0, SIDE_M, SIDE_M), CRS) is None


def test_the_ground_holds_every_view_and_stays_in_place():
    rng = np.random.default_rng(1)
    corners = rng.uniform(1500, 6500, (12, 2))
    lines = np.array([LineString([c, np.add(c, (80, 30))]) for c in corners], dtype=object)
    grid = Grid((800, 800), Affine(10, 0, 0, 0, -10, SIDE_M), CRS)
    around = box(*bounds_around(lines))
    views = views_of(lines, [1.0] * len(lines), grid)
    assert len(views) > 3 and all(contains(around, box(*view)) for view in views.values())
    x = np.broadcast_to(np.arange(5.0, SIDE_M, 10), grid.shape).astype(np.float32)
    ground, part = part_around(x, grid, lines)
    assert ground.shape == part.shape != grid.shape
    west, _, east, _ = part.bounds
    assert ground[0, 0] == west + 5 and ground[0, -1] == east - 5
    assert part_around(x, grid, lines[:0])[1] is grid
    beyond = np.array([Point(-90e3, 0)], dtype=object)
    assert part_around(x, grid, beyond)[1] is grid
