"""The `compute` stage of processes runs on arrays: it opens no file and draws nothing."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine
from run_helpers import CELL_M, CELLS, CRS, NORTH, WEST, child
from shapely import LineString

from shelterscape.grid import Grid
from shelterscape.process.choices import resolve_options
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


def test_shelter_of_one_belt(ground):
    params = ShelterInputs(dem="", winds="", belts="", seasons=("bare",), terrain=False)
    winds = {"": equal_winds([210.0], "winds")}
    line = LineString([(WEST + 150, NORTH - 450), (WEST + 300, NORTH - 300)])
    belts, _ = complete(gpd.GeoDataFrame({"height_m": [12.0]}, geometry=[line], crs=CRS), "belts")
    data = ShelterData(
        params,
        resolve_options(params, winds, lambda notice: None),
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
    assert set(results.layers) == {"shelter_zones", "shelter_not_modelled", "belts_assessed"}
    assert results.tables["equivalent_sheltered_area"]["equivalent_sheltered_ha"].iloc[0] > 0


def test_headings_of_maps_of_grown_belts_say_so(ground):
    params = ShelterInputs(
        dem="", winds="", belts="", seasons=("in-leaf", "bare"), years=(2045,), terrain=False
    )
    winds = {"": equal_winds([210.0], "winds")}
    line = LineString([(WEST + 150, NORTH - 450), (WEST + 300, NORTH - 300)])
    columns = {"height_m": [4.0], "species": ["oak"], "planted_year": [2020]}
    belts, _ = complete(gpd.GeoDataFrame(columns, geometry=[line], crs=CRS), "belts")
    data = ShelterData(
        params,
        resolve_options(params, winds, lambda notice: None),
        ground,
        GRID,
        0.0,
        np.isfinite(ground),
        belts,
        rasters={"relative_wind": Bands(["in leaf 2045", "bare 2045"])},
    )
    _, results = collect(shelter.compute(data))
    pictures = shelter.summarise(results, params).pictures
    headings = [panel.heading for panel in pictures["relative_wind"].panels]
    assert headings[0].startswith("in leaf, projected growth to 2045; ")
    assert headings[1].startswith("bare, projected growth to 2045; ")
    assert not any("not yet" in heading or "as surveyed" in heading for heading in headings)


def test_exposure_of_a_hill(ground):
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
    text = " ".join(exposure.summarise(results, params).answer)
    assert "topex to 150 m" in text and "-0°" not in text
    np.testing.assert_array_equal(rasters["topex_deg"][0], topex(ground, GRID, limit_m=150))
    assert rasters["terrain_wind_ratio"].shape == (2, CELLS, CELLS)
    assert list(results.tables["terrain_wind_by_direction"]["direction_deg"]) == [240.0]


def test_no_drawing_library_is_loaded():
    names = ("exposure", "shelter", "siting", "grant_overlay")
    modules = ", ".join(f"shelterscape.processes.{name}.work" for name in names)
    code = f"import sys, {modules}; print('matplotlib' in sys.modules)"
    assert child(code).stdout.strip() == "False"
