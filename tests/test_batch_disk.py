"""Disk of a batch: told by a dry run, refused at the start, and nothing counted that is there."""

from __future__ import annotations

import math
from collections import namedtuple

import batch_toys
import geopandas as gpd
import numpy as np
import pytest
import rasterio
from batch_helpers import PLAN, write_holdings
from batch_toys import toy_catchment
from run_helpers import CRS, NORTH, WEST, call, events
from shapely import LineString, box
from test_batch import HerePool

from shelterscape import batch, registry
from shelterscape.batch import How, plan_batch, run_batch
from shelterscape.errors import UsageError, WriteError
from shelterscape.process.memory import MIB

Usage = namedtuple("Usage", "total used free")


@pytest.fixture(autouse=True)
def here(monkeypatch):
    """Work in this process, with the toy among the processes."""
    monkeypatch.setattr(batch, "_pool", lambda how: HerePool())
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


@pytest.fixture
def free(monkeypatch):
    """Set what every disk has free, bytes."""

    def lay(count):
        usage = Usage(2**40, 0, count)
        monkeypatch.setattr("shelterscape.runs.disk.shutil.disk_usage", lambda _: usage)

    return lay


def room(plan, out, **how):
    """What a batch would take."""
    holdings = str(plan.parent / "holdings.gpkg")
    return plan_batch(plan, out, holdings=holdings, how=How(**how)).room


def go(plan, out, **how):
    """Run a batch over the holdings beside its plan."""
    return run_batch(plan, out, holdings=str(plan.parent / "holdings.gpkg"), how=How(**how))


def test_a_batch_beyond_the_disk_is_refused_before_anything_is_made(tmp_path, capsys, free):
    plan, traps = toy_catchment(tmp_path / "in")
    words = ["batch", plan, "--holdings", tmp_path / "in" / "holdings.gpkg"]
    words += ["--out", tmp_path / "out"]
    needed = room(plan, tmp_path / "out").needed
    before = sorted(tmp_path.rglob("*"))
    free(math.floor(needed) - 1)
    assert call([*words, "--json"]) == 4
    (error,) = events(capsys.readouterr().out)
    assert error["code"] == "disk-short"
    assert error["where"] == str(tmp_path / "out")
    assert f"up to {needed / MIB:.1f} MiB needed" in error["value"]
    assert "to put all together" in error["value"]
    assert "--only" in error["mend"]
    assert "--disk-limit" in error["mend"]
    assert sorted(tmp_path.rglob("*")) == before
    # A cluster works on the same folder; it is not even looked for.
    assert call([*words, "--cluster", "tcp://127.0.0.1:1"]) == 4
    assert "Code: disk-short" in capsys.readouterr().err
    assert call([*words, "--disk-limit", "0"]) == 2
    with pytest.raises(UsageError):
        go(plan, tmp_path / "out", disk_limit_gib=math.nan)
    assert call([*words, "--disk-limit", "1"]) == 0
    assert list(traps.glob("*.seen"))


def test_what_is_finished_counts_nothing(tmp_path, free):
    plan, _ = toy_catchment(tmp_path / "in")
    out = tmp_path / "out"
    # The margin of a batch is known once it has begun.
    go(plan, out, only=("h-2",))
    alone = {
        label: room(plan, tmp_path / "other", only=(label,)).holdings
        for label in ("h-1", "h-2", "h-3")
    }
    left = room(plan, out)
    assert left.holdings == pytest.approx(alone["h-1"] + alone["h-3"], rel=0.01)
    assert room(plan, out, only=("h-1",)).holdings == pytest.approx(alone["h-1"], rel=0.01)
    assert room(plan, out, only=("h-2",)).holdings == 0
    free(math.ceil(left.needed))
    assert go(plan, out).exit_code == 0
    # All there is still to do is to put them together.
    again = room(plan, out)
    assert again.holdings == 0
    assert again.catchment == pytest.approx(left.catchment)
    free(math.ceil(again.needed) - 2)
    with pytest.raises(WriteError) as caught:
        go(plan, out)
    assert caught.value.code == "disk-short"


def test_a_dry_run_tells_disk_for_each_and_for_all(tmp_path, capsys, free):
    plan, _ = toy_catchment(tmp_path / "in")
    words = ["batch", plan, "--holdings", tmp_path / "in" / "holdings.gpkg"]
    words += ["--out", tmp_path / "out", "--dry-run"]
    free(8 * 2**30)
    assert call([*words, "--json"]) == 0
    (told,) = events(capsys.readouterr().out)
    total, rows = told["disk_mib"], told["holdings"]
    assert all(row["disk_mib"] > 0 for row in rows)
    assert sum(row["disk_mib"] for row in rows) == pytest.approx(total["holdings"], abs=0.2)
    parts = ("holdings", "whole_map", "catchment", "passing")
    assert sum(total[part] for part in parts) == pytest.approx(total["needed"], abs=0.3)
    assert total["free"] == 8192
    assert call(words) == 0
    text = capsys.readouterr().out
    assert text.count("MiB disk") == 3
    assert "8.0 GiB free" in text
    assert "would be refused" not in text
    free(1000)
    assert call(words) == 0
    assert "would be refused" in capsys.readouterr().out
    assert not (tmp_path / "out").exists()


CELLS, SIDE = 400, 120


def noisy_catchment(folder):
    """Rough ground with belts, and four holdings of some 36 ha on it, one of them a triangle."""
    folder.mkdir()
    rng = np.random.default_rng(4)
    row, col = np.mgrid[:CELLS, :CELLS]
    height = 80 + 15 * np.sin(row / 50) * np.cos(col / 70) + rng.normal(0, 0.1, row.shape)
    profile = {"driver": "GTiff", "height": CELLS, "width": CELLS, "count": 1, "dtype": "float32"}
    affine = rasterio.Affine(5, 0, WEST, 0, -5, NORTH)
    with rasterio.open(folder / "dem.tif", "w", crs=CRS, transform=affine, **profile) as data:
        data.write(height.astype("float32"), 1)
    first = np.array([WEST, NORTH]) + rng.uniform(100, 1800, (40, 2)) * (1, -1)
    lines = [LineString([xy, xy + rng.uniform(-150, 150, 2)]) for xy in first]
    frame = gpd.GeoDataFrame({"height_m": rng.uniform(4, 15, 40)}, geometry=lines, crs=CRS)
    frame.to_file(folder / "belts.gpkg", layer="belts", driver="GPKG")
    squares = [
        box(WEST + x, NORTH - y - 5 * SIDE, WEST + x + 5 * SIDE, NORTH - y)
        for x, y in ((100, 100), (750, 150), (300, 900))
    ]
    corner = np.array([WEST + 1000, NORTH - 1900])
    wedge = gpd.GeoSeries.from_wkt(
        [
            f"POLYGON(({corner[0]} {corner[1]}, {corner[0] + 900} {corner[1]}, "
            f"{corner[0]} {corner[1] + 900}, {corner[0]} {corner[1]}))"
        ]
    )
    write_holdings(folder / "holdings.gpkg", [*squares, wedge[0]], ["a", "b", "c", "d"])
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder / "plan.toml"


def bytes_in(folder):
    """Bytes of all files below a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


@pytest.mark.slow
@pytest.mark.parametrize("pictures", [False, True])
def test_the_estimate_of_each_part_lies_near_its_truth(tmp_path, pictures):
    plan = noisy_catchment(tmp_path / "in")
    out = tmp_path / "out"
    holdings = str(plan.parent / "holdings.gpkg")
    planned = plan_batch(plan, out, holdings=holdings, how=How(pictures=pictures))
    assert go(plan, out, pictures=pictures).exit_code == 0
    there = {name: bytes_in(out / name) for name in ("holdings", "whole_map", "catchment")}
    for one in planned.holdings:
        written = bytes_in(out / "holdings" / one.row.holding.folder) / MIB
        assert written <= one.disk_mib <= 3 * written, one.row.holding.label
    assert there["holdings"] <= planned.room.holdings <= 3 * there["holdings"]
    assert there["whole_map"] <= planned.room.whole_map <= 3 * there["whole_map"]
    assert there["catchment"] <= planned.room.catchment <= 3 * there["catchment"]
    again = room(plan, out, pictures=pictures)
    assert (again.holdings, again.whole_map) == (0, 0)
