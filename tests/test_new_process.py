"""The code on the page about new processes runs, and is short."""

from __future__ import annotations

import re
import sys
import types
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from run_helpers import write_dem

from shelterscape.grid import Grid
from shelterscape.process.stages import Bands, collect
from shelterscape.runs import Step, run

PAGE = Path(__file__).resolve().parents[1] / "docs" / "new_process.md"


@pytest.fixture(scope="module")
def relief():
    """The module on the page."""
    code = re.search(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)[1]
    module = types.ModuleType("relief")
    sys.modules["relief"] = module
    exec(compile(code, str(PAGE), "exec"), vars(module))
    yield module
    del sys.modules["relief"]


def test_the_page_runs(relief, tmp_path):
    params = relief.PROCESS.inputs(dem=str(write_dem(tmp_path / "dem.tif")))
    result = run([Step(relief.PROCESS, params)], tmp_path / "out")
    with rasterio.open(tmp_path / "dem.tif") as dem, rasterio.open(result.rasters["relief"]) as up:
        heights = dem.read(1)
        np.testing.assert_array_equal(up.read(1), heights - heights.min())
    assert result.summary.results == (f"ground from {heights.min():.0f} to {heights.max():.0f} m",)


def test_arrays_are_calculated_without_files(relief):
    elevation = np.array([[3.0, 5.0], [np.nan, 4.0]], np.float32)
    grid = Grid((2, 2), Affine(10, 0, 0, 0, -10, 20), None)
    data = relief.Data(elevation, grid, {"relief": Bands(["one"])})
    rasters, results = collect(relief.compute(data))
    np.testing.assert_array_equal(rasters["relief"], [[[0, 2], [np.nan, 1]]])
    assert results.tables["heights"]["elevation_m"].tolist() == [3.0, 5.0]


def test_a_new_process_is_short(relief):
    code = re.search(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)[1]
    assert len([line for line in code.splitlines() if line.strip()]) <= 40
