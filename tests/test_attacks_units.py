"""Attacks by units: scales of maps, units of heights and directions of axes that seem ordinary.

Scales are checked against geodesic lengths and areas, and convergence against the direction of
meridians on the map, both with pyproj.
"""

from __future__ import annotations

import json
import math
import random
import re

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from file_helpers import write_dem, write_features
from input_helpers import answer, exposure, ground, hold_to_refusal
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info, query_utm_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import ProjError
from shapely import LineString

from shelterscape.errors import InputError
from shelterscape.files.crs import NOTICED_SCALE, REFUSED_SCALE, metric_crs
from shelterscape.files.terrain_models import read_terrain
from shelterscape.files.vectors import read_layer_alone
from shelterscape.grid import Grid
from shelterscape.process.reading import Reader


def on_map(crs, lon, lat):
    return Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)


def scales(crs, x, y, side=400.0):
    """Linear scale farthest from 1 and areal scale, from geodesics around a map point."""
    crs = CRS.from_user_input(crs)
    onto = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    geod = Geod(ellps="WGS84") if crs.ellipsoid is None else crs.get_geod()
    linear = []
    for angle in np.radians(np.arange(0, 180, 1)):
        dx, dy = side / 2 * math.cos(angle), side / 2 * math.sin(angle)
        (lon1, lat1), (lon2, lat2) = onto.transform(x - dx, y - dy), onto.transform(x + dx, y + dy)
        linear.append(side / geod.inv(lon1, lat1, lon2, lat2)[2])
    half = side / 2
    xs, ys = [x - half, x + half, x + half, x - half], [y - half, y - half, y + half, y + half]
    area = abs(geod.polygon_area_perimeter(*onto.transform(xs, ys))[0])
    return max(linear, key=lambda k: abs(k - 1)), side**2 / area


def dem_at(path, crs, lon, lat, **more):
    """A terrain model of 500 m by 400 m around a point."""
    x, y = on_map(crs, lon, lat)
    affine = Affine(10, 0, round(x) - 250, 0, -10, round(y) + 200)
    return write_dem(path, ground(), crs=crs, affine=affine, **more), (
        round(x),
        round(y),
    )


# Projections for other purposes than distances, national grids, and grids far outside their area.
PLACES = [
    *((crs, 10.0, lat) for crs in (3857, 3395, 6933, 4087, "ESRI:54009", "ESRI:54012")
      for lat in (0.0, 5.0, 20.0, 35.0, 47.0, 55.0, 69.0, -42.0)),
    *((3035, lon, lat) for lon, lat in ((10, 52), (-9, 38), (25, 65), (33, 35), (-24, 65))),
    *((5070, lon, lat) for lon, lat in ((-96, 38), (-120, 48), (-81, 25.5), (-150, 64))),
    *((3577, lon, lat) for lon, lat in ((132, -25), (147, -42), (142, -11))),
    *((2154, lon, lat) for lon, lat in ((2.5, 46.5), (8.9, 42), (-4, 48), (9, 55))),
    *((25832, lon, lat) for lon, lat in ((9, 51), (12, 51), (15, 51), (20, 51), (26, 51))),
    *((27700, lon, lat) for lon, lat in ((-2, 54), (-8, 57), (-25, 64))),
    (3031, 10, -75), (3031, 10, -60), (3413, -45, 72), (3413, -45, 50), (32661, 0, 82),
    (2193, 173, -41), (3067, 27, 65), (5514, 15, 50), (2056, 8, 47), (3006, 15, 60),
]  # fmt: skip


@pytest.mark.parametrize(("crs", "lon", "lat"), PLACES)
def test_scale_of_a_map_against_geodesics(crs, lon, lat, tmp_path):
    dem, centre = dem_at(tmp_path / "dem.tif", crs, lon, lat)
    linear, areal = scales(crs, *centre)
    off = max(abs(linear - 1), abs(areal - 1))
    for limit in (NOTICED_SCALE, REFUSED_SCALE):
        assert abs(off - limit) > 1e-5, "the case decides nothing"
    if off <= REFUSED_SCALE:
        notices = []
        reader = Reader(notices.append)
        reader._convergence(read_terrain(str(dem))[1])
        found = [n.text for n in notices if n.code == "map-scale"]
        assert bool(found) == (off > NOTICED_SCALE)
        said = found[0] if found else ""
    else:
        with pytest.raises(InputError) as caught:
            read_terrain(str(dem))
        assert caught.value.code == "crs-scale"
        said = caught.value.value
        to_crs = re.search(r"--to-crs (EPSG:\d+)", caught.value.hint).group(1)
        _, grid, _ = read_terrain(str(dem), to_crs=to_crs)
        assert np.allclose(scales(to_crs, *grid.centre), 1, atol=NOTICED_SCALE + 0.002)
    if said:
        numbers = [float(n) for n in re.findall(r"\d\.\d{3}", said)]
        assert numbers == pytest.approx([linear, areal], abs=6e-4)


def test_hectares_in_web_mercator_are_those_on_the_ground(tmp_path, capsys):
    """Web Mercator at 55° N counted 28.4 ha for 9.2 ha."""
    inputs = tmp_path / "in"
    inputs.mkdir()
    dem, _ = dem_at(inputs / "dem.tif", 3857, 9.0, 55.0)
    hold_to_refusal(exposure(capsys, tmp_path, dem), "crs-scale", "EPSG:32632", "1.7", "3.0")
    done = exposure(capsys, tmp_path, dem, to_crs="EPSG:32632")
    assert done.exit_code == 0
    with rasterio.open(next(done.out.rglob("*.tif"))) as data:
        known = data.read(1, masked=True)
        hectares = known.count() * data.res[0] ** 2 / 1e4
    true = 500 * 400 / scales(3857, *on_map(3857, 9.0, 55.0))[1] / 1e4
    assert hectares == pytest.approx(true, rel=0.03)  # cells at the edge


def test_a_notice_of_scale_is_in_the_record(tmp_path, capsys):
    inputs = tmp_path / "in"
    inputs.mkdir()
    dem, _ = dem_at(inputs / "dem.tif", 3035, -9.0, 38.0)
    found = exposure(capsys, tmp_path, dem)
    assert found.exit_code == 0 and found.notices["map-scale"] == 1
    kept = json.loads((found.out / "record.json").read_text(encoding="utf-8"))
    assert "map-scale" in json.dumps(kept)


@pytest.mark.parametrize(("crs", "lat"), [(3857, 55.0), (3395, 47.0), (6933, 52.0), (3857, -33.0)])
def test_a_layer_that_sets_the_map_is_refused_by_scale(crs, lat, tmp_path):
    x, y = on_map(crs, 10.0, lat)
    layer = write_features(
        tmp_path / "belts.gpkg", [LineString([(x, y), (x + 300, y + 80)])], crs=crs, height_m=[8.0]
    )
    with pytest.raises(InputError) as caught:
        read_layer_alone(str(layer), "belt layer")
    assert caught.value.code == "crs-scale"
    to_crs = re.search(r"--to-crs (EPSG:\d+)", caught.value.hint).group(1)
    frame, grid, _ = read_layer_alone(str(layer), "belt layer", to_crs=to_crs)
    degrees = gpd.read_file(layer).to_crs(4326).geometry[0]
    true = Geod(ellps="WGS84").geometry_length(degrees)
    assert frame.length.iloc[0] == pytest.approx(true, rel=0.001)
    assert grid.crs == CRS.from_user_input(to_crs)


# --- units of height ---------------------------------------------------------------------------

METRES = ["", " ", "m", "M", "metre", "Metre", "metres", "meter", "METERS", " m "]
OTHERS = {
    "cm": "cm", "Centimetre": "cm", "CENTIMETERS": "cm", "ft": "ft", "FT": "ft", "Foot": "ft",
    "feet": "ft", "International Foot": "ft", "us-ft": "us-ft", "US survey foot": "us-ft",
    "US Survey Feet": "us-ft", "Foot_US": "us-ft", "us_survey_feet": "us-ft", "ftUS": "us-ft",
    "dm": "", "mm": "", "km": "", "yard": "", "Yards": "", "yd": "", "fathom": "", "chain": "",
    "inch": "", "in": "", "decimetre": "", "degree": "", "Pa": "", "dB": "", "1": "", "m2": "",
    "meters above sea level in ft": "", "\u00b5m": "", "m\u00e8tre carr\u00e9": "", "hPa": "",
    "unknown": "", "Indian foot": "", "Clarke's foot": "", "metres*10": "", "0.1 m": "",
}  # fmt: skip


@pytest.mark.parametrize("unit", METRES)
def test_blank_and_metre_are_metres(unit, tmp_path):
    dem = write_dem(tmp_path / "dem.tif", ground(), units=unit)
    assert np.array_equal(read_terrain(str(dem))[0], ground())


@pytest.mark.parametrize("unit", OTHERS)
def test_any_other_unit_of_height_is_refused(unit, tmp_path):
    dem = write_dem(tmp_path / "dem.tif", ground(), units=unit)
    with pytest.raises(InputError) as caught:
        read_terrain(str(dem))
    error = caught.value
    assert error.code == "elevation-unit" and error.value == unit
    assert "--z-unit" in error.hint
    if OTHERS[unit]:
        assert f"--z-unit {OTHERS[unit]} " in error.hint
    # A given unit decides.
    assert np.array_equal(read_terrain(str(dem), z_unit="m")[0], ground())


@pytest.mark.parametrize(
    ("crs", "unit"),
    [("EPSG:25832+5703", "metre"), ("EPSG:25832+6360", "US survey foot"),
     ("EPSG:25832+8228", "foot"), ("EPSG:25832+5782", "metre")],
)  # fmt: skip
def test_the_unit_of_a_vertical_coordinate_system_counts(crs, unit, tmp_path):
    dem = write_dem(tmp_path / "dem.tif", ground(), crs=crs)
    if unit == "metre":
        assert np.array_equal(read_terrain(str(dem))[0], ground())
        return
    with pytest.raises(InputError) as caught:
        read_terrain(str(dem))
    assert caught.value.code == "elevation-unit" and caught.value.value == unit


# --- directions of axes ------------------------------------------------------------------------

SYSTEMS = 600
"""Projected systems of the EPSG table that are sampled."""


def sampled_systems():
    infos = query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS)
    infos = [i for i in infos if i.area_of_use and i.area_of_use.west < i.area_of_use.east]
    return random.Random(20261127).sample(sorted(infos, key=lambda i: int(i.code)), SYSTEMS)


def bearing_of_north(crs, x, y):
    """Bearing on the map of the meridian through a point, degrees; and the point's longitude."""
    to = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to.transform(x, y)
    step = 1e-3
    x1, y1 = to.transform(lon, lat - step, direction="INVERSE")
    x2, y2 = to.transform(lon, lat + step, direction="INVERSE")
    return math.degrees(math.atan2(x2 - x1, y2 - y1)), lon, lat


def test_convergence_of_projected_systems_against_their_meridians():
    tested, turned = 0, 0
    for info in sampled_systems():
        crs, area = CRS.from_epsg(int(info.code)), info.area_of_use
        lon = 0.7 * area.west + 0.3 * area.east
        lat = max(-85.0, min(85.0, (area.south + area.north) / 2))
        try:
            onto = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
        except ProjError:
            continue  # its method is not in PROJ
        x, y = onto.transform(lon, lat)
        grid = Grid((4, 4), Affine(10, 0, x - 20, 0, -10, y + 20), crs)
        north, lon, lat = bearing_of_north(crs, *grid.centre)
        difference = (grid.convergence_deg() + north + 180) % 360 - 180
        assert abs(difference) < 1e-3, (info.code, info.name, difference)
        tested += 1
        directions = [axis.direction for axis in crs.axis_info[:2]]
        if directions in (["east", "north"], ["north", "east"]) and abs(lat) < 80:
            unit = math.degrees(crs.geodetic_crs.axis_info[0].unit_conversion_factor)
            factor = Proj(crs).get_factors(unit * lon, unit * lat).meridian_convergence
            if math.isfinite(factor) and not crs.name.startswith("Tananarive"):
                assert abs((grid.convergence_deg() - factor + 180) % 360 - 180) < 1e-3, info.code
        turned += abs(grid.convergence_deg()) > 90
    assert tested >= 500 and turned >= 3


def turned_pair(folder, code, lon0, lat):
    """Ground and belts in a system with axes to the west and south, and the same ones north-up."""
    usual = CRS.from_proj4(f"+proj=tmerc +lat_0=0 +lon_0={lon0} +k=1 +ellps=WGS84 +units=m")
    x, y = (round(n) for n in on_map(usual, lon0 + 0.4, lat))
    values = ground()
    rows, cols = values.shape
    lines = [LineString([(x + 60, y - 300), (x + 60, y - 120)]),
             LineString([(x + 320, y - 90), (x + 440, y - 60)])]  # fmt: skip
    pair = []
    for name, crs, sign in (("usual", usual, 1), ("turned", CRS.from_epsg(code), -1)):
        (folder / name / "in").mkdir(parents=True)
        left, top = (x, y) if sign > 0 else (-(x + 10 * cols), -(y - 10 * rows))
        dem = write_dem(
            folder / name / "in" / "dem.tif",
            values[::sign, ::sign],
            crs=crs,
            affine=Affine(10, 0, left, 0, -10, top),
        )
        shapes = [shapely.transform(line, lambda xy, s=sign: s * xy) for line in lines]
        belts = write_features(
            folder / name / "in" / "belts.gpkg", shapes, crs=crs, height_m=[9.0, 6.0]
        )
        pair.append((folder / name, dem, belts))
    return pair


@pytest.mark.parametrize(("code", "lon0", "lat"), [(2053, 29, -28.0), (2048, 19, -31.0)])
@pytest.mark.parametrize("process", ["shelter", "exposure"])
def test_full_results_where_axes_are_to_the_west_and_south(
    process, code, lon0, lat, tmp_path, capsys
):
    rasters = []
    for folder, dem, belts in turned_pair(tmp_path, code, lon0, lat):
        words = {"belts": belts, "season": "in-leaf"} if process == "shelter" else {"limit_m": 100}
        found = answer(capsys, folder, process, dem=dem, winds="250", **words)
        assert found.exit_code == 0, found.error
        rasters.append(_rasters(found.out))
    usual, turned = rasters
    assert usual.keys() == turned.keys() and usual
    differ = 0
    for name, values in usual.items():
        back = turned[name][..., ::-1, ::-1]
        assert np.array_equal(np.isnan(values), np.isnan(back)), name
        spread = np.nanmax(values) - np.nanmin(values)
        wrong = np.nanmean(np.abs(values - turned[name])) > 0.01 * spread > 0
        differ += wrong
        assert np.nanmean(np.abs(values - back)) <= 0.005 * spread, name
    assert differ, "no raster differs between the sides"


def _rasters(folder):
    found = {}
    for path in sorted(folder.rglob("*.tif")):
        with rasterio.open(path) as data:
            found[path.name] = data.read(masked=True).astype(float).filled(np.nan)
    return found


def test_a_system_that_mirrors_the_map_gives_the_results_of_its_other_form(tmp_path, capsys):
    """EPSG:2065 counts southing before westing; EPSG:5221 is the same with easting, northing."""
    east_north = CRS.from_epsg(5221)
    x, y = (round(n, -1) for n in on_map(east_north, 15.0, 50.0))
    rasters = []
    for name, code, values, left, top in (
        ("usual", 5221, ground(), x, y),
        ("mirrored", 2065, ground().T, -y, -x),
    ):
        (tmp_path / name / "in").mkdir(parents=True)
        affine = Affine(10, 0, left, 0, -10, top)
        dem = write_dem(tmp_path / name / "in" / "dem.tif", values, crs=code, affine=affine)
        if code == 2065:
            found = exposure(capsys, tmp_path / name, dem)
            hold_to_refusal(found, "crs-mirrored", "EPSG:32633", "south, west")
        found = exposure(capsys, tmp_path / name, dem, to_crs="EPSG:32633")
        assert found.exit_code == 0, found.error
        rasters.append(_rasters(found.out))
    usual, mirrored = rasters
    for name, values in usual.items():
        assert values.shape == mirrored[name].shape
        spread = np.nanmax(values) - np.nanmin(values)
        assert np.nanmean(np.abs(values - mirrored[name])) <= 0.01 * spread, name


def test_the_hint_names_a_zone_that_covers_the_ground():
    for lon, lat in ((-179.5, 20), (179.5, -20), (5, 60), (20, 78), (9, 55), (-70, -45)):
        area = AreaOfInterest(lon, lat, lon, lat)
        zones = {f"EPSG:{i.code}" for i in query_utm_crs_info("WGS 84", area)}
        x, y = on_map(3857, lon, lat)
        with pytest.raises(InputError) as caught:
            metric_crs(CRS(3857), None, (x - 9, y - 9, x + 9, y + 9), "terrain model", "dem.tif")
        assert re.search(r"EPSG:\d+", caught.value.hint).group() in zones
