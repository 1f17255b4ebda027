"""Attacks through the environment: settings of libraries, little memory, foreign folders.

A setting must change no byte of the results, or end in an error that names it.
"""

from __future__ import annotations

import os
import random
import resource
import subprocess
from functools import partial

import pytest
from run_helpers import checksums as checksums_of
from run_helpers import command, environment, options, project

pytestmark = pytest.mark.slow

SEED = 16
SETTINGS = {
    "a plotting backend that does not exist": {"MPLBACKEND": "no_such_backend"},
    "a plotting backend with windows": {"MPLBACKEND": "TkAgg"},
    "no compilation": {"NUMBA_DISABLE_JIT": "1"},
    "other optimisation": {"NUMBA_OPT": "0", "NUMBA_LOOP_VECTORIZE": "0"},
    "debugging output": {"NUMBA_DEBUG": "1", "NUMBA_DUMP_IR": "1"},
    "another kind of processor": {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""},
    "settings that are no numbers": {"NUMBA_NUM_THREADS": "many", "OMP_NUM_THREADS": "1"},
    "a cache folder that cannot be made": {"XDG_CACHE_HOME": "/proc/1/no"},
    "another language": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "plain ASCII": {"LC_ALL": "C", "PYTHONIOENCODING": "ascii"},
    "a time zone": {"TZ": "Pacific/Chatham"},
    "no home": {"HOME": "/nonexistent"},
}


@pytest.fixture(scope="module")
def given(tmp_path_factory):
    """Inputs of a run, and its results in a clean environment."""
    folder = tmp_path_factory.mktemp("environment")
    inputs = project(folder / "in")
    clean = start(inputs, folder / "clean")
    assert clean.returncode == 0, clean.stderr
    return inputs, checksums(folder / "clean")


def checksums(folder):
    """Of all files but timings.json, which states times and memory."""
    return {name: one for name, one in checksums_of(folder).items() if name != "timings.json"}


def start(inputs, out, *, changes=(), **more):
    words = command("shelter", *options(inputs), "--out", out, "--json")
    settings = {"env": environment(**dict(changes)), "timeout": 300} | more
    return subprocess.run(words, capture_output=True, text=True, check=False, **settings)


@pytest.mark.parametrize("name", SETTINGS)
def test_settings_change_no_byte(given, name, tmp_path):
    inputs, expected = given
    done = start(inputs, tmp_path / "out", changes=SETTINGS[name].items())
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert checksums(tmp_path / "out") == expected


def test_seeded_settings_of_the_compiler_change_no_byte(given, tmp_path):
    """Names that the compiler knows, with values drawn at random."""
    names = [
        "NUMBA_BOUNDSCHECK", "NUMBA_ENABLE_AVX", "NUMBA_SLP_VECTORIZE", "NUMBA_ENABLE_CUDASIM",
        "NUMBA_CAPTURED_ERRORS", "NUMBA_THREADING_LAYER", "NUMBA_DISABLE_INTEL_SVML",
        "NUMBA_LLVM_PASS_TIMINGS", "NUMBA_FUNCTION_CACHE_SIZE", "NUMBA_CACHE_DIR",
    ]  # fmt: skip
    inputs, expected = given
    rng = random.Random(SEED)
    for number in range(2):
        changes = {name: rng.choice(["0", "1", "2", "x", ""]) for name in rng.sample(names, 4)}
        done = start(inputs, tmp_path / f"out{number}", changes=changes.items())
        assert done.returncode == 0, (changes, done.stderr)
        assert checksums(tmp_path / f"out{number}") == expected, changes


def limited(mebibytes):
    """Settings of a process with a limit on address space, as by ulimit -v."""
    limits = (mebibytes * 2**20, mebibytes * 2**20)
    return {"preexec_fn": partial(resource.setrlimit, resource.RLIMIT_AS, limits)}


def start_limited(inputs, out, mebibytes):
    """Start with a limit on address space, with two threads on any machine."""
    return start(inputs, out, changes={"NUMBA_NUM_THREADS": "2"}.items(), **limited(mebibytes))


@pytest.mark.parametrize("mebibytes", [300, 650, 900, 1100, 1400])
def test_too_little_memory_is_a_clear_error(given, mebibytes, tmp_path):
    """Before libraries are loaded: some wait for ever where they get too little."""
    inputs, _ = given
    done = start_limited(inputs, tmp_path / "out", mebibytes)
    assert done.returncode == 1
    assert '"setup-memory"' in done.stdout
    assert not done.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("mebibytes", [1520, 2000])
def test_a_limit_on_memory_changes_no_byte(given, mebibytes, tmp_path):
    """The smaller one leaves 36 MiB for this work, which by estimate needs 5 MiB."""
    inputs, expected = given
    done = start_limited(inputs, tmp_path / "out", mebibytes)
    assert done.returncode == 0, done.stderr
    assert checksums(tmp_path / "out") == expected


def test_work_that_a_limit_on_memory_has_no_room_for_is_refused(given, tmp_path):
    inputs, _ = given
    done = start_limited(inputs, tmp_path / "out", 1484)
    assert done.returncode == 3
    assert '"memory-short"' in done.stdout and "ulimit -v" in done.stdout
    assert not list(tmp_path.iterdir())


def test_help_needs_no_room_and_the_check_of_the_machine_reports_a_limit():
    def small(*words):
        settings = {"capture_output": True, "text": True, "timeout": 60} | limited(400)
        return subprocess.run(command(*words), **settings)

    for words in (["--version"], ["--help"], ["list"], ["shelter", "--help"]):
        done = small(*words)
        assert done.returncode == 0, done.stderr
    done = small("check-setup")
    assert done.returncode == 1
    assert "FAIL address space" in done.stdout and "ulimit -v" in done.stdout


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
def test_a_cache_folder_of_somebody_else_is_not_used(given, tmp_path):
    inputs, expected = given
    cache = tmp_path / "cache"
    cache.mkdir(mode=0o700)
    os.chown(cache, 12345, 12345)
    done = start(inputs, tmp_path / "out", changes={"XDG_CACHE_HOME": str(cache)}.items())
    assert done.returncode == 0, done.stderr
    assert checksums(tmp_path / "out") == expected
    assert not list(cache.rglob("*.nb*"))
