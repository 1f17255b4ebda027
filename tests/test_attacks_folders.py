"""Attacks on the folders and files beside results: links, files of other people, damaged state."""

from __future__ import annotations

import os
import shutil

import pytest
from run_helpers import checksums, leftovers, run_toy, toy, write_toy

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


def beside(out, kind):
    return out.with_name(f".{out.name}.shelterscape-{kind}")


def own_folder(place, mine):
    shutil.copytree(mine, place)


def own_link(place, mine):
    place.symlink_to(mine)


def own_file(place, mine):
    shutil.copy(mine / "thesis.txt", place)


def own_folder_with_a_run(place, mine):
    run_toy(place)
    shutil.copy(mine / "thesis.txt", place)


def own_folder_with_a_linked_mark(place, mine):
    shutil.copytree(mine, place)
    (place / ".shelterscape-staging").symlink_to(mine / "thesis.txt")


OWN = [own_folder, own_link, own_file, own_folder_with_a_run, own_folder_with_a_linked_mark]


@pytest.mark.parametrize("own", OWN)
@pytest.mark.parametrize("kind", ["new", "old"])
@pytest.mark.parametrize("earlier", [False, True])
def test_a_folder_named_like_a_temporary_one_is_refused_and_kept(tmp_path, own, kind, earlier):
    out, mine = tmp_path / "out", tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text(PRECIOUS)
    if earlier:
        run_toy(out)
    own(beside(out, kind), mine)
    before = checksums(tmp_path)
    with pytest.raises(WriteError) as caught:
        run_toy(out, overwrite=True)
    assert caught.value.code == "output-foreign" and caught.value.hint
    assert checksums(tmp_path) == before and os.path.lexists(beside(out, kind))
    assert out.exists() is earlier


def swapped_for_a_link(new, mine):
    new.rename(new.with_name("moved"))
    new.symlink_to(mine)


def swapped_for_a_folder(new, mine):
    new.rename(new.with_name("moved"))
    shutil.copytree(mine, new)


def part_swapped_for_a_link(new, mine):
    (new / "tables").symlink_to(mine)


def file_swapped_for_a_link(new, mine):
    (new / "summary.txt").symlink_to(mine / "none")


SWAPS = [swapped_for_a_link, swapped_for_a_folder, part_swapped_for_a_link, file_swapped_for_a_link]


@pytest.mark.parametrize("swap", SWAPS)
def test_a_temporary_folder_swapped_during_a_run_is_never_published(tmp_path, swap):
    out, mine = tmp_path / "out", tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text(PRECIOUS)

    def compute(data):
        results = yield from write_toy(data)
        swap(beside(out, "new"), mine)
        return results

    with pytest.raises(WriteError) as caught:
        run_toy(out, toy(compute))
    assert caught.value.code == "output-foreign"
    assert (mine / "thesis.txt").read_text() == PRECIOUS
    assert not os.path.lexists(out) and not (mine / "none").exists()
    if swap is swapped_for_a_folder:
        assert (beside(out, "new") / "thesis.txt").read_text() == PRECIOUS


def test_a_linked_file_in_an_earlier_run_is_refused(tmp_path):
    out = run_toy(tmp_path / "out").folder
    (out / "summary.txt").unlink()
    (tmp_path / "thesis.txt").write_text(PRECIOUS)
    (out / "summary.txt").symlink_to(tmp_path / "thesis.txt")
    with pytest.raises(WriteError) as caught:
        run_toy(out, overwrite=True)
    assert caught.value.code == "output-foreign" and caught.value.value == "summary.txt"


def test_the_mark_of_a_temporary_folder_is_not_published(tmp_path):
    out = run_toy(tmp_path / "out").folder
    assert not (out / ".shelterscape-staging").exists() and not leftovers(tmp_path)


@pytest.mark.parametrize("kind", ["new", "old"])
def test_an_empty_temporary_folder_is_removed(tmp_path, kind):
    beside(tmp_path / "out", kind).mkdir()
    run_toy(tmp_path / "out")
    assert not leftovers(tmp_path)
