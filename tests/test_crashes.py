"""Crashes, full disks and runs at the same time: no result is lost, none is incomplete."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS as ProjCRS
from run_helpers import (
    CRS,
    ToyData,
    checksums,
    command,
    environment,
    events,
    leftovers,
    options,
    project,
    run_toy,
    toy,
    write_toy,
)

from shelterscape.errors import WriteError
from shelterscape.files import record as records
from shelterscape.files.rasters import RasterWriter
from shelterscape.grid import Grid
from shelterscape.process import Raster
from shelterscape.process.stages import Bands, Block, Results
from shelterscape.runs import staging, step
from shelterscape.terms import TERMS

HERE = Path(__file__).parent


def word_of(out):
    """The word that a toy wrote, from a folder that is complete by its own record."""
    content = json.loads((out / "record.json").read_text("utf-8"))
    reported = {entry["path"]: entry["sha256"] for entry in content["outputs"]}
    there = checksums(out)
    assert set(there) == {*reported, "record.json", "timings.json"}
    assert all(there[path] == sum_ for path, sum_ in reported.items())
    return pd.read_csv(out / "tables" / "toy_areas.csv")["season"][0]


# ---- kill -9


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
@pytest.mark.slow
@pytest.mark.parametrize(
    ("prepared", "fewest"),
    [
        ("nothing there", 10),
        ("an earlier run", 15),
        ("crashed before the swap", 15),
        ("crashed within the swap", 15),
        ("crashed after the swap", 15),
    ],
)
def test_a_run_killed_before_any_disk_operation_leaves_a_complete_folder(
    tmp_path, prepared, fewest
):
    """The next run finds the old or the new result complete, and removes the rest."""
    done = subprocess.run(
        [sys.executable, HERE / "crash_script.py", tmp_path, prepared],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    steps, code = map(int, done.stdout.split())
    assert code == 0
    assert steps > fewest
    found = []
    for folder in sorted(tmp_path.iterdir()):
        out = folder / "out"
        try:
            # Refused, because there is a run; but the folder was repaired after the crash.
            run_toy(out, word="next")
        except WriteError as error:
            assert error.code == "output-exists"
        assert leftovers(folder) == [], folder.name
        assert [path.name for path in folder.iterdir()] == ["out"]
        found.append(word_of(out))
        run_toy(out, word="last", overwrite=True)
        assert word_of(out) == "last"
    first = "next" if prepared == "nothing there" else "before"
    turn = found.index("after")
    assert found == [first] * turn + ["after"] * (len(found) - turn)
    # The last run was not killed; some earlier one had replaced the folder before it was.
    assert 0 < turn < steps - 1 or prepared == "nothing there"


def test_new_names_are_flushed_before_the_old_folder_is_removed(tmp_path, monkeypatch):
    """A power cut loses what was not flushed: flush files, rename, flush names, then remove."""
    out = tmp_path / "out"
    run_toy(out, word="before")
    reported = []

    def flush(path):
        reported.append(("flush", path.name))

    rename, clear = Path.rename, shutil.rmtree

    def renaming(self, target):
        reported.append(("rename", self.name))
        return rename(self, target)

    def clearing(path, **options):
        if path.exists():
            reported.append(("clear", path.name))
        clear(path, **options)

    monkeypatch.setattr(records, "flush", flush)
    monkeypatch.setattr(staging, "flush", flush)
    monkeypatch.setattr(Path, "rename", renaming)
    monkeypatch.setattr(shutil, "rmtree", clearing)
    run_toy(out, word="after", overwrite=True)
    new, old = ".out.shelterscape-new", ".out.shelterscape-old"
    assert reported[-5:] == [
        ("flush", new),
        ("rename", "out"),
        ("rename", new),
        ("flush", tmp_path.name),
        ("clear", "tables"),
    ]
    assert not out.with_name(old).exists()
    flushed = {name for what, name in reported[:-4] if what == "flush"}
    files = {"toy_areas.csv", "summary.txt", "record.json", "timings.json"}
    assert flushed == {new, "tables", *files}


# ---- many at once


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
def test_of_many_runs_at_once_into_one_folder_one_wins(tmp_path):
    """Each run succeeds or is refused because the folder is busy; the result is complete."""
    code = (
        "import os, sys\nfrom pathlib import Path\nfrom run_helpers import run_toy\n"
        "from shelterscape.errors import WriteError\n"
        "read, write = os.pipe()\n"
        "children = []\n"
        "for i in range(8):\n"
        "    child = os.fork()\n"
        "    if child == 0:\n"
        "        os.close(write); os.read(read, 1)\n"  # all wait for one signal
        "        try:\n"
        "            for again in range(6): run_toy(Path(sys.argv[1]), word=f'w{i}',"
        " overwrite=True)\n"
        "        except WriteError as error:\n"
        "            os._exit(4 if error.code == 'output-busy' else 1)\n"
        "        os._exit(0)\n"
        "    children.append(child)\n"
        "os.close(write)\n"
        "print(*(os.WEXITSTATUS(os.waitpid(c, 0)[1]) for c in children))\n"
    )
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-c", code, out],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    codes = [int(word) for word in done.stdout.split()]
    assert len(codes) == 8, done.stderr
    assert set(codes) <= {0, 4}, done.stderr
    assert 0 in codes
    assert 4 in codes, "no two runs met, so the test shows nothing"
    assert word_of(out) in {f"w{i}" for i in range(8)}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


# ---- disks that are full, or may only be read


def mounted(folder, size, *more):
    """Mount a small disk in memory at a folder; skip where that is not allowed."""
    folder.mkdir(exist_ok=True)
    words = ["mount", "-t", "tmpfs", "-o", ",".join([f"size={size}", *more]), "tmpfs", str(folder)]
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command here")
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {done.stderr.strip()}")


@pytest.fixture
def disk(tmp_path):
    """Mount small disks at one folder, one after the other."""
    folder = tmp_path / "disk"
    in_use = []

    def mount(size, *more):
        unmount()
        mounted(folder, size, *more)
        in_use.append(folder)
        return folder

    def unmount():
        while in_use:
            subprocess.run(["umount", str(in_use.pop())], check=True)

    yield mount
    unmount()


GRID = Grid((700, 700), Affine(10, 0, 388_000, 0, -10, 6_124_000), ProjCRS(CRS))
NOISE = np.random.default_rng(3).random(GRID.shape).astype("float32")


def write_noise(path):
    """Write a raster that compresses badly; its size is about 2 MB."""
    with RasterWriter(path, GRID, ["one"], TERMS["relative_wind"]) as raster:
        raster.write(1, NOISE)


def test_a_raster_on_a_disk_that_fills_up_is_complete_or_refused(disk, tmp_path):
    """With any free space: never a file that seems complete and is not."""
    ended = {}
    for kib in range(256, 8192, 256):
        folder = disk(f"{kib}k")
        try:
            write_noise(folder / "noise.tif")
            ended[kib] = "whole"
        except (WriteError, OSError) as error:
            ended[kib] = getattr(error, "code", "system")
            assert not (folder / "noise.part.tif").exists()
    words = list(ended.values())
    assert words[0] != "whole"
    assert words[-1] == "whole"
    # If a disk is large enough, so are all larger ones.
    assert words == sorted(words, key="whole".__eq__)


def test_a_run_on_a_full_disk_keeps_the_earlier_one(disk, monkeypatch):
    outputs = (Raster("relative_wind", "one"),)

    def load(params, reader):
        return ToyData(params, reader, GRID, {"relative_wind": Bands(["one"])})

    def compute(data):
        yield Block("relative_wind", 0, NOISE)
        return Results()

    # Skip the check of free space: this test is about a disk that fills up during the run.
    monkeypatch.setattr(step, "_refuse_short_space", lambda needed, folder: None)
    for kib in (400, 1200, 2400, 3600):
        folder = disk(f"{kib}k")
        out = folder / "out"
        run_toy(out, word="before")
        with pytest.raises(WriteError) as caught:
            run_toy(out, toy(compute, outputs, load=load), overwrite=True)
        assert caught.value.code == "output-unwritable"
        assert word_of(out) == "before"
        assert [path.name for path in folder.iterdir()] == ["out"]


@pytest.mark.parametrize("kib", [0, 4, 8])
def test_a_run_that_cannot_write_a_table_or_its_record_keeps_the_earlier_one(disk, kib):
    """A few blocks are free when the run starts: a table, or the record, cannot be written."""
    folder = disk("256k")
    out = folder / "out"
    run_toy(out, word="before")

    def fill(data):
        free = shutil.disk_usage(folder).free
        (folder / "ballast").write_bytes(b"x" * max(free - kib * 1024, 0))
        return (yield from write_toy(data))

    with pytest.raises(WriteError) as caught:
        run_toy(out, toy(fill), word="after", overwrite=True)
    assert caught.value.code == "output-unwritable"
    assert word_of(out) == "before"
    assert sorted(path.name for path in folder.iterdir()) == ["ballast", "out"]


@pytest.mark.slow
def test_shelter_succeeds_or_leaves_nothing_on_disks_of_all_sizes(disk, tmp_path):
    """The whole command, with layers and pictures: done, or exit code 4 and an empty disk."""
    words = command("shelter", *options(project(tmp_path / "project")), "--json")
    words += ["--out"]
    codes = []
    for kib in (16, 80, 144, 208, 272, 400, 640, 1600, 2600):
        folder = disk(f"{kib}k")
        done = subprocess.run(
            [*words, str(folder / "out")],
            env=environment(),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        codes.append(done.returncode)
        last = events(done.stdout)[-1]
        if done.returncode:
            assert done.returncode == 4, (kib, last)
            assert last["code"] in ("output-unwritable", "disk-short")
            assert last["hint"]
            assert list(folder.iterdir()) == []
        else:
            assert last["event"] == "result"
    assert codes == sorted(codes, reverse=True)
    assert {codes[0], codes[-1]} == {4, 0}


def test_a_read_only_disk_is_refused(disk):
    folder = disk("512k")
    out = folder / "out"
    run_toy(out, word="before")
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    for place, overwrite in ((out, True), (folder / "new", False)):
        with pytest.raises(WriteError) as caught:
            run_toy(place, word="after", overwrite=overwrite)
        assert caught.value.code == "output-unwritable"
        assert caught.value.value == "Read-only file system"
        assert str(folder) in caught.value.where
    assert word_of(out) == "before"
    assert [path.name for path in folder.iterdir()] == ["out"]


def test_inputs_on_a_read_only_disk_can_be_used(disk, tmp_path):
    """Nothing is written beside an input."""
    import shelterscape

    folder = disk("2m")
    given = project(folder / "project")
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    result = shelterscape.shelter(**given, out=tmp_path / "out")
    assert (result.folder / "record.json").is_file()


@pytest.mark.parametrize("options", ["cut short", "zeros", "one bit"])
def test_a_silent_loss_is_found_by_reading_back(tmp_path, monkeypatch, options):
    """A disk that accepts all data and stores less: copying raises no error, reading back does."""
    from shelterscape.files import finishing

    copy = finishing.rasterio.shutil.copy

    def losing(source, target, **more):
        copy(source, target, **more)
        content = bytearray(Path(target).read_bytes())
        if options == "cut short":
            del content[len(content) // 2 :]
        elif options == "zeros":
            content[-len(content) // 3 :] = bytes(len(content) // 3 + 1)
        else:
            content[-1000] ^= 1
        Path(target).write_bytes(content)

    monkeypatch.setattr(finishing.rasterio.shutil, "copy", losing)
    with pytest.raises(WriteError) as caught:
        write_noise(tmp_path / "noise.tif")
    assert caught.value.code == "output-unwritable"
    assert "disk" in caught.value.hint


@pytest.mark.skipif(sys.platform == "win32", reason="files are limited for each process on POSIX")
def test_the_new_folder_is_removed_when_no_more_files_can_be_opened(tmp_path: Path) -> None:
    import resource

    taken: list[int] = []
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        with (
            pytest.raises(OSError, match="Too many open files"),
            staging.Staging(tmp_path / "out", overwrite=False) as output,
        ):
            (output.folder / "rasters").mkdir()
            resource.setrlimit(resource.RLIMIT_NOFILE, (64, before[1]))
            while True:
                taken.append(os.open(os.devnull, os.O_RDONLY))
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
        for one in taken:
            os.close(one)
    assert list(tmp_path.iterdir()) == []
