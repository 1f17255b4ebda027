"""Roughness maps: tables, and terrain wind over ground with several roughness lengths."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pyproj import CRS

from shelterscape import registry
from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.science.terrain import speed_up
from shelterscape.science.terrain.roughness import (
    completed,
    from_areas,
    from_codes,
    table_of,
)
from shelterscape.terms import DAVENPORT_WIERINGA

GRID = Grid((120, 140), Affine(25, 0, 400_000, 0, -25, 800_000), CRS.from_epsg(27700))


def hill() -> np.ndarray:
    y, x = np.mgrid[: GRID.shape[0], : GRID.shape[1]] * 25.0
    return (60 * np.exp(-((x - 1700) ** 2 + (y - 1500) ** 2) / 400**2)).astype(np.float32)


def wind_over(roughness_m, direction=250.0, **more):
    return speed_up(hill(), GRID, direction, roughness_m=roughness_m, **more)


def filled(lengths, belts, height_m=10.0):
    return completed(lengths, 0.03, belts, GRID, height_m=height_m, where="cover")


def areas(*bounds_and_columns) -> gpd.GeoDataFrame:
    rows = [{"geometry": shapely.box(*b), **c} for b, c in bounds_and_columns]
    return gpd.GeoDataFrame(rows, crs=GRID.crs)


def test_published_classes():
    """Davenport and Wieringa's classes (status: seen in the source)."""
    lengths = list(DAVENPORT_WIERINGA.values())
    assert lengths == [0.0002, 0.005, 0.03, 0.10, 0.25, 0.5, 1.0, 2.0]


@pytest.mark.parametrize("name", registry.ids())
def test_roughness_by_the_name_of_a_class(name):
    """In every process, `very rough` is 0.5 m, and an unknown word is refused with the classes."""
    model = registry.find(name).inputs
    for field in [f for f in model.model_fields if f.endswith("roughness_m")]:
        errors = {}
        for value in ("Very  rough", "0.5", 0.5, "hilly", "7"):
            try:
                model(**{field: value})
            except ValidationError as error:
                errors[value] = " ".join(e["msg"] for e in error.errors() if field in e["loc"])
        assert not any(errors.get(value) for value in ("Very  rough", "0.5", 0.5)), field
        assert "one of the classes sea, smooth, open" in errors["hilly"]
        assert "less than or equal to 5" in errors["7"]
    if name == "wind-set":
        given = model(station_roughness_m="very rough", site_roughness_m="sea")
        assert (given.station_roughness_m, given.site_roughness_m) == (0.5, 0.0002)


def test_a_uniform_map_equals_a_single_roughness():
    one, even = wind_over(0.125), wind_over(np.full(GRID.shape, 0.125))
    np.testing.assert_array_equal(one.speed_up, even.speed_up)
    np.testing.assert_array_equal(one.valid, even.valid)


@given(z0=st.floats(0.0005, 1.5))
def test_a_cell_has_the_speed_up_of_its_own_roughness(z0):
    """Interpolation between classes against a whole map calculated for the exact roughness."""
    rough = np.full(GRID.shape, z0)
    rough[:, :20], rough[:, -20:] = 0.0005, 1.5  # four classes, far apart
    blended, own = wind_over(rough), wind_over(z0)
    here = (slice(None), slice(20, -20))
    assert np.abs(own.speed_up).max() > 0.2
    assert np.abs(blended.speed_up - own.speed_up)[here].max() < 0.02


def test_speed_up_is_larger_over_rougher_ground():
    """Near the ground the relative speed-up is larger where wind is slower, by the theory."""
    crest = np.unravel_index(hill().argmax(), GRID.shape)
    found = [float(wind_over(z0).speed_up[crest]) for z0 in (0.005, 0.03, 0.1, 0.3)]
    assert found == sorted(found)
    rough = np.where(np.arange(GRID.shape[1]) < crest[1] - 3, 0.005, 0.3) * np.ones(GRID.shape)
    assert float(wind_over(rough).speed_up[crest]) == pytest.approx(found[-1], abs=0.01)


def test_tiles_use_the_roughness_of_their_own_cells():
    rough = np.where(np.indices(GRID.shape)[0] < 60, 0.01, 0.3)
    whole, tiled = wind_over(rough), wind_over(rough, tile_cells=80)
    apart = np.abs(whole.speed_up - tiled.speed_up)
    assert np.quantile(apart, 0.99) < 0.02
    np.testing.assert_array_equal(whole.valid, tiled.valid)


def test_flat_ground_has_no_speed_up_at_any_roughness():
    rough = np.where(np.indices(GRID.shape)[1] < 70, 0.01, 0.3)
    found = speed_up(np.zeros(GRID.shape, np.float32), GRID, 10.0, roughness_m=rough)
    assert np.abs(found.speed_up).max() == 0


def test_ground_too_rough_for_the_height_is_not_valid():
    rough = np.full(GRID.shape, 0.03)
    rough[50:60, 50:60] = 1.0
    found = wind_over(rough, height_m=1.5)
    assert not found.valid[50:60, 50:60].any()
    assert found.valid.sum() == wind_over(0.03, height_m=1.5).valid.sum() - 100
    assert np.isfinite(found.speed_up).all()


def test_gaps_and_ground_too_rough_are_reported():
    lengths = np.full(GRID.shape, 0.5, np.float32)
    lengths[0] = np.nan
    _, notices = filled(lengths, None, height_m=1.5)
    cells = GRID.shape[0] * GRID.shape[1]
    assert [(n.code, n.count) for n in notices] == [
        ("value-assumed", GRID.shape[1]),
        ("not-modelled", cells - GRID.shape[1]),
    ]


def test_an_invalid_roughness_is_refused():
    for bad in (0.0, -1.0, np.nan, np.full((3, 3), 0.1)):
        with pytest.raises(ValueError, match="roughness_m"):
            wind_over(bad)


def test_codes_are_looked_up_and_lengths_are_used_unchanged():
    table = table_of(pd.DataFrame({"land_cover": [112, "311"], "roughness_m": [0.5, 1.0]}), "t")
    codes = np.array([[112.0, np.nan], [311.0, 112.0]])
    np.testing.assert_array_equal(
        from_codes(codes, table, "r"), np.float32([[0.5, np.nan], [1.0, 0.5]])
    )
    lengths = np.array([[0.03, np.nan]])
    np.testing.assert_array_equal(from_codes(lengths, None, "r"), np.float32(lengths))


def test_areas_by_name_and_by_length_and_the_last_of_overlapping_ones():
    west, south, east, north = GRID.bounds
    middle = (west + east) / 2
    words = areas(
        ((west, south, east, north), {"land_cover": "Open"}),
        ((west, south, middle, north), {"land_cover": "closed "}),
    )
    found = from_areas(words, GRID, None, "cover")
    assert (found[:, :70] == 1.0).all()
    assert (found[:, 70:] == np.float32(0.03)).all()
    lengths = areas(((west, south, middle, north), {"roughness_m": 0.2}))
    found = from_areas(lengths, GRID, None, "cover")
    assert (found[:, :70] == np.float32(0.2)).all()
    assert np.isnan(found[:, 70:]).all()


def test_mapped_belts_are_removed_and_gaps_filled():
    lengths = np.full(GRID.shape, np.nan, np.float32)
    lengths[20:30] = 0.5  # a strip of wood in the land cover, and the belt on it
    west, _, east, north = GRID.bounds
    line = shapely.LineString([(west, north - 25 * 25), (east, north - 25 * 25)])
    belts = gpd.GeoDataFrame({"width_m": [250.0]}, geometry=[line], crs=GRID.crs)
    assert (filled(lengths, belts)[0] == np.float32(0.03)).all()
    kept = filled(lengths, None)[0]
    assert (kept[20:30] == 0.5).all()
    thin = belts.assign(width_m=0.0)
    assert (filled(lengths, thin)[0][20:30] == 0.5).mean() == pytest.approx(0.8, abs=0.11)


@pytest.mark.parametrize("side", ["west", "south", "east", "north"])
def test_a_belt_off_the_map_that_extends_onto_it_is_removed(side):
    """A belt 10 m off an edge and 120 m wide covers 50 m inside: two rows or columns of cells."""
    west, south, east, north = GRID.bounds
    line = {
        "west": [(west - 10, south), (west - 10, north)],
        "south": [(west, south - 10), (east, south - 10)],
        "east": [(east + 10, south), (east + 10, north)],
        "north": [(west, north + 10), (east, north + 10)],
    }[side]
    belts = gpd.GeoDataFrame(
        {"width_m": [120.0]}, geometry=[shapely.LineString(line)], crs=GRID.crs
    )
    taken_out = filled(np.full(GRID.shape, 0.5, np.float32), belts)[0] == np.float32(0.03)
    edge = {
        "west": np.s_[:, :2], "south": np.s_[-2:], "east": np.s_[:, -2:], "north": np.s_[:2]
    }[side]  # fmt: skip
    assert taken_out[edge].all()
    # A cell that the edge of the strip just touches may be removed too.
    assert taken_out.sum() <= 1.5 * taken_out[edge].size


def test_a_wide_belt_off_the_map_is_removed_beside_narrow_ones():
    west, south, _, north = GRID.bounds
    lines = [[(west + x, south), (west + x, north)] for x in (-10.0, 512.5)]
    belts = gpd.GeoDataFrame(
        {"width_m": [120.0, 2.0]}, geometry=[shapely.LineString(xy) for xy in lines], crs=GRID.crs
    )
    taken_out = filled(np.full(GRID.shape, 0.5, np.float32), belts)[0] == np.float32(0.03)
    assert taken_out[:, [0, 1, 20]].all()


@pytest.mark.parametrize(
    ("make", "code"),
    [
        (lambda: table_of(pd.DataFrame({"code": [1]}), "t"), "column-missing"),
        (
            lambda: table_of(pd.DataFrame({"land_cover": ["a", "A "], "roughness_m": 0.1}), "t"),
            "roughness-bad",
        ),
        (
            lambda: table_of(pd.DataFrame({"land_cover": ["a"], "roughness_m": ["much"]}), "t"),
            "roughness-bad",
        ),
        (lambda: from_codes(np.array([[112.0]]), None, "r"), "roughness-bad"),
        (lambda: from_codes(np.array([[112.0]]), {"111": 0.1}, "r"), "name-unknown"),
        (
            lambda: from_areas(areas((GRID.bounds, {"cover": "open"})), GRID, None, "l"),
            "column-missing",
        ),
        (
            lambda: from_areas(areas((GRID.bounds, {"land_cover": None})), GRID, None, "l"),
            "name-unknown",
        ),
        (
            lambda: from_areas(areas((GRID.bounds, {"roughness_m": -9})), GRID, None, "l"),
            "roughness-bad",
        ),
    ],
)
def test_bad_roughness_is_refused(make, code):
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.code == code
    assert caught.value.where
