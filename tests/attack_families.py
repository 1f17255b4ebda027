"""The families of attacks: each function prepares one attack, chosen at random, on one process.

A family takes its process and inputs from the case, so it applies to every process. It returns None
where it does not apply. What must hold is stated in the attack: mostly that the results are those
of the clean run, or that there is a clear error.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import resource
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
from attack_cases import BATCH, Case, Family, words_of
from attack_examples import INPUTS, Named, plan_text
from attack_inputs import NASTY_TEXT, damage, damaged, geometry, rewrite_dem, tables, units
from attack_process import (
    IO,
    LONGEST_COLD_SECONDS,
    OUT,
    REPORTS,
    Attack,
    Reply,
    results_of,
    run_command,
)

from shelterscape.cli.process_command import option_name
from shelterscape.process.inputs import TerrainInputs

SECRET = "the password is 4711"


def _victim(case: Case) -> Path:
    """A folder of other people, beside the output folder."""
    folder = case.folder / "other people"
    folder.mkdir()
    (folder / "thesis.txt").write_text("years of work")
    (folder / "photos").mkdir()
    return folder


# ---- folders


LOCK = f".{OUT}.shelterscape-lock"


def _left_locks(lock: Path) -> list[str]:
    """Its name if it is empty or names a process, as runs that were killed leave it."""
    left = lock.is_file() and lock.read_bytes().strip(b"\0")[:8] in (b"", b'{"pid": ')
    return [lock.name] if left and not lock.is_symlink() else []


def _lock(case: Case, victim: Path) -> None:
    lock = case.folder / LOCK
    target = victim / "thesis.txt"
    case.rng.choice(
        [
            lambda: lock.symlink_to(target),
            lambda: lock.symlink_to(victim / "none"),
            lambda: lock.symlink_to(victim),
            lambda: os.link(target, lock),
            lambda: os.mkfifo(lock),
            lambda: shutil.copytree(victim, lock),
            lambda: lock.write_text(
                case.rng.choice(["notes", "[1]", "[" * 9000, "{}", '{"pid": 1'])
            ),
        ]
    )()


def _staging(case: Case, victim: Path) -> None:
    place = case.folder / f".{OUT}.shelterscape-{case.rng.choice(['new', 'old'])}"
    case.rng.choice(
        [
            lambda: place.symlink_to(victim),
            lambda: place.symlink_to(victim / "none"),
            lambda: shutil.copytree(victim, place),
            lambda: place.write_text("notes"),
        ]
    )()


def _linked_part(case: Case, victim: Path) -> None:
    case.earlier_run()
    parts = sorted(p for p in case.out.rglob("*") if p.name != "record.json")
    part = case.rng.choice(parts)
    if part.is_dir():
        shutil.rmtree(part)
        part.symlink_to(victim)
    else:
        part.unlink()
        part.symlink_to(victim / "thesis.txt")


def _occupied(case: Case, victim: Path) -> None:
    case.rng.choice(
        [
            lambda: case.out.symlink_to(victim),
            lambda: shutil.copytree(victim, case.out),
            lambda: case.out.write_text("notes"),
            lambda: case.out.symlink_to("/"),
            lambda: case.out.symlink_to(case.folder / INPUTS),
        ]
    )()


def folders(case: Case) -> Attack | None:
    """links, files and folders of other people at the names that a run uses"""
    draw = case.rng.random()
    if draw < 0.05:
        return _planted_code(case)
    victim = _victim(case)
    if draw < 0.2:
        return _swapped(case, victim)
    plant = case.rng.choice([_lock, _staging, _linked_part, _occupied])
    if case.rng.random() < 0.4 and plant in (_lock, _staging):
        case.earlier_run()
    plant(case, victim)
    text = plant.__name__.replace("_", " ").strip()
    precious = list(case.out.rglob("thesis.txt")) if not case.out.is_symlink() else []
    more = ["--overwrite"] if case.rng.random() < 0.7 else []
    ours = _left_locks(case.folder / LOCK)
    return Attack(text, words_of(case.example, *more), same=True, precious=precious, ours=ours)


def _swapped(case: Case, victim: Path) -> Attack:
    """The folder in which a run writes is replaced by a link while it runs."""

    def swap() -> None:
        staged = case.folder / f".{OUT}.shelterscape-new"
        with contextlib.suppress(OSError):
            staged.rename(case.folder / "moved")
            staged.symlink_to(victim)

    def check(reply: Reply) -> str:
        kept = sorted(p.name for p in victim.rglob("*"))
        return "" if kept == ["photos", "thesis.txt"] else f"other people's folder: {kept}"

    words = words_of(case.example)
    moment = case.rng.random()
    text = "staging folder swapped for a link"
    return Attack(text, words, same=True, moment=moment, action=swap, check=check)


def _planted_code(case: Case) -> Attack:
    """Machine code of somebody else, or damaged, where kernels are kept."""
    cache = case.folder / IO / "planted" / "shelterscape" / "kernels"
    usual = case.base.folder / "cache" / "shelterscape" / "kernels"
    shutil.copytree(usual, cache)
    marker = case.folder / IO / "executed"
    planted = case.rng.random() < 0.5
    evil = b"cos\nsystem\n(S'touch " + os.fsencode(str(marker)) + b"'\ntR."
    files = sorted(p for p in cache.rglob("*") if p.is_file() and p.suffix == ".code")
    for path in files if planted else case.rng.sample(files, 2):
        path.write_bytes(
            evil if planted else case.rng.choice([b"", b"\x80", path.read_bytes()[:99]])
        )
    cache.chmod(0o777 if planted else 0o700)

    def check(reply: Reply) -> str:
        return "planted code was executed" if marker.exists() else ""

    # The other place for machine code is in order, so that nothing needs to be compiled.
    other = case.folder / IO / "other" / f"shelterscape-kernels-{os.geteuid()}"
    shutil.copytree(usual, other)
    environment = {"XDG_CACHE_HOME": str(cache.parents[1]), "TMPDIR": str(other.parent)}
    text = "planted kernels" if planted else "damaged kernels"
    words = words_of(case.example)
    return Attack(
        text,
        words,
        same=True,
        fresh=True,
        seconds=LONGEST_COLD_SECONDS,
        environment=environment,
        check=check,
    )


# ---- states


STATES: tuple[bytes, ...] = (
    b"", b"{}", b"[]", b"null", b"1", b"\0" * 99, b"\xff\xfe", b"[" * 100_000, b'{"a":' * 9000,
    b'{"program": "shelterscape"}', b'{"program": "shelterscape", "outputs": 1}',
    b'{"program": "shelterscape", "outputs": [1, {"path": "../in/dem.tif"}]}',
    b'{"program": "shelterscape", "outputs": [{"path": 5}]}', b'{"outputs": {"path": []}}',
    b'{"program": "shelterscape", "outputs": [{"path": "/etc/passwd"}], "key": 0}',
    b'{"program": "shelterscape", "outputs": null, "steps": {}}', b'"' + b"9" * 9999 + b'"',
    b"9" * 9999, b"NaN", b'{"pid": {}, "host": [], "start": null}', b'{"pid": 1e999}',
)  # fmt: skip
"""Contents of a file of state, of any kind."""


def states(case: Case) -> Attack | None:
    """records, notes and locks of any content, and changed earlier results"""
    case.earlier_run()
    files = sorted(p for p in case.out.rglob("*") if p.is_file())
    lock = case.folder / LOCK
    path = case.rng.choice([case.out / "record.json", case.out / "timings.json", lock, *files[:3]])
    case.rng.choice([lambda: path.write_bytes(case.rng.choice(STATES)),
                     lambda: path.unlink(missing_ok=True)])()  # fmt: skip
    precious = []
    if case.rng.random() < 0.3:
        precious = [case.out / "thesis.txt"]
        precious[0].write_text("years of work")
    if case.rng.random() < 0.3:
        crashed = case.folder / f".{OUT}.shelterscape-{case.rng.choice(['new', 'old'])}"
        shutil.copytree(case.clean.folder, crashed)
    more = ["--overwrite"] if case.rng.random() < 0.7 else []
    text = f"{path.name} {'overwritten' if more else 'kept'}"
    # Complete runs in the folders of a crashed run are ours too.
    ours = _left_locks(lock) + [f".{OUT}.shelterscape-{kind}" for kind in ("new", "old")]
    return Attack(text, words_of(case.example, *more), same=True, precious=precious, ours=ours)


# ---- batches


def batch_results(folder: Path) -> dict[str, str]:
    """Checksums of the results of a batch."""
    parts = {part: results_of(folder / part) for part in ("holdings", "combined")}
    return {
        f"{part}/{name}": sum_
        for part, found in parts.items()
        for name, sum_ in found.items()
        if Path(name).name not in ("timings.json",)
    }


def _without_reports(folder: Path) -> dict[str, str]:
    """The same without records, which hold checksums of inputs."""
    found = batch_results(folder)
    return {name: sum_ for name, sum_ in found.items() if Path(name).name not in REPORTS}


def _holdings(case: Case) -> str:
    layers = (e.values.get("holdings") for e in case.base.examples.values())
    return next(text for text in layers if text)


def _batch_words(case: Case) -> list[str]:
    more = ["--holdings", _holdings(case), "--workers", "1", "--json"]
    return ["batch", "plan.toml", *more, "--out", OUT]


def _damaged_batch(case: Case) -> tuple[str, bool]:
    """Damage a finished batch; what was done, and whether it may be refused."""
    files = sorted(p for p in case.out.rglob("*") if p.is_file())
    kind = case.rng.choice(["holding", "holding", "shared", "shared", "combined", "mark", "link"])
    chosen = {
        "holding": [p for p in files if "holdings" in p.parts and p.name != "timings.json"],
        "shared": [p for p in files if "whole_map" in p.parts],
        "combined": [p for p in files if "combined" in p.parts],
        "mark": [case.out / "batch.json"],
        "link": [p for p in files if "holdings" in p.parts],
    }[kind] or files
    path = case.rng.choice(chosen)
    if kind == "mark":
        path.write_bytes(case.rng.choice(STATES))
        return "batch.json of any content", True
    if kind == "link":
        path.unlink()
        path.symlink_to(case.folder / INPUTS / "plan.toml")
        return f"{path.name} is a link", True
    if case.rng.random() < 0.3:
        path.unlink()
        return f"{kind}: {path.name} missing", False
    return f"{kind}: {path.name} {damage(case, path)}", False


def _foreign_in_batch(case: Case) -> tuple[str, list[Path]]:
    parent = case.rng.choice(["whole_map", "holdings", "failures", "combined", "."])
    folder = case.out / parent / case.rng.choice(["photos", "0123456789abcdef", "other"])
    folder.mkdir(parents=True)
    (folder / "thesis.txt").write_text("years of work")
    return f"a folder of other people in {parent}", [folder / "thesis.txt"]


def _stale_index(case: Case) -> str:
    """A spatial index that does not know where features are."""
    layers = [n for n in case.example.of_kind("layer") if n.file.endswith(".gpkg") and n.layer]
    one = case.rng.choice(layers)
    with sqlite3.connect(case.folder / one.file) as db:
        how = case.rng.choice(
            ["DELETE FROM {}", "UPDATE {} SET minx = minx + 9e4, maxx = maxx + 9e4"]
        )
        db.execute(how.format(f'"rtree_{one.layer}_geom"'))
    db.close()
    return f"stale index of {one.layer}"


def batches(case: Case) -> Attack | None:
    """damaged, missing and foreign files in a finished batch, and stale spatial indexes"""
    process = case.example.process
    if not issubclass(process.inputs, TerrainInputs):
        return None
    attack = Attack("", [], same=True)
    _as_batch(case, attack)
    if case.rng.random() < 0.15 and any(n.layer for n in case.example.of_kind("layer")):
        attack.text, attack.results = _stale_index(case), _without_reports
        return attack
    shutil.copytree(attack.clean.folder, case.out)
    if case.rng.random() < 0.2:
        attack.text, attack.precious = _foreign_in_batch(case)
    else:
        attack.text, attack.refusable = _damaged_batch(case)
    return attack


# ---- inputs that change during a run


def _in_place(path: Path, data: bytes) -> None:
    with open(path, "r+b") as stream:
        stream.write(data)
        stream.truncate()


def _by_name(path: Path, data: bytes) -> None:
    part = path.with_name("part")
    part.write_bytes(data)
    os.replace(part, path)


def _back_dated(path: Path, data: bytes) -> None:
    stamp = path.stat()
    _by_name(path, data)
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))


def _other_file(case: Case, one: Named) -> bytes:
    """A valid file with other content than a data set of the case, or else a cut one."""
    path = case.folder / one.file
    whole = path.read_bytes()
    if one.kind == "raster":
        rewrite_dem(path, lambda values: values[:, ::-1])
    elif path.suffix == ".gpkg" and one.layer:
        frame = gpd.read_file(path, layer=one.layer)
        frame.set_geometry(frame.translate(20.0, 0.0)).to_file(path, layer=one.layer)
    elif path.suffix == ".csv":
        path.write_text("".join(path.read_text("utf-8").splitlines(True)[:-2]), encoding="utf-8")
    else:
        path.write_bytes(whole[: len(whole) // 2])
    other = path.read_bytes()
    _by_name(path, whole)
    return other


def changed_inputs(case: Case) -> Attack | None:
    """inputs replaced, rewritten, cut or removed at a random moment of a run or batch"""
    one = case.rng.choice(case.example.named)
    path = case.folder / one.file
    whole, other = path.read_bytes(), _other_file(case, one)
    how = case.rng.choice([_in_place, _by_name, _back_dated])
    action: Callable[[], object] = case.rng.choice(
        [*[partial(how, path, other)] * 4, path.unlink, path.touch]
    )
    moment = case.rng.betavariate(2, 6)  # mostly while inputs are read
    attack = Attack(
        f"{one.field}: {getattr(action, 'func', action).__name__.strip('_')} after {moment:.0%}",
        words_of(case.example),
        check=lambda reply: _mixed(case, reply, path, whole),
        moment=moment,
        action=action,
    )
    if case.rng.random() < 0.2 and issubclass(case.example.process.inputs, TerrainInputs):
        _as_batch(case, attack)
        attack.text += " of a batch"
        attack.check = lambda reply: _kept_for_ever(case, attack, path, whole)
    return attack


def _as_batch(case: Case, attack: Attack) -> None:
    """Run the process of a case over holdings instead of alone."""
    process = case.example.process.id
    attack.words, attack.results = _batch_words(case), batch_results
    attack.clean = case.base.clean(f"{BATCH}{process}", attack.words)
    case.base.plan_file(case.folder, process)


def _kept_for_ever(case: Case, attack: Attack, path: Path, whole: bytes) -> str:
    """Results of a changed file that the same batch still has when the old file is back."""
    _by_name(path, whole)
    reply, _ = run_command(Attack("", [*attack.words, "--retry-failed"]), case.folder)
    if reply is None or reply.exit_code:
        return "the next batch failed"
    ours, theirs = batch_results(case.out), batch_results(attack.clean.folder)
    different = sorted(n for n in ours.keys() | theirs.keys() if ours.get(n) != theirs.get(n))
    return f"kept from the changed file: {different[:2]}" if different else ""


def _mixed(case: Case, reply: Reply, path: Path, whole: bytes) -> str:
    """Results that do not follow from the inputs that their record names."""
    if reply.exit_code:
        return ""
    record = (reply.folder / OUT / "record.json").read_text("utf-8")
    if hashlib.sha256(whole).hexdigest() not in record:
        return ""  # the changed file, recorded as it is
    ours, theirs = results_of(reply.folder / OUT), results_of(case.clean.folder)
    different = sorted(n for n in ours.keys() | theirs.keys() if ours.get(n) != theirs.get(n))
    return f"results of the new file, checksum of the old: {different[:2]}" if different else ""


# ---- stops


def stops(case: Case) -> Attack | None:
    """SIGINT, SIGTERM, SIGHUP and a second signal at a random moment of a run or batch"""
    number = case.rng.choice([signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
    again = case.rng.choice([None, None, None, signal.SIGINT, signal.SIGTERM])

    def stop() -> None:
        os.kill(os.getpid(), number)
        if again is not None:
            os.kill(os.getpid(), again)

    moment = case.rng.random()
    text = f"{number.name} after {moment:.0%}, twice: {again is not None}"
    attack = Attack(text, words_of(case.example), same=True, moment=moment, action=stop)
    if case.rng.random() < 0.15 and issubclass(case.example.process.inputs, TerrainInputs):
        _as_batch(case, attack)
        attack.text += ", batch"
    elif case.rng.random() < 0.5:
        case.earlier_run()
        attack.words += ["--overwrite"]
    return attack


# ---- environment


VARIABLES: tuple[tuple[str, str], ...] = (
    ("GTIFF_IGNORE_READ_ERRORS", "YES"), ("GDAL_TIFF_ENDIANNESS", "BIG"), ("GDAL_CACHEMAX", "1"),
    ("GDAL_DISABLE_READDIR_ON_OPEN", "EMPTY_DIR"), ("GDAL_NUM_THREADS", "7"), ("CPL_DEBUG", "ON"),
    ("GDAL_SKIP", "GTiff"), ("OGR_SKIP", "GPKG"), ("GDAL_PAM_ENABLED", "NO"),
    ("GDAL_TIFF_OVR_BLOCKSIZE", "64"),
    ("GDAL_TIFF_INTERNAL_MASK", "YES"), ("GTIFF_SRS_SOURCE", "GEOKEYS"),
    ("GTIFF_LINEAR_UNITS", "BROKEN"),
    ("OGR_GEOMETRY_ACCEPT_UNCLOSED_RING", "NO"), ("OGR_SQLITE_SYNCHRONOUS", "OFF"),
    ("OGR_SQLITE_CACHE", "1"),
    ("OGR_SQLITE_PRAGMA", "journal_mode=WAL"), ("OGR_SQLITE_JOURNAL", "WAL"),
    ("OGR_ORGANIZE_POLYGONS", "SKIP"),
    ("OGR_FORCE_ASCII", "NO"), ("SHAPE_ENCODING", "LATIN1"), ("OGR_CURRENT_DATE", "x"),
    ("VSI_CACHE", "TRUE"),
    ("CPL_VSIL_USE_TEMP_FILE_FOR_RANDOM_WRITE", "YES"), ("GDAL_GEOREF_SOURCES", "NONE"),
    ("OSR_WKT_FORMAT", "WKT1"),
    ("OGR_CT_FORCE_TRADITIONAL_GIS_ORDER", "YES"), ("OGR_ENABLE_PARTIAL_REPROJECTION", "YES"),
    ("CPL_TMPDIR", "/nowhere"), ("GDAL_DATA", "/nowhere"), ("GDAL_DRIVER_PATH", "/nowhere"),
    ("PROJ_LIB", "/nowhere"),
    ("PROJ_DATA", "/nowhere"), ("PROJ_NETWORK", "ON"), ("OMP_NUM_THREADS", "x"),
    ("LANG", "tr_TR.UTF-8"),
    ("LC_ALL", "C"), ("LC_NUMERIC", "de_DE.UTF-8"), ("TZ", "Pacific/Kiritimati"),
    ("HOME", "/nowhere"),
    ("TMPDIR", "/nowhere"), ("COLUMNS", "1"), ("COLUMNS", "x"), ("NO_COLOR", "1"),
    ("FORCE_COLOR", "1"), ("TERM", "dumb"),
)  # fmt: skip
"""Variables that must not change a byte of a result."""

AT_START: tuple[tuple[str, str], ...] = (
    ("MPLBACKEND", "no_such_backend"), ("NUMBA_CACHE_DIR", "/nowhere"), ("NUMBA_NUM_THREADS", "1"),
    ("NUMBA_THREADING_LAYER", "omp"), ("PYTHONIOENCODING", "ascii"), ("PYTHONUTF8", "0"),
    ("LC_ALL", "C"),
    ("PYTHONHASHSEED", "7"), ("PYTHONWARNINGS", "error"), ("PYTHONOPTIMIZE", "2"),
    ("MPLCONFIGDIR", "/nowhere"),
    ("GDAL_SKIP", "GTiff"), ("PROJ_LIB", "/nowhere"), ("OMP_NUM_THREADS", "7"),
    ("NUMBA_DISABLE_JIT", "1"),
)  # fmt: skip
"""The same, of variables that are read when Python starts."""


def _no_pictures(folder: Path) -> dict[str, str]:
    return {n: sum_ for n, sum_ in results_of(folder).items() if not n.endswith(".png")}


def _deleted_folder(case: Case) -> None:
    gone = case.folder / IO / "gone"
    gone.mkdir()
    os.chdir(gone)
    gone.rmdir()


def _without_output(case: Case) -> None:
    os.close(1)
    sys.stdout = None  # as where Python starts without it


def _full_output(case: Case) -> None:
    os.dup2(os.open("/dev/full", os.O_WRONLY), 1)


def _closed_pipe(case: Case) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    os.dup2(writing, 1)
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


def _limited(kind: int, value: int, case: Case) -> None:
    resource.setrlimit(kind, (value, value))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)


def _umask(case: Case) -> None:
    os.umask(0o777)


MACHINES: dict[str, Callable[[Case], None]] = {
    "a deleted working folder": _deleted_folder,
    "no standard output": _without_output,
    "a full disk under the standard output": _full_output,
    "a closed pipe": _closed_pipe,
    "files of at most 20 kB": partial(_limited, resource.RLIMIT_FSIZE, 20_000),
    "files of at most 1 kB": partial(_limited, resource.RLIMIT_FSIZE, 1_000),
    "few open files": partial(_limited, resource.RLIMIT_NOFILE, 12),
    "little memory": partial(_limited, resource.RLIMIT_AS, 1_700_000_000),
    "no processes": partial(_limited, resource.RLIMIT_NPROC, 0),
    "files that nobody may read": _umask,
}


def environment(case: Case) -> Attack | None:
    """GDAL, PROJ, numba, matplotlib and locale variables, limits, full and deleted places"""
    words = words_of(case.example)
    draw = case.rng.random()
    if draw < 0.08:
        name, value = case.rng.choice(AT_START)
        drawn = [word for word in words if word != "--no-pictures"]
        text = f"{name}={value} at the start"
        return Attack(
            text,
            drawn,
            same=True,
            fresh=True,
            seconds=LONGEST_COLD_SECONDS,
            environment={name: value},
            results=_no_pictures,
        )
    if draw < 0.65:
        chosen = dict(case.rng.sample(VARIABLES, case.rng.choice([1, 1, 2, 5])))
        return Attack(str(chosen), words, same=True, environment=dict(chosen))
    name, change = case.rng.choice(list(MACHINES.items()))
    if change is _deleted_folder:
        root = f"{case.folder}/"
        words = [
            w.replace(f"{INPUTS}/", f"{root}{INPUTS}/") if w.startswith(INPUTS) else w
            for w in words
        ]
        words = [root + OUT if w == OUT else w for w in words]
    # A program whose reader has gone ends in silence.
    allowed = (1,) if change is _closed_pipe else ()
    return Attack(name, words, same=True, first=partial(change, case), allowed=allowed)


# ---- plans


def _plan_texts(case: Case) -> dict[str, Any]:
    """Contents of a plan, by name."""
    step = case.example.step
    usual, deep = plan_text([step]), case.rng.choice([60, 5_000, 200_000])
    key = case.rng.choice(list(step))
    return {
        f"{deep} brackets": usual + f"{key} = {'[' * deep}{']' * deep}\n",
        f"{deep} tables": usual + f"x = {'{a=' * deep}1{'}' * deep}\n",
        "dotted keys": usual + ".".join(["a"] * min(deep, 20_000)) + " = 1\n",
        "a million digits": usual + f"x = {'9' * 1_000_000}\n",
        "a long number": plan_text([step | {key: 1}]).replace(
            f"{key} = 1\n", f"{key} = {'9' * 5000}\n"
        ),
        "100 000 steps": f'[[step]]\nprocess = "{step["process"]}"\n' * 100_000,
        "200 steps": usual * 200,
        "equal ids": usual * 2,
        "a step that reads itself": plan_text([step | {"id": "a", key: "step:a/belts"}]),
        "cyclic steps": plan_text(
            [step | {"id": "a", key: "step:b/x"}, step | {"id": "b", key: "step:a/x"}]
        ),
        "a wrong type": plan_text(
            [step | {key: case.rng.choice([[], {}, True, -1, math.inf, "", [[]]])}]
        ),
        "an unknown key": plan_text([step | {"x" * 9000: 1}]),
        "text of any kind": plan_text([step | {key: case.rng.choice(NASTY_TEXT)}]),
        "an id of any kind": plan_text(
            [step | {"id": case.rng.choice([*NASTY_TEXT, "../..", "/", ""])}]
        ),
        "no UTF-8": usual.encode() + b"\xff",
        "UTF-16": usual.encode("utf-16"),
        "a secret": SECRET,
        "a binary file": bytes(range(256)) * 40,
        "zero bytes": b"\0" * 5000,
    }


def plans(case: Case) -> Attack | None:
    """nested, endless, cyclic and wrong plans, and plans that are no plans"""
    path = case.folder / "plan.toml"
    words = ["run", "plan.toml", "--out", OUT, "--json", "--no-pictures"]
    if case.rng.random() < 0.15:
        step = plan_text([case.example.step])
        change = case.rng.choice(
            [lambda t: "# x\n" * 9000 + t, lambda t: t.replace("\n", "\r\n"),
             lambda t: 'title = "[red]{0}%s"\n' + t, lambda t: t.replace(" = ", "    =   ")]
        )  # fmt: skip
        path.write_bytes(change(step).encode())
        return Attack("a plan written otherwise", words, same=True, refusable=False)
    name, content = case.rng.choice(list(_plan_texts(case).items()))
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "replace"))

    def check(reply: Reply) -> str:
        return "the content of a refused file is shown" if "4711" in reply.out + reply.err else ""

    return Attack(name, words, check=check)


# ---- names


NAMES = (
    "a b", "-x", "--help", "[red]x[/red]", "{0}", "%s%n",
    "x" * 255, "x" * 256, "x" * 5000, "é\u0301",
    "\u202eabc", "a\nb", "a\x1b[2Jb", "con", "a:b", "a;b", "$(touch x)", "`x`", "~", "~x", "*",
    "a'b",
    'a"b', "ä\udcff", "\udce4", "a\\b", "x.", " x ", "…", "a!b", "a,b", "a=b", "#x", "😀", ".x",
    "a%20b",
)  # fmt: skip
FAR_NAMES = (
    "/vsimem/x", "/vsizip/x.zip", "/vsicurl/http://x", "http://x/y", "s3://x", "//host/x", "",
    ".", "..", "/", "/dev/null", "/dev/full/x", "/proc/self/x", "\0", "a\0b", "./././out2", "in",
    "in/dem.tif",
    "in/../out3", "x/y/z/w",
)  # fmt: skip


def _without_comments(folder: Path) -> dict[str, str]:
    """Results, tables without their comments, which name inputs."""
    found = results_of(folder)
    for name in found:
        if name.endswith(".csv"):
            lines = (folder / name).read_bytes().splitlines()
            kept = b"\n".join(line for line in lines if line[:1] != b"#")
            found[name] = hashlib.sha256(kept).hexdigest()
    return found


def names(case: Case) -> Attack | None:
    """names that are not UTF-8, very long, virtual, or markup, of outputs and inputs"""
    if case.rng.random() < 0.5:
        name = case.rng.choice([*NAMES, *FAR_NAMES])
        words = [*case.example.words, "--out", name, "--json", "--no-pictures"]
        return Attack(f"output {name[:30]!r}", words)
    one = case.rng.choice(case.example.named)
    old = case.folder / one.file
    name = case.rng.choice(NAMES)
    try:
        new = old.with_name(name + old.suffix)
        old.rename(new)
    except (OSError, ValueError):
        return None

    def renamed(value: Any) -> Any:
        if isinstance(value, tuple):
            return tuple(map(renamed, value))
        return value.replace(one.file, f"{INPUTS}/{new.name}") if isinstance(value, str) else value

    changed = {field: renamed(value) for field, value in case.example.values.items()}
    words = words_of(case.example.changed(**changed))
    text = f"input {name[:30]!r}"
    return Attack(text, words, same=True, results=_without_comments)


# ---- options


VALUES = (
    "nan", "inf", "-inf", "-1", "0", "1e999", "1e-320", "9" * 400, "", " ", "x", "[1]", "1;2",
    "1,2,3",
    "0x10", "١٢", "True", "\x00", "\udcff", "--help", "=1+1", "1e5", "0.5", "1000000", "-0.0",
    "2**9",
)  # fmt: skip


def options(case: Case) -> Attack | None:
    """values of options that are no values"""
    fields = case.example.process.inputs.model_fields
    chosen = case.rng.sample(sorted(fields), min(len(fields), case.rng.choice([1, 1, 2, 3])))
    words = words_of(case.example)
    tried = []
    for field in chosen:
        value = case.rng.choice(VALUES)
        tried += [option_name(field), value]
    text = " ".join(tried)[:60]
    return Attack(ascii(text), [*words, *tried])


FAMILIES: dict[str, Family] = {
    family.__name__.replace("_", " "): family
    for family in (
        folders, units, geometry, tables, damaged, states, batches, changed_inputs, stops,
        environment, plans, names, options,
    )
}  # fmt: skip
