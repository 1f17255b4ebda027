"""Fixtures shared by all tests, and how they run: see "Tests" in DEVELOPERS.md."""

from __future__ import annotations

import base64
import contextlib
import os
import pickle
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, TypeVar

import filelock
import hypothesis
import numba
import pytest
from affine import Affine

from shelterscape import runs
from shelterscape.batch import picture as batch_picture
from shelterscape.files.html_page import Page
from shelterscape.grid import Grid
from shelterscape.runs import writing
from shelterscape.runs.report import write_report

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_gis"
REAL_DATA = ROOT.parent / "shared" / "data"
WORKER = "PYTEST_XDIST_WORKER" in os.environ
Made = TypeVar("Made")

# The same examples on every run, so that a red run can be repeated.
hypothesis.settings.register_profile("steady", derandomize=True, deadline=None, max_examples=40)
hypothesis.settings.load_profile("steady")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave attacks and what runs the whole sample out of the fast tests; skip absent open data."""
    for item in items:
        attack = item.path.name.startswith("test_attacks_")
        if attack or "demo" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.slow)
    if REAL_DATA.is_dir():
        return
    skip = pytest.mark.skip(reason="the open data folder ../shared/data is not here")
    for item in items:
        if "realdata" in item.keywords:
            item.add_marker(skip)


# ---- threads

if WORKER:
    numba.set_num_threads(1)


@pytest.fixture(autouse=True)
def _kernel_threads() -> Iterator[None]:
    """Keep the number of kernel threads: one in each worker, all of them without workers."""
    before = numba.get_num_threads()
    yield
    numba.set_num_threads(before)


@pytest.fixture
def all_threads(_kernel_threads: None) -> int:
    """Run kernels on every thread there is; their number."""
    numba.set_num_threads(numba.config.NUMBA_NUM_THREADS)
    return numba.get_num_threads()


# ---- pictures

PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGP4DwABAQEAsTj2FAAAAABJRU5ErkJggg=="
)
"""A picture of one pixel, written where a test needs none."""

_drawn = False


def _unless_drawn(draw: Callable[..., None]) -> Callable[..., None]:
    def drawn_or_not(path: Path, sheet: object) -> None:
        if _drawn:
            draw(path, sheet)
        else:
            path.write_bytes(PIXEL)

    return drawn_or_not


def _report_if_drawn(folder: Path, *rest: Any) -> Page:
    if _drawn:
        return write_report(folder, *rest)
    rest[-1].write_text("a page", encoding="utf-8")
    return Page("", (), (), (), (), (), (), ())


runs.write_report = _report_if_drawn
writing.draw = _unless_drawn(writing.draw)
batch_picture.draw_maps = _unless_drawn(batch_picture.draw_maps)


@contextlib.contextmanager
def _drawing() -> Iterator[None]:
    global _drawn
    before, _drawn = _drawn, True
    yield
    _drawn = before


@pytest.fixture(scope="session")
def drawn() -> Callable[[], AbstractContextManager[None]]:
    """A context in which runs draw their pictures, for fixtures that several tests share."""
    return _drawing


@pytest.fixture(autouse=True)
def _drawn_where_marked(request: pytest.FixtureRequest) -> Iterator[None]:
    """Draw pictures and pages in tests marked ``pictures``; others write one pixel, sooner."""
    with _drawing() if request.node.get_closest_marker("pictures") else contextlib.nullcontext():
        yield


# ---- fixtures


@pytest.fixture(scope="session")
def shared_between_workers(
    tmp_path_factory: pytest.TempPathFactory, worker_id: str
) -> Callable[[str, Callable[[Path], Made]], Made]:
    """Make something once for all workers: give it a name and a function that takes a folder.

    What the function returns must be picklable; its folder is removed with those of the tests.
    """
    root = tmp_path_factory.getbasetemp()
    root = root if worker_id == "master" else root.parent

    def made(name: str, make: Callable[[Path], Made]) -> Made:
        folder, done = root / f"shared-{name}", root / f"shared-{name}.pickle"
        with filelock.FileLock(f"{done}.lock"):
            if not done.exists():
                folder.mkdir()
                done.write_bytes(pickle.dumps(make(folder)))
        return pickle.loads(done.read_bytes())

    return made


@pytest.fixture
def grid_of():
    """Make a grid of some cells, its south-west corner at the origin."""

    def make(rows: int, cols: int, cell_m: float = 10.0, crs: object = None) -> Grid:
        return Grid((rows, cols), Affine(cell_m, 0, 0, 0, -cell_m, rows * cell_m), crs)

    return make


@pytest.fixture(scope="session")
def demo(shared_between_workers: Callable[..., Any]):
    """The main job on the sample, run once, pictures too."""
    return shared_between_workers("demo", _run_sample)


def _run_sample(folder: Path) -> Any:
    import shelterscape

    with _drawing():
        return shelterscape.run_plan(SAMPLE / "plan.toml", out=folder / "out")
