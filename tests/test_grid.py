"""Grids and directions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod, Transformer

from shelterscape.grid import Grid, degrees_text, downwind, grid_direction, toward, wrapped


@given(st.floats(-1, 1))
def test_no_angle_is_written_as_minus_zero(angle):
    assert degrees_text(angle) in ("-1°", "0°", "1°")


@pytest.mark.parametrize(
    ("bearing", "step"),
    [(0, (0, -1)), (90, (1, 0)), (180, (0, 1)), (270, (-1, 0)), (360, (0, -1)), (-90, (-1, 0))],
)
def test_cardinal_directions_are_exact(bearing, step):
    assert toward(bearing) == step


@given(st.floats(-720, 720))
def test_steps_are_unit_and_downwind_is_opposite(bearing):
    east, down = toward(bearing)
    assert math.hypot(east, down) == pytest.approx(1)
    assert downwind(bearing) == pytest.approx((-east, -down), abs=1e-12)
    # Independent calculation: the angle of the step, clockwise from up.
    back = math.degrees(math.atan2(east, -down))
    assert math.cos(math.radians(back - bearing)) == pytest.approx(1)


@given(st.floats(-1e6, 1e6))
def test_wrapped_stays_in_the_circle(bearing):
    assert 0 <= wrapped(bearing) < 360


@pytest.mark.parametrize(
    ("crs", "x", "y"),
    [
        ("EPSG:25832", 388000, 6124000),  # west of its central meridian
        ("EPSG:27700", 75383, 823737),  # far west on the national grid
        ("EPSG:2154", 360000, 6790000),  # a conic projection
        ("EPSG:31467", 3570000, 5710000),
        ("EPSG:3035", 3500000, 3500000),  # equal-area azimuthal
    ],
)
def test_convergence_against_a_geodesic(crs, x, y):
    """A short geodesic due north bears minus the convergence on the grid (pyproj's Geod)."""
    grid = Grid((10, 10), Affine(1, 0, x - 5, 0, -1, y + 5), crs)
    inverse = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat = inverse.transform(x, y)
    lon2, lat2, _ = Geod(ellps="GRS80").fwd(lon, lat, 0, 500)
    x2, y2 = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon2, lat2)
    bearing_of_north = math.degrees(math.atan2(x2 - x, y2 - y))
    assert grid.convergence_deg() == pytest.approx(-bearing_of_north, abs=0.02)
    assert grid_direction(0.0, grid.convergence_deg()) == pytest.approx(
        bearing_of_north % 360, abs=0.02
    )


def test_convergence_without_a_coordinate_system_is_zero(grid_of):
    assert grid_of(3, 3).convergence_deg() == 0


@pytest.mark.parametrize(
    "affine",
    [Affine(10, 1, 0, 0, -10, 0), Affine(10, 0, 0, 0, 10, 0), Affine(10, 0, 0, 0, -9, 0)],
)
def test_other_layouts_are_refused(affine):
    with pytest.raises(ValueError, match="north-up"):
        Grid((2, 2), affine)


def test_a_window_keeps_its_position_in_the_whole(grid_of):
    whole = grid_of(100, 80, cell_m=2.5)
    part = whole.window(20, 30, (10, 5)).window(3, 1, (4, 4))
    assert (part.row0, part.col0) == (23, 31)
    assert part.bounds[0] == pytest.approx(31 * 2.5)
    xy = np.array([[100.0, 50.0], [1.25, 3.3]])
    assert np.array_equal(part.to_cells(xy), whole.to_cells(xy))
    assert whole.cell_area_ha == pytest.approx(6.25e-4)
