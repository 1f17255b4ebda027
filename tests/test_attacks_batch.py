"""Attacks on the folder of a batch: no damaged state or result is used or combined."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys

import batch_toys
import pytest
from batch_helpers import catchment, results
from batch_toys import toy_catchment
from run_helpers import environment
from test_batch import HerePool, forget, go, seen, statuses

from shelterscape import batch, registry
from shelterscape.batch import BatchOptions, plan_batch
from shelterscape.batch.sizes import seconds_taken
from shelterscape.errors import ShelterscapeError, WriteError
from shelterscape.files import record as records
from shelterscape.process.shared import Shared


@pytest.fixture(autouse=True)
def here(monkeypatch):
    """Work in this process, and register the toy process."""
    monkeypatch.setattr(batch, "_pool", lambda options: HerePool())
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A finished batch of the toy; copy it before changing it."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(batch, "_pool", lambda options: HerePool())
        for name, place in batch_toys.BUILT_IN.items():
            patched.setitem(registry.BUILT_IN, name, place)
        folder = tmp_path_factory.mktemp("finished")
        plan, traps = toy_catchment(folder / "in")
        go(plan, folder / "out")
    return plan, traps, folder / "out"


@pytest.fixture
def copy(finished, tmp_path):
    """A copy of the finished batch, with its plan and traps."""
    plan, traps, out = finished
    forget(traps)
    shutil.copytree(out, tmp_path / "out")
    return plan, traps, tmp_path / "out"


def flip(path):
    """Change one bit in the middle of a file."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def empty(path):
    path.write_bytes(b"")


def remove(path):
    path.unlink()


def zeros(path):
    path.write_bytes(b"\0" * path.stat().st_size)


def cut(path):
    os.truncate(path, path.stat().st_size // 2)


DAMAGES = [flip, empty, remove, zeros, cut]


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("file", ["rasters/topex_deg.tif", "layers.gpkg", "summary.txt"])
def test_a_damaged_file_of_a_finished_holding_is_made_again(finished, copy, file, damage):
    plan, traps, out = copy
    damage(next((out / "holdings").glob("h-2-*")) / file)
    assert go(plan, out).exit_code == 0
    assert seen(traps) == ["h-2"] and results(out) == results(finished[2])


def test_a_record_with_other_figures_is_not_used(finished, copy):
    plan, traps, out = copy
    path = next((out / "holdings").glob("h-2-*")) / "record.json"
    content = json.loads(path.read_text())
    content["steps"][0]["figures"] = {"cost": 1.0}
    records.write_json(path, content)
    go(plan, out)
    assert seen(traps) == ["h-2"] and results(out) == results(finished[2])


@pytest.fixture(scope="module")
def with_terrain_wind(tmp_path_factory):
    """A finished batch that shares terrain wind over the whole map."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(batch, "_pool", lambda options: HerePool())
        folder = tmp_path_factory.mktemp("wind")
        plan = catchment(folder / "in")
        go(plan, folder / "out", only=("h-1",))
    return plan, folder / "out"


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_raster_of_the_whole_map_is_made_again(with_terrain_wind, tmp_path, damage):
    plan, finished = with_terrain_wind
    out = tmp_path / "out"
    shutil.copytree(finished, out)
    path = min((out / "whole_map").rglob("terrain_wind_*/*.tif"))
    good = path.read_bytes()
    damage(path)
    result = go(plan, out, only=("h-2",))
    assert path.read_bytes() == good
    assert statuses(result) == {"h-1": "done", "h-2": "done", "h-3": "not run"}


CONTENTS = [
    "",
    "[" * 100_000,
    '{"a":' * 100_000,
    "\0" * 99,
    "null",
    "[]",
    "1" + "0" * 400,
    '{"program": "shelterscape", "outputs": 5, "steps": 7, "key": []}',
    '{"program": "shelterscape", "outputs": [5, {"path": 7}, {"path": "../x"}], "key": "k"}',
    '{"seconds": 1' + "0" * 400 + ', "record_sha256": {}, "kind": [], "error": 5, "margin_m": []}',
    '{"seconds": NaN, "error": {"code": []}, "key": {}, "files": 5, "margin_m": 1e999}',
    '{"seconds": true, "error": {}, "files": [5, "../../x.tif"], "margin_m": "wide"}',
]


@pytest.mark.parametrize("content", CONTENTS)
@pytest.mark.parametrize(
    "file",
    [
        "batch.json",
        "holdings/h-2-*/timings.json",
        "holdings/h-2-*/record.json",
        "whole_map/*/*.json",
    ],
)
def test_state_of_any_content_gives_the_same_results_or_a_clear_error(
    copy, finished, file, content
):
    plan, _, out = copy
    next(out.glob(file)).write_text(content)
    plan_batch(plan, out, holdings=str(plan.parent / "holdings.gpkg"), options=BatchOptions())
    try:
        result = go(plan, out)
    except ShelterscapeError as error:
        assert error.code == "output-foreign" and error.hint and file == "batch.json"
        return
    if result.exit_code == 0:
        assert results(out) == results(finished[2])
        return
    assert [s.error["code"] for s in result.states if s.error] == ["output-foreign"]
    assert [s.error["hint"] for s in result.states if s.error] != [""]


@pytest.mark.parametrize("content", CONTENTS)
def test_a_note_of_a_failure_of_any_content_is_no_failure(copy, content):
    plan, _, out = copy
    folder = next((out / "holdings").glob("h-2-*"))
    shutil.rmtree(folder)
    (out / "failures" / f"{folder.name}.json").write_text(content)
    assert go(plan, out).exit_code == 0


@pytest.mark.parametrize("content", CONTENTS)
def test_times_of_any_content_are_no_times(tmp_path, content):
    (tmp_path / "timings.json").write_text(content)
    found = seconds_taken(tmp_path)
    assert found is None or found <= 1


@pytest.mark.parametrize("content", [None, "", "\0\0\0", "{", '{"program": "shelter'])
def test_a_damaged_mark_of_a_finished_batch_is_made_again(finished, copy, content):
    plan, traps, out = copy
    (out / "batch.json").unlink() if content is None else (out / "batch.json").write_text(content)
    assert go(plan, out).exit_code == 0
    assert not seen(traps) and results(out) == results(finished[2])
    assert json.loads((out / "batch.json").read_text())["kind"] == "batch"


@pytest.mark.parametrize("content", [None, ""])
def test_a_batch_that_was_just_started_is_started_again(finished, tmp_path, content):
    plan, out = finished[0], tmp_path / "out"
    (out / "holdings").mkdir(parents=True)
    if content is not None:
        (out / "batch.json").write_text(content)
    assert go(plan, out).exit_code == 0


@pytest.mark.parametrize("file", ["thesis.txt", "holdings/thesis.txt", "batch.json"])
def test_files_of_other_people_are_never_taken_for_a_batch(finished, tmp_path, file):
    out = tmp_path / "out"
    (out / "holdings").mkdir(parents=True)
    (out / file).write_text("years of work")
    with pytest.raises(WriteError) as caught:
        go(finished[0], out)
    assert caught.value.code == "output-foreign" and caught.value.hint
    assert (out / file).read_text() == "years of work"


@pytest.mark.parametrize(
    "place", ["holdings/h-2-x", "whole_map/0123456789abcdef", "failures/a.json", "combined/x"]
)
def test_a_link_anywhere_in_a_batch_is_refused(copy, tmp_path, place):
    plan, traps, out = copy
    (tmp_path / "mine").mkdir()
    (out / place).symlink_to(tmp_path / "mine")
    with pytest.raises(WriteError) as caught:
        go(plan, out)
    assert caught.value.code == "output-foreign" and caught.value.where == str(out / place)
    assert not seen(traps) and not list((tmp_path / "mine").iterdir())


def test_shared_work_is_flushed_before_it_gets_its_name(tmp_path, monkeypatch):
    reported = []
    replace = os.replace
    monkeypatch.setattr(records, "flush", lambda path: reported.append(("flush", path.name)))
    monkeypatch.setattr(
        os, "replace", lambda a, b: reported.append(("replace", b.name)) or replace(a, b)
    )
    (tmp_path / "shared").mkdir()
    Shared(tmp_path / "shared").keep_margin("step", 5.0)
    (_, part), (kind, name), last = reported
    assert part == f".{name}.part" and kind == "replace" and last == ("flush", "shared")


UNGUARDED = """
import sys, batch_toys
from shelterscape import registry
from shelterscape.batch import BatchOptions, run_batch
registry.BUILT_IN.update(batch_toys.BUILT_IN)
run_batch({plan!r}, {out!r}, holdings={holdings!r}, options=BatchOptions(workers={workers}))
"""


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_a_script_without_a_guard_gets_one_clear_error(finished, tmp_path, workers):
    plan = finished[0]
    script = tmp_path / "script.py"
    out, holdings = tmp_path / "out", plan.parent / "holdings.gpkg"
    script.write_text(
        UNGUARDED.format(plan=str(plan), out=str(out), holdings=str(holdings), workers=workers)
    )
    done = subprocess.run(
        [sys.executable, script],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.count("Traceback") == 1
    assert 'Move the call below the line: if __name__ == "__main__":' in done.stderr
