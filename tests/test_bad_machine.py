"""Machines with problems: what still works, and the errors where something does not."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from run_helpers import child, command, environment, options, project
from test_crashes import disk  # noqa: F401 - a fixture

from shelterscape import kernels
from shelterscape.errors import SetupError
from shelterscape.files.libraries import coordinate_fault, refuse_lost_coordinates
from shelterscape.kernels import cache_folder as folders

pytestmark = pytest.mark.slow

PACKAGE = Path(kernels.__file__).parents[1]


def reported(words, **settings):
    """Run a command in another process; return exit code, output and errors."""
    changed = environment(**{k: v for k, v in settings.items() if v is not None})
    kept = {k: v for k, v in changed.items() if settings.get(k, "") is not None}
    done = subprocess.run(
        command(*words), env=kept, capture_output=True, text=True, timeout=300, check=False
    )
    return done.returncode, done.stdout, done.stderr


def findings(**settings):
    """The results of check-setup, by name."""
    code, out, errors = reported(["check-setup", "--json"], **settings)
    assert code in (0, 1), errors
    found = {one["name"]: one for one in json.loads(out)["findings"]}
    assert code == int(not all(one["ok"] for one in found.values()))
    return found


# ---- foreign projection data


@pytest.mark.parametrize("name", ["PROJ_LIB", "PROJ_DATA"])
def test_foreign_projection_data_is_reported_as_the_cause_and_not_the_files(tmp_path, name):
    (tmp_path / "foreign").mkdir()
    words = ["shelter", *options(project(tmp_path / "project")), "--out", tmp_path / "out"]
    code, out, errors = reported(words, **{name: str(tmp_path / "foreign")})
    assert code == 1
    assert out == ""
    assert "Code: setup-coordinates" in errors
    assert f"{name}={tmp_path / 'foreign'}" in errors
    assert f"unset {name}" in errors
    assert not (tmp_path / "out").exists()
    found = findings(**{name: str(tmp_path / "foreign")})
    assert not found[name]["ok"]
    assert not found["coordinate systems"]["ok"]


def test_a_machine_without_problems_passes():
    assert coordinate_fault() == ""
    refuse_lost_coordinates()


def test_libraries_that_disagree_are_found(monkeypatch):
    """As with projection data of another release: a code means another system."""
    from pyproj import CRS

    other = CRS.from_epsg(25833)
    monkeypatch.setattr(CRS, "from_wkt", lambda wkt: other)
    assert "disagree" in coordinate_fault()
    with pytest.raises(SetupError) as caught:
        refuse_lost_coordinates()
    assert caught.value.code == "setup-coordinates"
    assert caught.value.exit_code == 1


# ---- no home


HOMELESS = """
import os, pwd, sys
os.environ.pop("HOME", None)
def nobody(*_): raise KeyError("no such user")
pwd.getpwuid = pwd.getpwnam = nobody
import run_helpers

sys.exit(run_helpers.call(sys.argv[1:]))
"""


def test_commands_work_for_a_user_without_a_home(tmp_path):
    """As in containers that run under a user number: kernels go to the temporary folder."""
    words = ["exposure", "--dem", project(tmp_path / "project")["dem"], "--winds", "210"]
    before = set(tmp_path.iterdir())
    done = child(HOMELESS, "check-setup", cwd=tmp_path)
    assert "Traceback" not in done.stderr
    assert re.search(r"^ok   home folder: ~ does not exist", done.stdout, re.MULTILINE), done.stdout
    # A tilde without a known user is taken as a file name; that file does not exist.
    done = child(HOMELESS, *words[:2], "~/dem.tif", *words[3:], "--out", "out", cwd=tmp_path)
    assert done.returncode == 3, done.stderr
    assert "file-missing" in done.stderr
    assert set(tmp_path.iterdir()) == before, "no folder named ~ may appear"


def test_a_run_works_without_a_home(tmp_path):
    project(tmp_path / "project")
    words = ["exposure", "--dem", "project/dem.tif", "--winds", "210", "--out", "out"]
    settings = environment(XDG_CACHE_HOME=str(folders.cache_folder().parents[1]))
    done = child(HOMELESS, *words, cwd=tmp_path, env=settings)
    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "project"]


@pytest.mark.parametrize("name", ["~nobody-of-that-name/dem.tif", "~/dem.tif"])
def test_a_tilde_without_a_known_user_is_a_missing_file(tmp_path, name):
    code, _, errors = reported(
        ["exposure", "--dem", name, "--winds", "210", "--out", tmp_path / "out"]
    )
    assert code == 3
    assert "file-missing" in errors


# ---- where compiled kernels go


def roots(monkeypatch, tmp_path, **settings):
    """Set the cache folder of the user and the temporary folder."""
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", "HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in settings.items():
        monkeypatch.setenv(name, str(value))
    monkeypatch.setattr(folders.tempfile, "tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir(exist_ok=True)


def test_the_cache_is_in_the_first_folder_that_can_be_written_to(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("in the way")
    roots(monkeypatch, tmp_path, HOME=tmp_path / "home")
    assert folders.cache_folder().is_relative_to(tmp_path / "home" / ".cache")
    roots(monkeypatch, tmp_path, HOME=tmp_path / "home", XDG_CACHE_HOME=tmp_path / "own")
    assert folders.cache_folder().is_relative_to(tmp_path / "own")
    roots(monkeypatch, tmp_path, XDG_CACHE_HOME=tmp_path / "file")
    assert folders.cache_folder().is_relative_to(tmp_path / "temporary")
    # With neither the error names the machine and what to do.
    shutil.rmtree(tmp_path / "temporary")
    (tmp_path / "temporary").write_text("in the way")
    with pytest.raises(SetupError) as caught:
        folders.cache_folder()
    assert caught.value.code == "setup-cache"
    assert str(tmp_path / "file") in caught.value.where
    assert "XDG_CACHE_HOME" in caught.value.hint


def test_the_cache_is_not_on_a_full_disk(disk, monkeypatch, tmp_path):  # noqa: F811
    roots(monkeypatch, tmp_path, XDG_CACHE_HOME=disk("8m"))
    assert folders.cache_folder().is_relative_to(tmp_path / "temporary")


def test_the_command_reports_that_there_is_no_folder_for_the_cache(tmp_path):
    (tmp_path / "file").write_text("in the way")
    given = project(tmp_path / "project")
    # Python uses the working folder where TMPDIR cannot be used, so that is disabled too.
    code = (
        "import sys, tempfile, run_helpers\n"
        "def none(): raise FileNotFoundError(2, 'No usable temporary directory found')\n"
        "tempfile.gettempdir = none\n"
        "sys.exit(run_helpers.call(sys.argv[1:]))\n"
    )
    settings = environment(XDG_CACHE_HOME=str(tmp_path / "file"))
    words = ["exposure", "--dem", given["dem"], "--winds", "210", "--out", tmp_path / "out"]
    done = child(code, *words, env=settings)
    assert done.returncode == 1
    assert "There is no folder with enough space for compiled kernels." in done.stderr
    assert "Traceback" not in done.stderr
    done = child(code, "check-setup", env=settings)
    assert done.returncode == 1
    bad = {line.split(":")[0] for line in done.stdout.splitlines() if line.startswith("FAIL")}
    assert bad == {"FAIL temporary folder", "FAIL compiled kernels"}


@pytest.mark.slow
def test_a_read_only_package_can_be_used(disk, tmp_path):  # noqa: F811
    """Kernels are compiled into the cache of the user; nothing is written beside the code."""
    folder = disk("16m")
    shutil.copytree(PACKAGE, folder / "shelterscape", ignore=shutil.ignore_patterns("__pycache__"))
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    words = ["exposure", "--dem", project(tmp_path / "project")["dem"], "--winds", "210"]
    code = "import sys, run_helpers, shelterscape; print(shelterscape.__file__)\n"
    code += "sys.exit(run_helpers.call(sys.argv[1:]))"
    places = os.pathsep.join([str(folder), str(Path(__file__).parent)])
    settings = os.environ | {"PYTHONPATH": places, "XDG_CACHE_HOME": str(tmp_path / "cache")}
    done = child(code, *words, "--out", tmp_path / "out", env=settings, timeout=400, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert str(folder) in done.stdout
    assert list((tmp_path / "cache").rglob("*.code"))


# ---- another richdem


def test_another_module_of_the_same_name_is_found(tmp_path):
    (tmp_path / "richdem.py").write_text("")
    places = os.pathsep.join([str(tmp_path), environment()["PYTHONPATH"]])
    one = findings(PYTHONPATH=places)["one richdem"]
    assert not one["ok"]
    assert str(tmp_path / "richdem.py") in one["text"]
    assert "rename it or move it away" in one["text"]


@pytest.mark.parametrize(
    ("installed", "text"),
    [
        ({}, "richdem2 is missing"),
        ({"richdem": "0.3.4"}, "richdem 0.3.4 takes the place of richdem2"),
        ({"richdem": "0.3.4", "richdem2": "2.4.0"}, "overwrite each other; remove richdem,"),
    ],
)
def test_the_wrong_distributions_are_found(monkeypatch, installed, text):
    from importlib import metadata

    from shelterscape.cli import check_setup

    def version(name):
        if name not in installed:
            raise metadata.PackageNotFoundError(name)
        return installed[name]

    monkeypatch.setattr(metadata, "version", version)
    (one,) = check_setup._richdem()
    assert not one.ok
    assert text in one.text


# ---- a full temporary folder


def test_a_full_temporary_folder_is_found(disk, tmp_path):  # noqa: F811
    """Runs whose kernels are compiled do not need the folder."""
    folder = disk("512k")
    one = findings(TMPDIR=str(folder))["temporary folder"]
    assert not one["ok"]
    assert "No space left" in one["text"]
    assert "TMPDIR" in one["text"]
    (folder / "ballast").write_bytes(bytes(512 * 1024))
    for place in (folder, tmp_path / "not-there"):
        one = findings(TMPDIR=str(place))["TMPDIR"]
        assert not one["ok"]
        assert str(place) in one["text"]
    words = ["shelter", *options(project(tmp_path / "project")), "--out", tmp_path / "out"]
    code, _, errors = reported(words, TMPDIR=str(folder))
    assert code == 0, errors
