"""Break the product on purpose, one line at a time, and see that the tests notice.

python tests/faults.py           print the table of faults and the tests that caught them
python tests/faults.py --write   and put it into docs/reliability.md

A copy of the package is broken, never the checkout. Each fault runs a handful of test files, laws
and published figures among them and no snapshots; the same tests must pass on the whole copy, or
else a failure would show nothing. Exit code 1 when a fault survives.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "reliability.md"
BEGIN, END = "<!-- faults: begin -->", "<!-- faults: end -->"
COPIED = ("shelterscape", "tests", "sample_gis", "pyproject.toml")


@dataclass(frozen=True)
class Fault:
    """One line of the product and what is made of it.

    Parameters
    ----------
    name : str
        What goes wrong, in words.
    module : str
        File below ``shelterscape/``.
    right, wrong : str
        The line as it stands, found exactly once or the first of several, and as it is broken.
    tests : tuple of str
        Test files that should notice.
    """

    name: str
    module: str
    right: str
    wrong: str
    tests: tuple[str, ...]


FAULTS = (
    Fault(
        "a sign: the wind blows to where it comes from",
        "grid.py",
        "return toward(direction_deg + 180.0)",
        "return toward(direction_deg)",
        ("test_grid.py", "test_shelter.py"),
    ),
    Fault(
        "off by one: the horizon ends a step before its limit",
        "science/terrain/horizon.py",
        "march(ground, *march_steps(*step, cell_m, limit), tangent)",
        "march(ground, *march_steps(*step, cell_m, limit - 1), tangent)",
        ("test_terrain.py",),
    ),
    Fault(
        "true and grid north: the convergence is turned the wrong way",
        "grid.py",
        "return wrapped(true_deg - convergence_deg)",
        "return wrapped(true_deg + convergence_deg)",
        ("test_grid.py", "test_shelter.py"),
    ),
    Fault(
        "seasons swapped: bare belts are taken as in leaf",
        "science/belts.py",
        'column = "bare_porosity" if season == "bare" else "porosity"',
        'column = "porosity" if season == "bare" else "bare_porosity"',
        ("test_belts.py", "test_growth.py", "test_shelter.py"),
    ),
    Fault(
        "smallest and largest: the weakest of several belts rules",
        "kernels/downwind.py",
        "field[c, i, left + j] = r if r < here else here",
        "field[c, i, left + j] = r if r > here else here",
        ("test_shelter.py",),
    ),
    Fault(
        "metres and cells: heights of belts in metres among lengths in cells",
        "science/scene.py",
        "height=height_m[outlines.kind] / grid.cell_m,",
        "height=height_m[outlines.kind],",
        ("test_shelter.py", "test_shelter_laws.py"),
    ),
    Fault(
        "missing as zero: cells without ground lie at sea level",
        "files/terrain_models.py",
        "values = band.astype(np.float64).filled(np.nan)",
        "values = band.astype(np.float64).filled(0.0)",
        ("test_terrain_models.py",),
    ),
    Fault(
        "weights not brought to sum to 1",
        "science/wind.py",
        "return raw / raw.sum()",
        "return raw",
        ("test_wind.py", "test_shelter.py"),
    ),
    Fault(
        "side of the curve: the lee to windward",
        "kernels/shelter_curves.py",
        "return _opened(np.where(x < 0.0, _windward(x, face), lee), theta, 0.8)",
        "return _opened(np.where(x > 0.0, _windward(x, face), lee), theta, 0.8)",
        ("test_shelter_curves.py", "test_published.py"),
    ),
    Fault(
        "overwrite guard: strangers in the folder are replaced with it",
        "runs/staging.py",
        "if strangers and (overwrite or record is None):",
        "if strangers and record is None:",
        ("test_runs.py",),
    ),
)


def copy_of_all(folder: Path) -> None:
    """The package and its tests, apart from the checkout."""
    for name in COPIED:
        if (ROOT / name).is_dir():
            unwanted = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / name, folder / name, ignore=unwanted)
        else:
            shutil.copy2(ROOT / name, folder / name)


def failing(folder: Path, tests: tuple[str, ...], cache: Path) -> list[str]:
    """Names of the tests that fail in a copy.

    Raises
    ------
    RuntimeError
        When the tests could not be run at all.
    """
    words = ["-q", "-rf", "--tb=no", "--no-header", "-p", "no:cacheprovider"]
    words += ["-m", "not slow and not realdata"]
    places = {"PYTHONPATH": str(folder), "XDG_CACHE_HOME": str(cache), "LOCALAPPDATA": str(cache)}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words, *(f"tests/{name}" for name in tests)],
        cwd=folder,
        # Compiled code of the checkout would stand in for that of the copy.
        env=os.environ | places | {"PYTHONDONTWRITEBYTECODE": "1", "NUMBA_CACHE_DIR": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(f"the tests could not be run:\n{done.stdout}\n{done.stderr}")
    found = re.findall(r"^FAILED tests/(\S+?)\.py::(\w+)", done.stdout, re.MULTILINE)
    if bool(found) != bool(done.returncode):
        raise RuntimeError(f"the tests could not be understood:\n{done.stdout}")
    return list(dict.fromkeys(f"{file}.{test}" for file, test in found))


def caught_by(fault: Fault, folder: Path, cache: Path) -> list[str]:
    """Tests that fail once a line of a copy is broken; the copy is mended again."""
    path = folder / "shelterscape" / fault.module
    whole, stamp = path.read_text(encoding="utf-8"), path.stat()
    if fault.right not in whole:
        raise RuntimeError(f"{fault.module} no longer holds the line: {fault.right}")
    path.write_text(whole.replace(fault.right, fault.wrong, 1), encoding="utf-8")
    try:
        return failing(folder, fault.tests, cache)
    finally:
        path.write_text(whole, encoding="utf-8")
        os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))


def measure() -> list[tuple[Fault, list[str]]]:
    """Every fault with the tests that caught it."""
    with tempfile.TemporaryDirectory(prefix="shelterscape-faults-") as text:
        folder, cache = Path(text) / "copy", Path(text) / "cache"
        folder.mkdir()
        copy_of_all(folder)
        every = tuple(dict.fromkeys(name for fault in FAULTS for name in fault.tests))
        if wrong := failing(folder, every, cache):
            raise RuntimeError(f"tests fail without any fault: {', '.join(wrong)}")
        found = []
        for i, fault in enumerate(FAULTS):
            # Compiled callers in other files do not notice a broken kernel: it gets a cache apart.
            own = cache if not fault.module.startswith("kernels/") else cache.with_name(f"apart{i}")
            tests = caught_by(fault, folder, own)
            sys.stderr.write(f"{'caught' if tests else 'SURVIVED'}: {fault.name}\n")
            found.append((fault, tests))
        return found


def table(found: list[tuple[Fault, list[str]]]) -> str:
    """The table of faults in Markdown."""
    lines = ["| fault | line broken in | caught by | tests |", "| --- | --- | --- | --- |"]
    for fault, tests in found:
        named = ", ".join(f"`{test}`" for test in tests[:3]) or "**nothing**"
        lines.append(f"| {fault.name} | `{fault.module}` | {named} | {len(tests)} |")
    return "\n".join(lines)


def main() -> int:
    found = measure()
    text = table(found)
    sys.stdout.write(text + "\n")
    if "--write" in sys.argv:
        page = PAGE.read_text(encoding="utf-8")
        before, _, rest = page.partition(BEGIN)
        after = rest.partition(END)[2]
        PAGE.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", encoding="utf-8")
    return int(any(not tests for _, tests in found))


if __name__ == "__main__":
    raise SystemExit(main())
