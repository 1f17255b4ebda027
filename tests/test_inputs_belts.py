"""Malformed and unusual belts and places: each is used with a notice, or refused with an error."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from file_helpers import GRID, write_dem, write_features
from input_helpers import (
    HEDGE,
    NORTH,
    OTHER_HEDGE,
    SHAPE,
    WEST,
    ground,
    hold_to_refusal,
    plain_belts,
    shelter,
)
from shapely import GeometryCollection, LineString, MultiLineString, Point, Polygon, box
from shapely.affinity import translate


def at(*points):
    """Points in metres east and south of the north-west corner of the ground."""
    return [(WEST + x, NORTH - y) for x, y in points]


AREA = Polygon(at((100, 100), (160, 100), (160, 200), (100, 200)))
BOW = Polygon(at((100, 100), (200, 200), (200, 100), (100, 200)))
LOOP = LineString(at((100, 100), (200, 200), (200, 100), (100, 200)))
FAR = LineString([(WEST + 90_000, NORTH), (WEST + 90_100, NORTH)])
HUGE = LineString([(1e7, 1e7), (1e7 + 100, 1e7)])
SPOT = LineString(at((150, 150), (150, 150)))
with np.errstate(invalid="ignore"):
    HALF_NAN = LineString([(WEST + 100, NORTH - 100), (np.nan, NORTH - 150)])
    ALL_NAN = LineString([(np.nan, np.nan), (np.nan, np.nan)])
MANY = MultiLineString([HEDGE, LineString(at((300, 300), (400, 320)))])
TALL = LineString([(x, y, 44.0) for x, y in HEDGE.coords])
MIXED = GeometryCollection([HEDGE, Point(at((40, 40)))])

# name: (outlines, columns, code, what the answer says)
REFUSED = {
    "no height": ([HEDGE], {"height_m": [None]}, "belts-no-height", ["height_m", "feature 1"]),
    "no column of heights": ([HEDGE], {"height_m": None}, "belts-no-height", ["--field"]),
    "height in centimetres": (
        [HEDGE, OTHER_HEDGE], {"height_m": [6, 350]}, "column-bad",
        ["350", "feature 2", "Divide by 100"],
    ),
    "height in words": (
        [HEDGE, OTHER_HEDGE], {"height_m": ["6", "tall"]}, "column-bad", ["tall", "feature 2"],
    ),
    "height with its unit": ([HEDGE], {"height_m": ["6 m"]}, "column-bad", ["6 m", "alone"]),
    "height in feet and inches": ([HEDGE], {"height_m": ["20 ft"]}, "column-bad", ["20 ft"]),
    "decimal comma": ([HEDGE], {"height_m": ["6,5"]}, "column-bad", ["6,5", "6.5"]),
    "height below zero": ([HEDGE], {"height_m": [-3.0]}, "column-bad", ["-3"]),
    "height of 0": ([HEDGE], {"height_m": [0.0]}, "column-bad", ["0"]),
    "infinite height": ([HEDGE], {"height_m": [np.inf]}, "column-bad", ["inf"]),
    "height as yes or no": ([HEDGE], {"height_m": [True]}, "column-bad", ["True"]),
    "height as a day": (
        [HEDGE], {"height_m": np.array(["2020-05-01"], "datetime64[ns]")}, "column-bad", ["2020"],
    ),
    "porosity in percent": ([HEDGE], {"porosity": [40]}, "column-bad", ["40", "percentages"]),
    "bare porosity in percent": ([HEDGE], {"bare_porosity": [60]}, "column-bad", ["percent"]),
    "porosity as a percent sign": ([HEDGE], {"porosity": ["40 %"]}, "column-bad", ["40 %"]),
    "width in kilometres by mistake": ([HEDGE], {"width_m": [5000]}, "column-bad", ["5000"]),
    "year planted as a date": ([HEDGE], {"planted_year": ["2001-05"]}, "column-bad", ["2001-05"]),
    "year planted in part years": ([HEDGE], {"planted_year": [2001.5]}, "column-bad", ["2001.5"]),
    "year planted of two digits": ([HEDGE], {"planted_year": [98]}, "column-bad", ["98", "1500"]),
    "points": ([Point(at((100, 100)))], {}, "belts-points", ["line"]),
    "zero length": ([SPOT], {}, "belts-no-length", ["feature 1"]),
    "zero length among others": ([HEDGE, SPOT], {}, "belts-no-length", ["1 of 2", "feature 2"]),
    "all off the map": ([FAR], {}, "layer-outside", ["terrain"]),
    "ten million metres off": ([HUGE], {}, "layer-outside", ["10000000"]),
    "eastings with the zone before them": (
        [translate(HEDGE, 32e6)], {}, "layer-outside", ["zone"],
    ),
    "northing and easting swapped": (
        [shapely.transform(HEDGE, lambda xy: xy[:, ::-1])], {}, "layer-outside", ["swapped"],
    ),
    "degrees that call themselves metres": (
        [LineString([(9.86, 51.52), (9.87, 51.53)])], {}, "layer-outside", ["degrees"],
    ),
    "an empty layer": ([], {"height_m": []}, "layer-empty", ["belts"]),
    "no outline at all": ([None], {}, "layer-empty", []),
    "coordinates that are no numbers": ([ALL_NAN], {}, "layer-outside", ["terrain"]),
}  # fmt: skip

ASSUMED = {"value-assumed"}
# name: (outlines, columns, notices expected)
USED = {
    "plain": ([HEDGE, OTHER_HEDGE], {}, {}),
    "three-dimensional": ([TALL], {}, {}),
    "many parts": ([MANY], {}, {}),
    "a crossed line": ([LOOP], {}, {}),
    "an area": ([AREA], {}, {}),
    "lines and areas together": ([HEDGE, AREA], {}, {}),
    "a crossed area": ([BOW, HEDGE], {}, {"features-repaired": 1}),
    "some off the map": ([HEDGE, FAR], {}, {"features-outside": 1}),
    "some ten million metres off": ([HEDGE, HUGE], {}, {"features-outside": 1}),
    "some without outline": ([HEDGE, None], {}, {"features-empty": 1}),
    "partly no numbers": ([HEDGE, HALF_NAN], {}, {"features-outside": 1}),
    "a line with a stray point": ([MIXED], {}, {"features-repaired": 1}),
    "duplicated": ([HEDGE, HEDGE], {"height_m": [6.0, 6.0]}, {"features-duplicate": 1}),
    "duplicated and drawn backwards": (
        [HEDGE, HEDGE.reverse()], {"height_m": [6.0, 6.0]}, {"features-duplicate": 1},
    ),
    "a point drawn twice": ([LineString(at((90, 90), (90, 90), (200, 190)))], {}, {}),
    "empty names": ([HEDGE, OTHER_HEDGE], {"name": ["", None]}, {}),
    "names of mixed kinds": ([HEDGE, OTHER_HEDGE], {"name": ["7", "Long Hedge"]}, {}),
    "heights as text": ([HEDGE, OTHER_HEDGE], {"height_m": ["6", " 4.5 "]}, {}),
    "whole heights": ([HEDGE, OTHER_HEDGE], {"height_m": [6, 4]}, {}),
}  # fmt: skip


@pytest.fixture
def inputs(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    return folder


@pytest.mark.parametrize("name", REFUSED)
def test_belts_are_refused(name, inputs, tmp_path, capsys):
    outlines, columns, code, says = REFUSED[name]
    found = shelter(capsys, tmp_path, belts=plain_belts(inputs, outlines, **columns))
    hold_to_refusal(found, code, *says)


@pytest.mark.parametrize("name", USED)
def test_belts_are_used_and_changes_are_reported(name, inputs, tmp_path, capsys):
    outlines, columns, notices = USED[name]
    found = shelter(capsys, tmp_path, belts=plain_belts(inputs, outlines, **columns))
    assert found.exit_code == 0, found.error
    assert notices.items() <= found.notices.items()
    assert set(found.notices) - set(notices) <= ASSUMED
    assessed = gpd.read_file(found.out / "layers.gpkg", layer="belts_assessed")
    dropped = sum(n for c, n in notices.items() if c != "features-repaired")
    assert len(assessed) == len(outlines) - dropped


def relative_wind(found):
    with rasterio.open(found.out / "rasters" / "relative_wind.tif") as data:
        return data.read(1)


def run_apart(name, tmp_path, capsys, outlines, **options):
    (tmp_path / name / "in").mkdir(parents=True)
    belts = plain_belts(tmp_path / name / "in", outlines, height_m=[6.0] * len(outlines))
    found = shelter(capsys, tmp_path / name, belts=belts, **options)
    assert found.exit_code == 0, found.error
    return relative_wind(found)


def test_a_duplicate_belt_shelters_as_one(tmp_path, capsys):
    once = run_apart("once", tmp_path, capsys, [HEDGE])
    twice = run_apart("twice", tmp_path, capsys, [HEDGE, HEDGE.reverse()])
    assert once.min() < 0.8
    np.testing.assert_array_equal(once, twice)


def test_two_different_belts_on_one_line_both_count_with_a_notice(inputs, tmp_path, capsys):
    belts = plain_belts(inputs, [HEDGE, HEDGE], height_m=[6.0, 5.0])
    found = shelter(capsys, tmp_path, belts=belts)
    assert found.exit_code == 0 and found.notices["belts-same-line"] == 1
    assert relative_wind(found).min() < run_apart("once", tmp_path, capsys, [HEDGE]).min()


def test_ten_million_metres_from_the_origin_shelter_is_the_same(tmp_path, capsys):
    here = run_apart("here", tmp_path, capsys, [HEDGE])
    folder = tmp_path / "there" / "in"
    folder.mkdir(parents=True)
    # In UTM zone 33 S northings start at 10 000 km, and the central meridian is at 500 km.
    north, west = 9_999_900.0, 500_000.0
    dem = write_dem(folder / "dem.tif", ground(), affine=Affine(10, 0, west, 0, -10, north),
                    crs="EPSG:32733")  # fmt: skip
    moved = translate(HEDGE, west - WEST, north - NORTH)
    belts = write_features(folder / "b.gpkg", [moved], crs="EPSG:32733", height_m=[6.0])
    found = shelter(capsys, tmp_path / "there", dem=dem, belts=belts)
    assert found.exit_code == 0, found.error
    # Wind directions are converted by the convergence of each location, here up to 0.7°.
    assert np.abs(relative_wind(found) - here).max() < 0.05
    assert np.abs(relative_wind(found) - here).mean() < 0.002


def test_an_error_states_the_number_of_the_feature_in_the_file(inputs, tmp_path, capsys):
    belts = plain_belts(inputs, [FAR, HEDGE, OTHER_HEDGE], height_m=[5.0, 6.0, 600.0])
    found = shelter(capsys, tmp_path, belts=belts)
    hold_to_refusal(found, "column-bad", "feature 3", "600")


def test_a_model_of_the_surface_is_refused(inputs, tmp_path, capsys):
    cells = shapely.points(
        *(GRID.affine * (np.indices(SHAPE)[::-1] + 0.5)),
    )
    canopy = np.where(shapely.dwithin(cells, HEDGE, 8), 6.0, 0.0).astype("f4")
    dem = write_dem(inputs / "surface.tif", ground() + canopy)
    belts = plain_belts(inputs, [HEDGE])
    found = shelter(capsys, tmp_path, dem=dem, belts=belts)
    hold_to_refusal(found, "terrain-surface", "surface.tif", "bare ground", "bank with hedge")


FIELD = box(*at((20, 300))[0], *at((480, 20))[0])
# name: (outlines, columns, code, what the answer says)
PLACES_REFUSED = {
    "a purpose that is none": ([FIELD], {"purpose": ["lambng"]}, "name-unknown", ["lambing"]),
    "head in words": (
        [FIELD], {"purpose": ["lambing"], "head": ["many"]}, "column-bad", ["many", "feature 1"],
    ),
    "head below zero": ([FIELD], {"head": [-5]}, "column-bad", ["-5"]),
    "priority below zero": ([FIELD], {"priority": [-1.0]}, "column-bad", ["priority", "-1"]),
    "lines for fields": ([HEDGE], {}, "places-no-area", ["areas"]),
    "a field without area": (
        [FIELD, Polygon(at((10, 10), (90, 90), (10, 10), (10, 10)))], {}, "places-no-area",
        ["feature 2"],
    ),
    "all off the map": ([translate(FIELD, 1e5)], {}, "layer-outside", []),
}  # fmt: skip
PLACES_USED = {
    "plain": ([FIELD], {"purpose": ["lambing"], "head": [20], "priority": [2.0]}, {}),
    "empty names": ([FIELD], {"name": [""]}, {}),
    "purpose in capitals": ([FIELD], {"purpose": ["LAMBING"]}, {}),
    "a crossed field": ([BOW], {}, {"features-repaired": 1}),
    "points and fields": ([FIELD, Point(at((50, 50)))], {}, {}),
    "some off the map": ([FIELD, translate(FIELD, 1e5)], {},
                         {"features-outside": 1}),
}  # fmt: skip


@pytest.mark.parametrize("name", PLACES_REFUSED)
def test_places_are_refused(name, inputs, tmp_path, capsys):
    outlines, columns, code, says = PLACES_REFUSED[name]
    places = write_features(inputs / "places.gpkg", outlines, **columns)
    hold_to_refusal(shelter(capsys, tmp_path, places=places), code, *says)


@pytest.mark.parametrize("name", PLACES_USED)
def test_places_are_used_and_changes_are_reported(name, inputs, tmp_path, capsys):
    outlines, columns, notices = PLACES_USED[name]
    places = write_features(inputs / "places.gpkg", outlines, **columns)
    found = shelter(capsys, tmp_path, places=places)
    assert found.exit_code == 0, found.error
    assert notices.items() <= found.notices.items()
    assert set(found.notices) - set(notices) <= ASSUMED
