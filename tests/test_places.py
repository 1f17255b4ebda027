"""Places: columns, mean wind, areas in zones, and sheltered corners for stock."""

from __future__ import annotations

from typing import get_args

import geopandas as gpd
import numpy as np
import pytest
import rasterio.features
import shapely
from affine import Affine

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.process.cases import PurposeName
from shelterscape.science import zones
from shelterscape.science.places import StockCorners, complete, coverage, means, zone_hectares
from shelterscape.science.purposes import purposes

GRID = Grid((40, 50), Affine(10, 0, 1000, 0, -10, 2400))
RING = shapely.Polygon([(1031, 2361), (1187, 2333), (1219, 2251), (1093, 2117)])


def layer(*shapes, **columns):
    index = range(len(shapes))
    return gpd.GeoDataFrame(columns, geometry=list(shapes), index=index, crs="EPSG:25832")


def field(seed=1):
    return np.random.default_rng(seed).uniform(0, 1, GRID.shape).astype(np.float32)


def test_missing_values_are_filled_in_and_reported():
    places, notices = complete(layer(RING, purpose=[" Lambing "]), "places")
    assert (places.priority[0], places.purpose[0]) == (1.0, "lambing")
    assert np.isnan(places["head"][0])
    assert [n.code for n in notices] == ["value-assumed"]


@pytest.mark.parametrize(
    ("columns", "code", "says"),
    [
        ({"purpose": ["lambs"]}, "name-unknown", "Did you mean lambing"),
        ({"priority": [-1.0]}, "column-bad", "priority"),
        ({"head": ["many"]}, "column-bad", "head"),
    ],
)
def test_refusals(columns, code, says):
    with pytest.raises(InputError, match=says) as caught:
        complete(layer(RING, **columns), "places")
    assert caught.value.code == code


def test_lines_are_refused_as_places():
    with pytest.raises(InputError, match="areas or points"):
        complete(layer(shapely.LineString([(0, 0), (1, 1)])), "places")


def test_means_against_a_raster_of_tiny_cells():
    """Exact shares against counts of cells a hundred times finer, by another library."""
    values = field()
    fine = Affine(0.1, 0, 1000, 0, -0.1, 2400)
    mask = rasterio.features.rasterize([RING], (4000, 5000), transform=fine)
    tiny = np.repeat(np.repeat(values, 100, 0), 100, 1)[mask == 1]
    covered = coverage(complete(layer(RING), "p")[0], GRID)
    assert means(values, covered)[0] == pytest.approx(tiny.mean(), abs=1e-4)
    assert covered.share.sum() * 100 == pytest.approx(RING.area, rel=1e-4)


def test_missing_cells_are_left_out_and_a_point_has_the_value_of_its_cell():
    values = field()
    values[5:] = np.nan
    shapes = (RING, shapely.Point(1012.0, 2385.0), shapely.box(1000, 2000, 1100, 2100))
    covered = coverage(complete(layer(*shapes), "p")[0], GRID)
    found = means(values, covered)
    assert 0 < found[0] < 1
    assert found[1] == values[1, 1]
    assert np.isnan(found[2])


def test_areas_in_zones_add_up_to_the_place():
    codes = zones.classify(field())
    covered = coverage(complete(layer(RING), "p")[0], GRID)
    hectares = zone_hectares(codes, covered, GRID, zones.ALL_WINDS)
    assert hectares.sum() == pytest.approx(RING.area / 1e4, rel=1e-5)


def test_a_corner_must_be_connected_and_large_enough():
    area = shapely.box(1000, 2000, 1500, 2400)
    head = 400.0  # 2.3 m² per animal, 920 m² in total: 10 cells of 100 m²
    places, _ = complete(layer(area, purpose=["outwintering stock"], head=[head]), "p")
    corners = StockCorners(places, coverage(places, GRID), GRID, 1)
    assert purposes()["outwintering stock"].head_m2 * head == pytest.approx(920)
    wind = np.ones((1, *GRID.shape), np.float32)
    wind[0, 3:5, 3:8] = 0.5  # ten connected cells
    corners.add([0.3], wind)
    broken = np.ones_like(wind)
    broken[0, 3:5, 3:7] = broken[0, 20:24, 20:22] = 0.5  # two patches of eight cells
    corners.add([0.6], broken)
    corners.add([0.1], np.ones_like(wind))
    assert corners.share[0][0] == pytest.approx(0.3)
    assert corners.outlines(0, 0).area == 1000
    none, _ = complete(layer(area, purpose=["crop"], head=[9.0]), "p")
    assert StockCorners(none, coverage(none, GRID), GRID, 1).share == {}


def test_every_default_of_a_purpose_has_a_source():
    for purpose in purposes().values():
        assert purpose.season in ("in-leaf", "bare")
        assert purpose.speed_exponent in (1, 2, 3)
        assert 0 < purpose.target < 1
        assert 0 <= purpose.porosity[0] < purpose.porosity[1] <= 1
        assert purpose.distance_h[0] < purpose.distance_h[1]
        assert set(purpose.months) <= set(range(1, 13))
        assert all(purpose.sources.values())


def test_the_option_has_the_purposes_of_the_table():
    assert get_args(PurposeName) == tuple(purposes())
