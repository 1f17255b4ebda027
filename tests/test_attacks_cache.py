"""Attacks on the folder of compiled kernels: damage of all kinds, and files of other people.

Every case must end with the right numbers and repaired files; planted code must never run.
Tests of the folder itself, such as one that is open to others, are in `test_kernel_cache.py`.
"""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import random
import shutil
import time

import pytest
from run_helpers import child, environment, project
from test_kernel_cache import compiled_toys, files, run_toys, toys  # noqa: F401

from shelterscape.kernels import cache_folder, compiled

SEED = 16
WHOLE = {"half": 1.5, "scaled": 6.0, "twice": 12.0}
needs_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can give a file away"
)


class Planted:
    """Code that runs when it is loaded."""

    def __init__(self, path):
        self.path = path

    def __reduce__(self):
        return (os.mkdir, (str(self.path),))


def seeded_damage():
    """Files truncated at random positions, with random bytes, or with random bits flipped."""
    rng = random.Random(SEED)

    def truncated(share):
        return lambda content: content[: int(share * len(content))]

    def garbage(size, seed):
        return lambda content: random.Random(seed).randbytes(size)

    def overwritten(start, seed):
        def damage(content):
            first = int(start * len(content))
            noise = random.Random(seed).randbytes(64)
            return content[:first] + noise + content[first + 64 :]

        return damage

    found = {f"truncated {n}": truncated(rng.random()) for n in range(3)}
    found |= {f"garbage {n}": garbage(rng.choice([1, 31, 32, 33, 5000]), n) for n in range(3)}
    found |= {f"overwritten {n}": overwritten(rng.random(), n) for n in range(3)}
    found |= {
        "empty": lambda content: b"",
        "null bytes": lambda content: bytes(len(content)),
        "without its checksum": lambda content: content[32:],
        "two copies": lambda content: content * 2,
        "end of a pickle": lambda content: hashlib.sha256(b"\x80\x04").digest() + b"\x80\x04",
        "deeply nested": lambda content: with_checksum(b"\x80\x04" + b"(" * 200_000 + b"."),
        "of another kernel": lambda content: with_checksum(pickle.dumps((("x",), ()))),
    }
    return found


def with_checksum(data):
    return hashlib.sha256(data).digest() + data


DAMAGE = seeded_damage()


def values(found):
    return {name: value for name, (value, _) in found.items()}


def test_a_damaged_file_is_compiled_again_and_repaired(toys, tmp_path):  # noqa: F811
    """Three files are damaged at once, each in its own way."""
    _, run = toys
    kernels = {file: file.read_bytes() for name in WHOLE for file in files(tmp_path, name)}
    assert len(kernels) == 3
    names = list(DAMAGE)
    for first in range(0, len(names), 3):
        chosen = names[first : first + 3]
        for name, (file, content) in zip(chosen, kernels.items(), strict=False):
            file.write_bytes(DAMAGE[name](content))
        found = run()
        assert values(found) == WHOLE, chosen
        assert sum(count for _, count in found.values()) == len(chosen), chosen
        assert all(len(file.read_bytes()) > 100 for file in kernels), chosen
    assert {name: count for name, (_, count) in run().items()} == dict.fromkeys(WHOLE, 0)


def by_fifo(file):
    file.unlink()
    os.mkfifo(file)


def by_link(file):
    file.rename(file.with_name("elsewhere"))
    file.symlink_to(file.with_name("elsewhere"))


def by_dangling_link(file):
    file.unlink()
    file.symlink_to("nowhere")


def by_loop(file):
    file.unlink()
    file.symlink_to(file)


def by_sparse_giant(file):
    with file.open("wb") as stream:
        stream.truncate(2**38)


@pytest.mark.parametrize("plant", [by_fifo, by_link, by_dangling_link, by_loop, by_sparse_giant])
def test_what_is_not_a_file_of_ours_is_replaced(toys, tmp_path, plant):  # noqa: F811
    _, run = toys
    (file,) = files(tmp_path, "scaled")
    plant(file)
    found = run()
    assert (values(found), found["scaled"][1]) == (WHOLE, 1)
    assert file.is_file() and not file.is_symlink()
    assert run()["scaled"] == [6.0, 0]


# ---- files of other people


def malicious(file, proof):
    """A file with the right checksum whose code runs when it is loaded."""
    file.write_bytes(with_checksum(pickle.dumps(Planted(proof))))


def of_another_user(file):
    os.chown(file, 12345, -1)


def open_to_group(file):
    file.chmod(0o664)


def open_to_all(file):
    file.chmod(0o666)


def in_open_folder(file):
    file.parent.chmod(0o777)


def in_folder_of_another_user(file):
    os.chown(file.parent, 12345, -1)


def in_linked_folder(file):
    real = file.parent.with_name("real")
    file.parent.rename(real)
    file.parent.symlink_to(real)


@needs_root
@pytest.mark.parametrize(
    "plant",
    [
        of_another_user,
        open_to_group,
        open_to_all,
        in_open_folder,
        in_folder_of_another_user,
        in_linked_folder,
    ],
)
def test_code_that_others_could_plant_is_not_run(toys, tmp_path, plant):  # noqa: F811
    """As after a folder that was open to others has been closed: what is in it stays planted."""
    _, run = toys
    (file,) = files(tmp_path, "scaled")
    malicious(file, tmp_path / "proof")
    plant(file)
    found = run()
    assert not (tmp_path / "proof").exists(), "planted code ran"
    assert (values(found), found["scaled"][1]) == (WHOLE, 1)
    assert run()["scaled"] == [6.0, 0], "kept where only the user can write"
    (file,) = files(tmp_path, "scaled")
    assert not file.is_symlink() and file.stat().st_uid == os.geteuid()


def test_new_files_can_be_changed_by_the_user_only(toys, tmp_path):  # noqa: F811
    """With any mask of the user; a file open to its group would not be loaded."""
    for mask in (0o000, 0o002, 0o077):
        shutil.rmtree(tmp_path / "cache")
        before = os.umask(mask)
        try:
            assert values(run_toys(tmp_path)) == WHOLE
        finally:
            os.umask(before)
        assert {f.stat().st_mode & 0o777 for f in files(tmp_path, "*")} == {0o600}
        assert run_toys(tmp_path)["half"] == [1.5, 0]


# ---- the list of compiled kernels


LISTS = {
    "empty": "",
    "a list": "[]",
    "nested": "[" * 100_000,
    "nested objects": '{"a":' * 100_000,
    "a huge number": '{"key": ' + "9" * 10_000 + "}",
    "files of another type": '{"key": "x", "files": [1, null]}',
    "a null character": '{"key": "x", "files": ["\\u0000"]}',
    "not text": b"\xff\xfe\x00",
    "half": '{"key": "x", "fil',
}


@pytest.mark.parametrize("name", LISTS)
def test_a_list_of_any_content_counts_as_missing(tmp_path, monkeypatch, name):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    compiled.note_all_compiled()
    path = cache_folder.cache_folder() / compiled.LIST
    content = LISTS[name]
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    assert not compiled.all_compiled()


@pytest.mark.parametrize("plant", [by_fifo, by_dangling_link, by_loop, by_sparse_giant])
def test_a_list_that_is_not_a_file_of_ours_counts_as_missing(tmp_path, monkeypatch, plant):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    compiled.note_all_compiled()
    path = cache_folder.cache_folder() / compiled.LIST
    plant(path)
    started = time.monotonic()
    assert not compiled.all_compiled()
    assert time.monotonic() - started < 10
    compiled.note_all_compiled()
    assert json.loads(path.read_text())["key"]


# ---- whole commands


@pytest.mark.slow
def test_a_run_with_a_cache_of_garbage_works_and_repairs_it(tmp_path):
    """Every file of the cache damaged at once; the exit code is 0 and nothing is reported."""
    settings = environment(XDG_CACHE_HOME=str(tmp_path / "cache"))
    words = ["exposure", "--dem", project(tmp_path / "in")["dem"], "--winds", "210"]
    run = "import sys, run_helpers; sys.exit(run_helpers.call(sys.argv[1:]))"
    assert child(run, *words, "--out", tmp_path / "a", env=settings, timeout=500).returncode == 0
    rng = random.Random(SEED)
    code = sorted((tmp_path / "cache").rglob("*.code"))
    assert len(code) > 5
    for file in code:
        content = file.read_bytes()
        file.write_bytes(content[: rng.randrange(len(content))])
    done = child(run, *words, "--out", tmp_path / "b", env=settings, timeout=500)
    assert done.returncode == 0, done.stderr
    first, again = ((tmp_path / name / "record.json").read_bytes() for name in "ab")
    assert first == again
    assert all(len(file.read_bytes()) > 100 for file in code)
