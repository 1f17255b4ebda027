"""A scheduler with certificates, started as docs/cluster.md says: others cannot run code on it."""

from __future__ import annotations

import json
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import batch_toys
import pytest
from batch_helpers import results
from batch_toys import toy_catchment
from run_helpers import call, environment
from test_cluster import go, until

from shelterscape import registry

pytest.importorskip("distributed", reason="needs the extra: cluster")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("default"),
    pytest.mark.skipif(shutil.which("openssl") is None, reason="needs the command openssl"),
]

PAGE = (Path(__file__).resolve().parents[1] / "docs" / "cluster.md").read_text(encoding="utf-8")
HERE = "127.0.0.1"


def lines_of(start):
    """The indented block of the page that starts with a text, for this machine."""
    found = re.search(rf"(?:^    +\S.*\n)*^    +{re.escape(start)}.*\n(?:^    +.*\n)*", PAGE, re.M)
    return re.sub(r"^    ", "", found.group(), flags=re.M).replace("10.0.0.5", HERE)


def certificates(folder):
    """Run the commands of the page in a folder; return the environment they lead to."""
    folder.mkdir()
    script = lines_of("cd /shared/keys").replace("/shared/keys", str(folder))
    script = script.replace("rsa:3072", "rsa:2048")  # a test need not be as safe, but quick
    subprocess.run(["sh", "-ec", script], check=True, capture_output=True)
    settings = lines_of("export DASK_DISTRIBUTED__COMM__REQUIRE").replace(
        "/shared/keys", str(folder)
    )
    shown = subprocess.run(
        ["sh", "-ec", f"{settings}\nenv"], check=True, capture_output=True, text=True
    ).stdout
    return dict(line.split("=", 1) for line in shown.splitlines() if line.startswith("DASK_"))


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    return certificates(tmp_path_factory.mktemp("tls") / "keys")


@pytest.fixture
def cluster(tmp_path, keys, monkeypatch):
    """A scheduler and a worker, with the options of the page."""
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)
    words = lines_of("dask scheduler").strip().splitlines()[0].split()[2:]
    words = [word if word != "8786" else "0" for word in words]
    reported = tmp_path / "scheduler.json"
    started = []

    def start(module, *more):
        command = [sys.executable, "-m", f"distributed.cli.{module}", *map(str, more)]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        started.append(subprocess.Popen(command, env=environment() | keys, **quiet))

    try:
        start("dask_scheduler", *words, "--scheduler-file", reported)
        until(lambda: reported.exists() and reported.read_text().endswith("}"), "the scheduler")
        address = json.loads(reported.read_text())["address"]
        options = ("--nthreads", 1, "--no-nanny", "--no-dashboard", "--host", HERE)
        start("dask_worker", address, *options, "--local-directory", tmp_path / "dask")
        yield address
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


def with_settings(monkeypatch, settings):
    """Have Dask read settings, as it does when it is imported."""
    import dask

    for name, value in settings.items():
        monkeypatch.setenv(name, value)
    dask.config.refresh()


def test_a_batch_runs_over_tls_and_gives_the_same_bytes(cluster, keys, tmp_path, monkeypatch):
    assert cluster.startswith(f"tls://{HERE}:"), "a named address, encrypted"
    plan, _ = toy_catchment(tmp_path / "in", count=3)
    assert go(plan, tmp_path / "here").exit_code == 0
    with_settings(monkeypatch, keys)
    until(lambda: _joined(cluster), "the worker")
    assert go(plan, tmp_path / "there", cluster=cluster).exit_code == 0
    assert results(tmp_path / "there") == results(tmp_path / "here")


def _joined(address):
    from distributed import Client

    with Client(address, timeout=60) as client:
        return bool(client.scheduler_info(n_workers=-1)["workers"])


@pytest.mark.parametrize("who", ["nobody", "another authority", "plain tcp"])
def test_others_are_refused(cluster, keys, tmp_path, monkeypatch, capsys, who):
    """Without a certificate, with one of another authority, and without encryption."""
    plan, traps = toy_catchment(tmp_path / "in")
    address = cluster
    if who == "another authority":
        with_settings(monkeypatch, certificates(tmp_path / "others"))
    elif who == "plain tcp":
        address = cluster.replace("tls://", "tcp://")
    words = ["batch", plan, "--holdings", tmp_path / "in" / "holdings.gpkg"]
    assert call([*words, "--out", tmp_path / "out", "--cluster", address]) == 3
    assert "cluster-missing" in capsys.readouterr().err
    assert not list(traps.iterdir()), "no holding was started"


def test_the_scheduler_listens_on_its_address_alone(cluster):
    """Another address of this machine, which a scheduler without --host would serve."""
    port = int(cluster.rpartition(":")[2])
    with socket.socket() as other:
        other.settimeout(5)
        assert other.connect_ex(("127.0.0.2", port)) != 0
    with socket.socket() as its:
        its.settimeout(5)
        assert its.connect_ex((HERE, port)) == 0


@pytest.fixture(autouse=True)
def settings_of_dask_are_restored():
    yield
    import dask

    dask.config.refresh()
