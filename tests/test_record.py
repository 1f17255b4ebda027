"""Records: checksums, data sets of several files, listings, reproducible JSON."""

from __future__ import annotations

import hashlib
import json
import math

import pytest
from file_helpers import write_features
from shapely import Point

from shelterscape.files.record import (
    described,
    files_of,
    flush_to_disk,
    listed,
    read_record,
    recorded_files,
    sha256_of,
    write_json,
)


def test_checksum_is_the_published_one(tmp_path):
    # FIPS 180-2, appendix B.1: the message "abc" (not verified against the source).
    (tmp_path / "a").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(tmp_path / "a") == expected


def test_checksum_of_a_large_file(tmp_path):
    raw = bytes(range(256)) * 20_000
    (tmp_path / "a").write_bytes(raw)
    assert sha256_of(tmp_path / "a") == hashlib.sha256(raw).hexdigest()


def test_all_files_of_a_shapefile_belong_to_it(tmp_path):
    path = write_features(tmp_path / "trees.shp", [Point(1, 2)], driver="ESRI Shapefile", n=[1])
    (tmp_path / "trees.txt").write_text("no part of it")
    (tmp_path / "other.dbf").write_text("no part of it")
    names = [p.name for p in files_of(path)]
    assert names[0] == "trees.shp"
    assert set(names) == {"trees.shp", "trees.shx", "trees.dbf", "trees.prj", "trees.cpg"}


def test_all_files_of_a_shapefile_in_capitals_belong_to_it(tmp_path):
    for suffix in (".SHP", ".SHX", ".DBF", ".PRJ"):
        (tmp_path / f"TREES{suffix}").write_text(suffix)
    names = {p.name for p in files_of(tmp_path / "TREES.SHP")}
    assert names == {"TREES.SHP", "TREES.SHX", "TREES.DBF", "TREES.PRJ"}


def test_files_with_the_location_of_a_raster_belong_to_it(tmp_path):
    for name in ("dem.asc", "dem.prj", "dem.tif", "dem.tfw", "dem.txt"):
        (tmp_path / name).write_text(name)
    assert [p.name for p in files_of(tmp_path / "dem.asc")] == ["dem.asc", "dem.prj"]
    assert [p.name for p in files_of(tmp_path / "dem.txt")] == ["dem.txt"]


def test_a_listing_includes_subfolders_and_uses_forward_slashes(tmp_path):
    (tmp_path / "b" / "c").mkdir(parents=True)
    (tmp_path / "empty").mkdir()
    for name in ("z.txt", "b/c/d.txt", "b/.hidden"):
        (tmp_path / name).write_text("x")
    assert listed(tmp_path) == ["b/.hidden", "b/c/d.txt", "z.txt"]


def test_equal_contents_give_equal_bytes(tmp_path):
    write_json(tmp_path / "a", {"b": 1, "a": {"ö": [1.5, None], "c": "°"}})
    write_json(tmp_path / "b", {"a": {"c": "°", "ö": [1.5, None]}, "b": 1})
    raw = (tmp_path / "a").read_bytes()
    assert raw == (tmp_path / "b").read_bytes()
    assert raw.endswith(b"}\n") and b"\r" not in raw and "°".encode() in raw
    assert json.loads(raw) == {"b": 1, "a": {"ö": [1.5, None], "c": "°"}}


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_numbers_json_does_not_know_are_refused(tmp_path, bad):
    with pytest.raises(ValueError):
        write_json(tmp_path / "a", {"x": bad})
    assert not (tmp_path / "a").exists()


@pytest.mark.parametrize("text", ["", "not json", "[1]", '{"program": "another"}', '{"a": 1}'])
def test_only_records_of_shelterscape_are_read(tmp_path, text):
    assert read_record(tmp_path) is None
    (tmp_path / "record.json").write_text(text)
    assert read_record(tmp_path) is None


def test_a_record_lists_its_files(tmp_path):
    (tmp_path / "rasters").mkdir()
    (tmp_path / "rasters/a.tif").write_bytes(b"abc")
    entries = described(tmp_path, listed(tmp_path))
    assert entries == [
        {"path": "rasters/a.tif", "bytes": 3, "sha256": sha256_of(tmp_path / "rasters/a.tif")}
    ]
    write_json(tmp_path / "record.json", {"program": "shelterscape", "outputs": entries})
    flush_to_disk(tmp_path)
    record = read_record(tmp_path)
    assert record is not None
    assert recorded_files(record) == {"rasters/a.tif", "record.json", "timings.json"}
