"""The process of a command under attack: what it gets, and what it leaves behind."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from run_helpers import checksums

LONGEST_SECONDS, LONGEST_COLD_SECONDS, LONGEST_CLEAN_SECONDS = 120.0, 240.0, 600.0
"""Limits of a command, of one that starts Python afresh, and of a run without an attack."""

OUT, IO = "out", "io"
"""Folders of a case: the results, and what the engine itself writes."""

PLACES = {"home": "HOME", "temporary": "TMPDIR"}
"""Folders of the machine that each case has for itself, by their variables."""

REPORTS = ("record.json", "report.html", "holding_pages.pdf", "summary.txt", "timings.json")
"""Files of a result that name inputs and notices, which an attack may change."""

CHANGING_EVENTS = {
    "os.rename": (0, 1), "os.link": (1,), "os.symlink": (1,),
    **dict.fromkeys(("os.mkdir", "os.remove", "os.rmdir", "os.truncate", "os.chmod", "os.chown",
                     "shutil.rmtree"), (0,)),
}  # fmt: skip
"""Audit events of Python that change files or folders, and which of their arguments name them."""


def results_of(folder: Path) -> dict[str, str]:
    """Checksums of the results of a run, without reports on inputs."""
    return {name: sum_ for name, sum_ in checksums(folder).items() if name not in REPORTS}


@dataclass(frozen=True)
class Clean:
    """A run without an attack.

    Parameters
    ----------
    folder : Path
        Its results.
    name : str
    words : list of str
        Its command.
    seconds : float
        Processor time, s.
    """

    folder: Path
    name: str
    words: list[str]
    seconds: float


@dataclass(frozen=True)
class Reply:
    """What a command left behind; the exit code is negative when a signal ended it."""

    exit_code: int
    out: str
    err: str
    folder: Path

    @property
    def events(self) -> list[dict[str, Any]]:
        """Events of ``--json``."""
        found = []
        for line in self.out.splitlines():
            with contextlib.suppress(ValueError):
                found.append(json.loads(line))
        return [event for event in found if isinstance(event, dict)]

    @property
    def error(self) -> dict[str, Any]:
        """The error event, empty where there is none."""
        return next((e for e in self.events if e.get("event") == "error"), {})


@dataclass
class Attack:
    """One attack.

    Parameters
    ----------
    text : str
        What is tried.
    words : list of str
        The command.
    same : bool
        Whether a command that ends with 0 must give the results of the clean run.
    refusable : bool
        Whether a clear error is right as well.
    check : callable, optional
        Takes the reply; returns what is wrong, or an empty text.
    environment : dict
        Variables to set.
    first : callable, optional
        Called in the process of the command before it starts.
    moment : float, optional
        Share of the function calls of the clean run after which `action` is called, once.
    action : callable, optional
    fresh : bool
        Whether the command needs a Python that has not imported anything.
    allowed : tuple of int
        Other exit codes that are right.
    seconds : float
        A command hangs that has not ended by then.
    precious : list of Path
        Files in the output folder that must remain.
    ours : list of str
        Names beside the output folder that a run may remove.
    results : callable
        The checksums of everything in a folder that `same` compares.
    clean : Clean, optional
        The clean run where it is not that of the case.
    """

    text: str
    words: list[str]
    same: bool = False
    refusable: bool = True
    check: Callable[[Reply], str] = lambda reply: ""
    environment: dict[str, str] = field(default_factory=dict)
    first: Callable[[], object] | None = None
    moment: float | None = None
    action: Callable[[], object] | None = None
    fresh: bool = False
    allowed: tuple[int, ...] = ()
    seconds: float = LONGEST_SECONDS
    precious: list[Path] = field(default_factory=list)
    ours: list[str] = field(default_factory=list)
    results: Callable[[Path], dict[str, str]] = lambda folder: results_of(folder)
    clean: Clean | None = None


def _outside(place: str | bytes | os.PathLike[str], folder: Path) -> bool:
    """Whether a path is outside a folder; devices are not."""
    try:
        path = os.path.realpath(os.path.join(os.getcwd(), os.fsdecode(place)))
    except (OSError, ValueError):  # no path, or no working folder
        return False
    inside = (f"{folder}/", f"{folder.parent}/cache/", f"{folder.parent}/matplotlib/")
    return not path.startswith((*inside, "/dev/", "/proc/")) and path != str(folder)


def watch_writes(folder: Path, log: int) -> None:
    """Refuse to write outside a folder; write a line to an open file for each attempt."""

    def hook(event: str, args: tuple[Any, ...]) -> None:
        if event == "open":
            path, mode, flags = args
            writes = bool(set(mode or "") & set("wax+")) or (flags or 0) & (
                os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
            )
            places = (path,) if writes else ()
        else:
            places = tuple(args[i] for i in CHANGING_EVENTS.get(event, ()))
        for place in places:
            if isinstance(place, (str, bytes, os.PathLike)) and _outside(place, folder):
                os.write(log, f"{event} {place!r}\n".encode())
                raise PermissionError(errno.EACCES, "outside the folder of the case", place)

    sys.addaudithook(hook)


def count_calls(turn: int, action: Callable[[], object] | None) -> Callable[[], int]:
    """Count calls of Python functions in this thread, and call `action` once at a given count."""
    count = 0

    def profile(frame: object, event: str, arg: object) -> None:
        nonlocal count
        if event != "call":
            return
        count += 1
        if count == turn and action is not None:
            sys.setprofile(None)
            action()

    sys.setprofile(profile)
    return lambda: count


def command_in_this_process(words: list[str]) -> int:
    """Run the command line as its launcher does; the exit code."""
    from shelterscape import cli

    try:
        cli.main(words)
        code = 0
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else int(left.code is not None)
    except KeyboardInterrupt:
        code = 130
    except BaseException:
        traceback.print_exc()
        code = 1
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError:
        code = code or 120
    return code


def workers_as_threads() -> None:
    """Have batches work in a thread: starting worker processes takes ten times as long.

    Forked workers are no way out: a copy of a process with threads may hang.
    """
    from shelterscape.batch import local, tasks

    def executor(pool: local.LocalPool) -> ThreadPoolExecutor:
        if pool._executor is None:
            tasks._stop = pool._stop
            pool._executor = ThreadPoolExecutor(1)
        return pool._executor

    local.LocalPool.executor = executor


def _set_up(attack: Attack, folder: Path) -> None:
    """Give this process the files, folders, variables and signals of a command by itself."""
    for number, name in ((1, "stdout"), (2, "stderr")):
        os.dup2(os.open(folder / IO / name, os.O_CREAT | os.O_WRONLY | os.O_TRUNC), number)
    os.chdir(folder)
    places = {variable: folder / IO / name for name, variable in PLACES.items()}
    for place in places.values():
        place.mkdir(exist_ok=True)
    tempfile.tempdir = None
    for name, value in (places | attack.environment).items():
        os.environ[name] = str(value)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def _attacked(attack: Attack, folder: Path, calls: int | None) -> None:
    """The process of a command: set it up, run the command, end; never returns."""
    code = 1
    try:
        log = os.open(folder / IO / "outside", os.O_CREAT | os.O_WRONLY | os.O_APPEND)
        _set_up(attack, folder)
        if attack.first is not None:
            attack.first()
        if attack.fresh:
            os.execv(sys.executable, [sys.executable, "-m", "shelterscape", *attack.words])
        watch_writes(folder, log)
        counted = None
        if calls is not None:
            counted = count_calls(int((attack.moment or 0.0) * calls), attack.action)
        code = command_in_this_process(attack.words)
        sys.setprofile(None)
        if counted is not None:
            (folder / IO / "calls").write_text(str(counted()))
    except BaseException:
        traceback.print_exc()
    finally:
        with contextlib.suppress(BaseException):
            sys.stderr.flush()
        os._exit(code & 255)


def run_command(
    attack: Attack, folder: Path, calls: int | None = None
) -> tuple[Reply | None, float]:
    """Run the command of an attack.

    Parameters
    ----------
    attack : Attack
    folder : Path
        Folder of the case.
    calls : int, optional
        Number of calls of functions in the clean run; calls are not counted without it.

    Returns
    -------
    Reply or None
        None when it did not end in time.
    float
        Its processor time, s.
    """
    (folder / IO).mkdir(exist_ok=True)
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        os.setpgid(0, 0)
        _attacked(attack, folder, calls)
    with contextlib.suppress(OSError):  # it has already set it, or ended
        os.setpgid(child, child)
    deadline = time.monotonic() + attack.seconds
    while True:
        ended, status, usage = os.wait4(child, os.WNOHANG)
        if ended or time.monotonic() > deadline:
            break
        time.sleep(0.01)
    if not ended:
        os.killpg(child, signal.SIGKILL)
        os.wait4(child, 0)
        return None, attack.seconds
    with contextlib.suppress(OSError):  # workers that its end left behind
        os.killpg(child, signal.SIGKILL)
    out, err = (
        (folder / IO / name).read_bytes().decode("utf-8", "replace")
        for name in ("stdout", "stderr")
    )
    code = os.waitstatus_to_exitcode(status)
    return Reply(code, out, err, folder), usage.ru_utime + usage.ru_stime
