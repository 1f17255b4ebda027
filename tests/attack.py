"""Attacks on the command line, in families, each in a process and a folder of its own.

python tests/attack.py [--cases 1000] [--jobs 2] [--minutes 15] [--first 0] [--case NUMBER]

The number of a case decides its family, process, attack and random values, so that
``make attack CASE=NUMBER`` repeats it and keeps its folder. Cases are forked from a process that
has imported the package and loaded the kernels: a case takes a fraction of a second. The exit code
is 1 when a result was wrong, something was lost, or a command ended in a traceback or not at all.
"""

from __future__ import annotations

import argparse
import json
import os
import pkgutil
import shutil
import sys
import time
import traceback
from collections import Counter
from dataclasses import asdict
from pathlib import Path

from attack_cases import SEED, Base, Case, Family, drawn, words_of
from attack_process import run_command, workers_as_threads
from attack_verdicts import ERROR, HELD, VERDICTS, Before, Verdict, judge
from page_tables import put, scratch_folder

ROOT = Path(__file__).resolve().parents[1]
WRITTEN = 1000
"""Fewest cases whose table is put into docs/reliability.md."""


def run_case(number: int, base: Base, families: dict[str, Family], folder: Path) -> Verdict:
    """Prepare, run and judge one case."""
    name, process, rng = drawn(number, base, families)
    folder.mkdir()
    attack = None
    while attack is None:  # a family may not apply to a process
        example = base.examples[process]
        clean = base.clean(process, words_of(example))
        for entry in folder.iterdir():
            shutil.rmtree(entry)
        base.inputs_into(folder)
        attack = families[name](Case(rng, folder, example, clean, base))
        if attack is None:
            process = rng.choice(sorted(base.examples))
    clean = attack.clean or clean
    before = Before(folder, attack.precious)
    calls = None if attack.moment is None else base.calls(clean)
    reply, seconds = run_command(attack, folder, calls)
    verdict, why = judge(attack, reply, clean, before, seconds)
    return Verdict(number, name, process, attack.text, verdict, why, round(seconds, 2))


def run_cases(
    numbers: list[int], base: Base, families: dict[str, Family], jobs: int, end: float
) -> list[Verdict]:
    """Run cases, each in a forked process; those that there is no time for are left out."""
    running: dict[int, tuple[int, Path]] = {}
    waiting, found = list(numbers), []
    while running or (waiting and time.monotonic() < end):
        while waiting and len(running) < jobs and time.monotonic() < end:
            number = waiting.pop(0)
            folder = base.folder / f"case-{number}"
            sys.stdout.flush()
            child = os.fork()
            if child == 0:
                _case_process(number, base, families, folder)
            running[child] = (number, folder)
        child, _ = os.wait()
        number, folder = running.pop(child)
        kept = folder.with_suffix(".json")
        if not kept.exists():
            sys.stderr.write(f"case {number} could not be prepared or judged\n")
            continue
        verdict = Verdict(**json.loads(kept.read_text()))
        found.append(verdict)
        if len(numbers) == 1:
            continue
        if verdict.verdict in (HELD, ERROR):
            shutil.rmtree(folder, ignore_errors=True)
            kept.unlink()
        else:
            sys.stderr.write(_line(verdict) + "\n")
    return sorted(found, key=lambda one: one.number)


def _case_process(number: int, base: Base, families: dict[str, Family], folder: Path) -> None:
    """The process that prepares and judges a case; never returns."""
    try:
        verdict = run_case(number, base, families, folder)
        kept = folder.with_suffix(".json")
        kept.write_text(json.dumps(asdict(verdict)))
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(0)


def _line(one: Verdict) -> str:
    return f"case {one.number}: {one.verdict}: {one.family}, {one.process}: {one.text}: {one.why}"


def table(found: list[Verdict], families: dict[str, Family], minutes: float) -> str:
    """The counts as a Markdown table."""
    processes = sorted({one.process for one in found})
    lines = [
        f"Last run: {len(found):,} cases in {minutes:.0f} minutes, seed {SEED}, on "
        f"{', '.join(processes)}.",
        "",
        f"| family | what is tried | cases | {' | '.join(VERDICTS)} |",
        f"| --- | --- | --- |{' --- |' * len(VERDICTS)}",
    ]
    for name, family in families.items():
        of_family = Counter(one.verdict for one in found if one.family == name)
        what = (family.__doc__ or "").strip().rstrip(".")
        counts = " | ".join(f"{of_family[verdict]:,}" for verdict in VERDICTS)
        lines.append(f"| {name} | {what} | {of_family.total():,} | {counts} |")
    of_all = Counter(one.verdict for one in found)
    counts = " | ".join(f"**{of_all[verdict]:,}**" for verdict in VERDICTS)
    lines.append(f"| **all** | | **{of_all.total():,}** | {counts} |")
    return "\n".join(lines)


def prepared(folder: Path) -> Base:
    """Import everything, load all kernels, and make the clean inputs, all below one folder."""
    from shelterscape import kernels
    from shelterscape.kernels.cache_folder import cache_folder
    from shelterscape.kernels.cache_key import module_key

    usual, ours = cache_folder(), folder / "cache" / "shelterscape" / "kernels"
    ours.mkdir(parents=True, mode=0o700)
    for _, name, _ in pkgutil.iter_modules(kernels.__path__):
        kept = f"{name}-{module_key(f'{kernels.__name__}.{name}')}"
        if (usual / kept).is_dir():
            shutil.copytree(usual / kept, ours / kept)
    for name in ("home", "temporary", "matplotlib"):
        (folder / name).mkdir()
    os.environ |= {
        "XDG_CACHE_HOME": str(folder / "cache"),
        "HOME": str(folder / "home"),
        "TMPDIR": str(folder / "temporary"),
        "MPLCONFIGDIR": str(folder / "matplotlib"),
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTHONPATH": str(ROOT),
    }
    import numba

    from shelterscape import cli, registry
    from shelterscape.science import warm

    numba.set_num_threads(1)
    for name in (*registry.ids(), *cli.OTHER_COMMANDS):
        cli.shelterscape.get_command(None, name)
    for compile_kernels in (warm.compile_belts, warm.compile_siting, warm.compile_terrain):
        compile_kernels()
    workers_as_threads()
    return Base(folder)


def checkout_state() -> dict[str, int]:
    """Time of the last change of every file of the checkout, except hidden ones and caches."""
    found = {}
    for here, folders, files in os.walk(ROOT):
        folders[:] = [n for n in folders if not n.startswith(".") and n != "__pycache__"]
        found |= {f"{here}/{name}": os.lstat(f"{here}/{name}").st_mtime_ns for name in files}
    return found


OPEN_CASES = {
    97: "a damaged record.json of combined results is refused with advice, not written again",
}
"""Faults that are known and not fixed, by number of the case; the table counts them."""


def main() -> int:
    """Run all attacks, or one."""
    given = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    given.add_argument("--cases", type=int, default=1000)
    given.add_argument("--jobs", type=int, default=2)
    given.add_argument("--minutes", type=float, default=15.0)
    given.add_argument("--case", type=int)
    given.add_argument("--first", type=int, default=0)
    words = given.parse_args()
    started, checkout = time.monotonic(), checkout_state()
    folder = scratch_folder("attack").resolve()
    base = prepared(folder)
    from attack_families import FAMILIES

    numbers = (
        [words.case]
        if words.case is not None
        else list(range(words.first, words.first + words.cases))
    )
    found = run_cases(numbers, base, FAMILIES, words.jobs, started + 60 * words.minutes)
    minutes = (time.monotonic() - started) / 60
    text = table(found, FAMILIES, minutes)
    sys.stdout.write("\n".join(map(_line, found)) if words.case is not None else text)
    sys.stdout.write("\n")
    changed = sorted(dict(checkout.items() ^ checkout_state().items()))
    if changed:
        sys.stderr.write(f"files changed in the checkout meanwhile: {', '.join(changed[:5])}\n")
    bad = [one for one in found if one.verdict not in (HELD, ERROR)]
    known = [one for one in bad if one.number in OPEN_CASES]
    for one in known:
        sys.stderr.write(f"known, not fixed: {_line(one)} ({OPEN_CASES[one.number]})\n")
    if len(found) < len(numbers):
        sys.stderr.write(f"{len(numbers) - len(found)} cases were not run, or not to their end\n")
    elif len(found) >= WRITTEN:
        put("attack", text)
    if bad or words.case is not None:
        sys.stderr.write(f"Folders of these cases are kept in {folder}\n")
    else:
        shutil.rmtree(folder, ignore_errors=True)
    return int(len(bad) > len(known) or bool(changed) or len(found) < len(numbers))


if __name__ == "__main__":
    raise SystemExit(main())
