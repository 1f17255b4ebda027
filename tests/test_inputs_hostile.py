"""Hostile files: refused at once, in little memory, or made harmless.

Seconds are processor seconds, because tests share their machine; memory is the rise of the peak
memory of the process during the call.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sqlite3
import struct
import threading
import time
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from file_helpers import GRID, write_dem, write_features
from input_helpers import (
    HEDGE,
    exposure,
    ground,
    hold_to_refusal,
    plain_belts,
    plain_dem,
    shelter,
)
from run_helpers import call

MOST_SECONDS, MOST_BYTES = 1.0, 200_000_000
WKT_OF_HEDGE = HEDGE.wkt


@pytest.fixture(scope="module", autouse=True)
def warm(tmp_path_factory):
    """Load and compile everything, so that only the call is measured."""
    folder = tmp_path_factory.mktemp("warm")
    words = ["--dem", plain_dem(folder), "--winds", "240", "--season", "in-leaf"]
    assert call(["shelter", *words, "--belts", plain_belts(folder), "--out", folder / "out"]) == 0


@pytest.fixture
def inputs(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    return folder


@pytest.fixture
def door():
    """An address on this machine that records connections."""
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        knocks = []

        def wait():
            with contextlib.suppress(OSError):
                while True:
                    caller, _ = server.accept()
                    knocks.append(caller)
                    caller.close()

        threading.Thread(target=wait, daemon=True).start()
        yield f"http://127.0.0.1:{server.getsockname()[1]}/x", knocks
        server.shutdown(socket.SHUT_RDWR)


def status(key):
    """A memory value of this process, bytes."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(key):
            return int(line.split()[1]) * 1024
    raise KeyError(key)


def frugally(call_it):
    """Result of a call, within the bounds on time and memory."""
    watched = Path("/proc/self/clear_refs")
    if watched.exists():
        watched.write_text("5")  # forget the peak so far
        before = status("VmRSS")
    started = time.process_time()
    found = call_it()
    assert time.process_time() - started < MOST_SECONDS
    if watched.exists():
        assert status("VmHWM") - before < MOST_BYTES
    return found


# --- terrain models ---------------------------------------------------------------------------


def vrt(folder, source="dem.tif", *, relative=1, band="", extra="", size=(50, 40), name="a.vrt"):
    """A virtual raster over a source."""
    plain_dem(folder)
    (folder / name).write_text(
        f'<VRTDataset rasterXSize="{size[0]}" rasterYSize="{size[1]}"><SRS>EPSG:25832</SRS>'
        f"<GeoTransform>560000,10,0,5710000,0,-10</GeoTransform>{extra}"
        f'<VRTRasterBand dataType="Float32" band="1"{band}><SimpleSource>'
        f'<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename>'
        "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    return folder / name


def outside(folder):
    """A valid terrain model in another folder."""
    (folder / "other").mkdir()
    return plain_dem(folder / "other")


def linked_source(folder):
    (folder / "link.tif").symlink_to(outside(folder))
    return vrt(folder, "link.tif")


def laughing(folder):
    """A few lines that expand to a thousand million words."""
    entities = "".join(f'<!ENTITY a{i} "{f"&a{i - 1};" * 10 if i else "ha"}">' for i in range(10))
    (folder / "a.vrt").write_text(
        f"<!DOCTYPE VRTDataset [{entities}]><VRTDataset><SRS>&a9;</SRS></VRTDataset>"
    )
    return folder / "a.vrt"


def long_vrt(folder):
    path = vrt(folder)
    path.write_text(path.read_text() + "<!--" + " " * 6_000_000 + "-->")
    return path


def tiff_header(folder, width, height, bands=1):
    """A GeoTIFF with a huge header: all cells are in one small strip."""
    path = write_dem(folder / "dem.tif", ground(), nodata=-9999.0)
    raw = bytearray(path.read_bytes())
    (first,) = struct.unpack_from("<I", raw, 4)
    (count,) = struct.unpack_from("<H", raw, first)
    for at in range(first + 2, first + 2 + 12 * count, 12):
        (tag,) = struct.unpack_from("<H", raw, at)
        for wanted, value in ((256, width), (257, height), (277, bands), (278, height)):
            if tag == wanted:
                struct.pack_into("<HHII", raw, at, tag, 4, 1, value)
    path.write_bytes(raw)
    return path


def sparse_tiff(folder, side):
    """A GeoTIFF of many cells, none of which is written."""
    import rasterio

    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:25832"}
    profile |= {"transform": GRID.affine, "tiled": True, "sparse_ok": True, "bigtiff": "yes"}
    with rasterio.open(folder / "dem.tif", "w", width=side, height=side, **profile):
        pass
    return folder / "dem.tif"


def hfa_raster(folder):
    """A valid raster in a format (HFA) that can keep cells in any other file."""
    import rasterio

    profile = {"driver": "HFA", "count": 1, "dtype": "float32", "crs": "EPSG:25832"}
    profile |= {"transform": GRID.affine, "height": ground().shape[0], "width": ground().shape[1]}
    with rasterio.open(folder / "dem.img", "w", **profile) as data:
        data.write(ground().astype("float32"), 1)
    return folder / "dem.img"


def text_grid(folder, cols, rows):
    head = f"ncols {cols}\nnrows {rows}\nxllcorner 0\nyllcorner 0\ncellsize 10\n1 2 3\n"
    (folder / "dem.asc").write_text(head)
    return folder / "dem.asc"


def pipe(folder):
    os.mkfifo(folder / "dem.tif")
    return folder / "dem.tif"


def link(folder, target):
    (folder / "dem.tif").symlink_to(target)
    return folder / "dem.tif"


def written(folder, name, raw):
    (folder / name).write_bytes(raw)
    return folder / name


# name: (how the terrain model is made in a folder, code)
TERRAIN = {
    "a virtual raster of another folder": (
        lambda f: vrt(f, f"../{outside(f.parent / 'in').parent.name}/dem.tif"), "not-local",
    ),
    "a virtual raster by a whole path": (lambda f: vrt(f, outside(f), relative=0), "not-local"),
    "a virtual raster of a whole path called relative": (
        lambda f: vrt(f, outside(f)), "not-local",
    ),
    "a virtual raster of a link that leads out": (linked_source, "not-local"),
    "a virtual raster of the password file": (
        lambda f: vrt(f, "/etc/passwd", relative=0, band=' subClass="VRTRawRasterBand"'),
        "not-local",
    ),
    "a virtual raster of a virtual path": (
        lambda f: vrt(f, "/vsicurl/http://127.0.0.1:1/a.tif", relative=0), "not-local",
    ),
    "a virtual raster of an address": (lambda f: vrt(f, "http://127.0.0.1:1/a.tif"), "not-local"),
    "a virtual raster of another": (lambda f: vrt(f, vrt(f).name, name="b.vrt"), "not-local"),
    "a virtual raster of itself": (lambda f: vrt(f, "a.vrt"), "not-local"),
    "a virtual raster that runs a program": (
        lambda f: vrt(f, band=' subClass="VRTDerivedRasterBand"', extra=(
            "<PixelFunctionLanguage>Python</PixelFunctionLanguage>")), "not-local",
    ),
    "a virtual raster that warps": (
        lambda f: vrt(f, extra="<GDALWarpOptions><SourceDataset>/etc/passwd</SourceDataset>"
                               "</GDALWarpOptions>"), "not-local",
    ),
    "a virtual raster placed by another file": (
        lambda f: vrt(f, extra='<Metadata domain="GEOLOCATION"><MDI key="X_DATASET">/etc/passwd'
                               "</MDI></Metadata>"), "not-local",
    ),
    "a virtual raster under another name": (
        lambda f: vrt(f, outside(f), relative=0, name="b.tif"), "not-local",
    ),
    "a virtual raster that laughs": (laughing, "not-local"),
    "a virtual raster of megabytes": (long_vrt, "not-local"),
    "a virtual raster of a million million cells": (
        lambda f: vrt(f, size=(10**6, 10**6)), "file-unreadable",
    ),
    "a header of a thousand million cells": (
        lambda f: tiff_header(f, 40_000, 40_000), "file-unreadable",
    ),
    "a header beyond all bounds": (
        lambda f: tiff_header(f, 2**31 - 1, 2**31 - 1), "file-unreadable",
    ),
    "a header of sixty thousand bands": (
        lambda f: tiff_header(f, 50_000, 50_000, 60_000), "file-unreadable",
    ),
    "a hundred thousand cells square, none written": (
        lambda f: sparse_tiff(f, 100_000), "file-unreadable",
    ),
    "a text grid of a million million cells": (
        lambda f: text_grid(f, 10**6, 10**6), "file-unreadable",
    ),
    "a text grid of rows without end": (lambda f: text_grid(f, 1, 2**31 - 1), "file-unreadable"),
    "a picture": (
        lambda f: written(f, "dem.tif", b"\x89PNG\r\n\x1a\n" + bytes(100)), "file-unreadable",
    ),
    "a raster of a kind that can refer to others": (hfa_raster, "file-unreadable"),
    "an empty file": (lambda f: written(f, "dem.tif", b""), "file-unreadable"),
    "noise": (
        lambda f: written(f, "dem.tif", np.random.default_rng(5).bytes(5000)), "file-unreadable",
    ),
    "a pipe nobody fills": (pipe, "file-missing"),
    "a link to a device that never ends": (lambda f: link(f, "/dev/zero"), "file-missing"),
    "a link to itself": (lambda f: link(f, "dem.tif"), "file-missing"),
    "a link to nothing": (lambda f: link(f, "gone.tif"), "file-missing"),
    "a folder": (lambda f: f, "file-missing"),
}  # fmt: skip


@pytest.mark.parametrize("name", TERRAIN)
def test_a_hostile_terrain_model_is_refused(name, inputs, tmp_path, capsys):
    make, code = TERRAIN[name]
    dem = make(inputs)
    found = frugally(lambda: exposure(capsys, tmp_path, dem, crs="EPSG:25832"))
    hold_to_refusal(found, code)


@pytest.mark.parametrize(
    ("path", "code"),
    [
        ("http://127.0.0.1:1/dem.tif", "not-local"),
        ("ftp://127.0.0.1:1/dem.tif", "not-local"),
        ("s3://bucket/dem.tif", "not-local"),
        ("file:///etc/passwd", "not-local"),
        ("//server/share/dem.tif", "not-local"),
        (r"\\server\share\dem.tif", "not-local"),
        ("/vsicurl/http://127.0.0.1:1/dem.tif", "not-local"),
        ("/vsizip//tmp/a.zip/dem.tif", "not-local"),
        ("/vsistdin/", "not-local"),
        ("vrt://dem.tif?bands=1", "not-local"),
        ("NETCDF:dem.nc:z", "file-missing"),
        ("PG:host=127.0.0.1 dbname=x", "file-missing"),
        ("<VRTDataset></VRTDataset>", "file-missing"),
        ('{"type":"gdal_streamed_alg"}', "file-missing"),
        ("~nobody-of-that-name.tif", "file-missing"),
        ("x" * 300 + ".tif", "file-missing"),
        ("in/" * 3000 + "dem.tif", "file-missing"),
        ("CON", "file-missing"),
        ("dem\x1b[31m.tif", "file-unreadable"),
        ("dem\n.tif", "file-unreadable"),
        (os.fsdecode(b"\xff\xfe.tif"), "file-unreadable"),
    ],
)
def test_a_hostile_path_is_refused(path, code, inputs, tmp_path, capsys):
    for option in ("dem", "belts", "places", "winds"):
        found = frugally(lambda option=option: shelter(capsys, tmp_path, **{option: path}))
        hold_to_refusal(found, code)


def test_a_link_to_a_valid_terrain_model_is_followed(inputs, tmp_path, capsys):
    (tmp_path / "in" / "real").mkdir()
    dem = link(inputs, plain_dem(inputs / "real"))
    assert exposure(capsys, tmp_path, dem).exit_code == 0


def test_a_linked_virtual_raster_reads_files_in_the_folder_of_its_target(inputs, tmp_path, capsys):
    (inputs / "real").mkdir()
    (inputs / "b.vrt").symlink_to(vrt(inputs / "real"))
    found = exposure(capsys, tmp_path, inputs / "b.vrt")
    assert found.exit_code == 0, found.error
    record = json.loads((found.out / "record.json").read_text())
    assert set(record["steps"][0]["files_read"]["dem"]["sha256"]) == {"b.vrt", "dem.tif"}


def test_a_plain_virtual_raster_is_accepted_and_its_sources_are_recorded(inputs, tmp_path, capsys):
    found = exposure(capsys, tmp_path, vrt(inputs))
    assert found.exit_code == 0, found.error
    record = json.loads((found.out / "record.json").read_text())
    assert set(record["steps"][0]["files_read"]["dem"]["sha256"]) == {"a.vrt", "dem.tif"}


# --- layers: archives -------------------------------------------------------------------------


def shapes(folder):
    """Bytes of a shapefile by the name of each part."""
    (folder / "loose").mkdir()
    write_features(folder / "loose/h.shp", [HEDGE], driver="ESRI Shapefile", height_m=[6.0])
    return {p.name: p.read_bytes() for p in (folder / "loose").iterdir()}


def packed(folder, members, **options):
    with zipfile.ZipFile(folder / "belts.zip", "w", zipfile.ZIP_DEFLATED, **options) as archive:
        for name, raw in members.items():
            archive.writestr(name, raw)
    return folder / "belts.zip"


def damaged(folder):
    path = packed(folder, shapes(folder))
    raw = bytearray(path.read_bytes())
    raw[60:120] = bytes(60)
    path.write_bytes(raw)
    return path


def locked(folder):
    path = packed(folder, shapes(folder))
    raw = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\3\4", 6), (b"PK\1\2", 8)):
        at = -1
        while (at := raw.find(mark, at + 1)) >= 0:
            raw[at + offset] |= 1
    path.write_bytes(raw)
    return path


def overlapping(folder):
    """Many members that share the same packed bytes."""
    path = packed(folder, {"a.geojson": b"0" * 5_000_000})
    with zipfile.ZipFile(path) as archive:
        directory = archive.start_dir
    raw = path.read_bytes()
    entry = raw[directory : raw.rfind(b"PK\5\6")]
    end = bytearray(raw[raw.rfind(b"PK\5\6") :])
    struct.pack_into("<HHI", end, 8, 500, 500, 500 * len(entry))
    path.write_bytes(raw[:directory] + 500 * entry + end)
    return path


def crowded(folder):
    path = packed(folder, {"a.txt": b""})
    with zipfile.ZipFile(path) as archive:
        directory = archive.start_dir
    raw = path.read_bytes()
    entry = raw[directory : raw.rfind(b"PK\5\6")]
    end = bytearray(raw[raw.rfind(b"PK\5\6") :])
    struct.pack_into("<HHI", end, 8, 65_000, 65_000, 65_000 * len(entry))
    path.write_bytes(raw[:directory] + 65_000 * entry + end)
    return path


OGR_VRT = (
    b"<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>/etc/passwd</SrcDataSource>"
    b"</OGRVRTLayer></OGRVRTDataSource>"
)
ARCHIVES = {
    "a way out": lambda f: packed(f, {"../h.geojson": b"{}"}),
    "a way out by backslashes": lambda f: packed(f, {"..\\h.geojson": b"{}"}),
    "a whole path": lambda f: packed(f, {"/etc/h.geojson": b"{}"}),
    "a drive": lambda f: packed(f, {"C:/h.geojson": b"{}"}),
    "a bomb": lambda f: packed(f, {"h.geojson": b"0" * 30_000_000}),
    "a bomb within an archive": lambda f: packed(
        f, {"inner.zip": packed(f, {"h.geojson": b"0" * 30_000_000}).read_bytes()}
    ),
    "members that lie over each other": overlapping,
    "a crowd of members": crowded,
    "damage": damaged,
    "a lock": locked,
    "no data": lambda f: packed(f, {"readme.txt": b"hello"}),
    "two data sets": lambda f: packed(f, {"a.geojson": b"{}", "b.gml": b"<a/>"}),
    "a database": lambda f: packed(f, {"b.gpkg": plain_belts(f).read_bytes()}),
    "nothing": lambda f: packed(f, {}),
    "no archive": lambda f: written(f, "belts.zip", b"PK\3\4 no archive"),
}


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("name", ARCHIVES)
def test_an_archive_with(name, inputs, tmp_path, capsys):
    belts = ARCHIVES[name](inputs)
    found = frugally(lambda: shelter(capsys, tmp_path, belts=belts))
    hold_to_refusal(found, "file-unreadable")


@pytest.mark.parametrize("name", ["a.vrt", "a.gml", "notes.txt"])
def test_an_archive_with_a_pointer_elsewhere(name, inputs, tmp_path, capsys):
    belts = packed(inputs, {name: OGR_VRT})
    hold_to_refusal(frugally(lambda: shelter(capsys, tmp_path, belts=belts)), "not-local")


def test_a_valid_archive_is_accepted(inputs, tmp_path, capsys):
    belts = packed(inputs, shapes(inputs) | {"read me.txt": b"Hedges."})
    assert shelter(capsys, tmp_path, belts=belts).exit_code == 0


def test_an_archive_of_several_shapefiles_is_read_by_layer(inputs, tmp_path, capsys):
    one = shapes(inputs)
    belts = packed(inputs, one | {f"x{name}": raw for name, raw in one.items()})
    hold_to_refusal(shelter(capsys, tmp_path, belts=belts), "layer-ambiguous", "xh")
    assert shelter(capsys, tmp_path, belts=f"{belts}:xh").exit_code == 0


# --- layers: databases ------------------------------------------------------------------------

ENDLESS = "WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c)"
AS_LAYER = """
INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id)
  SELECT '{0}', 'features', '{0}', srs_id FROM gpkg_contents WHERE table_name = 'belts';
INSERT INTO gpkg_geometry_columns
  SELECT '{0}', 'geom', geometry_type_name, srs_id, 0, 0 FROM gpkg_geometry_columns;
"""
VIEW = (
    f"CREATE VIEW v AS {ENDLESS} SELECT n AS fid, (SELECT geom FROM belts) AS geom, 5 AS height_m "
    "FROM c;" + AS_LAYER.format("v")
)
MADE = (
    "CREATE TABLE m (fid INTEGER PRIMARY KEY, geom BLOB, height_m REAL, big AS "
    "(zeroblob(900000000)));INSERT INTO m (fid, geom, height_m) SELECT fid, geom, height_m "
    "FROM belts;" + AS_LAYER.format("m")
)


def database(folder, script):
    path = plain_belts(folder)
    with contextlib.closing(sqlite3.connect(path)) as db:
        # Triggers of its writer call functions that only its writer has.
        triggers = db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in triggers:
            db.execute(f'DROP TRIGGER "{name}"')
        db.executescript(script)
    return path


# name: (what is done to a sound GeoPackage, layer)
DATABASES = {
    "a view without end": (VIEW, "v"),
    "a column worked out to a thousand million bytes": (MADE, "m"),
    "contents that are a view without end": (
        "ALTER TABLE gpkg_contents RENAME TO hidden; "
        f"CREATE VIEW gpkg_contents AS {ENDLESS} SELECT hidden.* FROM hidden, c;", "belts",
    ),
    "a virtual table": (
        "CREATE VIRTUAL TABLE w USING rtree(fid, a, b); INSERT INTO w VALUES (1, 2, 3);", "w",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DATABASES)
def test_a_geopackage_with(name, inputs, tmp_path, capsys):
    script, layer = DATABASES[name]
    belts = f"{database(inputs, script)}:{layer}"
    found = frugally(lambda: shelter(capsys, tmp_path, belts=belts))
    hold_to_refusal(found, "file-unreadable")


def test_a_valid_layer_beside_an_endless_view_is_accepted(inputs, tmp_path, capsys):
    assert shelter(capsys, tmp_path, belts=f"{database(inputs, VIEW)}:belts").exit_code == 0


def test_a_trigger_is_never_run(inputs, tmp_path, capsys):
    script = "CREATE TABLE seen (n);" + "".join(
        f"CREATE TRIGGER t{what} AFTER {what} ON belts BEGIN INSERT INTO seen VALUES (1); END;"
        for what in ("INSERT", "UPDATE", "DELETE")
    )
    path = database(inputs, script)
    before = path.read_bytes()
    assert shelter(capsys, tmp_path, belts=f"{path}:belts").exit_code == 0
    assert path.read_bytes() == before


def test_reading_a_database_in_write_ahead_mode_creates_no_file(inputs, tmp_path, capsys):
    path = database(inputs, "PRAGMA journal_mode = WAL;")
    assert [p.name for p in inputs.iterdir()] == ["belts.gpkg"]
    plain_dem(inputs)
    changed = inputs.stat().st_mtime_ns
    found = shelter(capsys, tmp_path, belts=path, dem=inputs / "dem.tif")
    assert found.exit_code == 0, found.error
    # Creating and removing a file would change the time of the folder.
    assert inputs.stat().st_mtime_ns == changed


def test_a_database_in_use_is_refused_and_not_changed(inputs, tmp_path, capsys):
    path = plain_belts(inputs)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE more (n)")
        db.commit()
        found = shelter(capsys, tmp_path, belts=path)
        hold_to_refusal(found, "file-unreadable", "belts.gpkg-wal", "Close it")


BROKEN = {
    "noise": np.random.default_rng(6).bytes(100_000),
    "a database of noise": b"SQLite format 3\0" + np.random.default_rng(7).bytes(100_000),
    "brackets a hundred thousand deep": b'{"type":"FeatureCollection","features":' + b"[" * 100_000,
    "half a document": b'{"type":"FeatureCollection","features":[{"type":"Feature","geom',
    "no document": b"{}",
    "words": b"height,width\n1,2\n",
    "a web page": b"<html><body>gone</body></html>",
    "a trace that a program would be called for": b"$GPGGA,120000,5130,N,00930,E,1,08,1,5,M",
    "a workbook": b"PK\3\4" + bytes(100),
}


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("suffix", ["gpkg", "geojson", "gml", "shp", "xlsx"])
def test_a_layer_file_of(name, suffix, inputs, tmp_path, capsys):
    belts = written(inputs, f"belts.{suffix}", BROKEN[name])
    found = frugally(lambda: shelter(capsys, tmp_path, belts=belts))
    hold_to_refusal(found, "file-unreadable")


def test_outlines_of_random_bytes_are_refused(inputs, tmp_path, capsys):
    noise = (b"GP" + np.random.default_rng(8).bytes(60)).hex()
    path = database(inputs, f"UPDATE belts SET geom = X'{noise}';")
    found = frugally(lambda: shelter(capsys, tmp_path, belts=path))
    assert found.exit_code == 3 and found.error["code"] in ("file-unreadable", "layer-empty")


# --- addresses inside files -------------------------------------------------------------------


def geojson(crs):
    geometry = {"type": "LineString", "coordinates": [list(xy) for xy in HEDGE.coords]}
    feature = {"type": "Feature", "properties": {"height_m": 6}, "geometry": geometry}
    whole = {"type": "FeatureCollection", "features": [feature], "crs": crs}
    return json.dumps(whole)


def gml(address):
    return (
        f'<!DOCTYPE x SYSTEM "{address}" [<!ENTITY e SYSTEM "{address}">'
        '<!ENTITY p SYSTEM "file:///etc/passwd">]>'
        '<o:FeatureCollection xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="http://o.example/ {address}" xmlns:o="http://o.example/" '
        'xmlns:gml="http://www.opengis.net/gml" xmlns:xlink="http://www.w3.org/1999/xlink">'
        f'<gml:featureMember><o:a fid="1"><o:z xlink:href="{address}#z"/><o:name>&e;&p;</o:name>'
        f'<o:geom><gml:LineString srsName="{address}"><gml:coordinates>'
        f"{' '.join(f'{x},{y}' for x, y in HEDGE.coords)}</gml:coordinates></gml:LineString>"
        "</o:geom></o:a></gml:featureMember></o:FeatureCollection>"
    )


# name: (name of the file, its text with an address in it, code)
ADDRESSED = {
    "a system at an address": (
        "a.geojson", lambda a: geojson({"type": "link", "properties": {"href": a}}), "not-local",
    ),
    "a system at an address, of older times": (
        "a.json", lambda a: geojson({"type": "url", "properties": {"url": a}}), "not-local",
    ),
    "a system at an address, spelled by numbers": (
        "a.geojson",
        lambda a: geojson({"type": "link", "properties": {"href": a}}).replace(
            '"crs"', r'"\u0063rs"'
        ), "layer-outside",
    ),
    "addresses all over": ("a.gml", gml, "crs-missing"),
    "an address of a service": (
        "a.gml", lambda a: f"<OGRWFSDataSource><URL>{a}</URL></OGRWFSDataSource>", "not-local",
    ),
    "an address of a feature service": (
        "a.json", lambda a: json.dumps({"exceededTransferLimit": True, "next": a}), "not-local",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", ADDRESSED)
def test_no_connection_is_made_for(name, inputs, tmp_path, capsys, door):
    address, knocks = door
    file, text, code = ADDRESSED[name]
    (inputs / file).write_text(text(address))
    found = frugally(lambda: shelter(capsys, tmp_path, belts=inputs / file))
    hold_to_refusal(found, code)
    assert knocks == []


def test_no_connection_is_made_for_the_coordinate_system_of_a_virtual_raster(
    inputs, tmp_path, capsys, door
):
    address, knocks = door
    path = vrt(inputs)
    path.write_text(path.read_text().replace("EPSG:25832", address))
    hold_to_refusal(exposure(capsys, tmp_path, path), "crs-missing")
    assert knocks == []


def test_a_connection_is_detected(door):
    """If a reader connected, the tests above would fail."""
    address, knocks = door
    port = int(address.split(":")[2].partition("/")[0])
    with socket.create_connection(("127.0.0.1", port)):
        pass
    for _ in range(100):
        if knocks:
            return
        time.sleep(0.02)
    pytest.fail("nobody heard")


# --- tables of winds --------------------------------------------------------------------------

TABLES = {
    "twenty million bytes": b"direction_deg,frequency\n" + b"1,2\n" * 5_000_000,
    "one line of nine million columns": b"a," * 4_500_000,
    "a quote never closed": b'direction_deg,frequency\n210,"' + b"x" * 1_000_000,
    "nothing but zeros": bytes(100_000),
    "zeros among its words": b"direction_deg,frequency\n21\0,1\n",
}


@pytest.mark.parametrize("name", TABLES)
def test_a_table_of(name, inputs, tmp_path, capsys):
    winds = written(inputs, "winds.csv", TABLES[name])
    found = frugally(lambda: exposure(capsys, tmp_path, plain_dem(inputs), winds=winds))
    assert found.exit_code == 3
    assert found.error["code"] in ("file-unreadable", "column-missing", "winds-bad")


def test_a_table_with_the_name_of_an_archive_is_read_as_text(inputs, tmp_path, capsys):
    winds = written(inputs, "winds.csv.zip", b"direction_deg,frequency\n210,1\n")
    assert exposure(capsys, tmp_path, plain_dem(inputs), winds=winds).exit_code == 0


# --- names ------------------------------------------------------------------------------------

NAMES = {
    "markup": "<script>alert(1)</script> & <b>",
    "marks of a terminal": "[red]hedge[/red] [/] [link=x]",
    "an escape": "\x1b[2J\x1b[31mhedge\x07",
    "a formula of mathematics": r"$\frac{1}{$ and $\undefined$",
    "a formula of a spreadsheet": '=HYPERLINK("http://127.0.0.1:1";"x")',
    "a command of a spreadsheet": "@SUM(1+1)*cmd|' /C calc'!A0",
    "an end of a statement": 'x"; DROP TABLE gpkg_contents; --',
    "quotes": "O'Brien's \"long\" hedge",
    "a way out": "../../../../tmp/hedge",
    "a path": "/etc/passwd",
    "a reserved word": "CON",
    "another reserved word": "nul.txt",
    "an emoji": "🌳👨‍🌾 hedge",
    "another script": "سياج ‮egdeh",
    "three hundred characters": "hedge " * 50,
    "several lines": "long\nhedge\r\nby the mill",
    "blanks": "   ",
}


@pytest.fixture(scope="module")
def usual(warm, tmp_path_factory):
    """Every file of a run with ordinary names."""
    folder = tmp_path_factory.mktemp("usual")
    words = ["--dem", plain_dem(folder), "--winds", winds_named(folder, "winter")]
    words += ["--belts", plain_belts(folder), "--subset", "winter"]
    words += ["--places", fields_named(folder, "field"), "--out", folder / "out"]
    assert call(["shelter", *words]) == 0
    return names_of(folder / "out")


def names_of(out):
    return sorted(p.relative_to(out).as_posix() for p in out.rglob("*"))


def winds_named(folder, subset):
    frame = pd.DataFrame({"subset": [subset], "direction_deg": [240], "frequency": [1.0]})
    frame.to_csv(folder / "winds.csv", index=False)
    return folder / "winds.csv"


def fields_named(folder, name):
    field = HEDGE.buffer(60)
    return write_features(folder / "fields.gpkg", [field], name=[name], parcel_id=[name])


@pytest.mark.slow
@pytest.mark.parametrize("kind", NAMES)
def test_a_name_of(kind, usual, inputs, tmp_path, capsys):
    name = NAMES[kind]
    subset = " ".join(name.split()) or "winter"
    belts = plain_belts(inputs, name=[name, "plain"], belt_type=[name, "hedge"], species=[name] * 2)
    places = fields_named(inputs, name)
    found = shelter(
        capsys, tmp_path, belts=belts, places=places, winds=winds_named(inputs, subset),
        subset=subset, season="in-leaf,bare",
    )  # fmt: skip
    assert found.exit_code == 0, found.error
    # No name becomes a file, and every layer has the names as they were in the input.
    assert names_of(found.out) == usual
    kept = gpd.read_file(found.out / "layers.gpkg", layer="belts_assessed")
    assert set(kept["name"]) == {name.strip(), "plain"}
    places = gpd.read_file(found.out / "layers.gpkg", layer="places_shelter")
    assert set(places["name"]) == {name.strip()}
    for table in found.out.glob("tables/*.csv"):
        for cell in pd.read_csv(table, dtype=str, keep_default_na=False).to_numpy().ravel():
            number = cell.replace(".", "").replace("-", "").isdigit()
            assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_a_name_cannot_control_the_terminal(inputs, tmp_path, capsys):
    places = write_features(inputs / "fields.gpkg", [HEDGE.buffer(60)], purpose=["\x1b[2Jx\x07"])
    words = ["--dem", plain_dem(inputs), "--winds", "240", "--belts", plain_belts(inputs)]
    assert call(["shelter", *words, "--places", places, "--out", tmp_path / "out"]) == 3
    reported = capsys.readouterr().err
    assert "name-unknown" in reported and "[2jx" in reported
    assert "\x1b[2" not in reported and "\x07" not in reported
    winds = written(inputs, "w.csv", b"subset,direction_deg,frequency\nx\x1b[2J,240,1\n")
    words[3] = winds
    assert call(["shelter", *words, "--subset", "x\x1b[2J", "--out", tmp_path / "out"]) == 0
    reported = capsys.readouterr().err
    assert "x\ufffd[2J" in reported and "\x1b[2" not in reported


@pytest.mark.parametrize("kind", sorted(set(NAMES) - {"blanks", "three hundred characters"}))
def test_a_layer_of_a_name_of(kind, inputs, tmp_path, capsys):
    name = NAMES[kind]
    path = plain_belts(inputs)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(f'ALTER TABLE belts RENAME TO "{name.replace(chr(34), chr(34) * 2)}"')
        for table in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_ogr_contents"):
            db.execute(f"UPDATE {table} SET table_name = ?", (name,))
        db.execute("UPDATE gpkg_extensions SET table_name = ? WHERE table_name = 'belts'", (name,))
        db.execute("UPDATE gpkg_contents SET identifier = ?", (name,))
        db.commit()
    assert name in [layer for layer, _ in pyogrio.list_layers(path)]
    found = shelter(capsys, tmp_path, belts=path)
    assert found.exit_code == 0, found.error
    found = gpd.read_file(found.out / "layers.gpkg", layer="belts_assessed")
    assert set(found["height_m"]) == {6.0, 4.0}


@pytest.mark.parametrize(
    "name", ["farm #1.tif", "what?.tif", "100%20.tif", "a b.tif", "🌳👨‍🌾.tif", "=1+1.tif",
             "'q' \"r\".tif", "{a}.tif", "a;b&c.tif", "x:y.tif", "~b.tif"],
)  # fmt: skip
def test_a_terrain_model_called(name, inputs, tmp_path, monkeypatch, capsys):
    plain_dem(inputs).rename(inputs / name)
    monkeypatch.chdir(inputs)
    found = exposure(capsys, tmp_path, name)
    assert found.exit_code == 0, found.error
    assert name in (found.out / "record.json").read_text(encoding="utf-8").replace('\\"', '"')


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["farm #1.gpkg", "what?.gpkg", "a%20b.gpkg", "🌳.gpkg", "x:y.gpkg", "~b.gpkg",
             "'q'.gpkg", "{a}.gpkg"],
)  # fmt: skip
def test_a_geopackage_called(name, inputs, tmp_path, monkeypatch, capsys):
    plain_belts(inputs).rename(inputs / name)
    monkeypatch.chdir(inputs)
    found = shelter(capsys, tmp_path, belts=name, dem=plain_dem(inputs))
    assert found.exit_code == 0, found.error
    (tmp_path / "out").rename(inputs / "first")
    assert shelter(capsys, tmp_path, belts=f"{name}:belts", dem="dem.tif").exit_code == 0


def test_a_character_for_paths_into_archives_is_refused(inputs, tmp_path, capsys):
    plain_belts(inputs).rename(inputs / "farm!.gpkg")
    found = shelter(capsys, tmp_path, belts=inputs / "farm!.gpkg")
    hold_to_refusal(found, "file-unreadable", "farm!", "Rename")
