"""The calculations of processes run on arrays: no file is opened, nothing is drawn."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine
from run_helpers import CELL_M, CELLS, CRS, NORTH, WEST, child
from shapely import LineString

from shelterscape.grid import Grid
from shelterscape.process.choices import choices
from shelterscape.process.stages import Bands, collect
from shelterscape.processes.exposure import work as exposure
from shelterscape.processes.exposure.loading import ExposureData
from shelterscape.processes.exposure.spec import ExposureInputs
from shelterscape.processes.shelter import work as shelter
from shelterscape.processes.shelter.loading import ShelterData
from shelterscape.processes.shelter.spec import ShelterInputs
from shelterscape.science.belts import complete
from shelterscape.science.shelter import relative_wind
from shelterscape.science.terrain import speed_ups, topex
from shelterscape.science.wind import equal_winds

GRID = Grid((CELLS, CELLS), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)


@pytest.fixture
def ground():
    """A round hill."""
    row, col = np.mgrid[:CELLS, :CELLS]
    hill = 20.0 + 15.0 * np.exp(-((row - 25.0) ** 2 + (col - 35.0) ** 2) / 120.0)
    return hill.astype(np.float32)


def test_shelter(ground):
    params = ShelterInputs(dem="", winds="", belts="", seasons=("bare",), terrain=False)
    winds = {"": equal_winds([210.0], "winds")}
    line = LineString([(WEST + 150, NORTH - 450), (WEST + 300, NORTH - 300)])
    belts, _ = complete(gpd.GeoDataFrame({"height_m": [12.0]}, geometry=[line], crs=CRS), "belts")
    data = ShelterData(
        params,
        choices(params, winds, lambda notice: None),
        ground,
        GRID,
        0.0,
        np.isfinite(ground),
        belts,
        rasters={"relative_wind": Bands(["bare"])},
    )
    rasters, results = collect(shelter.compute(data))
    alone = relative_wind(belts, GRID, 210.0, season="bare", sector_deg=winds[""].sector_deg()[0])
    np.testing.assert_allclose(rasters["relative_wind"][0], alone, atol=1e-6)
    assert set(results.layers) == {"shelter_zones", "not_modelled", "belts"}
    assert results.tables["sheltered_hectares"]["sheltered_ha"].iloc[0] > 0


def test_exposure(ground):
    params = ExposureInputs(dem="", winds="", limit_m=150, by_direction=True)
    data = ExposureData(
        params,
        ground,
        GRID,
        np.isfinite(ground),
        equal_winds([240.0], "winds"),
        [240.0],
        list(zip([240.0], speed_ups(ground, GRID, [240.0]), strict=True)),
    )
    rasters, results = collect(exposure.compute(data))
    np.testing.assert_array_equal(rasters["topex"][0], topex(ground, GRID, limit_m=150))
    assert rasters["open_wind"].shape == (2, CELLS, CELLS)
    assert list(results.tables["winds_over_ground"]["direction_deg"]) == [240.0]


@pytest.mark.parametrize("name", ["exposure", "shelter", "siting", "grant_overlay"])
def test_no_drawing_library_is_loaded(name):
    code = f"import sys, shelterscape.processes.{name}.work; print('matplotlib' in sys.modules)"
    assert child(code).stdout.strip() == "False"
