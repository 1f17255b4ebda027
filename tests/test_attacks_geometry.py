"""Attacks by geometry: indexes that lose features, belts that leave the map, absurd coordinates."""

from __future__ import annotations

import math
import random
import sqlite3
import time

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from batch_helpers import PLAN, catchment, holdings_of
from file_helpers import CRS, GRID
from run_helpers import call, project
from shapely import LineString, Point, Polygon, box

from shelterscape.errors import InputError
from shelterscape.files.layer_checks import NEAR_M
from shelterscape.files.vectors import read_layer, read_layer_alone, size_of
from shelterscape.science import bare_ground

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


# --- belts that leave the map, and coordinates that are on no map ------------------------------

WEST, SOUTH, EAST, NORTH = GRID.bounds


def _layer(path, shapes, **columns):
    frame = gpd.GeoDataFrame(columns or {"height_m": [6.0] * len(shapes)}, geometry=shapes, crs=CRS)
    frame.to_file(path, layer="belts", driver="GPKG")
    return str(path)


def _leaving(chance, far):
    """A line or an area with one vertex on the map and another far from it."""
    x, y = chance.uniform(WEST, EAST), chance.uniform(SOUTH, NORTH)
    angle = chance.uniform(0, 2 * math.pi)
    away = x + far * math.cos(angle), y + far * math.sin(angle)
    line = LineString([(x, y), away])
    return line if chance.random() < 0.5 else Polygon([(x, y), away, (x + 60, y + 60)])


@pytest.mark.parametrize("seed", range(40))
def test_a_feature_that_leaves_the_map_ends_near_it(seed, tmp_path):
    chance = random.Random(seed)
    shapes = [_leaving(chance, 10 ** chance.uniform(5, 8.9)) for _ in range(5)]
    path = _layer(tmp_path / "a.gpkg", shapes)
    for grid in (GRID, GRID.window(0, 0, (100, 100))):
        frame, _ = read_layer(path, grid, "belt layer")
        assert len(frame) == 5 and frame.is_valid.all()
        west, south, east, north = frame.total_bounds
        assert west >= WEST - NEAR_M - 1 and east <= EAST + NEAR_M + 1
        assert south >= SOUTH - NEAR_M - 1 and north <= NORTH + NEAR_M + 1
        assert [g.geom_type for g in frame.geometry] == [s.geom_type for s in shapes]
        # Nothing on the map or within a kilometre of it has changed.
        near = box(WEST - 1000, SOUTH - 1000, EAST + 1000, NORTH + 1000)
        for found, drawn in zip(frame.geometry, shapes, strict=True):
            assert found.intersection(near).hausdorff_distance(drawn.intersection(near)) < 1e-3


def test_a_part_of_a_map_has_the_same_ends_as_the_whole(tmp_path):
    path = _layer(tmp_path / "a.gpkg", [LineString([(WEST + 10, NORTH - 10), (WEST + 7e6, 3e6)])])
    whole, _ = read_layer(path, GRID, "belt layer")
    part, _ = read_layer(path, GRID.window(0, 0, (5, 5)), "belt layer", part=True)
    assert whole.geometry.iloc[0].equals(part.geometry.iloc[0])


def test_a_feature_within_reach_of_the_map_is_not_changed(tmp_path):
    drawn = LineString([(WEST - NEAR_M + 1, SOUTH), (EAST + NEAR_M - 1, NORTH)])
    frame, _ = read_layer(_layer(tmp_path / "a.gpkg", [drawn]), GRID, "belt layer")
    assert frame.geometry.iloc[0].wkb == drawn.wkb


@pytest.mark.parametrize("size", [1.1e9, 1e12, 1e100, 1e154, 1e300, 1.7e308, -1e300])
@pytest.mark.parametrize("kind", ["line", "area", "point", "far feature"])
def test_absurd_coordinates_are_refused(kind, size, tmp_path):
    x, y = WEST + 100, SOUTH + 100
    shapes = {
        "line": [LineString([(x, y), (size, y)])],
        "area": [Polygon([(x, y), (size, y), (x, y + 50)])],
        "point": [Point(x, y), Point(size, y)],
        "far feature": [LineString([(x, y), (x + 9, y)]), LineString([(x, size), (x + 9, size)])],
    }[kind]
    path = _layer(tmp_path / "a.gpkg", shapes)
    for read in (lambda: read_layer(path, GRID, "layer"), lambda: read_layer_alone(path, "layer")):
        with pytest.raises(InputError) as found:
            read()
        assert found.value.code == "crs-outside" and f"feature {len(shapes)}" in found.value.where


@pytest.mark.parametrize("option", ["belts", "places", "woods", "keep-clear", "candidate-lines"])
def test_a_run_with_a_belt_across_the_world_takes_no_longer(option, tmp_path):
    inputs = project(tmp_path / "in")
    with rasterio.open(inputs["dem"]) as data:
        x, y = data.transform.c + 300, data.transform.f - 300
    line = LineString([(x, y), (x + 8e8, y + 3e8)])
    shape = line if option in ("belts", "candidate-lines") else Polygon([*line.coords, (x, y + 50)])
    path = _layer(tmp_path / "far.gpkg", [shape], height_m=[6.0])
    given = {"dem": inputs["dem"], "belts": inputs["belts"], "winds": "210,240"} | {option: path}
    process = "shelter"
    if option not in ("belts", "places"):
        process = "siting"
        given |= {"planting-year": 2027, "budget-m": 100, "monte-carlo-runs": 0}
        given.setdefault("candidate-lines", inputs["belts"])
    words = [word for name, value in given.items() for word in (f"--{name}", value)]
    started = time.process_time()
    code = call([process, *words, "--no-pictures", "--out", tmp_path / "out"])
    assert code in (0, 3)
    assert time.process_time() - started < 20


@pytest.mark.parametrize("seed", range(30))
def test_ground_is_examined_at_the_same_points_beside_belts_that_leave_the_map(seed):
    chance = random.Random(seed)
    lines = []
    for _ in range(chance.randint(1, 5)):
        size = 10 ** chance.uniform(1, 4.2)
        middle = WEST + 500, SOUTH + 500
        count = chance.randint(2, 9)
        lines.append(LineString([
            [m + chance.uniform(-size, size) for m in middle] for _ in range(count)
        ]))  # fmt: skip
    found, owner, _ = bare_ground._places(np.array(lines), GRID.bounds)
    # All points along each line, one by one, with the same rule.
    expected = []
    for i, line in enumerate(lines):
        count = max(int(line.length / bare_ground.APART_M), 1)
        for n in range(count):
            point = line.interpolate((n + 0.5) / count * line.length)
            if WEST - 50 < point.x < EAST + 50 and SOUTH - 50 < point.y < NORTH + 50:
                expected.append((i, point.x, point.y))
    x, y = found.T
    near = (x > WEST - 50) & (x < EAST + 50) & (y > SOUTH - 50) & (y < NORTH + 50)
    assert [tuple(row) for row in zip(owner[near], x[near], y[near], strict=True)] == expected


# --- very many belts and steps -----------------------------------------------------------------


@pytest.mark.parametrize("count", [1_000, 10_000])
def test_belts_too_dense_to_combine_are_refused_with_their_number(count, tmp_path, capsys):
    inputs = project(tmp_path / "in")
    with rasterio.open(inputs["dem"]) as data:
        west, north = data.transform.c, data.transform.f
    chance = random.Random(count)
    lines = []
    for _ in range(count):
        x, y = west + chance.uniform(0, 600), north - chance.uniform(0, 600)
        angle = chance.uniform(0, 2 * math.pi)
        lines.append(LineString([(x, y), (x + 50 * math.cos(angle), y + 50 * math.sin(angle))]))
    path = _layer(tmp_path / "many.gpkg", lines)
    words = ["--dem", inputs["dem"], "--belts", path, "--winds", "210,240", "--no-pictures"]
    started = time.process_time()
    assert call(["shelter", *words, "--out", tmp_path / "out"]) == 3
    assert time.process_time() - started < 60
    shown = capsys.readouterr().err
    assert "input-refused" in shown
    assert ("pieces of belts" if count == 1_000 else "10,000 lines, each crossed by") in shown


def test_a_plan_of_very_many_steps_is_refused_with_their_number(tmp_path, capsys):
    step = '[[step]]\nprocess = "shelter"\ndem = "d"\n'
    (tmp_path / "plan.toml").write_text(step * 100_000)
    started = time.process_time()
    assert call(["run", tmp_path / "plan.toml", "--out", tmp_path / "out"]) == 3
    assert time.process_time() - started < 30
    assert "100000 steps" in capsys.readouterr().err
