"""Layers of features: refusals, repairs with their counts, and written files."""

from __future__ import annotations

import json
import math
import sqlite3
import zipfile

import fiona
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from file_helpers import CRS, GRID, notices_by_code, write_features
from geopandas.testing import assert_geodataframe_equal
from shapely import LineString, Polygon, box

from shelterscape.errors import InputError, WriteError
from shelterscape.files import guards
from shelterscape.files.geopackages import describe_columns, verify_layers, write_layer
from shelterscape.files.local import split_layer
from shelterscape.files.vectors import read_layer
from shelterscape.grid import Grid
from shelterscape.terms import TERMS

INSIDE = LineString([(560_100, 5_709_100), (560_400, 5_709_300)])
ON_GRID = [INSIDE, LineString([(560_500, 5_709_500), (560_900, 5_709_900)])]


def refused(code, source, **options) -> InputError:
    with pytest.raises(InputError) as caught:
        read_layer(str(source), GRID, "belt layer", **options)
    assert caught.value.code == code
    return caught.value


def read(source, grid=GRID, **options):
    frame, notices = read_layer(str(source), grid, "belt layer", **options)
    return frame, notices_by_code(notices)


# --- naming a layer ---------------------------------------------------------------------------


def test_the_last_colon_separates_path_and_layer(tmp_path):
    assert split_layer("a.gpkg") == ("a.gpkg", "")
    assert split_layer("a.gpkg:hedges") == ("a.gpkg", "hedges")
    assert split_layer("a:b.gpkg:hedges old") == ("a:b.gpkg", "hedges old")
    assert split_layer("C:\\data\\a.gpkg") == ("C:\\data\\a.gpkg", "")
    odd = tmp_path / "farm:2024"
    odd.write_text("a file with a colon in its name")
    assert split_layer(str(odd)) == (str(odd), "")


def test_a_file_with_a_colon_in_its_name(tmp_path):
    path = write_features(tmp_path / "farm:one.gpkg", ON_GRID, layer="old hedges", height_m=[4, 5])
    assert len(read(path)[0]) == 2
    frame, notices = read(f"{path}:old hedges")
    assert frame["height_m"].tolist() == [4, 5] and notices == {}


def test_several_layers_must_be_named(tmp_path):
    path = write_features(tmp_path / "a.gpkg", ON_GRID, layer="hedges")
    write_features(path, [box(560_000, 5_709_000, 560_100, 5_709_100)], layer="fields new")
    error = refused("layer-ambiguous", path)
    assert "hedges" in error.hint and "fields new" in error.hint
    assert read(f"{path}:fields new")[0].geom_type.tolist() == ["Polygon"]


def test_a_missing_layer_is_refused(tmp_path):
    path = write_features(tmp_path / "a.gpkg", ON_GRID, layer="hedges")
    error = refused("layer-missing", f"{path}:hedge")
    assert error.value == "hedge" and "hedges" in error.hint


def test_an_empty_layer_is_refused(tmp_path):
    path = tmp_path / "a.gpkg"
    write_features(path, [], layer="nothing", n=[])
    assert "a.gpkg:nothing" in refused("layer-empty", path).where


def test_a_table_without_geometry_is_refused(tmp_path):
    path = write_features(tmp_path / "a.gpkg", ON_GRID, layer="hedges")
    with sqlite3.connect(path) as db:
        db.executescript(
            "CREATE TABLE costs (fid INTEGER PRIMARY KEY, cost REAL);"
            "INSERT INTO costs VALUES (1, 2.5);"
            "INSERT INTO gpkg_contents (table_name, data_type, identifier)"
            " VALUES ('costs', 'attributes', 'costs');"
        )
    db.close()
    refused("layer-empty", f"{path}:costs")


def test_a_layer_of_features_without_geometry_is_refused(tmp_path):
    refused("layer-empty", write_features(tmp_path / "a.gpkg", [None, None], n=[1, 2]))


# GDAL warns of a database that is not a GeoPackage from code that cannot raise exceptions.
@pytest.mark.filterwarnings("ignore:GPKG. bad application_id:RuntimeWarning")
@pytest.mark.parametrize("content", [b"words", b"", b"SQLite format 3\0" + bytes(90)])
def test_a_file_that_has_no_layers_is_refused(tmp_path, content):
    (tmp_path / "a.gpkg").write_bytes(content)
    refused("file-unreadable", tmp_path / "a.gpkg")


def test_a_missing_file_is_reported_with_the_most_similar_name(tmp_path):
    write_features(tmp_path / "hedges.gpkg", ON_GRID)
    assert "hedges.gpkg" in refused("file-missing", tmp_path / "hedge.gpkg").hint
    assert "hedges.gpkg" in refused("file-missing", f"{tmp_path / 'hedge.gpkg'}:things").hint


@pytest.mark.parametrize(
    "path", ["/vsicurl/http://example.org/a.gpkg", "https://example.org/a.gpkg:hedges"]
)
def test_paths_that_are_not_local_files_are_refused(path):
    refused("not-local", path)


# --- coordinate systems -----------------------------------------------------------------------


def test_a_shapefile_without_prj_is_refused(tmp_path):
    path = write_features(tmp_path / "a.shp", ON_GRID, driver="ESRI Shapefile", n=[1, 2])
    assert len(read(path)[0]) == 2
    path.with_suffix(".prj").unlink()
    assert "coordinate system" in refused("crs-missing", path).hint


def utm_32(lon, lat):
    """UTM zone 32 north on GRS80 by Krüger's series to the third order.

    Independent of `pyproj`: separate code for the formulas of Krüger 1912 as restated by
    Karney 2011, J. Geodesy 85:475-485, eqs 6-11 and 35 (not verified); third order is good to
    0.01 mm within 3 degrees.
    """
    a, f = 6_378_137.0, 1 / 298.257222101
    n = f / (2 - f)
    radius = a / (1 + n) * (1 + n**2 / 4 + n**4 / 64)
    alpha = (
        n / 2 - 2 / 3 * n**2 + 5 / 16 * n**3,
        13 / 48 * n**2 - 3 / 5 * n**3,
        61 / 240 * n**3,
    )
    phi, lam = np.radians(lat), np.radians(np.asarray(lon) - 9.0)
    e = math.sqrt(f * (2 - f))
    t = np.sinh(np.arctanh(np.sin(phi)) - e * np.arctanh(e * np.sin(phi)))
    xi, eta = np.arctan2(t, np.cos(lam)), np.arctanh(np.sin(lam) / np.sqrt(1 + t**2))
    x, y = eta.copy(), xi.copy()
    for j, factor in enumerate(alpha, start=1):
        x += factor * np.cos(2 * j * xi) * np.sinh(2 * j * eta)
        y += factor * np.sin(2 * j * xi) * np.cosh(2 * j * eta)
    return 500_000 + 0.9996 * radius * x, 0.9996 * radius * y


def test_another_coordinate_system_is_converted_correctly(tmp_path):
    # Longitude first, as in GeoPackage and GeoJSON (a swap would give a point in Africa).
    lonlat = [(9.8651, 51.5299), (9.8712, 51.5353), (9.8779, 51.5311)]
    path = write_features(tmp_path / "a.gpkg", [LineString(lonlat)], crs="EPSG:4258")
    frame, notices = read(path)
    assert notices == {"layer-reprojected": 1}
    assert frame.crs == GRID.crs
    expected = np.column_stack(utm_32(*np.array(lonlat).T))
    assert np.abs(shapely.get_coordinates(frame.geometry) - expected).max() < 0.002


def test_the_same_system_in_another_form_is_not_converted(tmp_path):
    # The system of a raster is text, that of the layer a code. Both are the same.
    for code in ("EPSG:25832", "EPSG:31467", "EPSG:27700", "EPSG:2154", "EPSG:28992"):
        path = write_features(tmp_path / f"{code[5:]}.gpkg", ON_GRID, crs=code)
        from_raster = Grid(GRID.shape, GRID.affine, pyproj_of_raster(code))
        _, notices = read(path, from_raster)
        assert notices == {}, code


def pyproj_of_raster(code):
    """A coordinate system as read from a GeoTIFF."""
    import rasterio

    profile = {"driver": "GTiff", "height": 2, "width": 2, "count": 1, "dtype": "uint8"}
    with rasterio.MemoryFile() as memory:
        with memory.open(crs=code, transform=GRID.affine, **profile):
            pass
        with memory.open() as data:
            return data.crs.to_wkt()


def test_points_outside_a_projection_are_off_the_map(tmp_path):
    places = [box(9.868, 51.530, 9.872, 51.534), box(100, 95, 120, 99)]
    path = tmp_path / "a.geojson"
    features = [
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(p)}
        for p in places
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    frame, notices = read(path)
    assert len(frame) == 1
    assert notices == {"layer-reprojected": 1, "features-outside": 1}


# --- geometry ---------------------------------------------------------------------------------


def test_a_crossed_outline_is_repaired_and_counted(tmp_path):
    bow = Polygon(
        [(560_100, 5_709_100), (560_200, 5_709_200), (560_200, 5_709_100), (560_100, 5_709_200)]
    )
    sound = box(560_300, 5_709_300, 560_400, 5_709_400)
    assert not bow.is_valid
    frame, notices = read(write_features(tmp_path / "a.gpkg", [bow, sound], n=[1, 2]))
    assert notices == {"features-repaired": 1}
    assert frame.geometry.is_valid.all()
    assert frame.geometry.area.tolist() == pytest.approx([5_000, 10_000])
    assert frame["n"].tolist() == [1, 2]


def test_an_area_with_a_spike_remains_an_area(tmp_path):
    x, y = 560_100, 5_709_100
    ring = [(0, 0), (100, 0), (100, 100), (150, 100), (100, 100), (0, 100)]
    spiked = Polygon([(x + dx, y + dy) for dx, dy in ring])
    frame, notices = read(write_features(tmp_path / "a.gpkg", [spiked]))
    assert notices == {"features-repaired": 1}
    # As a collection it would have no outline, and its belt would be lost without a notice.
    assert frame.geom_type[0] in ("Polygon", "MultiPolygon")
    assert frame.geometry.area[0] == pytest.approx(10_000)


def test_heights_of_vertices_are_dropped(tmp_path):
    line = LineString([(560_100, 5_709_100, 12), (560_400, 5_709_300, 15)])
    frame, notices = read(write_features(tmp_path / "a.gpkg", [line]))
    assert not frame.has_z.any() and notices == {}
    assert frame.geometry[0].equals(INSIDE)


def test_features_without_geometry_are_counted(tmp_path):
    path = write_features(tmp_path / "a.gpkg", [None, INSIDE, LineString(), None], n=[1, 2, 3, 4])
    frame, notices = read(path)
    assert notices == {"features-empty": 3}
    assert frame["n"].tolist() == [2]


def test_features_off_the_map_are_counted(tmp_path):
    far = LineString([(570_000, 5_709_000), (570_100, 5_709_000)])
    across = LineString([(559_900, 5_709_500), (560_100, 5_709_500)])
    path = write_features(tmp_path / "a.gpkg", [far, INSIDE, across, far, far], n=[1, 2, 3, 4, 5])
    frame, notices = read(path)
    assert notices == {"features-outside": 3}
    # Numbered as in the file, so that a later error names the correct feature.
    assert frame["n"].tolist() == [2, 3] and frame.index.tolist() == [1, 2]


def test_all_off_the_map_is_refused_with_both_extents(tmp_path):
    far = LineString([(570_000, 5_719_000), (570_100, 5_719_200)])
    error = refused("layer-outside", write_features(tmp_path / "a.gpkg", [far]))
    for number in ("570000", "570100", "5719000", "5719200", "560000", "561000", "5710000"):
        assert number in error.value


# --- columns ----------------------------------------------------------------------------------


def test_columns_are_read_under_another_name(tmp_path):
    path = write_features(tmp_path / "a.gpkg", ON_GRID, HGT=[4.0, 5.0], height_m=[400, 500])
    frame, _ = read(path, columns={"height_m": "HGT"})
    assert frame["height_m"].tolist() == [4.0, 5.0]
    assert "HGT" not in frame


def test_two_columns_can_swap_names(tmp_path):
    path = write_features(tmp_path / "a.gpkg", ON_GRID, porosity=[0.1, 0.2], bare=[0.5, 0.6])
    frame, _ = read(path, columns={"porosity": "bare", "bare_porosity": "porosity"})
    assert frame["porosity"].tolist() == [0.5, 0.6]
    assert frame["bare_porosity"].tolist() == [0.1, 0.2]


def test_a_missing_mapped_column_is_refused(tmp_path):
    path = write_features(tmp_path / "a.gpkg", ON_GRID, HGT=[4.0, 5.0])
    error = refused("column-missing", path, columns={"height_m": "HEIGHT"})
    assert error.value == "HEIGHT" and "HGT" in error.hint


# --- safety -----------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "geojson", "gml", "fgb"])
def test_reading_does_not_change_the_folder(tmp_path, suffix):
    drivers = {"gpkg": "GPKG", "shp": "ESRI Shapefile", "geojson": "GeoJSON", "gml": "GML"}
    path = tmp_path / f"a.{suffix}"
    frame = gpd.GeoDataFrame({"n": [1, 2]}, geometry=ON_GRID, crs=CRS)
    frame.to_file(path, driver=drivers.get(suffix, "FlatGeobuf"))
    path.with_suffix(".xsd").unlink(missing_ok=True)
    before = [(p.name, p.stat().st_mtime_ns, p.stat().st_size) for p in sorted(tmp_path.iterdir())]
    assert len(read(path)[0]) == 2
    after = [(p.name, p.stat().st_mtime_ns, p.stat().st_size) for p in sorted(tmp_path.iterdir())]
    assert after == before


POINTERS = {
    "a.vrt": "<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>/etc/a.csv</SrcDataSource>"
    "</OGRVRTLayer></OGRVRTDataSource>",
    "a.gml": "<OGRWFSDataSource><URL>http://example.org</URL></OGRWFSDataSource>",
    "a.gdalg.json": '{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline"}',
}


@pytest.mark.parametrize("name", POINTERS)
@pytest.mark.parametrize("packed", [False, True])
def test_files_that_refer_elsewhere_are_refused(tmp_path, name, packed):
    path = tmp_path / name
    path.write_text(POINTERS[name])
    if packed:
        with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
            archive.write(path, name)
        path = tmp_path / "a.zip"
    refused("not-local", path)


def zipped_shapefile(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    write_features(folder / "trees.shp", ON_GRID, driver="ESRI Shapefile", n=[1, 2])
    with zipfile.ZipFile(tmp_path / "trees.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for part in folder.iterdir():
            archive.write(part, part.name)
    return tmp_path / "trees.zip"


def test_a_zipped_shapefile_is_read(tmp_path):
    path = zipped_shapefile(tmp_path)
    frame, notices = read(path)
    assert frame["n"].tolist() == [1, 2] and notices == {}
    assert len(read(f"{path}:trees")[0]) == 2


def test_archives_out_of_bounds_are_refused(tmp_path, monkeypatch):
    for name, content in [("../trees.csv", "x"), ("/trees.csv", "x"), ("big.csv", "0" * 3_000_000)]:
        with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(name, content)
        refused("file-unreadable", tmp_path / "a.zip")
    (tmp_path / "a.zip").write_bytes(b"PK no archive")
    refused("file-unreadable", tmp_path / "a.zip")
    monkeypatch.setattr(guards, "MOST_UNPACKED_BYTES", 100)
    refused("file-unreadable", zipped_shapefile(tmp_path))


# --- writing ----------------------------------------------------------------------------------

COLUMNS = {"name": "name", "height_m": "height_m", "planted_year": "planted_year"}


def belts():
    columns = {"name": ["Hof", "=1"], "height_m": [4.5, 9.0], "planted_year": [1990, 2001]}
    return gpd.GeoDataFrame(columns, geometry=ON_GRID, crs=CRS)


def fields():
    shapes = [box(560_000, 5_709_000, 560_100, 5_709_100)]
    return gpd.GeoDataFrame({"name": ["Feld"]}, geometry=shapes, crs=CRS)


@pytest.fixture
def written(tmp_path):
    path = tmp_path / "layers.gpkg"
    write_layer(path, "belts", belts(), "line", "Belts as understood.")
    write_layer(path, "fields", fields(), "polygon", "Fields.")
    write_layer(path, "nothing", fields().iloc[:0], "polygon", "No zone here.")
    describe_columns(
        path, {"belts": COLUMNS, "fields": {"name": "name"}, "nothing": {"name": "name"}}
    )
    return path


def rows(path, sql):
    db = sqlite3.connect(path)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def test_another_library_reads_the_same_features(written):
    with fiona.open(written, layer="belts") as layer:
        assert layer.crs.to_epsg() == 25832
        assert layer.schema["geometry"] == "MultiLineString"
        found = list(layer)
    assert [f.properties["name"] for f in found] == ["Hof", "=1"]
    assert [f.properties["height_m"] for f in found] == [4.5, 9.0]
    for feature, line in zip(found, ON_GRID, strict=True):
        assert shapely.geometry.shape(feature.geometry).geoms[0].equals(line)


def test_layers_and_kinds(written):
    kinds = dict(pyogrio.list_layers(written))
    assert kinds == {
        "belts": "MultiLineString",
        "fields": "MultiPolygon",
        "nothing": "MultiPolygon",
    }
    assert pyogrio.read_info(written, layer="nothing")["features"] == 0
    again = pyogrio.read_dataframe(written, layer="fields")
    assert again.geometry.area.tolist() == [10_000] and again["name"].tolist() == ["Feld"]


def test_the_file_conforms_to_the_standard(written):
    # OGC 12-128r17 (GeoPackage 1.3), requirements 2, 13 and 21 and annex F.9 (not verified).
    assert rows(written, "PRAGMA application_id") == [(0x47504B47,)]
    assert rows(written, "PRAGMA user_version") == [(10300,)]
    assert rows(written, "PRAGMA quick_check") == [("ok",)]
    assert rows(written, "PRAGMA foreign_key_check") == []
    reported = dict(rows(written, "SELECT table_name, description FROM gpkg_contents"))
    assert reported == {
        "belts": "Belts as understood.",
        "fields": "Fields.",
        "nothing": "No zone here.",
    }
    kinds = rows(written, "SELECT DISTINCT column_name, z, m FROM gpkg_geometry_columns")
    assert kinds == [("geom", 0, 0)]


def test_every_column_has_its_term(written):
    found = rows(
        written, "SELECT table_name, column_name, title, description FROM gpkg_data_columns"
    )
    expected = [("belts", c, TERMS[t].label, TERMS[t].meaning) for c, t in COLUMNS.items()]
    expected += [(n, "name", "name", TERMS["name"].meaning) for n in ("fields", "nothing")]
    assert sorted(found) == sorted(expected)


def test_describing_twice_has_no_further_effect(written):
    before = rows(written, "SELECT * FROM gpkg_extensions ORDER BY 1, 2, 3")
    described = [row for row in before if row[2] == "gpkg_schema"]
    assert len(described) == 1
    describe_columns(written, {"belts": COLUMNS})
    assert rows(written, "SELECT * FROM gpkg_extensions ORDER BY 1, 2, 3") == before
    assert len(rows(written, "SELECT * FROM gpkg_data_columns")) == 5


def test_same_layers_give_the_same_bytes(tmp_path):
    raws = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        path = tmp_path / name / "layers.gpkg"
        write_layer(path, "belts", belts(), "line", "Belts.")
        write_layer(path, "fields", fields(), "polygon", "Fields.")
        describe_columns(path, {"belts": COLUMNS, "fields": {"name": "name"}})
        raws.append(path.read_bytes())
        assert [p.name for p in path.parent.iterdir()] == ["layers.gpkg"]
    assert raws[0] == raws[1]


def test_a_valid_file_is_accepted(written):
    """Fails if `verify_layers` raises, as it does in the tests below."""
    verify_layers(written, {"belts": 2, "fields": 1, "nothing": 0})


@pytest.mark.parametrize(
    "counts", [{"belts": 3}, {"belts": 2, "fields": 0}, {"belts": 2, "hedges": 1}]
)
def test_other_counts_are_detected(written, counts):
    with pytest.raises(WriteError) as caught:
        verify_layers(written, counts)
    assert caught.value.code == "output-unwritable"


@pytest.mark.parametrize("damage", ["halved", "page lost", "gone", "garbage", "empty"])
def test_a_damaged_file_is_detected(written, damage):
    raw = written.read_bytes()
    match damage:
        case "halved":
            written.write_bytes(raw[: len(raw) // 2])
        case "page lost":
            written.write_bytes(raw[:-4096])
        case "gone":
            written.unlink()
        case "garbage":
            written.write_bytes(b"no database")
        case "empty":
            written.write_bytes(b"")
    with pytest.raises(WriteError) as caught:
        verify_layers(written, {"belts": 2, "fields": 1, "nothing": 0})
    assert caught.value.code == "output-unwritable"
    # Reading must not create a missing file.
    assert written.exists() == (damage != "gone")


def test_a_lost_row_is_detected(written):
    with sqlite3.connect(written) as db:
        # The stored count that some readers use is not changed.
        for (trigger,) in db.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'belts'"
        ).fetchall():
            db.execute(f'DROP TRIGGER "{trigger}"')
        db.execute("DELETE FROM belts WHERE fid = 1")
    db.close()
    with pytest.raises(WriteError):
        verify_layers(written, {"belts": 2})


# --- large layers -----------------------------------------------------------------------------


def scattered(count=400, seed=4):
    """Short lines on the grid and far around it, some invalid, with columns of every type."""
    rng = np.random.default_rng(seed)
    start = rng.uniform((558_000, 5_707_000), (563_000, 5_712_000), (count, 2))
    lines = shapely.linestrings(np.stack([start, start + rng.uniform(-90, 90, (count, 2))], 1))
    columns = {
        "name": [f"hedge {i}" if i % 7 else None for i in range(count)],
        "height_m": rng.uniform(1, 20, count).round(1),
        "planted": rng.integers(1900, 2020, count),
    }
    return gpd.GeoDataFrame(columns, geometry=lines, crs=CRS)


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326"])
@pytest.mark.parametrize(
    ("name", "driver"),
    [("a.gpkg", "GPKG"), ("a.fgb", "FlatGeobuf"), ("a.shp", "ESRI Shapefile")],
)
def test_a_large_layer_has_the_same_features_as_when_read_whole(
    tmp_path, monkeypatch, name, driver, crs
):
    scattered().to_crs(crs).to_file(tmp_path / name, driver=driver)
    whole, notices = read(tmp_path / name)
    monkeypatch.setattr("shelterscape.files.vectors.LARGE_FEATURES", 100)
    reads = []
    bulk = pyogrio.read_dataframe
    monkeypatch.setattr(pyogrio, "read_dataframe", lambda *a, **k: reads.append(k) or bulk(*a, **k))
    near, found = read(tmp_path / name)
    assert [bool(k["bbox"]) for k in reads] == [True]  # features elsewhere were not read
    assert found == notices and 0 < notices["features-outside"] < 400
    assert len(near) > 10
    assert_geodataframe_equal(near, whole, check_index_type=False)


def test_features_of_a_large_layer_keep_their_numbers(tmp_path, monkeypatch):
    monkeypatch.setattr("shelterscape.files.vectors.LARGE_FEATURES", 100)
    scattered().to_file(tmp_path / "a.gpkg", driver="GPKG")
    frame, _ = read(tmp_path / "a.gpkg")
    # Compared with another library and another GDAL, feature by feature.
    with fiona.open(tmp_path / "a.gpkg") as layer:
        names = [feature.properties["name"] for feature in layer]
    assert [names[i] for i in frame.index] == frame["name"].replace({np.nan: None}).tolist()


def test_a_large_layer_off_the_map_is_refused(tmp_path, monkeypatch):
    scattered().translate(1e5, 0).to_frame("geometry").to_file(tmp_path / "a.gpkg")
    small = refused("layer-outside", tmp_path / "a.gpkg")
    monkeypatch.setattr("shelterscape.files.vectors.LARGE_FEATURES", 100)
    assert str(refused("layer-outside", tmp_path / "a.gpkg")) == str(small)
