"""Attacks on inputs during a run: changed, replaced or removed files never give a result."""

from __future__ import annotations

import os
from dataclasses import dataclass

import batch_toys
import pytest
from batch_helpers import failures_of
from batch_toys import toy_catchment
from run_helpers import ToyData, ToyInputs, toy, write_toy
from test_batch import HerePool, go, statuses

from shelterscape import batch, registry
from shelterscape.errors import InputError
from shelterscape.files import unchanged
from shelterscape.files.unchanged import InputWatch
from shelterscape.runs import Step, run

OLD_TEXT, NEW_TEXT = "hedges: 12 m", "hedges: 21 m"
DAY_NS = 86_400 * 10**9


def rewritten(path):
    path.write_text(NEW_TEXT)


def rewritten_with_the_old_time(path):
    before = os.stat(path)
    path.write_text(NEW_TEXT)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def replaced(path):
    path.with_name("new").write_text(NEW_TEXT)
    path.with_name("new").replace(path)


def replaced_with_the_old_time(path):
    before = os.stat(path)
    replaced(path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def swapped_for_a_link(path):
    path.with_name("new").write_text(NEW_TEXT)
    path.unlink()
    path.symlink_to(path.with_name("new"))


def removed(path):
    path.unlink()


def cut(path):
    os.truncate(path, 3)


CHANGES = [
    rewritten,
    rewritten_with_the_old_time,
    replaced,
    replaced_with_the_old_time,
    swapped_for_a_link,
    removed,
    cut,
]


@dataclass
class Moment:
    """A toy that changes its input at one moment of its run."""

    moment: str
    change: object

    def load(self, params, reader):
        if self.moment == "load":
            self.change()
        return ToyData(params, reader)

    def compute(self, data):
        if self.moment == "compute":
            self.change()
        return (yield from write_toy(data))


def run_changed(tmp_path, moment, change):
    toys = Moment(moment, change)
    process = toy(toys.compute, load=toys.load)
    path = tmp_path / "ground.txt"
    return run([Step(process, ToyInputs(ground=str(path)))], tmp_path / "out")


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("moment", ["load", "compute"])
def test_a_changed_input_fails_the_run_and_nothing_is_kept(tmp_path, moment, change):
    path = tmp_path / "ground.txt"
    path.write_text(OLD_TEXT)
    with pytest.raises(InputError) as caught:
        run_changed(tmp_path, moment, lambda: change(path))
    assert caught.value.code == "input-changed" and caught.value.where == str(path)
    assert caught.value.hint
    assert {p.name for p in tmp_path.iterdir()} <= {"ground.txt", "new"}


def same_bytes_again(path):
    path.write_text(OLD_TEXT)


def touched(path):
    os.utime(path)


def copied_back(path):
    path.with_name("new").write_text(OLD_TEXT)
    path.with_name("new").replace(path)


@pytest.mark.parametrize("change", [same_bytes_again, touched, copied_back])
@pytest.mark.parametrize("moment", ["load", "compute"])
def test_an_input_with_the_same_bytes_is_accepted(tmp_path, moment, change):
    path = tmp_path / "ground.txt"
    path.write_text(OLD_TEXT)
    assert run_changed(tmp_path, moment, lambda: change(path)).folder.is_dir()


def test_a_change_within_one_time_stamp_is_found_by_the_checksum(tmp_path, monkeypatch):
    """On systems that store whole seconds, a file changed twice in one has the same state."""
    path = tmp_path / "ground.txt"
    path.write_text(OLD_TEXT)
    before = unchanged._state(path)
    monkeypatch.setattr(unchanged, "_state", lambda path: before)
    with pytest.raises(InputError) as caught:
        run_changed(tmp_path, "compute", lambda: rewritten(path))
    assert caught.value.code == "input-changed"


def test_settled_inputs_are_read_once(tmp_path, monkeypatch):
    path = tmp_path / "ground.txt"
    path.write_text(OLD_TEXT)
    state = unchanged._state(path)
    early = (*state[:3], state[3] - DAY_NS, state[4] - DAY_NS)
    monkeypatch.setattr(unchanged, "_state", lambda path: early)
    read = []
    monkeypatch.setattr(unchanged, "sha256_of", lambda path: read.append(path) or "a")
    watch = InputWatch()
    for _ in range(3):
        assert watch.sha256(path) == "a"
        watch.check()
    assert len(read) == 1


@pytest.fixture
def batch_toy(monkeypatch):
    monkeypatch.setattr(batch, "_pool", lambda options: HerePool())
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


def test_a_holding_whose_input_changes_while_it_is_read_is_not_kept(
    batch_toy, tmp_path, monkeypatch
):
    plan, _ = toy_catchment(tmp_path / "in")
    dem = tmp_path / "in" / "dem.tif"
    good, before = dem.read_bytes(), batch_toys._act_on_traps

    def act(folder, reader):
        before(folder, reader)
        if reader.area is not None and reader.area.name == "h-2":
            dem.with_name("new.tif").write_bytes(good[:-4] + b"\0\0\0\1")
            dem.with_name("new.tif").replace(dem)

    with monkeypatch.context() as patched:
        patched.setattr(batch_toys, "_act_on_traps", act)
        result = go(plan, tmp_path / "out")
    found = statuses(result)
    assert result.exit_code == 5 and found["h-2"] == "failed"
    assert {*failures_of(tmp_path / "out").values()} == {"input-changed"}
    assert not list((tmp_path / "out" / "holdings").glob("h-2-*"))
    # With the first file back, the failed ones are run without a further option.
    dem.write_bytes(good)
    assert go(plan, tmp_path / "out").exit_code == 0


def test_work_over_the_whole_map_of_a_changed_input_is_not_kept(batch_toy, tmp_path, monkeypatch):
    plan, _ = toy_catchment(tmp_path / "in")
    dem = tmp_path / "in" / "dem.tif"
    good, whole_map = dem.read_bytes(), batch_toys.whole_map

    def change(params, reader):
        dem.write_bytes(good[:-4] + b"\0\0\0\1")
        return whole_map(params, reader)

    with monkeypatch.context() as patched:
        patched.setattr(batch_toys, "whole_map", change)
        with pytest.raises(InputError) as caught:
            go(plan, tmp_path / "out")
    assert caught.value.code == "input-changed"
    assert not list((tmp_path / "out" / "whole_map").iterdir())
    dem.write_bytes(good)
    assert go(plan, tmp_path / "out").exit_code == 0
