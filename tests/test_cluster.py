"""A batch on a cluster: a real scheduler and two workers on this machine, one of them killed."""

from __future__ import annotations

import json
import subprocess
import sys
import time

import batch_toys
import pytest
from batch_helpers import results
from batch_toys import toy_catchment
from run_helpers import call, environment, leftovers

from shelterscape import registry
from shelterscape.batch import BatchOptions, run_batch

pytest.importorskip("distributed", reason="needs the extra: cluster")
pytestmark = [
    pytest.mark.slow,
    # Dask warns about itself and about workers that die; these warnings are not ours.
    pytest.mark.filterwarnings("default"),
]

TIMEOUT_S = 240


@pytest.fixture(autouse=True)
def toy(monkeypatch):
    """Register the toy process."""
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


def until(true, what):
    """Wait until a condition holds."""
    end = time.monotonic() + TIMEOUT_S
    while not true():
        assert time.monotonic() < end, f"not reached in time: {what}"
        time.sleep(0.1)


def start(*words):
    """Start a process of the cluster."""
    command = [sys.executable, "-m", *map(str, words)]
    return subprocess.Popen(
        command, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


@pytest.fixture
def threads():
    """Number of threads of each worker."""
    return 1


@pytest.fixture
def cluster(tmp_path, threads):
    """Start a scheduler and two workers; provide its address and the workers."""
    reported = tmp_path / "scheduler.json"
    here = ("--host", "127.0.0.1", "--no-dashboard")
    started = [
        start("distributed.cli.dask_scheduler", *here, "--port", 0, "--scheduler-file", reported)
    ]
    try:
        until(lambda: reported.exists() and reported.read_text().endswith("}"), "the scheduler")
        address = json.loads(reported.read_text())["address"]
        for _ in range(2):
            words = (address, *here, "--nthreads", threads, "--no-nanny")
            place = ("--local-directory", tmp_path / "dask")
            started.append(start("distributed.cli.dask_worker", *words, *place))
        until(lambda: _count(address) == 2, "two workers")
        yield address, started[1:]
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


def _count(address):
    from distributed import Client

    with Client(address, timeout=TIMEOUT_S) as client:
        return len(client.scheduler_info(n_workers=-1)["workers"])


def go(plan, out, **options):
    """Run a batch over the holdings beside its plan."""
    holdings = str(plan.parent / "holdings.gpkg")
    return run_batch(plan, out, holdings=holdings, options=BatchOptions(workers=2, **options))


def test_a_cluster_gives_the_same_bytes_even_if_a_worker_is_killed(cluster, tmp_path):
    address, workers = cluster
    plan, traps = toy_catchment(tmp_path / "in", count=6)
    assert go(plan, tmp_path / "here").exit_code == 0
    expected = results(tmp_path / "here")
    for path in traps.iterdir():
        path.unlink()
    (traps / "h-3.once").touch()
    assert go(plan, tmp_path / "there", cluster=address).exit_code == 0
    assert not (traps / "h-3.once").exists(), "a worker was killed in h-3"
    assert sorted(worker.poll() is None for worker in workers) == [False, True]
    assert results(tmp_path / "there") == expected
    assert not leftovers(tmp_path / "there" / "holdings")


@pytest.mark.parametrize("threads", [2])
def test_workers_of_several_threads_are_refused(cluster, tmp_path, capsys):
    address, _ = cluster
    plan, traps = toy_catchment(tmp_path / "in")
    words = ["batch", plan, "--holdings", tmp_path / "in" / "holdings.gpkg"]
    assert call([*words, "--out", tmp_path / "out", "--cluster", address]) == 3
    reported = capsys.readouterr().err
    assert "cluster-threads" in reported and "2 threads; 2 of 2 workers" in reported
    assert not list(traps.iterdir()), "no holding was started"


def test_a_missing_cluster_is_refused(tmp_path, capsys):
    plan, _ = toy_catchment(tmp_path / "in")
    words = ["batch", plan, "--holdings", tmp_path / "in" / "holdings.gpkg"]
    words += ["--out", tmp_path / "out", "--cluster", "tcp://127.0.0.1:9"]
    assert call(words) == 3
    assert "cluster-missing" in capsys.readouterr().err
