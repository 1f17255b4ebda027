"""Insert faults into the science code, one at a time, and check whether the tests notice.

python tests/faults.py                  resume the sample for up to an hour and print the table
python tests/faults.py --write          and, once all are tried, write it into docs/reliability.md
python tests/faults.py --minutes 20     start no new fault after 20 minutes
python tests/faults.py --first 8        only the first 8 of the sample

A sample with a fixed seed is drawn from all changes that tests/mutations.py finds in science/ and
kernels/. Faults are inserted into copies of the package, never into the checkout. First all fast
tests run on unchanged copies, traced line by line. Each fault then runs the tests that reach its
line, the fastest first, until one fails. Code compiled by numba is never traced, and without
compiling the tests would take days: a fault in it runs the tests that reach a caller of its
function. Tests that compare pages or text with the code are left out: they would notice any change.

Results are kept in .faults/ by a checksum of the package, so that an interrupted run can be
resumed. The exit code is 1 when a fault without explanation survives.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue

from faults_reach import ROOT, Reach, sources
from mutations import Mutation, mutations
from page_tables import put

STATE = ROOT / ".faults"
EXPLAINED = ROOT / "tests" / "faults_explained.toml"
COPIED = (
    "shelterscape",
    "tests",
    "docs",
    "benchmarks",
    "sample_gis",
    "pyproject.toml",
    "README.md",
)
BROKEN = ("science", "kernels")
SEED, SAMPLE = 14, 64
WORKERS = 2

UNUSED_FILES = (
    "test_architecture.py",
    "test_docs.py",
    "test_docs_columns.py",
    "test_docs_plan.py",
    "test_fuzz.py",
    "test_mutations.py",
)
UNUSED_TESTS = (
    "test_belt_evidence.py::test_the_first_lines_of_the_page_are_the_default_curve_on_headline_rows",
    "test_belt_evidence.py::test_each_doubtful_row_is_listed_on_the_page_with_its_reason",
)
TESTS_SECONDS = 90.0
"""Time of the tests for one fault, as measured on the unchanged copy, s; no more are started."""
LONGEST_S = 420.0
"""Processor time of one run, s; a fault may cause an endless loop. On a busy machine elapsed time
may be four times as long; after that the result for the fault is unknown."""
MOST_KIB = 8 * 2**20
"""Address space of one run, KiB, so that a fault cannot use up the memory of the machine."""


# --- the sample ---------------------------------------------------------------------------------


def sample() -> list[Mutation]:
    """The faults; the same for the same package."""
    every = [
        mutation
        for module, text in sources().items()
        if module.startswith(tuple(f"{part}/" for part in BROKEN))
        for mutation in mutations(module, text)
    ]
    return random.Random(SEED).sample(every, SAMPLE)


def checksum(*names: str) -> str:
    """Checksum of files and folders of the checkout, without the files of this script."""
    found = hashlib.sha256()
    for name in names:
        top = ROOT / name
        for path in sorted(p for p in (top.rglob("*") if top.is_dir() else [top]) if p.is_file()):
            if "__pycache__" not in path.parts and not path.name.startswith("faults"):
                found.update(f"{path.relative_to(ROOT)}\0".encode() + path.read_bytes())
    return found.hexdigest()[:16]


# --- running ------------------------------------------------------------------------------------


def copied(number: int) -> Path:
    """A new, unchanged copy of the package and its tests."""
    folder = STATE / f"copy-{number}"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name in COPIED:
        if (ROOT / name).is_dir():
            unwanted = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / name, folder / name, ignore=unwanted)
        else:
            shutil.copy2(ROOT / name, folder / name)
    return folder


def run_tests(
    folder: Path, cache: Path, words: list[str], limit_s: float = 3600.0, **places: str
) -> tuple[int, str]:
    """Exit code and output of the tests in a copy.

    Raises
    ------
    TimeoutError
        When they take four times the limit in elapsed time.
    """
    options = ["-q", "-rfE", "--tb=no", "--no-header", "-p", "no:cacheprovider"]
    options += ["-o", "addopts=--strict-markers", "-m", "not slow and not realdata"]
    python_path = os.pathsep.join([str(folder), str(folder / "tests")])
    # Otherwise compiled code of the checkout would be used instead of that of the copy.
    places |= {"PYTHONPATH": python_path, "PYTHONDONTWRITEBYTECODE": "1", "NUMBA_NUM_THREADS": "1"}
    places |= {"XDG_CACHE_HOME": str(cache), "LOCALAPPDATA": str(cache), "NUMBA_CACHE_DIR": ""}
    limits = f'ulimit -S -t {limit_s:.0f}; ulimit -v {MOST_KIB}; exec "$0" "$@"'
    started = subprocess.Popen(
        ["sh", "-c", limits, sys.executable, "-m", "pytest", *options, *words],
        cwd=folder,
        env=os.environ | places,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        output, _ = started.communicate(timeout=4 * limit_s)
    except subprocess.TimeoutExpired:
        raise TimeoutError from None
    finally:
        if started.poll() is None:
            os.killpg(started.pid, signal.SIGKILL)
            started.wait()
    return started.returncode, output


def kernels_cache(number: int) -> Path:
    """Folder for the compiled code of a copy; it is kept by the checksum of each module."""
    return STATE / f"cache-{number}"


def traced(number: int, folder: Path) -> dict:
    """The result of the plugin for one share of the test files.

    Tests that fail on the unchanged copy, such as those that need other files, cannot show a
    fault: they are listed and not used.
    """
    files = sorted((folder / "tests").glob("test_*.py"), key=lambda p: p.stat().st_size)
    chosen = [f"tests/{p.name}" for p in files if p.name not in UNUSED_FILES][number::WORKERS]
    words = [*chosen, "-p", "faults_plugin", *(f"--deselect=tests/{t}" for t in UNUSED_TESTS)]
    out = STATE / f"reach-{number}.json"
    places = {"FAULTS_PACKAGE": str(folder / "shelterscape"), "FAULTS_OUT": str(out)}
    code, output = run_tests(folder, kernels_cache(number), words, **places)
    if code not in (0, 1):
        raise RuntimeError(f"the tests could not be run:\n{output[-4000:]}")
    found = json.loads(out.read_text(encoding="utf-8"))
    for test in found["failed"]:
        sys.stderr.write(f"not used, since it fails without any fault: {test}\n")
    return found


def tried(fault: Mutation, reach: Reach, number: int, folder: Path) -> dict:
    """Insert one fault, run its tests, and return the result."""
    every, chosen, seconds = reach.tests(fault), [], 0.0
    for test in every:
        if chosen and seconds + reach.seconds[test] > TESTS_SECONDS:
            continue
        chosen.append(test)
        seconds += reach.seconds[test]
    found = {"reached_by": len(every), "run": len(chosen), "noticed_by": "", "seconds": 0.0}
    found |= {"file": "", "file_checksum": ""}
    if not chosen:
        return found
    path = folder / "shelterscape" / fault.module
    whole, stamp = path.read_text(encoding="utf-8"), path.stat()
    path.write_text(fault.applied(whole), encoding="utf-8")
    kernel = fault.module.startswith("kernels/")
    started = time.monotonic()
    try:
        limit = min(LONGEST_S, 120 + 60 * kernel + 4 * seconds)
        words = ["-x", *(f"tests/{test}" for test in chosen)]
        code, output = run_tests(folder, kernels_cache(number), words, limit)
    finally:
        path.write_text(whole, encoding="utf-8")
        os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    found["seconds"] = round(time.monotonic() - started, 1)
    found["noticed_by"] = _noticed(code, output)
    if (ROOT / "tests" / found["noticed_by"].partition("::")[0]).is_file():
        found["file"] = f"tests/{found['noticed_by'].partition('::')[0]}"
        found["file_checksum"] = checksum(found["file"])
    return found


def _noticed(code: int, output: str) -> str:
    """The test that noticed a fault, or another sign of it; empty when nothing did."""
    if code == 0:
        return ""
    if code == -signal.SIGXCPU:
        return "the time limit"
    if code < 0 or code > 128:
        return "the end of the process"
    if code == 4 and "while loading conftest" in output:
        return "conftest.py"
    failed = re.search(r"^(?:FAILED|ERROR) tests/(\S+?\.py)(?:::(\w+))?", output, re.MULTILINE)
    if code in (1, 2) and failed:
        return "::".join(filter(None, failed.groups()))
    raise RuntimeError(f"the tests could not be run:\n{output[-4000:]}")


# --- all faults ---------------------------------------------------------------------------------


class State:
    """The results so far for this state of the package.

    When tests have changed since, lines are traced again. A result is kept if a test whose file has
    not changed noticed the fault.
    """

    def __init__(self) -> None:
        self.path = STATE / f"{checksum('shelterscape', 'sample_gis')}.json"
        tests = checksum("tests")
        found = json.loads(self.path.read_text()) if self.path.exists() else {}
        if found.get("tests") != tests:
            kept = {
                name: result
                for name, result in found.get("faults", {}).items()
                if result["file"] and checksum(result["file"]) == result["file_checksum"]
            }
            found = {"tests": tests, "faults": kept}
        self.found = found

    def keep(self, name: str, value: object) -> None:
        self.found[name] = value
        new = self.path.with_suffix(".new")
        self.path.parent.mkdir(exist_ok=True)
        new.write_text(json.dumps(self.found, indent=1), encoding="utf-8")
        new.replace(self.path)


def key(fault: Mutation, texts: dict[str, str]) -> str:
    """The name of a fault in the state, on the page and among the explanations."""
    return f"{fault.module}:{fault.line} {fault.reported(texts[fault.module])}"


def measure(state: State, faults: list[Mutation], minutes: float) -> None:
    """Try every fault without a result, while there is time to start one."""
    end, texts = time.monotonic() + 60 * minutes, sources()
    todo = [fault for fault in faults if key(fault, texts) not in state.found["faults"]]
    if not todo:
        return
    STATE.mkdir(exist_ok=True)
    copies: SimpleQueue[tuple[int, Path]] = SimpleQueue()
    for number in range(WORKERS):
        copies.put((number, copied(number)))
    with ThreadPoolExecutor(WORKERS) as threads:
        if "reach" not in state.found:
            started = time.monotonic()
            parts = [copies.get() for _ in range(WORKERS)]
            state.keep("reach", list(threads.map(lambda part: traced(*part), parts)))
            state.keep("traced_s", round(time.monotonic() - started))
            for part in parts:
                copies.put(part)
        reach = Reach(state.found["reach"])

        def one(fault: Mutation) -> None:
            copy = copies.get()
            try:
                if time.monotonic() < end:
                    results[key(fault, texts)] = result = tried(fault, reach, *copy)
                    state.keep("faults", dict(results))
                    sys.stderr.write(
                        f"{result['seconds']:6.1f} s  {result['noticed_by'] or 'SURVIVED'}  "
                        f"{key(fault, texts)}\n"
                    )
            except TimeoutError:
                sys.stderr.write(f"too slow to know: {key(fault, texts)}\n")
            finally:
                copies.put(copy)

        results = state.found["faults"]
        list(threads.map(one, todo))


def report(state: State, faults: list[Mutation]) -> tuple[str, bool]:
    """The text for the page, and whether every survivor has an explanation."""
    texts = sources()
    explained = tomllib.loads(EXPLAINED.read_text(encoding="utf-8"))
    done = {key(f, texts): (f, state.found["faults"].get(key(f, texts))) for f in faults}
    tried_ones = {name: (f, r) for name, (f, r) in done.items() if r}
    left = {name: r for name, (_, r) in tried_ones.items() if not r["noticed_by"]}
    limit = sum("::" not in r["noticed_by"] for _, r in tried_ones.values()) - len(left)
    share = f"{len(left) / len(tried_ones):.0%}" if tried_ones else "not known"
    lines = [
        f"Sample: {len(faults)} faults, seed {SEED}, drawn from every change found in "
        f"{' and '.join(f'`{p}/`' for p in BROKEN)}. Tried so far: {len(tried_ones)}. Noticed: "
        f"{len(tried_ones) - len(left)}, of which {limit} by an endless loop, a crash or a failed "
        f"import. **Survived: {len(left)} ({share}).**",
        "",
        "| kind of fault | tried | survived |",
        "| --- | --- | --- |",
    ]
    for kind in sorted({f.kind for f, _ in tried_ones.values()}):
        of_kind = [r for f, r in tried_ones.values() if f.kind == kind]
        lines.append(f"| {kind} | {len(of_kind)} | {sum(not r['noticed_by'] for r in of_kind)} |")
    if left:
        lines += [
            "",
            "| survivor | tests run, of those that reach it | why |",
            "| --- | --- | --- |",
        ]
    for name, result in left.items():
        why = explained.get(name.partition(" ")[2], "**not explained yet**")
        text = name.replace("|", "\\|").replace("`", "'")
        lines.append(f"| `{text}` | {result['run']} of {result['reached_by']} | {why} |")
    return "\n".join(lines), all(name.partition(" ")[2] in explained for name in left)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--minutes", type=float, default=50.0)
    parser.add_argument("--first", type=int, default=SAMPLE)
    words = parser.parse_args()
    faults, state = sample(), State()
    measure(state, faults[: words.first], words.minutes)
    text, fine = report(state, faults)
    sys.stdout.write(text + "\n")
    left = sum(key(fault, sources()) not in state.found["faults"] for fault in faults)
    if words.write and left:
        sys.stderr.write(f"not written, since {left} faults of the sample are untried: run again\n")
    elif words.write:
        put("faults", text)
    return int(not fine)


if __name__ == "__main__":
    raise SystemExit(main())
