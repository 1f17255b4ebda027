"""All real files, through the command line: each is used with notices, or refused with an error.

The open data are in a folder beside the project, with sources and licences in their README. Every
test also checks that the folder is unchanged.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine
from conftest import REAL_DATA
from file_helpers import write_dem, write_features
from input_helpers import exposure, hold_to_refusal, listing, plain_dem, shelter
from shapely import LineString
from test_real_ground import belts_from_canopy

pytestmark = pytest.mark.realdata


@pytest.fixture(autouse=True)
def untouched():
    before = listing(REAL_DATA)
    yield
    assert listing(REAL_DATA) == before


@pytest.fixture
def inputs(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    return folder


# --- terrain models ---------------------------------------------------------------------------

# file: (words of the command, notices)
TERRAIN = {
    "askervein/askervein_dem_25m.tif": ({}, {"convergence": 1}),
    "ebergotzen_25m/dem_25m.tif": ({}, {}),
    "ebergotzen_25m/srtm_100m.tif": ({}, {}),
    "nc_wake_30m/elev_ned_30m.tif": ({}, {}),
    "bretagne_lidar_2m5/dtm.tif": ({}, {"convergence": 1}),
    "os_terrain50_scotland/NO33.asc": ({"crs": "EPSG:27700"}, {}),
    "dk_dtm_16m/dtm_16m.tif": ({}, {"dem-resampled": 1, "convergence": 1}),
}


@pytest.mark.parametrize("file", TERRAIN)
def test_terrain_models_are_used(file, inputs, tmp_path, capsys):
    words, notices = TERRAIN[file]
    found = exposure(capsys, tmp_path, REAL_DATA / file, limit_m=300, **words)
    assert found.exit_code == 0, found.error
    assert found.notices == notices


REFUSED = {
    "no coordinate system": ("os_terrain50_scotland/NO33.asc", "crs-missing", ["--crs EPSG"]),
    "a bare matrix": ("volcano_10m/volcano_87x61_10m.csv", "file-unreadable", ["GeoTIFF"]),
    "an archive of parcels": ("field_parcels/dk_marker_2026_25832_shp.zip", "file-unreadable", []),
    "a GeoPackage of parcels": ("multilayer_gpkg/parcels_and_hedges.gpkg", "file-unreadable", []),
    "packed records of wind": ("wind_nyc_2013/weather.csv.gz", "file-unreadable", []),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_other_files_are_refused_as_terrain_models(name, inputs, tmp_path, capsys):
    file, code, says = REFUSED[name]
    hold_to_refusal(exposure(capsys, tmp_path, REAL_DATA / file), code, *says)


def test_a_surface_model_is_refused_and_a_ground_model_used(inputs, tmp_path, capsys):
    lidar = REAL_DATA / "bretagne_lidar_2m5"
    belts_from_canopy(lidar / "chm_veg.tif").to_file(inputs / "belts.gpkg", layer="traced")
    words = {"belts": inputs / "belts.gpkg"}
    found = shelter(capsys, tmp_path, dem=lidar / "dsm.tif", **words)
    hold_to_refusal(found, "terrain-surface", "dsm.tif", "bare ground")
    assert shelter(capsys, tmp_path, dem=lidar / "dtm.tif", **words).exit_code == 0


# --- layers -----------------------------------------------------------------------------------


def ground_round(layer_of, crs, inputs):
    """Level ground under a layer, in a coordinate system, and a hedge across its middle."""
    west, south, east, north = layer_of.to_crs(crs).total_bounds
    cell = max(east - west, north - south) / 200
    shape = (int((north - south) / cell) + 3, int((east - west) / cell) + 3)
    values = np.full(shape, 40, np.float32)
    affine = Affine(cell, 0, west - cell, 0, -cell, north + cell)
    dem = write_dem(inputs / "dem.tif", values, affine=affine, crs=crs)
    middle = (south + north) / 2
    hedge = LineString([(west, middle), (east, middle)])
    belts = write_features(inputs / "belts.gpkg", [hedge], crs=crs, height_m=[6.0])
    return {"dem": dem, "belts": belts}


# file: (system of the ground, notices about the layer)
PLACES = {
    "at_parcels_with_hedges_31287.gpkg": ("EPSG:31287", {}),
    "nl_parcels_landscape_elements_28992.gpkg": ("EPSG:28992", {}),
    # Eastings with the zone before them.
    "de_sh_fieldblocks_4647.gpkg": ("EPSG:25832", {"layer-reprojected": 1}),
    # A shapefile in an archive.
    "dk_marker_2026_25832_shp.zip": ("EPSG:25832", {}),
    # GML in an archive, in degrees, two columns of one name.
    "ie_gsaa_2024_4258_gml.zip": ("EPSG:2157", {"layer-reprojected": 1, "reader-remark": 1}),
}


@pytest.mark.filterwarnings("ignore:Field with same name:RuntimeWarning")
@pytest.mark.parametrize("file", PLACES)
def test_parcels_are_used_as_places(file, inputs, tmp_path, capsys):
    crs, notices = PLACES[file]
    path = REAL_DATA / "field_parcels" / file
    parcels = gpd.read_file(path)
    found = shelter(capsys, tmp_path, places=path, **ground_round(parcels, crs, inputs))
    assert found.exit_code == 0, found.error
    usual = {"value-assumed", "convergence"}
    broken = int((~parcels.geometry.is_valid).sum())
    expected = notices | ({"features-repaired": broken} if broken else {})
    assert {c: n for c, n in found.notices.items() if c not in usual} == expected
    places = gpd.read_file(found.out / "layers.gpkg", layer="places_shelter")
    assert len(places) == len(parcels) == 100


MANY = REAL_DATA / "multilayer_gpkg" / "parcels_and_hedges.gpkg"


def test_a_layer_with_spaces_in_its_name(inputs, tmp_path, capsys):
    hedges = gpd.read_file(MANY, layer="Hedgerows")
    ground = ground_round(hedges, "EPSG:27700", inputs)
    found = shelter(capsys, tmp_path, places=f"{MANY}:Red Line Boundary", **ground)
    assert found.exit_code == 0, found.error


# name: (layer, code, what the answer says)
LAYERS = {
    "no layer named": ("", "layer-ambiguous", ["Red Line Boundary", "Hedgerows"]),
    "a layer that is not there": (":Hedges", "layer-missing", ["Hedgerows"]),
    "an empty layer": (":Rivers", "layer-empty", ["Rivers"]),
    "a table without places": (":layer_styles", "layer-empty", ["layer_styles"]),
    "hedges without heights": (":Hedgerows", "belts-no-height", ["16 of 16", "--field"]),
    "trees as points": (":Urban Trees", "belts-points", ["are points"]),
}


@pytest.mark.parametrize("name", LAYERS)
def test_layers_of_one_file(name, inputs, tmp_path, capsys):
    layer, code, says = LAYERS[name]
    hedges = gpd.read_file(MANY, layer="Hedgerows")
    ground = ground_round(hedges, "EPSG:27700", inputs)
    found = shelter(capsys, tmp_path, **ground | {"belts": f"{MANY}{layer}"})
    hold_to_refusal(found, code, *says)


def test_parcels_elsewhere_are_refused_with_both_extents(inputs, tmp_path, capsys):
    path = REAL_DATA / "field_parcels" / "nl_parcels_landscape_elements_28992.gpkg"
    found = shelter(capsys, tmp_path, dem=plain_dem(inputs), places=path)
    hold_to_refusal(found, "layer-outside", "560000")


# --- winds ------------------------------------------------------------------------------------

WINDS = {
    "wind_ireland_2017/hourly_wind_25stations.csv.gz": "file-unreadable",
    "wind_ireland_2017/stations.csv": "column-missing",
    "wind_nyc_2013/weather.csv.gz": "file-unreadable",
    "askervein/masts_lines_a_aa.csv": "column-missing",
}


@pytest.mark.parametrize("file", WINDS)
def test_records_other_than_wind_sets_are_refused(file, inputs, tmp_path, capsys):
    found = exposure(capsys, tmp_path, plain_dem(inputs), winds=REAL_DATA / file)
    hold_to_refusal(found, WINDS[file], "direction_deg" if file.endswith(".csv") else "CSV")


def test_every_real_file_is_tested():
    there = {p.relative_to(REAL_DATA).as_posix() for p in REAL_DATA.rglob("*") if p.is_file()}
    tested = set(TERRAIN) | set(WINDS) | {file for file, _, _ in REFUSED.values()}
    tested |= {f"field_parcels/{file}" for file in PLACES}
    tested |= {f"bretagne_lidar_2m5/{name}.tif" for name in ("dsm", "chm_veg")}
    # Codes of land cover, used by other tests.
    assert there - tested == {"README.md", "ebergotzen_25m/clc2006_100m.tif"}
