"""A fuzz test guided by coverage, over all targets of `fuzz_targets`.

python tests/fuzz.py [--minutes 10] [--write] [--keep FOLDER]

Each target runs in a process of its own for its share of the time. The numbers of inputs and of
tracebacks are printed and, with --write, put into docs/reliability.md. Inputs that caused a
traceback are kept in a folder whose name is printed: fix the cause and add the input to
tests/fuzz_cases. The exit code is 1 when there are any.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any

import atheris
from page_tables import put, scratch_folder

# Kernels are compiled by numba, which does not support the counters of the instrumentation.
with atheris.instrument_imports(include=["shelterscape"], exclude=["shelterscape.kernels"]):
    import fuzz_targets

LONGEST_BYTES = {"geopackage": 120_000, "geotiff": 4_000}
USUAL_LONGEST_BYTES = 1_500
SLOW_SECONDS = 10


class Count:
    """Runs a target on inputs and counts how it ended.

    Parameters
    ----------
    target : callable
        One of `fuzz_targets.TARGETS`.
    seconds : float
        Duration of the test, s.
    keep : Path
        Folder for inputs that caused a traceback, and for the counts.
    scratch : Path
        Folder for files of the target.
    """

    def __init__(self, target: Any, seconds: float, keep: Path, scratch: Path) -> None:
        self._target, self._keep, self._scratch = target, keep, scratch
        self._end = time.monotonic() + seconds
        self._seen: set[str] = set()
        self.reported: dict[str, Any] = {"inputs": 0, "slowest": 0.0, "codes": {}, "findings": []}

    def __call__(self, data: bytes) -> None:
        started = time.monotonic()
        if started > self._end:
            self.write()
            os._exit(0)
        self.reported["inputs"] += 1
        try:
            code = fuzz_targets.outcome(self._target, data, self._scratch)
            self.reported["codes"][code] = self.reported["codes"].get(code, 0) + 1
        except BaseException as error:
            self._note(error, data)
        self.reported["slowest"] = max(self.reported["slowest"], time.monotonic() - started)

    def _note(self, error: BaseException, data: bytes) -> None:
        """Keep the first input for each line of code that raised an error."""
        frames = traceback.extract_tb(error.__traceback__)
        ours = [f for f in frames if "shelterscape" in f.filename] or frames
        place = f"{type(error).__name__} at {Path(ours[-1].filename).name}:{ours[-1].lineno}"
        if place in self._seen:
            return
        self._seen.add(place)
        number = len(self._seen)
        (self._keep / f"{self._target.__name__}-{number}.bin").write_bytes(data)
        text = "".join(traceback.format_exception(error))
        (self._keep / f"{self._target.__name__}-{number}.txt").write_text(text, encoding="utf-8")
        self.reported["findings"].append(f"{place}: {error}")
        self.write()

    def write(self) -> None:
        """Write the counts so far, because the process may be killed."""
        path = self._keep / f"{self._target.__name__}.json"
        path.write_text(json.dumps(self.reported), encoding="utf-8")


def work(name: str, seconds: float, keep: Path) -> None:
    """Fuzz one target; never returns."""
    target = next(t for t in fuzz_targets.TARGETS if t.__name__ == name)
    scratch = scratch_folder("fuzz")
    corpus = keep / f"corpus-{name}"
    corpus.mkdir()
    for i, seed in enumerate(fuzz_targets.seeds(scratch)[name]):
        (corpus / f"seed{i}").write_bytes(seed)
    longest = LONGEST_BYTES.get(name, USUAL_LONGEST_BYTES)
    options = [f"-max_len={longest}", f"-timeout={6 * SLOW_SECONDS}", "-rss_limit_mb=4000"]
    options += [f"-artifact_prefix={keep}/{name}-died-", "-verbosity=0", "-print_final_stats=0"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], Count(target, seconds, keep, scratch))
    atheris.Fuzz()


def measure(minutes: float, keep: Path) -> dict[str, dict[str, Any]]:
    """Fuzz all targets one after the other."""
    found = {}
    names = [target.__name__ for target in fuzz_targets.TARGETS]
    for name in names:
        seconds = 60.0 * minutes / len(names)
        words = [sys.executable, __file__, "--target", name, "--seconds", str(seconds)]
        done = subprocess.run([*words, "--keep", str(keep)], capture_output=True, check=False)
        path = keep / f"{name}.json"
        reported = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        reported = {"inputs": 0, "slowest": 0.0, "codes": {}, "findings": []} | reported
        if done.returncode:
            last = done.stderr.decode("utf-8", "replace")[-1500:]
            reported["findings"].append(f"the process died with {done.returncode}: {last}")
        found[name] = reported
        sys.stderr.write(
            f"{name}: {reported['inputs']} inputs, {len(reported['findings'])} tracebacks\n"
        )
    return found


def table(found: dict[str, dict[str, Any]], minutes: float) -> str:
    """The counts as a Markdown table."""
    lines = [
        f"Last run: {minutes:g} minutes in all.",
        "",
        "| target | inputs | accepted | refused, by code | tracebacks |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, reported in found.items():
        codes = sorted(reported["codes"].items(), key=lambda pair: -pair[1])
        refused = ", ".join(f"{code} {count:,}" for code, count in codes if code != "done")
        accepted = reported["codes"].get("done", 0)
        row = (name.replace("_", " "), f"{reported['inputs']:,}", f"{accepted:,}", refused)
        lines.append(f"| {' | '.join(row)} | {len(reported['findings'])} |")
    inputs = sum(reported["inputs"] for reported in found.values())
    findings = sum(len(reported["findings"]) for reported in found.values())
    lines.append(f"| **all** | **{inputs:,}** | | | **{findings}** |")
    return "\n".join(lines)


def main() -> int:
    """Run the fuzz test, or one target of it."""
    requested = argparse.ArgumentParser(description="Fuzz all targets, guided by coverage.")
    requested.add_argument("--minutes", type=float, default=10.0)
    requested.add_argument("--write", action="store_true")
    requested.add_argument("--keep", type=Path)
    requested.add_argument("--target")
    requested.add_argument("--seconds", type=float)
    given = requested.parse_args()
    if given.target:
        work(given.target, given.seconds, given.keep)
    keep = given.keep or Path(tempfile.mkdtemp(prefix="shelterscape-fuzz-kept-"))
    keep.mkdir(parents=True, exist_ok=True)
    found = measure(given.minutes, keep)
    text = table(found, given.minutes)
    sys.stdout.write(text + "\n")
    if given.write:
        put("fuzz", text)
    findings = [text for reported in found.values() for text in reported["findings"]]
    for text in findings:
        sys.stderr.write(f"{text}\n")
    if findings:
        sys.stderr.write(f"The inputs are kept in {keep}\n")
    return int(bool(findings))


if __name__ == "__main__":
    raise SystemExit(main())
