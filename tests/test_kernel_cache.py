"""Machine code kept between sessions: recompiled when required, safe from others and damage."""

from __future__ import annotations

import ast
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from run_helpers import run_toy

from shelterscape.kernels import cache, cache_folder, cache_key, compiled

KERNELS = Path(cache.__file__).parent

# ---- edits

MODULES = {
    "base": "FACTOR = 2.0\n",
    "middle": """
from shelterscape.kernels.cache import kernel
from toys import base

@kernel
def scaled(x):
    return base.FACTOR * x
""",
    "outer": """
from shelterscape.kernels.cache import kernel
from toys.middle import scaled

@kernel(nogil=True, fastmath={"reassoc", "nsz"})
def twice(x):
    return scaled(x) + scaled(x)
""",
    "apart": """
from shelterscape.kernels.cache import kernel

@kernel
def half(x):
    return 0.5 * x
""",
}
SCRIPT = """
import json
from toys.apart import half
from toys.middle import scaled
from toys.outer import twice
found = {f.__name__: [f(3.0), sum(f.stats.cache_misses.values())] for f in (half, scaled, twice)}
print(json.dumps(found))
"""


def run_toys(folder):
    """Value and number of compilations by function, from a separate process."""
    settings = os.environ | {
        "XDG_CACHE_HOME": str(folder / "cache"),
        "PYTHONPATH": os.pathsep.join([str(folder), str(KERNELS.parents[1])]),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT], env=settings, capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def compiled_toys(tmp_path_factory):
    """A package of kernels with their machine code, just compiled."""
    folder = tmp_path_factory.mktemp("toys")
    (folder / "toys").mkdir()
    (folder / "toys" / "__init__.py").write_text("")
    for name, text in MODULES.items():
        (folder / "toys" / f"{name}.py").write_text(text)
    assert run_toys(folder) == {"half": [1.5, 1], "scaled": [6.0, 1], "twice": [12.0, 1]}
    return folder


@pytest.fixture
def toys(compiled_toys, tmp_path):
    """A copy of it to change, and a function that runs it in a separate process."""
    shutil.copytree(compiled_toys, tmp_path, dirs_exist_ok=True)
    return tmp_path / "toys", lambda: run_toys(tmp_path)


def files(tmp_path, name):
    return sorted((tmp_path / "cache" / "shelterscape" / "kernels").glob(f"*/{name}-*.code"))


@pytest.mark.slow
def test_an_edit_recompiles_only_what_depends_on_it(toys):
    package, run = toys
    assert run() == {"half": [1.5, 0], "scaled": [6.0, 0], "twice": [12.0, 0]}
    (package / "base.py").write_text("FACTOR = 5.0\n")
    assert run() == {"half": [1.5, 0], "scaled": [15.0, 1], "twice": [30.0, 1]}
    # After undoing the edit, code of the earlier state still exists.
    (package / "base.py").write_text("FACTOR = 2.0\n")
    assert run() == {"half": [1.5, 0], "scaled": [6.0, 0], "twice": [12.0, 0]}


def test_the_key_of_a_module_covers_what_it_imports():
    name = "shelterscape.kernels.downwind"
    covered = {one.rpartition(".")[2] for one in cache_key.with_imports(name)}
    assert {"downwind", "strips", "cache"} <= covered
    assert not {"horizon", "spectral", "siting", "shelter_curves"} & covered
    assert len(cache_key.module_key(name)) == 16
    assert cache_key.module_key(name) != cache_key.module_key("shelterscape.kernels.enlarge")


def test_settings_of_the_compiler_are_in_the_key(monkeypatch):
    before = cache_key.module_key("shelterscape.kernels.strips")
    cache_key._compiler.cache_clear()
    monkeypatch.setattr("numba.config.BOUNDSCHECK", 1)
    try:
        assert cache_key.module_key("shelterscape.kernels.strips") != before
    finally:
        monkeypatch.undo()
        cache_key._compiler.cache_clear()
    assert cache_key.module_key("shelterscape.kernels.strips") == before


@pytest.mark.slow
def test_one_function_compiled_in_two_ways_has_two_files(toys, tmp_path):
    package, run = toys
    with (package / "middle.py").open("a") as text:
        text.write("\nagain = kernel(nogil=True)(scaled.py_func)\nagain(1.0)\n")
    assert run()["scaled"] == [6.0, 1]
    assert len(files(tmp_path, "scaled")) == 1 + 2, "and one of the module as it was"


# ---- damage


def cut(content):
    return content[: len(content) // 2]


def flipped(content):
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1 :]


@pytest.mark.slow
@pytest.mark.parametrize(
    "damage", [lambda content: b"", cut, flipped, lambda content: b"\x80" * 99]
)
def test_a_damaged_file_is_compiled_again(toys, tmp_path, damage):
    _, run = toys
    (file,) = files(tmp_path, "scaled")
    whole = file.read_bytes()
    file.write_bytes(damage(whole))
    assert run()["scaled"] == [6.0, 1]
    assert len(file.read_bytes()) > 100, "written again"
    assert run()["scaled"] == [6.0, 0]


@pytest.mark.slow
def test_a_valid_file_with_wrong_content_is_compiled_again(toys, tmp_path):
    _, run = toys
    (one,), (other,) = files(tmp_path, "scaled"), files(tmp_path, "half")
    one.write_bytes(other.read_bytes())
    assert run()["scaled"] == [6.0, 1]


@pytest.mark.slow
def test_a_file_that_cannot_be_written_does_not_affect_results(toys, tmp_path):
    """The folder of the module cannot be created."""
    _, run = toys
    (file,) = files(tmp_path, "half")
    file.unlink()
    file.mkdir()
    assert run()["half"] == [1.5, 1]
    assert file.is_dir()


# ---- ownership of the folder


@pytest.fixture
def place(monkeypatch, tmp_path):
    """The folder to be used, which does not exist yet; the temporary folder is in `tmp_path`."""
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "own"))
    monkeypatch.setattr(cache_folder.tempfile, "tempdir", str(tmp_path / "temporary"))
    monkeypatch.setattr(cache_folder, "_PRIVATE", [])
    (tmp_path / "temporary").mkdir(mode=0o700)
    return tmp_path / "own" / "shelterscape" / "kernels"


def temporary(tmp_path):
    return tmp_path / "temporary" / f"shelterscape-kernels-{os.geteuid()}"


def mode(path):
    return path.lstat().st_mode & 0o7777


def test_the_folder_is_private_to_its_user(place):
    before = os.umask(0)
    try:
        assert cache_folder.cache_folder() == place
    finally:
        os.umask(before)
    assert mode(place) == 0o700
    assert cache_folder.cache_notice() == ""
    assert cache_folder.cache_folder() == place


def plant_open(place):
    place.mkdir(parents=True)
    place.chmod(0o777)


def plant_group(place):
    place.mkdir(parents=True)
    place.chmod(0o770)


def plant_of_another_user(place):
    if os.geteuid() != 0:
        pytest.skip("only root can give a folder away")
    place.mkdir(parents=True, mode=0o700)
    os.chown(place, 12345, -1)


def plant_link(place):
    place.parent.mkdir(parents=True)
    (place.parent / "real").mkdir(mode=0o700)
    place.symlink_to(place.parent / "real")


def plant_in_open_folder(place):
    place.mkdir(parents=True, mode=0o700)
    place.parent.chmod(0o777)


PLANTS = [plant_open, plant_group, plant_of_another_user, plant_link, plant_in_open_folder]


@pytest.mark.parametrize("plant", PLANTS)
def test_a_folder_that_others_may_write_is_not_used(place, tmp_path, plant):
    plant(place)
    assert cache_folder.cache_folder() == temporary(tmp_path)
    assert mode(temporary(tmp_path)) == 0o700
    assert str(place) in cache_folder.cache_notice()
    assert "XDG_CACHE_HOME" in cache_folder.cache_notice()


@pytest.mark.parametrize("plant", PLANTS[:-1])
def test_a_private_folder_replaces_a_planted_temporary_folder(place, tmp_path, monkeypatch, plant):
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null")
    known = temporary(tmp_path)
    known.parent.rmdir()
    plant(known)
    folder = cache_folder.cache_folder()
    assert folder.parent == known.parent
    assert folder.name != known.name
    assert mode(folder) == 0o700
    assert str(known) in cache_folder.cache_notice()
    assert cache_folder.cache_folder() == folder, "one for the whole process"


def test_a_temporary_folder_with_sticky_bit_is_used(place, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null")
    (tmp_path / "temporary").chmod(0o1777)
    assert cache_folder.cache_folder() == temporary(tmp_path)
    assert cache_folder.cache_notice() == ""


def test_check_setup_reports_a_planted_folder(place):
    from shelterscape.cli.check_setup import findings

    (before,) = (f for f in findings() if f.name == "compiled kernels")
    assert before.ok
    place.chmod(0o777)
    (found,) = (f for f in findings() if f.name == "compiled kernels")
    assert not found.ok
    assert str(place) in found.text


# ---- removal of unused folders


def module_folder(root, number, days):
    folder = root / f"belts-{number:016x}"
    folder.mkdir()
    (folder / "work-1.code").write_text("")
    (folder / cache.MARK).touch()
    used = time.time() - days * 86_400
    os.utime(folder / cache.MARK, (used, used))
    return folder


def test_long_unused_folders_of_a_module_are_removed(tmp_path):
    folders = [module_folder(tmp_path, n, days=0.1 + n) for n in range(5)]
    other_module = tmp_path / f"woods-{9:016x}"
    module_folder(tmp_path, 9, days=99).rename(other_module)
    unmarked = module_folder(tmp_path, 10, days=99)
    (unmarked / cache.MARK).unlink()
    with_more = module_folder(tmp_path, 11, days=99)
    (with_more / "notes.txt").write_text("somebody's")
    linked = tmp_path / f"belts-{12:016x}"
    linked.symlink_to(other_module)
    (folders[4] / "work-2.code.0a1b2c3d").write_text("half written")
    cache.remove_unused(folders[0], kept=2)
    assert [folder.exists() for folder in folders] == [True, True, False, False, False]
    assert other_module.exists() and unmarked.exists() and linked.is_symlink()
    assert (with_more / "notes.txt").exists()
    # A few days old but many: those of today are kept.
    today = [module_folder(tmp_path, n, days=0.01) for n in range(20, 30)]
    cache.remove_unused(today[0], kept=2)
    assert all(folder.exists() for folder in today)


# ---- all kernels


def test_every_kernel_is_kept_by_this_cache():
    for path in KERNELS.glob("*.py"):
        if path.name == "cache.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module == "numba":
                assert "njit" not in {name.name for name in node.names}, path.name


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """An empty folder for machine code, also for child processes."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache" / "shelterscape" / "kernels"


def test_the_list_of_compiled_kernels_is_valid_while_all_files_exist(kept, monkeypatch):
    assert not compiled.all_compiled()
    module = next(name for name in cache_key.modules_of(compiled.PACKAGE) if "strips" in name)
    folder = kept / f"strips-{cache_key.module_key(module)}"
    folder.mkdir()
    for name in ("one.code", "two.code"):
        (folder / name).write_bytes(b"code")
    compiled.note_all_compiled()
    assert compiled.all_compiled()
    (folder / "two.code").unlink()
    assert not compiled.all_compiled()
    compiled.note_all_compiled()
    assert compiled.all_compiled()
    monkeypatch.setattr(compiled, "package_key", lambda package: "another state of the source")
    assert not compiled.all_compiled()
    monkeypatch.undo()


def test_a_damaged_list_counts_as_missing(kept):
    compiled.note_all_compiled()
    for text in ("", "[]", "{}", '{"key": 1}', "\\"):
        (kept / compiled.LIST).write_text(text)
        assert not compiled.all_compiled()


def test_kernels_are_not_compiled_in_advance_for_a_private_folder(place, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null")
    monkeypatch.setattr(cache_folder, "_places", lambda: iter(()))
    assert cache_folder.is_private(cache_folder.cache_folder())
    assert compiled.all_compiled()


def test_the_key_of_the_package_depends_on_every_module(tmp_path, monkeypatch):
    before = cache_key.package_key(compiled.PACKAGE)
    source = cache_key._source
    for module in cache_key.modules_of(compiled.PACKAGE):
        monkeypatch.setattr(
            cache_key, "_source", lambda name, m=module: source(name) + "#" * (name == m)
        )
        assert cache_key.package_key(compiled.PACKAGE) != before, module
    monkeypatch.setattr(cache_key, "_source", source)
    assert cache_key.package_key(compiled.PACKAGE) == before


# ---- notices of a run


def test_a_run_reports_a_folder_that_is_not_used(place, tmp_path):
    plant_open(place)
    cache_folder.cache_folder()  # as when kernels are imported
    reported = []
    result = run_toy(tmp_path / "out", progress=reported.append)
    (notice,) = result.notices
    assert notice.code == "cache-unused" and str(place) in notice.text
    assert notice.fields().items() <= next(e for e in reported if e["event"] == "notice").items()
    timings = json.loads((result.folder / "timings.json").read_text(encoding="utf-8"))
    assert timings["notices"] == [notice.fields()]
    # A record is the same on every machine.
    assert "cache-unused" not in (result.folder / "record.json").read_text(encoding="utf-8")


def test_a_run_reports_nothing_about_a_valid_folder(place, tmp_path):
    cache_folder.cache_folder()
    assert run_toy(tmp_path / "out").notices == ()
