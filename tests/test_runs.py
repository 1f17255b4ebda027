"""Runs: a folder is created in full or not at all, and files of others are never replaced."""

from __future__ import annotations

import errno
import json
import os
import platform
import re
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Annotated

import numpy as np
import pandas as pd
import pyogrio
import pytest
from affine import Affine
from pyproj import CRS as ProjCRS
from run_helpers import (
    CRS,
    TOY_TABLE,
    ToyData,
    ToyInputs,
    checksums,
    child,
    environment,
    leftovers,
    only,
    project,
    row_of,
    run_toy,
    toy,
    write_toy,
)

from shelterscape import calls
from shelterscape.errors import InputError, InternalError, Stopped, WriteError
from shelterscape.grid import Grid
from shelterscape.process import Inputs, Raster
from shelterscape.process.inputs import Several, Source
from shelterscape.process.stages import Bands, Block
from shelterscape.runs import Step, run
from shelterscape.runs.staging import refuse_protected


@pytest.fixture(scope="module")
def first(tmp_path_factory, drawn):
    """`shelter` on the small terrain, run once with pictures: project folder and result."""
    folder = tmp_path_factory.mktemp("first")
    with drawn():
        return folder, calls.find("shelter")(**project(folder), out=folder / "out")


def word_in(folder):
    """The word given to the toy, from the table it wrote."""
    return pd.read_csv(folder / "tables" / "toy_areas.csv")["season"][0]


def refused(code, out, **options):
    """Check that the toy is refused with a code before it computes anything."""

    def never_reached(*_):
        pytest.fail("computed although the folder had to be refused")

    with pytest.raises(WriteError) as caught:
        run_toy(out, toy(never_reached), **options)
    assert caught.value.code == code
    assert caught.value.exit_code == 4
    return caught.value


# ---- what a run writes


def test_the_folder_is_created_only_when_it_is_complete(tmp_path):
    out = tmp_path / "deep" / "out"

    def compute(data):
        assert not out.exists()
        results = yield from write_toy(data)
        assert not out.exists()
        return results

    result = run_toy(out, toy(compute))
    assert set(checksums(out)) == {
        "tables/toy_areas.csv",
        "summary.txt",
        "record.json",
        "timings.json",
    }
    assert result.folder == out
    assert result.tables == {"toy_areas": out / "tables" / "toy_areas.csv"}
    assert leftovers(out.parent) == []


def test_every_file_that_the_result_names_exists(first):
    _, result = first
    for path in [*result.rasters.values(), *result.tables.values(), *result.pictures.values()]:
        assert path.is_file()
    assert set(result.layers) == {"shelter_zones", "belts_assessed", "shelter_not_modelled"}
    for place in result.layers.values():
        path, _, layer = place.rpartition(":")
        assert pyogrio.read_info(path, layer=layer)["features"] > 0
    assert result.record == json.loads((result.folder / "record.json").read_text("utf-8"))


def test_the_record_lists_every_file_with_its_checksum_and_size(first):
    _, result = first
    there = checksums(result.folder)
    listed = {entry["path"]: entry for entry in result.record["outputs"]}
    assert set(listed) == set(there) - {"record.json", "timings.json"}
    for path, entry in listed.items():
        assert entry["sha256"] == there[path]
        assert entry["bytes"] == (result.folder / path).stat().st_size


def test_the_record_names_its_inputs_by_name_and_checksum(first):
    folder, result = first
    step = result.record["steps"][0]
    given = checksums(folder)
    for field, name in (("dem", "dem.tif"), ("belts", "belts.gpkg")):
        assert step["inputs"][field] == name
        assert step["files_read"][field]["sha256"] == {name: given[name]}
    assert step["inputs"]["winds"] == "210,240"
    assert "winds" not in step["files_read"]


class SeveralInputs(Inputs):
    """Inputs of a process that reads several layers in one input."""

    layers: Annotated[Several, Source("layer", "layer of things")] = ()


def test_several_data_sets_in_one_input_are_each_read_and_recorded(tmp_path):
    seen = []

    def load(params, reader):
        seen.extend(params.layers)
        return ToyData(params, reader)

    compute = only(toy_areas=row_of("bare"))
    process = toy(compute, process_id="several", inputs=SeveralInputs, load=load)
    path = project(tmp_path / "in")["belts"]
    given = SeveralInputs(layers=(f"{path}:belts", str(path)))
    step = run([Step(process, given)], tmp_path / "out").record["steps"][0]
    assert seen == list(given.layers)
    assert step["inputs"]["layers"] == ["belts.gpkg:belts", "belts.gpkg"]
    sums = [entry["sha256"] for entry in step["files_read"]["layers"]]
    assert sums == [{"belts.gpkg": checksums(tmp_path / "in")["belts.gpkg"]}] * 2
    assert str(tmp_path) not in str(step)
    with pytest.raises(InputError) as caught:
        run([Step(process, SeveralInputs(layers=(str(tmp_path / "none.gpkg"),)))], tmp_path / "x")
    assert caught.value.code == "file-missing"


def test_the_record_holds_no_path_date_or_machine(first):
    folder, result = first
    text = (result.folder / "record.json").read_text("utf-8")
    assert str(folder) not in text
    assert str(Path.home()) + os.sep not in text
    assert not re.search(r"\d{4}-\d\d-\d\d|\d\d:\d\d:\d\d", text)
    assert not re.search(rf"\b{re.escape(platform.node())}\b", text)
    # These are in timings.json instead.
    timings = json.loads((result.folder / "timings.json").read_text("utf-8"))
    assert timings["host"] == platform.node()
    assert timings["folder"] == str(result.folder)


def test_same_inputs_give_the_same_bytes_in_another_process_and_folder(first, tmp_path):
    folder, result = first
    moved = tmp_path / "elsewhere" / "moved"
    moved.mkdir(parents=True)
    for name in ("dem.tif", "belts.gpkg"):
        shutil.copyfile(folder / name, moved / name)
    code = (
        "import shelterscape\n"
        "shelterscape.shelter(dem='dem.tif', belts='belts.gpkg', winds='210,240',"
        " seasons=('in-leaf',), out='../again')"
    )
    # Another order of sets, another working folder, relative paths.
    done = child(code, cwd=moved, env=environment(PYTHONHASHSEED="77"))
    assert done.returncode == 0, done.stderr
    before, after = checksums(result.folder), checksums(tmp_path / "elsewhere" / "again")
    assert before.pop("timings.json") != after.pop("timings.json")
    assert before == after


def test_other_inputs_give_another_record(tmp_path):
    one, other = run_toy(tmp_path / "a", word="beech"), run_toy(tmp_path / "b", word="larch")
    assert one.record["outputs"] != other.record["outputs"]
    assert one.record["steps"][0]["inputs"] != other.record["steps"][0]["inputs"]


def test_nothing_is_written_beside_an_input(first):
    folder, _ = first
    assert {path.name for path in folder.iterdir()} == {"dem.tif", "belts.gpkg", "out"}


# ---- the summary


def test_the_summary_is_written_recorded_and_the_same_each_time(tmp_path):
    one, other = (run_toy(tmp_path / name) for name in ("a", "b"))
    text = (one.folder / "summary.txt").read_text("utf-8")
    assert "\n".join(one.summary.lines()) in text
    assert "summary.txt" in {entry["path"] for entry in one.record["outputs"]}
    assert text == (other.folder / "summary.txt").read_text("utf-8")


def test_the_summary_holds_all_notices_and_cautions_and_an_existing_file_to_open(first):
    folder, result = first
    text = " ".join((result.folder / "summary.txt").read_text("utf-8").split())
    assert str(folder) not in text
    for step in result.record["steps"]:
        assert step["notices"] and step["cautions"] and step["answer"]
        for words in (*(n["text"] for n in step["notices"]), *step["cautions"], *step["answer"]):
            assert " ".join(words.split())[1:] in text
    assert (result.folder / result.summary.open_first).is_file()
    assert len(result.summary.lines()) <= 24


def test_the_summary_is_removed_with_the_folder_on_overwrite(tmp_path):
    out = tmp_path / "out"
    run_toy(out, word="before", title="Which word before?")
    run_toy(out, word="after", title="Which word after?", overwrite=True)
    assert (out / "summary.txt").read_text("utf-8").startswith("Which word after?\n")
    # A summary that the record does not list is a file of someone else.
    record = json.loads((out / "record.json").read_text("utf-8"))
    record["outputs"] = [one for one in record["outputs"] if one["path"] != "summary.txt"]
    (out / "record.json").write_text(json.dumps(record), encoding="utf-8")
    assert refused("output-foreign", out, overwrite=True).value == "summary.txt"


# ---- what may be replaced


def test_an_earlier_run_is_kept_unless_overwrite_is_given(tmp_path):
    out = tmp_path / "out"
    run_toy(out, word="before")
    before = checksums(out)
    assert "--overwrite" in refused("output-exists", out).hint
    assert checksums(out) == before
    run_toy(out, word="after", overwrite=True)
    assert word_in(out) == "after"
    assert leftovers(tmp_path) == []


def test_overwriting_removes_every_file_of_the_earlier_run(tmp_path):
    out = tmp_path / "out"
    other = TOY_TABLE.__class__("other", TOY_TABLE.columns, "Another table.")

    run_toy(out)
    run_toy(out, toy(only(other=row_of()), (other,)), overwrite=True)
    assert not (out / "tables" / "toy_areas.csv").exists()


@pytest.mark.parametrize("name", ["notes.txt", ".hidden", "rasters/mine.tif"])
def test_a_foreign_file_is_named_and_kept(tmp_path, name):
    out = tmp_path / "out"
    run_toy(out)
    foreign = out / name
    foreign.parent.mkdir(exist_ok=True)
    foreign.write_text("mine")
    before = checksums(out)
    assert name in refused("output-foreign", out, overwrite=True).value
    assert checksums(out) == before
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("record", [None, "{}", "not json", '{"program": "another"}'])
def test_a_folder_without_a_record_of_ours_is_kept(tmp_path, overwrite, record):
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("years of work")
    if record is not None:
        (out / "record.json").write_text(record)
    error = refused("output-foreign", out, overwrite=overwrite)
    assert "thesis.txt" in error.value
    assert (out / "thesis.txt").read_text() == "years of work"


def test_a_file_added_during_the_run_is_kept(tmp_path):
    out = tmp_path / "out"
    run_toy(out, word="before")

    def compute(data):
        (out / "late.txt").write_text("mine")
        return (yield from write_toy(data))

    with pytest.raises(WriteError) as caught:
        run_toy(out, toy(compute), word="after", overwrite=True)
    assert caught.value.code == "output-foreign"
    assert "late.txt" in caught.value.value
    assert (out / "late.txt").is_file()
    assert word_in(out) == "before"
    assert leftovers(tmp_path) == []


def test_an_empty_folder_is_filled(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    run_toy(out)
    assert word_in(out) == "hedge"
    assert leftovers(tmp_path) == []


def test_a_tilde_is_the_home_folder_only_where_it_names_one(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    assert run_toy("~/out").folder == tmp_path / "out"
    assert run_toy("~nobody-of-that-name").folder == tmp_path / "~nobody-of-that-name"


@pytest.mark.parametrize("overwrite", [False, True])
def test_protected_folders_are_refused(tmp_path, monkeypatch, overwrite):
    home, work = tmp_path / "home", tmp_path / "work" / "inner"
    home.mkdir()
    work.mkdir(parents=True)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USERPROFILE", str(home))
    monkeypatch.chdir(work)
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    (tmp_path / "road").symlink_to(tmp_path)
    (tmp_path / "file").write_text("mine")
    os.mkfifo(tmp_path / "pipe")
    before = sorted(tmp_path.rglob("*"))
    places = ["~", ".", "..", "../..", "", work, home, tmp_path / "road" / "home"]
    places += [tmp_path / name for name in ("link", "dangling", "file", "pipe")]
    for place in places:
        refused("output-protected", place, overwrite=overwrite)
    assert sorted(tmp_path.rglob("*")) == before
    assert (tmp_path / "file").read_text() == "mine"


def test_the_root_is_protected():
    refused("output-protected", Path(Path.cwd().anchor))


@pytest.mark.skipif(not Path("/proc").is_mount(), reason="this system mounts nothing at /proc")
def test_a_mount_is_protected():
    with pytest.raises(WriteError) as caught:
        refuse_protected(Path("/proc"))
    assert caught.value.code == "output-protected"


def test_a_parent_that_cannot_hold_the_folder_is_refused(tmp_path):
    (tmp_path / "file").write_text("mine")
    refused("output-unwritable", tmp_path / "file" / "out")
    refused("output-unwritable", tmp_path / "file" / "deep" / "out")
    refused("output-unwritable", tmp_path / ("n" * 250))
    refused("output-unwritable", f"{tmp_path}/a\0b")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)
def test_a_parent_without_write_permission_is_refused(tmp_path):
    tmp_path.chmod(0o500)
    try:
        refused("output-unwritable", tmp_path / "out")
    finally:
        tmp_path.chmod(0o700)


# ---- when something goes wrong


def fails(error):
    """A toy that writes a table and then raises an error."""

    def compute(data):
        yield from write_toy(data)
        raise error

    return toy(compute)


@pytest.mark.parametrize(
    ("raised", "seen", "code"),
    [
        (RuntimeError("broken"), RuntimeError, None),
        (InputError("winds-bad", "Bad winds."), InputError, "winds-bad"),
        (KeyboardInterrupt(), KeyboardInterrupt, None),
        (OSError(errno.ENOSPC, "No space left on device"), WriteError, "output-unwritable"),
    ],
)
def test_an_error_leaves_the_earlier_run_untouched(tmp_path, raised, seen, code):
    out = tmp_path / "out"
    run_toy(out, word="before")
    before = checksums(out)
    with pytest.raises(seen) as caught:
        run_toy(out, fails(raised), word="after", overwrite=True)
    assert getattr(caught.value, "code", None) == code
    assert checksums(out) == before
    assert leftovers(tmp_path) == []
    with pytest.raises(seen):
        run_toy(tmp_path / "fresh", fails(raised))
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("raised", [OSError(errno.EIO, "I/O error"), KeyboardInterrupt()])
def test_an_error_between_the_two_renames_restores_the_earlier_run(tmp_path, monkeypatch, raised):
    out = tmp_path / "out"
    run_toy(out, word="before")
    rename = Path.rename

    def second_fails(self, target):
        if self.name.endswith("-new"):
            raise raised
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", second_fails)
    with pytest.raises((WriteError, KeyboardInterrupt)):
        run_toy(out, word="after", overwrite=True)
    assert word_in(out) == "before"
    assert leftovers(tmp_path) == []


def undeclared_file(data):
    """Write a file that is not declared."""
    folder = next(Path(data.params.word).glob(".*.shelterscape-new"))
    (folder / "scratch.tmp").write_text("left")
    return (yield from write_toy(data))


def undeclared_raster(data):
    """Yield a block of a raster that is not declared."""
    yield Block("relative_wind", 0, np.ones((4, 4), np.float32))
    return (yield from write_toy(data))


@pytest.mark.parametrize(
    ("compute", "named"),
    [
        (only(toy_areas=row_of(), extra=row_of()), "extra"),
        (only(), "toy_areas"),
        (only(toy_areas=row_of().assign(surprise=1)), "surprise"),
        (undeclared_file, "scratch.tmp"),
        (undeclared_raster, "relative_wind"),
    ],
)
def test_a_process_must_write_exactly_what_it_declares(tmp_path, compute, named):
    with pytest.raises(InternalError) as caught:
        run_toy(tmp_path / "out", toy(compute), word=str(tmp_path))
    assert caught.value.exit_code == 1
    assert named in str(caught.value.value)
    assert list(tmp_path.iterdir()) == []


def test_rasters_larger_than_the_disk_are_refused_before_the_work(tmp_path, monkeypatch):
    grid = Grid((4000, 4000), Affine(10, 0, 388_000, 0, -10, 6_124_000), ProjCRS(CRS))

    def load(params, reader):
        return ToyData(params, reader, grid, {"relative_wind": Bands(["one", "two"])})

    def never_reached(data):
        yield pytest.fail("calculated although its rasters would not fit")

    outputs = (Raster("relative_wind", "two"),)
    there = shutil._ntuple_diskusage(10**9, 0, 2 * 16_000_000 * 4 - 1)
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: there)
    with pytest.raises(WriteError) as caught:
        run_toy(tmp_path / "out", toy(never_reached, outputs, load=load))
    assert caught.value.code == "disk-short"
    assert "122.1 MiB" in caught.value.value
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("number", "exit_code"), [(2, 130), (15, 143)])
def test_a_stopped_run_leaves_nothing(tmp_path, number, exit_code):
    out = tmp_path / "out"
    run_toy(out, word="before")
    before = checksums(out)
    seen = []
    with pytest.raises(Stopped) as caught:
        run_toy(
            out,
            word="after",
            overwrite=True,
            progress=seen.append,
            cancelled=lambda: number if seen else 0,
        )
    assert caught.value.exit_code == exit_code
    assert seen, "stopped before it began"
    assert checksums(out) == before
    assert leftovers(tmp_path) == []


def test_a_process_that_never_checks_for_a_stop_is_stopped_at_its_end(tmp_path):
    compute = only(toy_areas=row_of())
    with pytest.raises(Stopped):
        run_toy(tmp_path / "out", toy(compute), cancelled=lambda: 15)
    assert list(tmp_path.iterdir()) == []


def test_an_input_that_cannot_be_read_is_refused(tmp_path, monkeypatch):
    """Root may read anything, so the refusal of the system is simulated."""
    given = project(tmp_path / "project")
    opened = Path.open

    def no_dem(self, *words, **options):
        if self.name == "dem.tif":
            raise PermissionError(errno.EACCES, "Permission denied", str(self))
        return opened(self, *words, **options)

    monkeypatch.setattr(Path, "open", no_dem)
    with pytest.raises(InputError) as caught:
        calls.find("shelter")(**given, out=tmp_path / "out")
    assert caught.value.code == "file-unreadable"
    assert "dem.tif" in caught.value.where
    assert not (tmp_path / "out").exists()


# ---- after a crash


KILLED_AT_RENAME = """
import os, signal, sys
from pathlib import Path
import run_helpers
out, fatal = Path(sys.argv[1]), int(sys.argv[2])
rename, done = Path.rename, []
def counting(self, target):
    if fatal == len(done): os.kill(os.getpid(), signal.SIGKILL)
    done.append(rename(self, target))
    if fatal == 2 == len(done): os.kill(os.getpid(), signal.SIGKILL)
Path.rename = counting
run_helpers.run_toy(out, word="after", overwrite=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fatal", "left", "kept"),
    [(0, {"new", "lock"}, "before"), (1, {"new", "old", "lock"}, "before"), (2, {"old"}, "after")],
    ids=["before the first", "between the two", "after the second"],
)
def test_killed_at_the_swap(tmp_path, fatal, left, kept):
    """A real kill -9 at each rename: the old folder or the new one is there, whole."""
    out = tmp_path / "out"
    run_toy(out, word="before")
    before = checksums(out)
    done = child(KILLED_AT_RENAME, out, fatal)
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert {f".out.shelterscape-{kind}" for kind in left} <= set(leftovers(tmp_path))
    # The next run repairs the folder, even though it is then refused.
    refused("output-exists", out)
    assert leftovers(tmp_path) == []
    assert word_in(out) == kept
    if kept == "before":
        assert checksums(out) == before
    run_toy(out, word="third", overwrite=True)
    assert word_in(out) == "third"
    assert leftovers(tmp_path) == []


def beside(out, kind):
    """A temporary name of staging."""
    return out.with_name(f".{out.name}.shelterscape-{kind}")


@pytest.mark.parametrize("overwrite", [False, True])
def test_the_only_copy_is_restored(tmp_path, overwrite):
    out = tmp_path / "out"
    run_toy(out, word="before")
    before = checksums(out)
    out.rename(beside(out, "old"))
    if not overwrite:
        refused("output-exists", out)
    else:
        with pytest.raises(RuntimeError):
            run_toy(out, fails(RuntimeError("broken")), overwrite=True)
    assert checksums(out) == before
    assert leftovers(tmp_path) == []


def test_the_only_copy_is_kept_when_a_foreign_folder_took_its_place(tmp_path):
    out = tmp_path / "out"
    run_toy(out, word="before")
    out.rename(beside(out, "old"))
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    refused("output-foreign", out, overwrite=True)
    assert word_in(beside(out, "old")) == "before"
    # An empty folder is replaced: the run is restored.
    (out / "notes.txt").unlink()
    refused("output-exists", out)
    assert word_in(out) == "before"
    assert leftovers(tmp_path) == []


def test_a_copy_that_is_no_longer_needed_is_removed(tmp_path):
    out = tmp_path / "out"
    run_toy(out, word="before")
    shutil.copytree(out, beside(out, "old"))
    run_toy(out, word="after", overwrite=True)
    assert word_in(out) == "after"
    assert leftovers(tmp_path) == []


def test_an_incomplete_folder_is_removed(tmp_path):
    out = tmp_path / "out"
    (beside(out, "new") / "rasters").mkdir(parents=True)
    (beside(out, "new") / "rasters" / "half.part.tif").write_text("half")
    (beside(out, "new") / ".shelterscape-staging").touch()
    run_toy(out)
    assert "rasters/half.part.tif" not in checksums(out)
    assert leftovers(tmp_path) == []


# ---- locks


WAITING_RUN = """
import sys
from pathlib import Path
import run_helpers
def compute(data):
    print("at work", flush=True)
    sys.stdin.readline()
    return (yield from run_helpers.write_toy(data))
run_helpers.run_toy(Path(sys.argv[1]), run_helpers.toy(compute), word="child")
"""


@pytest.fixture
def at_work(tmp_path):
    """Another process, during a run into ``out``."""
    with subprocess.Popen(
        [sys.executable, "-c", WAITING_RUN, str(tmp_path / "out")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
    ) as process:
        assert process.stdout.readline() == "at work\n"
        yield process
        process.kill()


def test_two_runs_do_not_share_a_folder(tmp_path, at_work):
    out = tmp_path / "out"
    error = refused("output-busy", out, overwrite=True)
    assert f"process {at_work.pid} on {socket.gethostname()}" in error.value
    # The other run is not disturbed, and another folder can be used.
    run_toy(tmp_path / "neighbour")
    at_work.communicate("\n", timeout=60)
    assert at_work.returncode == 0
    assert word_in(out) == "child"
    assert leftovers(tmp_path) == []


def test_the_lock_of_a_dead_process_is_taken_over(tmp_path, at_work):
    out = tmp_path / "out"
    at_work.kill()
    at_work.wait(60)
    assert set(leftovers(tmp_path)) == {beside(out, kind).name for kind in ("lock", "new")}
    held = []

    def compute(data):
        held.append(json.loads(beside(out, "lock").read_text("utf-8")))
        return (yield from write_toy(data))

    run_toy(out, toy(compute))
    # The lock file now names this process, and others can read it.
    assert held[0]["pid"] == os.getpid()
    assert held[0]["host"] == socket.gethostname()
    assert leftovers(tmp_path) == []


def test_a_run_within_a_run_is_refused(tmp_path):
    out = tmp_path / "out"

    def compute(data):
        refused("output-busy", out)
        return (yield from write_toy(data))

    run_toy(out, toy(compute))
    assert word_in(out) == "hedge"


def test_a_lock_of_another_machine_is_respected(tmp_path):
    """On a shared disk it is unknown whether that machine is still running."""
    out = tmp_path / "out"
    lock = beside(out, "lock")
    text = json.dumps({"pid": 7, "host": "another-machine", "start": "2026-01-01 00:00:00"})
    lock.write_text(text)
    error = refused("output-busy", out)
    assert "another-machine" in error.value
    assert str(lock) in error.where
    assert lock.read_text() == text
    assert leftovers(tmp_path) == [lock.name]


@pytest.mark.parametrize("text", ["", '{"pid": 7, "ho', "\0\0"])
def test_an_unreadable_lock_without_holder_is_taken_over(tmp_path, text):
    out = tmp_path / "out"
    beside(out, "lock").write_text(text)
    run_toy(out)
    assert leftovers(tmp_path) == []


# ---- names of steps


def test_two_steps_with_the_same_id_or_outputs_are_refused(tmp_path):
    for steps in (
        [Step(toy(), ToyInputs(), "a"), Step(toy(), ToyInputs(), "a")],
        [Step(toy(), ToyInputs(), "a"), Step(toy(), ToyInputs(), "b")],
    ):
        with pytest.raises(InputError) as caught:
            run(steps, tmp_path / "out")
        assert caught.value.code == "plan-bad"
    assert list(tmp_path.iterdir()) == []


def test_a_link_among_the_results_is_a_foreign_file(tmp_path):
    """Replacing the folder would delete the link of a user."""
    out, other = tmp_path / "out", tmp_path / "other"
    other.mkdir()
    run_toy(out)
    (out / "shortcut").symlink_to(other, target_is_directory=True)
    with pytest.raises(WriteError) as caught:
        run_toy(out, overwrite=True)
    assert caught.value.code == "output-foreign"
    assert "shortcut" in str(caught.value.value)
    assert (out / "shortcut").is_symlink()
