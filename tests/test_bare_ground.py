"""Detection of surface models by their height on belts."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from shapely import LineString, Point, box

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.science.bare_ground import refuse_surface, rise_on_belts
from shelterscape.science.belts import complete
from shelterscape.science.terrain.ground import held

GRID = Grid((120, 120), Affine(5, 0, 0, 0, -5, 600))
X, Y = GRID.affine * (np.indices(GRID.shape)[::-1] + 0.5)
LINE = LineString([(100, 300), (500, 300)])
SLANTED = LineString([(100, 150), (500, 450)])
WOOD = box(200, 200, 400, 400)
STRIP = box(100, 296, 500, 304)


def belts(*outlines, **columns):
    columns = {"height_m": [8.0] * len(outlines)} | columns
    return complete(gpd.GeoDataFrame(columns, geometry=list(outlines)), "belts")[0]


def canopy(outline, height, within=8.0):
    """A given height on all cells up to some metres from an outline."""
    near = shapely.dwithin(shapely.points(X, Y), outline, within)
    return np.where(near, height, 0.0)


@pytest.mark.parametrize(("east", "north"), [(0, 0), (0.1, 0), (0, -0.2), (0.3, 0.1)])
def test_on_a_plane_a_line_is_below_its_higher_side(east, north):
    rise = rise_on_belts(belts(LINE), held(50 + east * X + north * Y, GRID))
    # Arithmetic: the line runs east, so the higher side is 15 m up the northward slope.
    assert rise == pytest.approx(np.full(40, -15 * abs(north)), abs=1e-9)


@pytest.mark.parametrize(("east", "north"), [(0, 0), (0.3, 0.1)])
def test_on_a_plane_the_edge_of_an_area_has_no_step(east, north):
    rise = rise_on_belts(belts(WOOD), held(50 + east * X + north * Y, GRID))
    assert len(rise) == 80 and np.abs(rise).max() < 1e-9


@pytest.mark.parametrize("outline", [LINE, SLANTED, LINE.reverse(), STRIP, WOOD, WOOD.reverse()])
def test_a_canopy_on_level_ground_rises_by_its_height(outline):
    rise = rise_on_belts(belts(outline), held(50 + canopy(outline, 7.0), GRID))
    assert np.median(rise) == pytest.approx(7.0, abs=0.1)
    with pytest.raises(InputError) as caught:
        refuse_surface(belts(outline), held(50 + canopy(outline, 7.0), GRID), "dem.tif")
    assert caught.value.code == "terrain-surface" and "7.0 m" in str(caught.value.value)


@pytest.mark.parametrize(("height", "is_refused"), [(0.9, False), (1.1, True)])
def test_the_limit_is_one_metre(height, is_refused):
    model = 50 + canopy(LINE, height)
    if not is_refused:
        return refuse_surface(belts(LINE), held(model, GRID), "dem.tif")
    with pytest.raises(InputError):
        refuse_surface(belts(LINE), held(model, GRID), "dem.tif")


def test_a_few_belts_on_banks_do_not_make_a_surface_model():
    """Fails if the model is refused, as it is with that belt alone."""
    others = [LineString([(100, y), (500, y)]) for y in (100, 200, 400, 500)]
    model = held(50 + canopy(LINE, 5.0), GRID)
    refuse_surface(belts(LINE, *others), model, "dem.tif")
    with pytest.raises(InputError):
        refuse_surface(belts(LINE), model, "dem.tif")


def test_belts_with_a_bank_as_type_are_excluded():
    banked = belts(LINE, belt_type=["bank with hedge"])
    assert len(rise_on_belts(banked, held(50 + canopy(LINE, 5.0), GRID))) == 0
    refuse_surface(banked, held(50 + canopy(LINE, 5.0), GRID), "dem.tif")


def test_a_wood_on_a_round_hill_is_accepted():
    hill = 50 + 20 * np.exp(-((X - 300) ** 2 + (Y - 300) ** 2) / (2 * 150**2))
    assert hill[60, 60] - hill[60, 30] > 7  # the wood is well above the land beside it
    refuse_surface(belts(Point(300, 300).buffer(80)), held(hill, GRID), "dem.tif")


def test_points_near_missing_ground_and_the_edge_are_excluded():
    model = np.full(GRID.shape, 50.0)
    assert len(rise_on_belts(belts(LINE), held(model, GRID))) == 40
    model[:, :60] = np.nan
    assert 18 <= len(rise_on_belts(belts(LINE), held(model, GRID))) <= 20
    refuse_surface(belts(LINE), held(np.full(GRID.shape, np.nan), GRID), "dem.tif")
    assert len(rise_on_belts(belts(LineString([(0, 3), (600, 3)])), held(model, GRID))) == 0
