"""Belts traced in tiles of a map are those of the whole map."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from canopy_helpers import drawn, network, square_grid
from file_helpers import write_dem

import shelterscape
from shelterscape.batch import run_batch
from shelterscape.errors import InputError

PLAN = """
[[step]]
process = "trace-belts"
canopy = "canopy.tif"
"""
SHELTER = """
[[step]]
process = "shelter"
dem = "canopy.tif"
winds = "180"
belts = "step:trace-belts/traced_belts"
"""
CELL_M = 2.5


def test_shelter_takes_no_belts_that_end_at_the_edge_of_a_tile(tmp_path):
    """Belts beside a tile also shelter it, but would not be there."""
    grid = square_grid(60, CELL_M)
    write_dem(tmp_path / "canopy.tif", drawn([], grid), affine=grid.affine)
    (tmp_path / "plan.toml").write_text(PLAN + SHELTER, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        run_batch(tmp_path / "plan.toml", tmp_path / "tiles", tiles=30)
    assert caught.value.code == "plan-bad"
    assert caught.value.value == "step:trace-belts/traced_belts"
    assert not (tmp_path / "tiles").exists()


@pytest.mark.slow
def test_tiles_neither_lose_nor_repeat_a_belt(tmp_path):
    """Lines, gaps and woods of four tiles, whose margins cover a part of the other tiles."""
    grid = square_grid(480, CELL_M)
    height = drawn(network(grid, 6), grid)
    # A wood on two tiles, uneven as crowns are: an even top of this shape is a roof.
    height[280:330, 100:340] = np.random.default_rng(2).uniform(10.0, 15.0, (50, 240))
    write_dem(tmp_path / "canopy.tif", height, affine=grid.affine)
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    whole = shelterscape.run_plan(tmp_path / "plan.toml", out=tmp_path / "whole", pictures=False)
    tiled = run_batch(tmp_path / "plan.toml", tmp_path / "tiles", tiles=240)
    assert tiled.exit_code == 0 and len(tiled.states) == 4
    files = whole.folder / "layers.gpkg", tiled.combined / "combined.gpkg"
    one, other = (gpd.read_file(file, layer="traced_belts") for file in files)
    assert len(one) > 50
    assert other["length_m"].sum() == pytest.approx(one["length_m"].sum(), rel=0.002)
    lines, parts = (shapely.union_all(frame.geometry) for frame in (one, other))
    assert lines.within(parts.buffer(CELL_M)) and parts.within(lines.buffer(CELL_M))
    # A line that two tiles both traced would be in the sum, and once in the union.
    assert parts.length == pytest.approx(other["length_m"].sum(), rel=0.002)
    gaps, gap_parts = (gpd.read_file(file, layer="belt_gaps") for file in files)
    assert sorted(gap_parts["gap_length_m"]) == pytest.approx(sorted(gaps["gap_length_m"]), abs=0.2)
    woods, wood_parts = (gpd.read_file(file, layer="traced_woods") for file in files)
    assert len(wood_parts) > len(woods) == 1
    assert wood_parts["area_ha"].sum() == pytest.approx(woods["area_ha"].sum(), rel=0.01)
