"""Disk: told before the work begins, near the truth, and refused where there is not enough."""

from __future__ import annotations

import json
import math
import os
from collections import namedtuple
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from run_helpers import (
    CRS,
    NORTH,
    TOY_TABLE,
    WEST,
    call,
    events,
    leftovers,
    options,
    project,
    run_toy,
    toy,
    write_toy,
)
from test_crashes import disk  # noqa: F401 - a fixture
from test_memory import CELL_M, belts, ground

import shelterscape
from shelterscape import registry
from shelterscape.errors import UsageError, WriteError
from shelterscape.files.vectors import LayerSize
from shelterscape.grid import Grid
from shelterscape.process import Process
from shelterscape.process.disk import Space, space
from shelterscape.process.inputs import TerrainInputs, ask
from shelterscape.process.memory import MIB, Sizes, sizes_of
from shelterscape.runs import Step, run
from shelterscape.runs.disk import RUN_BYTES, free_bytes, space_of

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis"
MOST = 3.0
"""An estimate is no more than so many times what is written, on noisy ground and on the sample."""


def noisy(folder, side):
    """The waving ground with noise of a decimetre on it, as laser scans have."""
    path = ground(folder, side)
    with rasterio.open(path, "r+") as data:
        noise = np.random.default_rng(7).normal(0, 0.1, (side, side))
        data.write((data.read(1) + noise).astype("float32"), 1)
    return path


def places(folder, side):
    """Fields over most of the ground, each with a purpose."""
    step, rng = 250.0, np.random.default_rng(11)
    corners = [(x, y) for x in np.arange(50, side * CELL_M - step, step) for y in (100.0, 600.0)]
    areas = [
        shapely.box(WEST + x, NORTH - y - 200 - rng.uniform(0, 40), WEST + x + 200, NORTH - y)
        for x, y in corners
    ]
    names = {"name": [f"field {i}" for i in range(len(areas))], "purpose": "lambing", "head": 40}
    path = folder / "places.gpkg"
    gpd.GeoDataFrame(names, geometry=areas, crs=CRS).to_file(path, layer="places", driver="GPKG")
    return path


def told_of(folder):
    """Estimate and truth of a run, MiB."""
    told = json.loads((folder / "timings.json").read_text("utf-8"))
    files = [path for path in folder.rglob("*") if path.is_file()]
    there = sum(path.stat().st_size for path in files if path.name != "timings.json") / MIB
    assert told["written_mib"] == pytest.approx(there, abs=0.051)
    return told["estimated_disk_mib"], told["written_mib"]


WORK = [
    ("exposure", ()),
    ("exposure", ("--topex-form", "unlimited")),
    ("shelter", ("--season", "in-leaf")),
    ("shelter", ("--year", "surveyed,2040,2060")),
    ("shelter", ("--season", "bare", "--by-direction", "--no-terrain")),
    ("shelter", ("--places",)),
    ("shelter", ("--purpose", "lambing")),
]
NAMES = [
    "near",
    "unlimited",
    "one season",
    "six cases",
    "by direction",
    "with places",
    "for a purpose",
]


def words_of(process, more, dem, folder, side):
    """Words of a command that works on some ground."""
    words = [process, "--dem", dem, "--winds", "30,120,240", *more]
    if process == "shelter":
        words += ["--belts", belts(folder, side)]
    if "--places" in more:
        words.insert(words.index("--places") + 1, places(folder, side))
    return words


@pytest.mark.slow
@pytest.mark.parametrize("side", [300, 1200])
@pytest.mark.parametrize(("process", "more"), WORK, ids=NAMES)
def test_the_estimate_lies_between_the_truth_and_three_times_the_truth(
    tmp_path, process, more, side
):
    words = words_of(process, more, noisy(tmp_path, side), tmp_path, side)
    assert call([*words, "--out", tmp_path / "out"]) == 0
    estimate, written = told_of(tmp_path / "out")
    assert written <= estimate <= MOST * written


@pytest.mark.slow
@pytest.mark.parametrize(("process", "more"), WORK, ids=NAMES)
def test_on_small_ground_it_is_no_less_than_the_truth(tmp_path, process, more):
    """Heads of files and pictures are most of it there; where belts are few it may be 3.5 times."""
    words = words_of(process, more, noisy(tmp_path, 100), tmp_path, 100)
    assert call([*words, "--out", tmp_path / "out"]) == 0
    estimate, written = told_of(tmp_path / "out")
    assert written <= estimate


@pytest.mark.slow
def test_on_smooth_ground_it_is_no_less_than_the_truth(tmp_path):
    words = words_of("exposure", (), ground(tmp_path, 700), tmp_path, 700)
    assert call([*words, "--out", tmp_path / "out"]) == 0
    estimate, written = told_of(tmp_path / "out")
    assert written <= estimate


@pytest.mark.slow
def test_the_sample(tmp_path):
    """All four processes together, one fed by nothing but files."""
    result = shelterscape.run_plan(SAMPLE / "plan.toml", out=tmp_path / "out")
    estimate, written = told_of(result.folder)
    assert written <= estimate <= MOST * written


@pytest.mark.slow
@pytest.mark.parametrize("process", ["exposure", "shelter"])
def test_a_disk_as_large_as_the_estimate_will_do(disk, tmp_path, process):  # noqa: F811
    """Also while the largest raster is there twice."""
    words = words_of(process, (), noisy(tmp_path, 600), tmp_path, 600)
    found = registry.find(process)
    given = {"dem": str(words[2]), "winds": words[4]}
    if process == "shelter":
        given["belts"] = str(tmp_path / "belts.gpkg")
    needed = RUN_BYTES + needed_by(found, ask(found.inputs, given, ""))
    folder = disk(f"{math.ceil((needed + 4096) / 4096) * 4}k")
    assert call([*words, "--out", folder / "out"]) == 0
    folder = disk(f"{math.floor(needed / 4096 - 1) * 4}k")
    assert call([*words, "--out", folder / "out"]) == 4
    assert not list(folder.iterdir())


def needed_by(process, asked):
    """Bytes a step takes at most while it is at work."""
    return space_of(process, asked, sizes_of(asked)).most


# ---- refused


Usage = namedtuple("Usage", "total used free")


@pytest.fixture
def free(monkeypatch):
    """Set what every disk has free, bytes."""

    def lay(count):
        usage = Usage(2**40, 0, count)
        monkeypatch.setattr("shelterscape.runs.disk.shutil.disk_usage", lambda _: usage)

    return lay


def test_work_beyond_the_disk_is_refused_with_the_numbers(tmp_path, capsys, free):
    given = project(tmp_path / "project")
    process = registry.find("shelter")
    needed = RUN_BYTES + needed_by(process, ask(process.inputs, given, ""))
    words = ["shelter", *options(given), "--out", tmp_path / "out"]
    free(int(needed) - 1)
    assert call([*words, "--json"]) == 4
    (error,) = events(capsys.readouterr().out)
    assert error["code"] == "disk-short"
    assert error["where"] == str(tmp_path / "out")
    assert f"up to {needed / MIB:.1f} MiB needed" in error["value"]
    assert "MiB free" in error["value"]
    for way in ("another disk", "fewer winds", "coarser cells", "--disk-limit"):
        assert way in error["mend"]
    assert [path.name for path in tmp_path.iterdir()] == ["project"]
    # Whoever knows better may say so; and a limit counts where there is room, too.
    assert call([*words, "--disk-limit", "1"]) == 0
    free(2**40)
    assert call([*words, "--overwrite", "--disk-limit", "0.0001"]) == 4
    assert "0.1 MiB may be used (as limited)" in capsys.readouterr().err
    assert not leftovers(tmp_path)
    free(math.ceil(needed))
    assert call([*words, "--overwrite"]) == 0


def test_a_plan_is_judged_too(tmp_path, capsys):
    project(tmp_path / "project")
    plan = tmp_path / "project" / "plan.toml"
    inputs = '[inputs]\ndem = "dem.tif"\nwinds = "210"\n'
    plan.write_text(f'{inputs}[[step]]\nprocess = "exposure"\n', encoding="utf-8")
    words = ["run", plan, "--out", tmp_path / "out"]
    assert call([*words, "--disk-limit", "0.0001"]) == 4
    assert "Code: disk-short" in capsys.readouterr().err
    with pytest.raises(WriteError):
        shelterscape.run_plan(plan, out=tmp_path / "out", disk_limit_gib=0.0001)
    assert [path.name for path in tmp_path.iterdir()] == ["project"]
    assert call([*words, "--disk-limit", "1"]) == 0


@pytest.mark.parametrize("limit", ["0", "-1", "nan"])
def test_a_limit_that_is_none(tmp_path, capsys, limit):
    given = project(tmp_path / "project")
    words = ["shelter", *options(given), "--out", tmp_path / "out"]
    assert call([*words, f"--disk-limit={limit}"]) == 2
    assert limit in capsys.readouterr().err
    with pytest.raises(UsageError):
        shelterscape.shelter(**given, out=tmp_path / "out", disk_limit_gib=float(limit))
    assert [path.name for path in tmp_path.iterdir()] == ["project"]


def test_the_old_result_counts_nothing_and_stays(tmp_path, free):
    """It makes room only when the new one is whole."""
    out = tmp_path / "out"
    before = run_toy(out, word="before").record["outputs"]
    free(1000)
    with pytest.raises(WriteError) as caught:
        run_toy(out, word="after", overwrite=True)
    assert caught.value.code == "disk-short"
    assert json.loads((out / "record.json").read_text("utf-8"))["outputs"] == before
    assert not leftovers(tmp_path)


def test_steps_count_together(tmp_path, free):
    """Each would fit by itself; both do not, and nothing of either is begun."""
    begun = []

    def compute(asked, files, run_):
        begun.append(run_)
        write_toy(asked, files, run_)

    def some(asked, sizes):
        return Space(5 * MIB, 2 * MIB)

    def step(name):
        table = type(TOY_TABLE)(f"table_of_{name}", TOY_TABLE.columns, TOY_TABLE.title)
        made = toy(compute, (table,), name)
        process = Process(**{**vars(made), "disk": some})
        return Step(process, process.inputs())

    free(11 * MIB)
    with pytest.raises(WriteError) as caught:
        run([step("one"), step("two")], tmp_path / "out")
    assert caught.value.code == "disk-short"
    assert "12.0 MiB needed (2 steps); 11.0 MiB free" in caught.value.value
    assert not begun
    assert not list(tmp_path.iterdir())


def test_what_a_step_takes_from_another_counts_in_its_turn(tmp_path, free):
    seen = []

    def some(asked, sizes):
        seen.append(asked.belts)
        return Space(5 * MIB)

    def write(asked, files, run_):
        free(MIB)
        frame = gpd.GeoDataFrame({"reason": ["x"], "area_ha": [1.0]}, geometry=[AREA], crs=CRS)
        run_.layer("not_modelled", frame)

    layer = next(o for o in registry.find("shelter").outputs if o.name == "not_modelled")
    columns = {"reason": "reason", "area_ha": "area"}
    layer = type(layer)("not_modelled", "polygon", columns, "A layer.")
    first = Process(**{**vars(toy(write, (layer,), "first")), "disk": some})
    then = Process(**{**vars(toy(process_id="then")), "disk": some})
    fed = then.inputs(belts="step:first/not_modelled")
    free(11 * MIB)
    with pytest.raises(WriteError) as caught:
        run([Step(first, first.inputs()), Step(then, fed)], tmp_path / "out")
    assert caught.value.code == "disk-short"
    assert "up to 5.0 MiB needed; 1.0 MiB free" in caught.value.value
    assert seen[:2] == [None, None]
    assert seen[2].endswith("layers.gpkg:not_modelled")
    assert not list(tmp_path.iterdir())


AREA = shapely.box(WEST, NORTH - 100, WEST + 100, NORTH)


# ---- what is counted


def test_a_folder_that_is_not_there_yet_lies_on_the_disk_of_its_parents(tmp_path, monkeypatch):
    assert free_bytes(tmp_path / "not" / "there") == pytest.approx(free_bytes(tmp_path), rel=0.1)

    def silent(_):
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr("shelterscape.runs.disk.shutil.disk_usage", silent)
    assert free_bytes(tmp_path) == math.inf
    run_toy(tmp_path / "out")


def sizes_with(side, features=0, vertices=0, inside=None):
    """Sizes on a square of so many cells a side."""
    grid = Grid((side, side), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)
    layers = {name: LayerSize(features, vertices, features) for name in ("belts", "places")}
    return Sizes(grid, side * side, layers, 8, inside)


def asked_of(process):
    """Inputs of a process by default, unchecked."""
    fields = process.inputs.model_fields
    usual = {n: f.get_default(call_default_factory=True) for n, f in fields.items()}
    needed = {n: "210" for n, f in fields.items() if f.is_required()}
    return process.inputs.model_construct(**usual | needed)


@pytest.mark.parametrize("name", registry.ids())
def test_more_work_never_takes_less(name):
    process = registry.find(name)
    asked = asked_of(process)
    few, many = (
        process.disk(asked, sizes_with(100, n, 100 * n)) if n else process.disk(asked, Sizes())
        for n in (0, 1000)
    )
    assert few.kept < many.kept
    if not issubclass(process.inputs, TerrainInputs):
        return
    small, large = (process.disk(asked, sizes_with(side)) for side in (100, 1000))
    assert 90 < large.kept / small.kept < 101
    assert 0 < large.passing <= large.kept
    assert large.whole_map == pytest.approx(2 * 8 * 4 * 1e6, rel=0.01)
    part = process.disk(asked, sizes_with(1000, inside=1000))
    assert part.kept < large.kept / 50


def test_a_raster_is_counted_with_its_overviews_and_once_more_for_a_moment():
    """By hand: 4 bytes a cell and band, and a third on top for overviews; blank ground apart."""
    found = space(sizes_with(1000), [1, 3], other=500.0, planes=2, panels=2)
    assert found.kept == pytest.approx(4 * 4e6 * 4 / 3 + 500, rel=0.01)
    assert found.passing == pytest.approx(3 * 4e6 * 4 / 3, rel=0.01)
    assert found.whole_map == 2 * 4e6
    both = found + Space(1.0, 2.0, 3.0)
    assert (both.kept, both.passing) == (found.kept + 1, found.passing)
    assert both.most == both.stays + both.passing == both.kept + both.pictures + both.passing


@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("shelter", {"years": ("surveyed", 2040)}),
        ("shelter", {"by_direction": True}),
        ("exposure", {"topex_classes": ("10 exposed", "sheltered")}),
        ("siting", {"years": (2040, 2050)}),
        ("grant-overlay", {"schemes": ("a", "b", "c", "d")}),
    ],
)
def test_what_is_asked_for_counts(name, more):
    process, sizes = registry.find(name), sizes_with(200, 10, 100)
    asked = asked_of(process)
    assert process.disk(asked.model_copy(update=more), sizes).kept > process.disk(asked, sizes).kept
    if name == "shelter":
        bare = asked.model_copy(update={"terrain": False})
        assert process.disk(bare, sizes).kept < process.disk(asked, sizes).kept
        assert process.disk(bare, sizes).whole_map == 0
