"""Signals at random moments of every command: it ends within 3 s and leaves nothing behind.

The moments are drawn with a fixed seed from the duration of a run that is not stopped.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import batch_toys
import numpy as np
import pytest
from affine import Affine
from batch_helpers import catchment, results
from batch_toys import toy_catchment
from pyproj import CRS as ProjCRS
from run_helpers import CRS, checksums, command, environment, events, leftovers
from signal_helpers import Attack, session_members, stop_at, wait_for_end_of
from test_memory import belts, ground

from shelterscape import registry
from shelterscape.batch import BatchOptions, local, run_batch
from shelterscape.errors import Stopped, WriteError
from shelterscape.files import finishing
from shelterscape.files.rasters import RasterWriter
from shelterscape.files.results import mosaic_of, write_mosaic
from shelterscape.grid import Grid
from shelterscape.terms import TERMS

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="Linux only")

SEED = 16
SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis"
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


def sample(name):
    return f"{SAMPLE / name}"


COMMANDS = {
    "exposure": ["exposure", "--dem", sample("dem.tif"), "--winds", "30,75,120,210,240,300"],
    "shelter": [
        "shelter", "--dem", sample("dem.tif"), "--winds", sample("winds.csv"),
        "--belts", sample("ostrel.gpkg:belts"), "--places", sample("ostrel.gpkg:places"),
        "--year", "surveyed,2045",
    ],
    "siting": [
        "siting", "--dem", sample("dem.tif"), "--winds", sample("winds.csv"),
        "--belts", sample("ostrel.gpkg:belts"), "--places", sample("ostrel.gpkg:places"),
        "--holdings", sample("ostrel.gpkg:holdings"), "--purpose", "lambing",
        "--parcels", sample("ostrel.gpkg:parcels"), "--woods", sample("ostrel.gpkg:woods"),
        "--candidate-lines", sample("ostrel.gpkg:wished_lines"), "--season", "bare",
        "--designs", sample("designs.toml"), "--planting-year", "2027", "--year", "2047",
        "--budget-m", "2000", "--monte-carlo-runs", "4",
    ],
    "grant-overlay": [
        "grant-overlay", "--belts", sample("ostrel.gpkg:belts"),
        "--scheme", sample("scheme_water_belts.toml"), "--scheme",
        sample("scheme_farm_shelter.toml"), "--grant-area", sample("ostrel.gpkg:grant_areas"),
        "--thresholds", sample("thresholds.toml"), "--country", "Ostrel", "--start-year", "2027",
    ],
    "wind-set": [
        "wind-set", "--record", sample("weather.csv.gz"), "--speed-unit", "kn", "--time-zone",
        "UTC", "--measured-height-m", "10", "--station-roughness-m", "0.03",
    ],
    "plan": ["run", sample("plan.toml"), "--no-pictures"],
    "batch": ["batch", "PLAN", "--holdings", "HOLDINGS", "--workers", "2"],
}  # fmt: skip


def words_of(name, folder):
    """The words of a command, with a catchment in a folder for `batch`."""
    places = {}
    if name == "batch":
        plan = catchment(folder / "in")
        places = {"PLAN": str(plan), "HOLDINGS": str(folder / "in" / "holdings.gpkg")}
    return command(*[places.get(word, word) for word in COMMANDS[name]], "--json")


def hidden(folder):
    """Files and folders of staging, and unfinished rasters, anywhere in a folder."""
    names = (".shelterscape-", ".part.tif")
    return [str(p) for p in folder.rglob("*") if any(name in p.name for name in names)]


def check_complete(folder):
    """Every run in a folder agrees with its record."""
    for record in folder.rglob("record.json"):
        outputs = json.loads(record.read_text("utf-8"))["outputs"]
        there = checksums(record.parent)
        assert {one["path"]: one["sha256"] for one in outputs}.items() <= there.items()


def attack_command(name, words, folder, attack):
    """Stop a command; check what it leaves. Return whether it was running."""
    out = folder / "out"
    stopped = stop_at([*words, "--out", str(out)], attack, folder / "about")
    if stopped is None:
        return False
    assert stopped.seconds < 3.0, (attack, stopped)
    assert stopped.code in (0, 128 + attack.number, -attack.number), (attack, stopped)
    assert "Traceback" not in stopped.lines + stopped.errors, stopped
    reported = events(stopped.lines)
    if stopped.code == 128 + attack.number:
        assert reported[-1]["code"] == "stopped"
    assert hidden(folder) == [], (attack, stopped)
    assert list((folder / "about" / "tmp").iterdir()) == []
    if name != "batch":
        # A signal while Python shuts down, after the result was reported, ends it by that signal.
        done = stopped.code == 0 or (stopped.code < 0 and '"open_first"' in stopped.lines)
        assert out.exists() == done, (attack, stopped)
    check_complete(folder)
    return True


def attacks(name, duration, count):
    """Seeded attacks on a command."""
    rng = random.Random(f"{SEED} {name}")
    return [
        Attack(rng.uniform(0.1, duration), rng.choice(SIGNALS), rng.random() < 0.5)
        for _ in range(count)
    ]


def stopped_folder(name, words, folder, attack):
    """Stop a command at a moment, earlier where it had finished; the folder, None if never."""
    for share in (1.0, 0.5, 0.25, 0.12):
        here = folder / f"{share}"
        here.mkdir(parents=True)
        if attack_command(name, words, here, replace(attack, seconds=share * attack.seconds)):
            return here
    return None


@pytest.mark.slow
@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_stops_at_random_moments(tmp_path, name):
    words = words_of(name, tmp_path)
    started = time.monotonic()
    done = subprocess.run(
        [*words, "--out", str(tmp_path / "whole")],
        env=environment(),
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout
    duration = time.monotonic() - started
    moments = attacks(name, 0.9 * duration, 3)
    found = [stopped_folder(name, words, tmp_path / f"{n}", one) for n, one in enumerate(moments)]
    struck = [folder for folder in found if folder]
    assert len(struck) >= 2
    if name == "batch":  # an interrupted one resumes, and gives the same bytes
        again = subprocess.run([*words, "--out", str(struck[-1] / "out")], env=environment())
        assert again.returncode == 0
        assert results(struck[-1] / "out") == results(tmp_path / "whole")


@pytest.mark.parametrize(
    ("name", "attack"),
    [
        ("exposure", Attack(1.5, signal.SIGHUP, True)),
        ("shelter", Attack(2.5, signal.SIGTERM, True)),
        ("grant-overlay", Attack(1.8, signal.SIGINT, True)),
        ("batch", Attack(4.0, signal.SIGHUP, True)),
        ("batch", Attack(5.5, signal.SIGTERM, False)),
    ],
)
def test_a_command_stops_at_a_moment(tmp_path, name, attack):
    words = words_of(name, tmp_path / "in")
    assert stopped_folder(name, words, tmp_path, attack), "it was never running"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["exposure", "shelter"])
def test_a_large_map_stops_at_random_moments(tmp_path, name):
    """Phases that take less than a second on the sample take many here."""
    dem = ground(tmp_path, 2500)
    words = command(name, "--dem", dem, "--winds", "30,120,240", "--json")
    if name == "shelter":
        words += ["--belts", str(belts(tmp_path, 2500))]
    started = time.monotonic()
    whole = [*words, "--out", str(tmp_path / "whole")]
    assert subprocess.run(whole, env=environment(), stdout=subprocess.DEVNULL).returncode == 0
    duration = time.monotonic() - started
    moments = attacks(f"large {name}", 0.9 * duration, 4)
    found = [stopped_folder(name, words, tmp_path / f"{n}", one) for n, one in enumerate(moments)]
    assert sum(folder is not None for folder in found) >= 2


# ---- signals that are ignored or come twice


def script(body):
    text = """
import sys, time
from pathlib import Path
from run_helpers import run_toy, toy, write_toy
from shelterscape.runs.stopping import StopRequest
def compute(data):
    print("working", flush=True)
    until = time.monotonic() + 20
    while time.monotonic() < until:
        BODY
    print("done", flush=True)
    return (yield from write_toy(data))
with StopRequest() as stop:
    try:
        run_toy(Path(sys.argv[1]) / "out", toy(compute), cancelled=stop)
    except BaseException as error:
        print(type(error).__name__, stop.number, flush=True)
"""
    return text.replace("BODY", body)


def interrupted(tmp_path, body, numbers, **options):
    """Run a toy that works for 20 s, send it signals, and return what it reports."""
    words = [sys.executable, "-c", script(body), str(tmp_path)]
    with subprocess.Popen(
        words, env=environment(), stdout=subprocess.PIPE, text=True, **options
    ) as process:
        try:
            assert process.stdout.readline() == "working\n"
            started = time.monotonic()
            for number in numbers:
                process.send_signal(number)
                time.sleep(0.1)
            return process.communicate(timeout=30)[0], time.monotonic() - started
        finally:
            process.kill()


@pytest.mark.parametrize("number", SIGNALS)
def test_work_that_never_checks_is_interrupted(tmp_path, number):
    reported, seconds = interrupted(tmp_path, "sum(range(1000))", [number])
    assert reported == f"KeyboardInterrupt {int(number)}\n"
    assert seconds < 3.0
    assert list(tmp_path.iterdir()) == []


def test_libraries_that_lose_an_interruption_are_interrupted_again(tmp_path):
    body = "\n".join(
        [
            "try: time.sleep(0.4)",
            "        except BaseException: until -= 3; print('lost', flush=True)",
        ]
    )
    reported, _ = interrupted(tmp_path, body, [signal.SIGTERM])
    assert reported.count("lost") >= 2


def test_a_second_signal_interrupts_at_once_and_leaves_nothing(tmp_path):
    numbers = [signal.SIGHUP, signal.SIGTERM]
    reported, seconds = interrupted(tmp_path, "sum(range(1000))", numbers)
    assert reported == "KeyboardInterrupt 1\n"
    assert seconds < 1.0
    assert list(tmp_path.iterdir()) == []


def test_a_signal_ignored_at_the_start_remains_ignored(tmp_path):
    """As under nohup: closing the terminal does not stop the run."""
    reported, _ = interrupted(
        tmp_path,
        "until = min(until, time.monotonic() + 0.3); sum(range(1000))",
        [signal.SIGHUP],
        preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN),
    )
    assert reported == "done\n"
    assert (tmp_path / "out" / "record.json").exists()


# ---- rasters finished in a child process

GRID = Grid((700, 900), Affine(10, 0, 388_000, 0, -10, 6_124_000), ProjCRS(CRS))
NOISE = np.random.default_rng(SEED).random(GRID.shape).astype("float32")


def write_noise(path, **options):
    with RasterWriter(path, GRID, ["one"], TERMS["relative_wind"], **options) as raster:
        raster.write(1, NOISE)


def test_a_child_process_gives_the_same_bytes(tmp_path, monkeypatch):
    write_noise(tmp_path / "here.tif")
    monkeypatch.setattr(finishing, "APART_BYTES", 0)
    monkeypatch.setattr(finishing, "finish", lambda *_: pytest.fail("not in the child"))
    write_noise(tmp_path / "apart.tif")
    assert (tmp_path / "apart.tif").read_bytes() == (tmp_path / "here.tif").read_bytes()


@pytest.mark.parametrize(
    "code", ["import os; os.kill(os.getpid(), 9)", "import nothing.here", "raise MemoryError"]
)
def test_a_raster_is_finished_here_if_the_child_dies(tmp_path, monkeypatch, code):
    write_noise(tmp_path / "here.tif")
    monkeypatch.setattr(finishing, "APART_BYTES", 0)
    monkeypatch.setattr(finishing, "_CODE", code)
    write_noise(tmp_path / "apart.tif")
    assert (tmp_path / "apart.tif").read_bytes() == (tmp_path / "here.tif").read_bytes()


def test_an_error_of_the_child_is_an_error_of_the_raster(tmp_path, monkeypatch):
    monkeypatch.setattr(finishing, "APART_BYTES", 0)
    (tmp_path / "noise.tif").mkdir()
    with pytest.raises(WriteError) as caught:
        write_noise(tmp_path / "noise.tif")
    assert caught.value.code == "output-unwritable"
    assert [path.name for path in tmp_path.iterdir()] == ["noise.tif"]


def test_a_stop_kills_the_child(tmp_path, monkeypatch):
    monkeypatch.setattr(finishing, "APART_BYTES", 0)
    monkeypatch.setattr(finishing, "_CODE", "import time; time.sleep(60)")
    started = time.monotonic()

    def stop_later():
        if time.monotonic() > started + 0.3:
            raise Stopped(15)

    with pytest.raises(Stopped):
        write_noise(tmp_path / "noise.tif", stop_if_requested=stop_later)
    assert time.monotonic() - started < 3.0
    assert list(tmp_path.iterdir()) == []


PARENT = """
import sys, subprocess
from shelterscape.files import finishing
finishing._CODE = finishing._CODE.replace("finishing.main()",
    "finishing.finish = lambda work: __import__('time').sleep(60); finishing.main()")
print("working", flush=True)
finishing.finish_apart(finishing.Finish("a", "b", [], "average", {}, {}, {}), lambda: None)
"""


def test_a_child_ends_with_its_parent(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", PARENT], env=environment(), stdout=subprocess.PIPE,
        text=True, start_new_session=True,
    ) as process:  # fmt: skip
        process.stdout.readline()
        until = time.monotonic() + 20
        while len(session_members(process.pid)) < 2 and time.monotonic() < until:
            time.sleep(0.02)
        time.sleep(0.5)
        assert len(session_members(process.pid)) == 2
        process.kill()
        wait_for_end_of(process.pid)


HUGE = """
import sys, numpy as np
from pathlib import Path
from affine import Affine
from shelterscape.files.rasters import RasterWriter
from shelterscape.grid import Grid
from shelterscape.runs.events import Monitor
from shelterscape.runs.stopping import StopRequest
from shelterscape.terms import TERMS
SIDE, BANDS = 5000, 4
grid = Grid((SIDE, SIDE), Affine(10, 0, 388_000, 0, -10, 6_124_000), None)
noise = np.random.default_rng(1).random((SIDE, SIDE), dtype="float32")
with StopRequest() as stop:
    check = Monitor(cancelled=stop).check_stop
    names = [str(n) for n in range(BANDS)]
    with RasterWriter(Path(sys.argv[1]) / "a.tif", grid, names, TERMS["relative_wind"],
                      stop_if_requested=check) as raster:
        for band in range(BANDS):
            raster.write(band + 1, noise)
        print("finishing", flush=True)
"""


@pytest.mark.slow
def test_a_stop_need_not_wait_for_a_huge_raster(tmp_path):
    """Its overviews and compression take about 10 s, in two calls of GDAL."""
    words = [sys.executable, "-c", HUGE, str(tmp_path)]
    with subprocess.Popen(
        words, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "finishing\n"
        time.sleep(2.0)
        started = time.monotonic()
        process.terminate()
        assert "Stopped" in process.communicate(timeout=60)[1]
        assert time.monotonic() - started < 3.0
    assert list(tmp_path.iterdir()) == []


def test_a_mosaic_can_be_stopped(tmp_path):
    write_noise(tmp_path / "one.tif")
    mosaic, _ = mosaic_of([tmp_path / "one.tif"], GRID)

    def stop():
        raise Stopped(15)

    with pytest.raises(Stopped):
        write_mosaic(tmp_path / "mosaic.tif", mosaic, TERMS["relative_wind"], stop)
    assert [path.name for path in tmp_path.iterdir()] == ["one.tif"]


# ---- workers of a batch


@pytest.fixture
def toys(monkeypatch):
    """Register the toy process."""
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


def go(plan, out):
    holdings = str(plan.parent / "holdings.gpkg")
    return run_batch(plan, out, holdings=holdings, options=BatchOptions(workers=2))


def in_time(act, seconds):
    """Run a function in a thread; fail if it does not end."""
    ended = threading.Event()
    threading.Thread(target=lambda: (act(), ended.set()), daemon=True).start()
    assert ended.wait(seconds), "it hangs"


@pytest.mark.parametrize("number", [signal.SIGSTOP, signal.SIGKILL])
def test_a_worker_that_is_blocked_or_killed_does_not_hang_its_pool(monkeypatch, number):
    monkeypatch.setattr(local, "KILL_SECONDS", 1.0, raising=False)
    pool = local.LocalPool(2)
    pids = {pool.executor().submit(os.getpid).result() for _ in range(8)}
    for process in list(pool.executor()._processes.values()):
        os.kill(process.pid, number)
        break
    assert pids
    in_time(pool.stop, 20)


def test_a_worker_that_still_starts_is_killed_at_a_stop_and_a_ready_one_is_not():
    pool = local.LocalPool(1)
    pool.executor().submit(os.getpid)
    (starting,) = pool.executor()._processes.values()
    pool.stop()
    starting.join(10)
    assert starting.exitcode == -signal.SIGKILL
    pool = local.LocalPool(1)
    pool.executor().submit(os.getpid).result()
    (ready,) = pool.executor()._processes.values()
    pool.stop()
    ready.join(10)
    assert ready.exitcode != -signal.SIGKILL


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_worker_that_receives_a_signal_leaves_nothing_and_its_holding_is_run_again(
    tmp_path, toys, number
):
    plan, traps = toy_catchment(tmp_path / "in")
    assert go(plan, tmp_path / "whole").exit_code == 0
    for path in traps.iterdir():
        path.unlink()
    (traps / "h-2.wait").touch()
    seen = []

    def signal_worker():
        until = time.monotonic() + 60
        while time.monotonic() < until and not list(traps.glob("h-2.*.seen")):
            time.sleep(0.02)
        (path,) = traps.glob("h-2.*.seen")
        pid = int(path.name.split(".")[1])
        os.kill(pid, number)
        while (
            Path(f"/proc/{pid}/stat").exists()
            and ") Z" not in Path(f"/proc/{pid}/stat").read_text()
        ):
            time.sleep(0.005)
        # Before the holding is started again; another holding may be running.
        seen.append([p for p in leftovers(tmp_path / "out" / "holdings") if "h-2" in p])
        (traps / "h-2.wait").unlink()

    thread = threading.Thread(target=signal_worker)
    thread.start()
    assert go(plan, tmp_path / "out").exit_code == 0
    thread.join()
    assert results(tmp_path / "out") == results(tmp_path / "whole")
    assert hidden(tmp_path / "out") == []
    assert seen == [[]]


@pytest.mark.slow
def test_workers_killed_at_random_moments_hang_nothing(tmp_path, toys):
    plan, _ = toy_catchment(tmp_path / "in", count=8)
    assert go(plan, tmp_path / "whole").exit_code == 0
    code = "import sys, batch_toys; batch_toys.main(*sys.argv[1:])"
    rng = random.Random(SEED)
    for number in range(6):
        out = tmp_path / f"{number}"
        words = [sys.executable, "-c", code, str(plan.parent), str(out), "2"]
        with subprocess.Popen(words, env=environment(), start_new_session=True) as process:
            time.sleep(rng.uniform(1.0, 5.0))
            others = [pid for pid in session_members(process.pid) if pid != process.pid]
            workers = [p for p in others if "spawn_main" in Path(f"/proc/{p}/cmdline").read_text()]
            if workers and process.poll() is None:
                os.kill(rng.choice(workers), signal.SIGKILL)
            assert process.wait(90) == 0
            wait_for_end_of(process.pid)
        assert results(out) == results(tmp_path / "whole")
        assert hidden(out) == []
