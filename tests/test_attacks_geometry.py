"""Attacks by geometry: indexes that lose features, belts that leave the map, absurd coordinates."""

from __future__ import annotations

import random
import sqlite3

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from batch_helpers import PLAN, catchment, holdings_of
from file_helpers import CRS, GRID
from run_helpers import call
from shapely import LineString, Point, box

from shelterscape.files.vectors import read_layer, size_of

# --- spatial indexes that are stale or damaged -----------------------------------------------

INDEX = "rtree_belts_geom"


def scattered(chance, count=400, west=560_000.0, south=5_709_000.0):
    """Belts, woods and trees with numbers, on a square kilometre."""
    shapes = []
    for n in range(count):
        x, y = west + chance.random() * 1000, south + chance.random() * 1000
        dx, dy = chance.uniform(1, 90), chance.uniform(-40, 40)
        line = LineString([(x, y), (x + dx, y + dy)])
        shapes.append([line, box(x, y, x + dx, y + abs(dy) + 1), Point(x, y)][n % 3])
    return gpd.GeoDataFrame({"number": range(count)}, geometry=shapes, crs=CRS)


def _edit(path, *statements):
    """Change a GeoPackage as a program without knowledge of its index would."""
    with sqlite3.connect(path) as db:
        triggers = db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in triggers:
            db.execute(f'DROP TRIGGER "{name}"')
        for statement in statements:
            db.execute(statement)
    db.close()


def _moved(path):
    """Geometry exchanged between features, without the index."""
    _edit(
        path,
        "CREATE TABLE kept AS SELECT fid, geom FROM belts",
        "UPDATE belts SET geom = (SELECT geom FROM kept WHERE kept.fid = "
        "(SELECT max(fid) + 1 FROM kept) - belts.fid)",
        "DROP TABLE kept",
    )


def _smaller_nodes(path):
    """Boxes in the upper node of the index that are too small."""
    with sqlite3.connect(path) as db:
        data = db.execute(f"SELECT data FROM {INDEX}_node WHERE nodeno = 1").fetchone()[0]
        content = bytearray(data)
        for n in range(int.from_bytes(content[2:4], "big")):
            at = 4 + 24 * n + 8  # the west of a box, after the number of its node
            content[at : at + 4] = content[at + 4 : at + 8]
        db.execute(f"UPDATE {INDEX}_node SET data = ? WHERE nodeno = 1", (bytes(content),))
    db.close()


DAMAGE = {
    "entries lost": lambda p: _edit(p, f"DELETE FROM {INDEX} WHERE id % 3 = 0"),
    "all entries lost": lambda p: _edit(p, f"DELETE FROM {INDEX}"),
    "one entry lost": lambda p: _edit(p, f"DELETE FROM {INDEX} WHERE id = 200"),
    "entries elsewhere": lambda p: _edit(
        p, f"UPDATE {INDEX} SET minx = minx + 5e5, maxx = maxx + 5e5 WHERE id % 2 = 0"
    ),
    "entries too small": lambda p: _edit(p, f"UPDATE {INDEX} SET maxx = minx, maxy = miny"),
    "features added": lambda p: _edit(
        p,
        "INSERT INTO belts (geom, number) SELECT geom, number + 400 FROM belts",
        "UPDATE gpkg_ogr_contents SET feature_count = 800",
    ),
    "features moved": _moved,
    "nodes emptied": lambda p: _edit(p, f"UPDATE {INDEX}_node SET data = zeroblob(length(data))"),
    "nodes removed": lambda p: _edit(p, f"DELETE FROM {INDEX}_node WHERE nodeno > 1"),
    "boxes of nodes too small": _smaller_nodes,
    "extent elsewhere": lambda p: _edit(
        p, "UPDATE gpkg_contents SET min_x = 0, min_y = 0, max_x = 1, max_y = 1"
    ),
    "no index": lambda p: _edit(p, f"DROP TABLE {INDEX}"),
    "nothing": lambda p: None,
}


def _pieces(chance, count):
    """Windows of the map, each with a random place and size."""
    for _ in range(count):
        rows, cols = chance.randint(2, 60), chance.randint(2, 60)
        yield GRID.window(
            chance.randint(0, 100 - rows), chance.randint(0, 100 - cols), (rows, cols)
        )


def _damaged(path, damage, chance):
    """A damaged layer, and all its features as they are without any filter."""
    scattered(chance).to_file(path, layer="belts", driver="GPKG", geometry_type="Unknown")
    DAMAGE[damage](path)
    whole = pyogrio.read_dataframe(path)
    assert len(whole) == (800 if damage == "features added" else 400)
    return whole


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_part_of_a_map_has_the_features_of_the_whole_whatever_the_index(damage, tmp_path):
    chance = random.Random(f"index {damage}")
    whole = _damaged(tmp_path / "a.gpkg", damage, chance)
    for piece in _pieces(chance, 25):
        expected = whole[whole.intersects(box(*piece.bounds))]
        frame, _ = read_layer(str(tmp_path / "a.gpkg"), piece, "belt layer", part=True)
        assert sorted(frame["number"]) == sorted(expected["number"])
        size = size_of(str(tmp_path / "a.gpkg"), "belt layer", piece)
        assert size.features >= len(expected)


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_large_layer_has_all_its_features_whatever_the_index(damage, tmp_path, monkeypatch):
    monkeypatch.setattr("shelterscape.files.vectors.LARGE_FEATURES", 100)
    chance = random.Random(f"large {damage}")
    whole = _damaged(tmp_path / "a.gpkg", damage, chance)
    for piece in _pieces(chance, 8):
        expected = whole[whole.intersects(box(*piece.bounds))]
        if len(expected):
            frame, _ = read_layer(str(tmp_path / "a.gpkg"), piece, "belt layer")
            assert sorted(frame["number"]) == sorted(expected["number"])


def test_an_old_index_beside_a_shapefile_loses_nothing(tmp_path):
    chance = random.Random("shapefile")
    old, new = (f[f.geom_type == "LineString"] for f in (scattered(chance, west=700_000.0),
                                                         scattered(chance)))  # fmt: skip
    path = tmp_path / "a.shp"
    old.to_file(path, SPATIAL_INDEX="YES")
    kept = (tmp_path / "a.qix").read_bytes()
    new.to_file(path)
    (tmp_path / "a.qix").write_bytes(kept)
    for piece in _pieces(chance, 10):
        frame, _ = read_layer(str(path), piece, "belt layer", part=True)
        assert sorted(frame["number"]) == sorted(new["number"][new.intersects(box(*piece.bounds))])


@pytest.mark.parametrize("damage", ["all entries lost", "features moved", "nodes emptied"])
def test_a_batch_has_the_results_of_a_single_run_whatever_the_index(damage, tmp_path):
    plan = catchment(tmp_path / "in", PLAN)
    with rasterio.open(tmp_path / "in" / "dem.tif") as data:
        west, north = data.transform.c, data.transform.f
    belts = scattered(random.Random(damage), 400, west - 200, north - 800)
    belts = belts[belts.geom_type == "LineString"].assign(height_m=5.0).reset_index(drop=True)
    (tmp_path / "in" / "belts.gpkg").unlink()
    belts.to_file(tmp_path / "in" / "belts.gpkg", layer="belts", driver="GPKG")
    DAMAGE[damage](tmp_path / "in" / "belts.gpkg")
    assert call(["run", plan, "--out", tmp_path / "single"]) == 0
    words = ["--holdings", tmp_path / "in" / "holdings.gpkg", "--workers", 1]
    assert call(["batch", plan, *words, "--out", tmp_path / "batch"]) == 0
    assert len(holdings_of(tmp_path / "batch")) == 3
    with rasterio.open(next((tmp_path / "single").rglob("relative_wind.tif"))) as data:
        single, affine = data.read(1, masked=True), data.transform
    compared = 0
    for part in (tmp_path / "batch" / "holdings").rglob("relative_wind.tif"):
        with rasterio.open(part) as data:
            found = data.read(1, masked=True)
            col, row = (round(n) for n in ~affine * (data.transform.c, data.transform.f))
        same = single[row : row + found.shape[0], col : col + found.shape[1]]
        known = ~np.ma.getmaskarray(found)
        assert (found[known] == same[known]).all()
        compared += int((found[known] < 0.9).sum())
    assert compared > 100
