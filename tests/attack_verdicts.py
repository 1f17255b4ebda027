"""How a case ended: held, or what went wrong."""

from __future__ import annotations

import json
import os
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from attack_process import IO, OUT, Attack, Clean, Reply
from run_helpers import checksums

from shelterscape.errors import CODES

HELD, ERROR, WRONG, LOST, TRACEBACK, HANG = VERDICTS = (
    "held",
    "clear error",
    "wrong",
    "lost",
    "traceback",
    "hang",
)
"""Verdicts on a case; the last four must not occur."""

REFUSED = (2, 3, 4, 5)
SIGNALS = (signal.SIGHUP, signal.SIGINT, signal.SIGTERM)
STOPPED = (*(128 + number for number in SIGNALS), *(-number for number in SIGNALS))
"""Exit codes of a stop; a shell reports a process that a signal ended by the same number."""

MULTIPLE, MORE_SECONDS = 10.0, 5.0
"""A command hangs that takes more processor time than this multiple of the clean run plus 5 s."""

COLD_SECONDS = 60.0
"""The same of a Python that has to import everything and may have to compile kernels."""


def snapshot(folder: Path, without: tuple[str, ...]) -> dict[str, str]:
    """Checksum, target or kind of everything in a folder, except some entries."""
    found = {}
    for here, folders, files in os.walk(os.fsencode(folder)):
        for name in [*folders, *files]:
            path = Path(os.fsdecode(os.path.join(here, name)))
            relative = path.relative_to(folder)
            if relative.parts[0] in without:
                continue
            if path.is_symlink():
                found[str(relative)] = f"link to {os.readlink(path)}"
            elif path.is_file():
                found[str(relative)] = str(hash(path.read_bytes()))
            else:
                found[str(relative)] = "folder" if path.is_dir() else "other"
    return found


def state_of(out: Path) -> dict[str, str]:
    """Everything in an output folder, also when it is a link or a file."""
    return snapshot(out.parent, tuple(n for n in os.listdir(out.parent) if n != out.name))


def incomplete(folder: Path) -> str:
    """What of a result differs from its own record, empty when nothing does."""
    try:
        record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
        listed = {one["path"]: one["sha256"] for one in record["outputs"]}
    except (OSError, ValueError, KeyError) as error:
        return f"no record: {error}"
    there = checksums(folder)
    if different := set(there) ^ {*listed, "record.json", "timings.json"}:
        return f"files and record differ: {sorted(different)[:3]}"
    wrong = [name for name, sum_ in listed.items() if there[name] != sum_]
    return f"checksums differ: {wrong[:3]}" if wrong else ""


def judge(
    attack: Attack, reply: Reply | None, clean: Clean, before: Before, seconds: float
) -> tuple[str, str]:
    """The verdict on a reply, and why."""
    if reply is None:
        return HANG, f"did not end in {attack.seconds:g} s"
    if lost := before.lost(attack, reply):
        return LOST, lost
    more = COLD_SECONDS if attack.fresh else MORE_SECONDS
    if seconds > MULTIPLE * clean.seconds + more:
        return HANG, f"{seconds:.1f} s of processor time, the clean run {clean.seconds:.1f} s"
    stopped = attack.moment is not None and reply.exit_code in STOPPED
    stopped = stopped or reply.exit_code in attack.allowed
    if why := _trace(attack, reply, stopped):
        return TRACEBACK, why
    if left := before.left_behind(reply):
        return WRONG, f"left behind: {left}"
    if why := attack.check(reply):
        return WRONG, why
    if stopped:
        return HELD, "stopped"
    if reply.exit_code == 0:
        return _judged_result(attack, clean, reply)
    why = _first_words(reply) if reply.error else "some holdings failed"
    return (ERROR if attack.refusable else WRONG), f"refused: {why}"


def _trace(attack: Attack, reply: Reply, stopped: bool) -> str:
    """How a command ended that gave neither a result nor a clear error; empty if it did."""
    text = reply.err + reply.out
    if "Traceback (most recent call last)" in text or "Exception ignored" in text:
        return " ".join(reply.err.strip().splitlines()[-1:])[:200] or "a traceback in an event"
    # Exit code 1 with an error of the machine's set-up is documented; without one, or with the
    # code of an internal error, it is not.
    set_up = reply.exit_code == 1 and str(reply.error.get("code", "")).startswith("setup-")
    if reply.exit_code not in (0, *REFUSED) and not stopped and not set_up:
        return f"exit code {reply.exit_code}: {_first_words(reply)}"
    # Failed holdings of a batch are listed in its result.
    # Where standard output is full, the error is on the other stream, in words.
    in_words = "--json" not in attack.words or "What to do:" in reply.err
    if reply.exit_code in (0, 5) or stopped or in_words:
        return ""
    fault = _unclear(reply.error)
    return f"{fault}: {_first_words(reply)}" if fault else ""


def _judged_result(attack: Attack, clean: Clean, reply: Reply) -> tuple[str, str]:
    if not attack.same:
        return HELD, ""
    ours, theirs = attack.results(reply.folder / OUT), attack.results(clean.folder)
    for path in attack.precious:
        ours.pop(path.relative_to(reply.folder / OUT).as_posix(), None)
    different = sorted(n for n in ours.keys() | theirs.keys() if ours.get(n) != theirs.get(n))
    return (WRONG, f"not as in the clean run: {different[:3]}") if different else (HELD, "")


def _unclear(error: dict[str, Any]) -> str:
    if error.get("code") == "usage":
        return "" if error["what"] else "an error without words"
    if error.get("code") not in CODES or error["code"] == "internal":
        return "no clear error"
    return "" if error["what"] and error["hint"] else "an error without advice"


def _first_words(reply: Reply) -> str:
    error = reply.error
    words = f"{error.get('code', '')} {error.get('what', '')} {error.get('value', '')} {reply.err}"
    return " ".join(words.split())[:200]


class Before:
    """The folder of a case before the command."""

    def __init__(self, folder: Path, precious: list[Path]) -> None:
        self._folder = folder
        self._around = snapshot(folder, (IO, OUT))
        self._out = state_of(folder / OUT)
        self._precious = {path: path.read_bytes() for path in precious}

    def lost(self, attack: Attack, reply: Reply) -> str:
        """What changed that must not; empty when nothing did."""
        outside = (self._folder / IO / "outside").read_text(errors="replace")
        if outside:
            return f"written outside its folder: {outside.splitlines()[0]}"
        after = snapshot(self._folder, (IO, OUT))
        # What an attack does during the run is not a loss; it names no precious files there.
        if attack.action is None or attack.moment is None:
            known = {n: m for n, m in self._around.items() if n.split("/")[0] not in attack.ours}
            changed = [name for name, mark in known.items() if after.get(name) != mark]
            if changed:
                return f"changed or removed: {sorted(changed)[:3]}"
        for path, content in self._precious.items():
            if not path.is_file() or path.read_bytes() != content:
                return f"changed or removed: {path.name}"
        return self._lost_result(reply)

    def _lost_result(self, reply: Reply) -> str:
        """An earlier result stays, or a complete new one replaces it."""
        out, is_batch = reply.folder / OUT, (reply.folder / OUT / "batch.json").exists()
        if is_batch or state_of(out) == self._out:
            return ""
        fault = incomplete(out)
        if fault and (reply.exit_code == 0 or self._out):
            return f"the result is not complete: {fault}"
        return (
            f"an error, but there is a new result: {reply.exit_code}"
            if (reply.exit_code in REFUSED)
            else ""
        )

    def left_behind(self, reply: Reply) -> str:
        """Names of hidden files and folders that were not there before; empty without any."""
        before = {name.split("/")[0] for name in self._around}
        names = {name for name in os.listdir(self._folder) if name.startswith(".")}
        names |= {n for n in os.listdir(self._folder) if "shelterscape-" in n}
        # No command makes links: those are of the attack.
        names = {n for n in names - before if not (self._folder / n).is_symlink()}
        if reply.exit_code not in (1, 128) and reply.exit_code >= 0:
            names |= set(os.listdir(self._folder / IO / "temporary"))
        return ", ".join(sorted(names))


@dataclass(frozen=True)
class Verdict:
    """How a case ended."""

    number: int
    family: str
    process: str
    text: str
    verdict: str
    why: str
    seconds: float
