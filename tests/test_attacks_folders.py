"""Attacks on the folders and files beside results: links, files of other people, damaged state."""

from __future__ import annotations

import os

import pytest
from run_helpers import run_toy

from shelterscape.batch.state import BatchFolder, is_shared_folder
from shelterscape.errors import WriteError
from shelterscape.files import record as records

PRECIOUS = "years of work"


def lock_of(out):
    return out.with_name(f".{out.name}.shelterscape-lock")


def link(lock, victim):
    lock.symlink_to(victim)


def dangling(lock, victim):
    lock.symlink_to(victim.with_name("none"))


def hard_link(lock, victim):
    os.link(victim, lock)


def folder(lock, victim):
    lock.mkdir()


def fifo(lock, victim):
    os.mkfifo(lock)


def text(content):
    def plant(lock, victim):
        lock.write_text(content)

    return plant


PLANTS = [link, dangling, hard_link, folder, fifo, text("notes"), text("[1]"), text("[" * 9000)]


@pytest.mark.parametrize("opened", [run_toy, lambda out: BatchFolder(out).locked().__enter__()])
@pytest.mark.parametrize("plant", PLANTS)
def test_a_lock_that_is_not_ours_is_refused_and_kept(tmp_path, plant, opened):
    victim = tmp_path / "victim.txt"
    victim.write_text(PRECIOUS)
    lock = lock_of(tmp_path / "out")
    plant(lock, victim)
    with pytest.raises(WriteError) as caught:
        opened(tmp_path / "out")
    assert caught.value.code == "output-foreign"
    assert caught.value.hint
    assert victim.read_text() == PRECIOUS
    assert os.path.lexists(lock) and not (tmp_path / "none").exists()
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("part", ["holdings", "failures", "whole_map", "combined"])
def test_a_linked_folder_in_a_batch_is_refused(tmp_path, part):
    with BatchFolder(tmp_path / "out").locked():
        pass
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "thesis.txt").write_text(PRECIOUS)
    if (tmp_path / "out" / part).is_dir():
        (tmp_path / "out" / part).rmdir()
    (tmp_path / "out" / part).symlink_to(tmp_path / "other")
    with pytest.raises(WriteError) as caught, BatchFolder(tmp_path / "out").locked():
        pytest.fail("locked")
    assert caught.value.code == "output-foreign"
    assert [p.name for p in (tmp_path / "other").iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize(
    ("name", "files", "ours"),
    [
        ("0123456789abcdef", ["0123456789ab.json", "terrain.tif"], True),
        ("0123456789abcdef", ["terrain_wind_0123456789ab/30.000000000.tif"], True),
        ("0123456789abcdef", ["thesis.txt"], False),
        ("0123456789abcdef", ["terrain_wind_0123456789ab/notes.txt"], False),
        ("photos", ["terrain.tif"], False),
        ("photos", [], False),
    ],
)
def test_only_folders_of_shared_work_may_be_removed(tmp_path, name, files, ours):
    for file in files:
        path = tmp_path / name / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    (tmp_path / name).mkdir(exist_ok=True)
    assert is_shared_folder(tmp_path / name) is ours
    (tmp_path / name / "terrain.tif").unlink(missing_ok=True)
    (tmp_path / name / "terrain.tif").symlink_to(tmp_path)
    assert not is_shared_folder(tmp_path / name)


@pytest.mark.parametrize("content", ["", "[" * 100_000, '{"a":' * 100_000, "\0" * 99])
def test_a_record_of_any_content_is_no_record(tmp_path, content):
    (tmp_path / "record.json").write_text(content)
    assert records.read_record(tmp_path) is None


@pytest.mark.parametrize("needs_write", [False, True])
def test_a_file_is_flushed_through_a_handle_the_system_accepts(tmp_path, monkeypatch, needs_write):
    opened, flags = os.open, []
    monkeypatch.setattr(records, "_FLUSH_NEEDS_WRITE", needs_write)
    monkeypatch.setattr(records.os, "open", lambda p, f: flags.append(f) or opened(p, f))
    (tmp_path / "a").write_text("x")
    records.flush(tmp_path / "a")
    records.flush(tmp_path)
    assert flags == [os.O_RDWR if needs_write else os.O_RDONLY, os.O_RDONLY]
