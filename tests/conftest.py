"""Fixtures shared by all tests."""

from __future__ import annotations

from pathlib import Path

import hypothesis
import pytest
from affine import Affine

from shelterscape.grid import Grid

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_gis"
REAL_DATA = ROOT.parent / "shared" / "data"

# The same examples on every run, so that a red run can be repeated.
hypothesis.settings.register_profile("steady", derandomize=True, deadline=None, max_examples=40)
hypothesis.settings.load_profile("steady")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave what runs the whole sample out of the fast tests; skip what needs absent open data."""
    for item in items:
        if "demo" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.slow)
    if REAL_DATA.is_dir():
        return
    skip = pytest.mark.skip(reason="the open data folder ../shared/data is not here")
    for item in items:
        if "realdata" in item.keywords:
            item.add_marker(skip)


@pytest.fixture
def grid_of():
    """Make a grid of some cells, its south-west corner at the origin."""

    def make(rows: int, cols: int, cell_m: float = 10.0, crs: object = None) -> Grid:
        return Grid((rows, cols), Affine(cell_m, 0, 0, 0, -cell_m, rows * cell_m), crs)

    return make


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory):
    """The main job on the sample, run once."""
    import shelterscape

    out = tmp_path_factory.mktemp("demo") / "out"
    return shelterscape.run_plan(SAMPLE / "plan.toml", out=out)
