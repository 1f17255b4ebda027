"""Batches whose processes are killed or whose disks fill up give the same results once resumed."""

from __future__ import annotations

import ast
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import batch_toys
import pytest
from batch_helpers import catchment, failures_of, holdings_of, results
from batch_toys import toy_catchment
from conftest import SAMPLE
from run_helpers import checksums, command, environment, leftovers

from shelterscape import kernels, registry
from shelterscape.batch import BatchOptions, run_batch
from shelterscape.errors import InternalError

pytestmark = pytest.mark.slow

DRIVER = "import sys, batch_toys; batch_toys.main(*sys.argv[1:])"
TIMEOUT_S = 240


@pytest.fixture(autouse=True)
def toy(monkeypatch):
    """Register the toy process."""
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


def go(plan, out, workers=2, **options):
    """Run a batch in worker processes."""
    holdings = str(plan.parent / "holdings.gpkg")
    return run_batch(plan, out, holdings=holdings, options=BatchOptions(workers=workers, **options))


def driver(plan, out, workers=2):
    """Start the same batch as a program that can be killed."""
    command = [sys.executable, "-c", DRIVER, str(plan.parent), str(out), str(workers)]
    return subprocess.Popen(command, env=environment(), stderr=subprocess.PIPE, text=True)


def until(true, what):
    """Wait until a condition holds."""
    end = time.monotonic() + TIMEOUT_S
    while not true():
        assert time.monotonic() < end, f"not reached in time: {what}"
        time.sleep(0.05)


def workers_of(traps):
    """Processes that ran holdings and are still alive."""
    found = {int(path.name.split(".")[-2]) for path in traps.glob("*.seen")}
    return {pid for pid in found if _alive(pid)}


def _alive(pid):
    try:
        # A zombie process is not alive.
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False


@pytest.fixture(scope="module")
def unbroken(tmp_path_factory):
    """The results of a batch without interruption."""
    registry.BUILT_IN.update(batch_toys.BUILT_IN)
    folder = tmp_path_factory.mktemp("unbroken")
    try:
        plan, traps = toy_catchment(folder / "in")
        assert go(plan, folder / "out").exit_code == 0
        assert len(workers_of(traps)) == 0, "workers end with the batch"
    finally:
        for name in batch_toys.BUILT_IN:
            del registry.BUILT_IN[name]
    return plan, results(folder / "out")


def with_traps(unbroken, *traps):
    """The plan of the uninterrupted batch, with trap files; same inputs, same bytes."""
    plan, expected = unbroken
    folder = plan.parent / "traps"
    for path in folder.iterdir():
        path.unlink()
    for name in traps:
        (folder / name).touch()
    return plan, folder, expected


def test_one_worker_and_two_workers_give_the_same_bytes(unbroken, tmp_path):
    plan, _, expected = with_traps(unbroken)
    assert go(plan, tmp_path / "out", workers=1).exit_code == 0
    assert results(tmp_path / "out") == expected


def test_after_a_worker_is_killed_the_results_are_the_same(unbroken, tmp_path):
    plan, traps, expected = with_traps(unbroken, "h-2.once")
    assert go(plan, tmp_path / "out").exit_code == 0
    assert not (traps / "h-2.once").exists(), "it was killed"
    assert results(tmp_path / "out") == expected and not leftovers(tmp_path)


def test_after_a_worker_is_killed_over_the_whole_map_the_results_are_the_same(unbroken, tmp_path):
    plan, traps, expected = with_traps(unbroken, "prepare.once")
    assert go(plan, tmp_path / "out").exit_code == 0
    assert not (traps / "prepare.once").exists() and results(tmp_path / "out") == expected


def test_work_over_the_whole_map_that_kills_every_worker_is_an_error(unbroken, tmp_path):
    plan, traps, expected = with_traps(unbroken, "prepare.die")
    with pytest.raises(InternalError) as caught:
        go(plan, tmp_path / "out")
    assert caught.value.code == "worker-died" and not leftovers(tmp_path)
    (traps / "prepare.die").unlink()
    assert go(plan, tmp_path / "out").exit_code == 0 and results(tmp_path / "out") == expected


def test_a_holding_that_kills_every_worker_fails_alone(unbroken, tmp_path):
    plan, traps, expected = with_traps(unbroken, "h-2.die")
    result = go(plan, tmp_path / "out")
    assert result.exit_code == 5
    assert [state.status for state in result.states] == ["done", "failed", "done"]
    assert {*failures_of(tmp_path / "out").values()} == {"worker-died"}
    (traps / "h-2.die").unlink()
    assert go(plan, tmp_path / "out").exit_code == 0
    assert results(tmp_path / "out") == expected


def test_workers_end_with_a_killed_parent_and_the_next_start_resumes(unbroken, tmp_path):
    plan, traps, expected = with_traps(unbroken, "h-2.wait")
    out = tmp_path / "out"
    running = driver(plan, out)
    try:
        until(lambda: list(traps.glob("h-2.*.seen")), "work on h-2")
        until(lambda: len(list((out / "holdings").glob("h-[13]*/record.json"))) == 2, "the others")
        running.send_signal(signal.SIGKILL)
        running.wait()
        until(lambda: not workers_of(traps), "workers to end with their parent")
    finally:
        running.kill()
        running.stderr.close()
    assert not (out / "combined").exists()
    done = {p: m for p, m in checksums(out / "holdings").items() if not p.startswith(".")}
    assert done and not any(p.startswith("h-2") for p in done), "nothing half-written shows"
    for path in [*traps.glob("*.seen"), traps / "h-2.wait"]:
        path.unlink()
    assert go(plan, out).exit_code == 0
    assert [p.name.split(".")[0] for p in traps.glob("*.seen")] == ["h-2"], "the rest was finished"
    assert results(out) == expected and not leftovers(tmp_path) and not leftovers(out / "holdings")


def test_a_second_batch_in_the_same_folder_is_refused(unbroken, tmp_path):
    plan, traps, expected = with_traps(unbroken, "h-2.wait")
    first = driver(plan, tmp_path / "out")
    try:
        until(lambda: list(traps.glob("h-2.*.seen")), "work on h-2")
        second = driver(plan, tmp_path / "out")
        assert second.wait(TIMEOUT_S) == 1 and "output-busy" not in (second.args or [])
        assert "Another run is using this output folder" in second.stderr.read()
        second.stderr.close()
        (traps / "h-2.wait").unlink()
        assert first.wait(TIMEOUT_S) == 0
    finally:
        first.kill()
        first.stderr.close()
    assert results(tmp_path / "out") == expected


@pytest.fixture
def small_disk(tmp_path):
    """A disk with too little space for all holdings."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=96k", "tmpfs", str(disk)]
    if not hasattr(os, "geteuid") or os.geteuid() or subprocess.run(mount, check=False).returncode:
        pytest.skip("only root may mount a small disk")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_holdings_that_failed_on_a_full_disk_are_run_once_there_is_space(unbroken, small_disk):
    plan, _, expected = with_traps(unbroken)
    out = small_disk / "out"
    try:
        result = go(plan, out, workers=1)
        assert result.exit_code == 5
    except Exception as error:
        # The disk may already be full at the first folder, or only when results are combined.
        assert getattr(error, "code", "") == "output-unwritable", error
    for path in out.glob("holdings/*/record.json"):
        whole = {
            p: m for p, m in results(out).items() if p.startswith(f"holdings/{path.parent.name}")
        }
        assert whole.items() <= expected.items(), "every finished holding is complete"
    assert len(list(out.glob("holdings/*/record.json"))) < 3, "the disk was too large for the test"
    subprocess.run(["mount", "-o", "remount,size=64m", str(small_disk)], check=True)
    assert go(plan, out).exit_code == 0
    assert results(out) == expected and not leftovers(out / "holdings")


def test_each_of_many_small_holdings_is_run_once(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in", count=500)
    result = go(plan, tmp_path / "out")
    assert result.exit_code == 0 and len(result.states) == 500
    assert len(list(traps.glob("*.seen"))) == 500, "each was worked on once"
    assert (holdings_of(tmp_path / "out")["status"] == "done").sum() == 500


LISTENER = """
import os
from numba.core import event

class Listener(event.Listener):
    def on_start(self, event):
        function = event.data["dispatcher"].py_func
        if function.__module__.startswith("shelterscape."):
            with open(os.environ["COMPILED"], "a") as log:
                log.write(f"{function.__module__} {function.__qualname__} {event.data['args']}\\n")
    def on_end(self, event):
        pass

event.register("numba:compile", Listener())
"""
"""Run by Python at the start of every process."""


def test_two_workers_compile_every_kernel_once(tmp_path):
    log, cache = tmp_path / "compiled.txt", tmp_path / "cache" / "shelterscape" / "kernels"
    (tmp_path / "start").mkdir()
    (tmp_path / "start" / "sitecustomize.py").write_text(LISTENER, encoding="utf-8")
    settings = environment(XDG_CACHE_HOME=str(tmp_path / "cache"), COMPILED=str(log))
    settings["PYTHONPATH"] = f"{tmp_path / 'start'}{os.pathsep}{settings['PYTHONPATH']}"

    def run(*words):
        done = subprocess.run(
            command(*words), env=settings, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    plan = catchment(tmp_path / "in")
    holdings = f"{plan.parent / 'holdings.gpkg'}:holdings"
    run("batch", plan, "--out", tmp_path / "batch", "--holdings", holdings, "--workers", 2)
    compiled = log.read_text(encoding="utf-8").splitlines()
    assert len(compiled) == len(set(compiled))
    assert _kernels_with_code() <= {line.split()[1] for line in compiled}
    listed = json.loads((cache / "compiled.json").read_text(encoding="utf-8"))["files"]
    assert len(listed) == len(compiled), "all kernels are compiled before the workers start"
    assert "kernels compiled: all were compiled already" in run("check-setup", "--warm")
    (cache / "compiled.json").unlink()
    assert "kernels compiled: belts and siting, terrain" in run("check-setup", "--warm")
    run("run", SAMPLE / "plan.toml", "--out", tmp_path / "sample", "--no-pictures")
    assert log.read_text(encoding="utf-8").splitlines() == compiled


def _kernels_with_code():
    """Names of all kernels, except those only inlined into others, and those no run uses."""
    found = set()
    paths = set(Path(kernels.__path__[0]).glob("*.py"))
    for path in paths - {p for p in paths if p.stem in ("cross_section", "flow_lines")}:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            marks = [ast.unparse(mark) for mark in getattr(node, "decorator_list", ())]
            if any(m.startswith("kernel") and "inline" not in m for m in marks):
                found.add(node.name)
    return found
