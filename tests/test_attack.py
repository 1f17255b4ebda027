"""The engine of attacks notices each way in which a command can fail."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import time

import pytest
from attack_cases import Case, drawn, words_of
from attack_examples import whole_plan
from attack_process import IO, OUT, Attack, Clean, Reply
from attack_verdicts import ERROR, HANG, HELD, LOST, TRACEBACK, WRONG, Before, judge
from run_helpers import child, run_toy

from shelterscape import registry

WORDS = ["toy", "--json"]
CLEAR = {"event": "error", "code": "plan-bad", "what": "It is bad.", "hint": "Correct it."}


@pytest.fixture
def case(tmp_path):
    """A case with a clean run, an earlier result, and a file of the user."""
    run_toy(tmp_path / "clean")
    folder = tmp_path / "case"
    (folder / IO / "temporary").mkdir(parents=True)
    (folder / IO / "outside").touch()
    (folder / "thesis.txt").write_text("years of work")
    shutil.copytree(tmp_path / "clean", folder / OUT)
    return folder


def verdict_on(case, change=lambda folder: None, code=0, out="", err="", seconds=1.0, **attack):
    """The verdict on a command that does something and ends with a code."""
    before = Before(case, [])
    change(case)
    clean = Clean(case.parent / "clean", "toy", WORDS, 1.0)
    reply = None if code is None else Reply(code, out, err, case)
    return judge(Attack("", WORDS, **attack), reply, clean, before, seconds)[0]


def error(**fields):
    return json.dumps(CLEAR | fields)


def new_result(folder, word="hedge"):
    run_toy(folder / OUT, word=word, overwrite=True)


def test_a_right_result_and_a_clear_error_hold(case):
    assert verdict_on(case, same=True) == HELD
    assert verdict_on(case, new_result, same=True) == HELD
    assert verdict_on(case, code=3, out=error()) == ERROR
    assert verdict_on(case, code=130, moment=0.5) == HELD
    assert verdict_on(case, code=-1, moment=0.5) == HELD


def test_other_results_and_needless_errors_are_wrong(case):
    assert verdict_on(case, lambda f: new_result(f, "other"), same=True) == WRONG
    assert verdict_on(case, lambda f: new_result(f, "other")) == HELD
    assert verdict_on(case, code=3, out=error(), refusable=False) == WRONG
    assert verdict_on(case, check=lambda reply: "wrong number") == WRONG
    left = f".{OUT}.shelterscape-new"
    assert verdict_on(case, lambda f: (f / left).mkdir(), code=130, moment=0.5) == WRONG
    assert verdict_on(case, lambda f: (f / IO / "temporary" / "x").touch()) == WRONG


@pytest.mark.parametrize(
    "change",
    [
        lambda f: (f / "thesis.txt").unlink(),
        lambda f: (f / "thesis.txt").write_text("other"),
        lambda f: shutil.rmtree(f / OUT),
        lambda f: (f / OUT / "tables" / "toy_areas.csv").unlink(),
        lambda f: (f / OUT / "tables" / "toy_areas.csv").write_text("half"),
        lambda f: (f / IO / "outside").write_text("open '/x'"),
    ],
)
def test_what_vanishes_or_changes_is_lost(case, change):
    assert verdict_on(case, change) == LOST


def test_a_new_result_beside_an_error_is_lost(case):
    assert verdict_on(case, lambda f: new_result(f, "other"), code=3, out=error()) == LOST


@pytest.mark.parametrize(
    "reply",
    [
        {"code": 1},
        {"code": -11},
        {"code": 130},
        {"code": 3, "out": ""},
        {"code": 3, "out": error(code="internal")},
        {"code": 3, "out": error(code="no-such-code")},
        {"code": 3, "out": error(hint="")},
        {"code": 0, "err": "Traceback (most recent call last):\n  x\nValueError: x"},
    ],
)
def test_an_end_without_a_clear_error_is_a_traceback(case, reply):
    assert verdict_on(case, **reply) == TRACEBACK


def test_a_command_that_takes_too_long_hangs(case):
    assert verdict_on(case, code=None) == HANG
    assert verdict_on(case, seconds=16.0) == HANG
    assert verdict_on(case, seconds=14.0) == HELD


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
def test_writes_outside_the_folder_of_a_case_are_refused_and_reported(tmp_path):
    code = (
        "import os, sys, pathlib, attack_process\n"
        "root = pathlib.Path(sys.argv[1])\n"
        "log = os.open(root / 'log', os.O_CREAT | os.O_WRONLY)\n"
        "(root / 'case').mkdir()\n"
        "(root / 'read').touch()\n"
        "attack_process.watch_writes(root / 'case', log)\n"
        "os.chdir(root / 'case')\n"
        "open('inside', 'w').close()\n"
        "open('../read').close()\n"
        "os.symlink('..', 'link')\n"
        "for act, *words in [(open, '../written', 'w'), (os.rename, 'inside', '../moved'),\n"
        "                    (open, 'link/through', 'w'), (os.mkdir, '../folder')]:\n"
        "    try:\n"
        "        act(*words)\n"
        "    except PermissionError:\n"
        "        continue\n"
        "    sys.exit(f'{words} was not refused')\n"
    )
    done = child(code, tmp_path)
    assert done.returncode == 0, done.stderr
    seen = [line.split("'")[1] for line in (tmp_path / "log").read_text().splitlines()]
    assert seen == ["../written", "../moved", "link/through", "../folder"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["case", "log", "read"]


def test_every_process_and_family_is_attacked():
    """A process joins by its step in the plan of the sample, which another test requires."""
    from attack_families import FAMILIES

    class Examples:
        examples = dict.fromkeys(registry.BUILT_IN)

    assert {p for p in registry.BUILT_IN if f'"{p}"' in whole_plan()} == set(registry.BUILT_IN)
    cases = [drawn(number, Examples, FAMILIES)[:2] for number in range(100)]
    assert {family for family, _ in cases} == set(FAMILIES)
    assert {process for _, process in cases} == set(registry.BUILT_IN)
    assert cases == [drawn(number, Examples, FAMILIES)[:2] for number in range(100)]


def loses(case: Case) -> Attack:
    """Removes an input in the process of the command."""
    return Attack("", words_of(case.example), first=(case.folder / "in" / "plan.toml").unlink)


def writes_outside(case: Case) -> Attack:
    """Opens a file outside the folder of the case, in the middle of the run."""
    place = case.base.folder / "escaped"

    def write() -> None:
        with contextlib.suppress(PermissionError):
            place.touch()

    return Attack("", words_of(case.example), moment=0.5, action=write)


def refuses(case: Case) -> Attack:
    """Names an input that does not exist."""
    changed = case.example.changed(**{case.example.named[0].field: "none"})
    return Attack("", words_of(changed))


def breaks(case: Case) -> Attack:
    """Has a part of the program raise an unexpected error."""

    def broken() -> None:
        from shelterscape.runs import writing

        writing.OutputWriter.table = writing.OutputWriter.layer = None

    return Attack("", words_of(case.example), first=broken)


OTHER_VALUES = {
    "roughness_m": 0.04, "start_year": 2031, "site_roughness_m": 0.5, "canopy_threshold_m": 2.5,
    "fall_factor": 2.0, "place_spacing_m": 20.0, "season": "bare",
    "machine_width_m": 3.0,
}  # fmt: skip
"""Values that change the results of a process; the first that it has is used."""


def differs(case: Case) -> Attack:
    """Has a number that changes the results."""
    name = next(n for n in OTHER_VALUES if n in case.example.process.inputs.model_fields)
    changed = case.example.changed(**{name: OTHER_VALUES[name]})
    return Attack("", words_of(changed), same=True)


def hangs(case: Case) -> Attack:
    """Calculates far longer than the clean run."""

    def endless() -> None:
        until = time.process_time() + 40.0
        while time.process_time() < until:
            pass

    return Attack("", words_of(case.example), moment=0.5, action=endless)


def same(case: Case) -> Attack:
    """Changes nothing."""
    return Attack("", words_of(case.example), same=True, refusable=False)


SABOTAGE = {loses: LOST, writes_outside: LOST, refuses: ERROR, breaks: TRACEBACK, differs: WRONG,
            hangs: HANG, same: HELD}  # fmt: skip


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
def test_sabotage_of_real_commands_is_noticed(tmp_path):
    code = (
        "import json, pathlib, sys, time\n"
        "import attack, test_attack\n"
        "base = attack.prepared(pathlib.Path(sys.argv[1]))\n"
        "families = {f.__name__: f for f in test_attack.SABOTAGE}\n"
        "found = attack.run_cases(list(range(14)), base, families, 2, time.monotonic() + 600)\n"
        "print(json.dumps([[v.family, v.verdict, v.why] for v in found]))\n"
    )
    done = child(code, tmp_path, timeout=600)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert len(found) == 14, done.stderr
    expected = {family.__name__: verdict for family, verdict in SABOTAGE.items()}
    assert [f for f in found if expected[f[0]] != f[1]] == []
