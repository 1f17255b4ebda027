"""`side-effects` from files to files, with results by hand on a plane (status D)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from file_helpers import write_dem, write_features

import shelterscape
from shelterscape.processes.side_effects import spec
from shelterscape.processes.side_effects.effects import EFFECTS
from shelterscape.science.side_effects.nearby import ASK_OPERATOR

WEST, NORTH = 500_000.0, 6_101_000.0
AFFINE = Affine(10, 0, WEST, 0, -10, NORTH)


def _line(*xy: tuple[float, float]) -> shapely.LineString:
    """A line by metres east and south of the corner of the map."""
    return shapely.LineString([(WEST + x, NORTH - y) for x, y in xy])


@pytest.fixture(scope="module")
def inputs(tmp_path_factory):
    """A slope of 10 % to the south, an oak belt across it, and a road 40 m below the belt."""
    folder = tmp_path_factory.mktemp("effects")
    rows = np.indices((100, 100))[0]
    dem = write_dem(folder / "dem.tif", (300.0 - rows).astype(np.float32), affine=AFFINE)
    maps = folder / "maps.gpkg"
    belt = _line((301, 504), (699, 504))
    columns = {"candidate": ["A0001"], "species": ["oak 60 %, willow 40 %"], "width_m": [6.0],
               "height_at_20_years_m": [8.0], "benefit_added_ha": [1.5]}  # fmt: skip
    write_features(maps, [belt], layer="belts", **columns)
    write_features(maps, [_line((0, 544), (1000, 544))], layer="roads", name=["lane"])
    write_features(maps, [_line((0, 480), (1000, 480))], layer="drains", name=["main drain"])
    write_features(maps, [_line((0, 564), (1000, 564))], layer="lines", name=["33 kV"])
    field = shapely.box(WEST + 300, NORTH - 500, WEST + 700, NORTH - 100)
    write_features(maps, [field], layer="parcels", parcel_id=["P1"], holding_id=["H1"])
    return folder, dem, maps


@pytest.fixture(scope="module")
def result(inputs):
    folder, dem, maps = inputs
    return shelterscape.side_effects(
        dem=dem, belts=f"{maps}:belts", roads=f"{maps}:roads", drains=f"{maps}:drains",
        power_lines=f"{maps}:lines", parcels=f"{maps}:parcels", winds="0,90",
        out=folder / "out", pictures=False, report=False,
    )  # fmt: skip


def _layer(result, name: str) -> gpd.GeoDataFrame:
    path, _, layer = str(result.layers[name]).rpartition(":")
    return gpd.read_file(path, layer=layer)


def test_slope_runoff_and_fields(result):
    """398 m of belt with 500 m of slope above it; the field above the belt drains into it."""
    with rasterio.open(result.rasters["slope_deg"]) as data:
        np.testing.assert_allclose(data.read(1), np.degrees(np.arctan(0.1)), atol=0.06)
    belt = _layer(result, "belts_examined").iloc[0]
    assert belt["upslope_ha"] == pytest.approx(398 * 500 / 1e4, abs=400 * 10 / 1e4 + 0.6)
    assert belt["benefit_added_ha"] == 1.5
    assert _layer(result, "field_runoff")["runoff_share"].tolist() == [1.0]


def test_cold_air_snow_and_shade(result):
    """2 m of cold air: 20 m uphill. The road is 40 m leeward of a belt of 8 m: in its drift.

    The road is south of the belt, so the belt does not shade it.
    """
    pool = _layer(result, "cold_air_pools").iloc[0]
    assert pool["area_ha"] == pytest.approx(398 * 20 / 1e4, abs=0.1)
    drift = _layer(result, "snow_drift")
    assert set(drift["road"]) == {"lane"}
    leeward = drift[drift["drift_side"] == "leeward"].iloc[0]
    assert leeward["drift_wind_share"] >= 0.5
    assert leeward["length_m"] >= 398
    assert _layer(result, "road_shade").empty


def test_objects_near_the_belt(result):
    """Outer stems 3 m from the line. Oak and willow reach 20 and 10 m; the road is 37 m away."""
    found = pd.read_csv(result.tables["nearby_objects"]).set_index("object_kind")
    assert set(found.index) == {"power line", "drain"}
    assert found.loc["power line", "advice"] == ASK_OPERATOR
    assert found.loc["power line", "distance_found_m"] == 57
    assert np.isnan(found.loc["power line", "required_distance_m"])
    assert found.loc["drain", "distance_found_m"] == 21
    assert found.loc["drain", "species_at_fault"] == "willow"
    strip = _layer(result, "fall_strips").iloc[0]
    assert strip.geometry.area == pytest.approx(398 * 46 + np.pi * 23**2, rel=0.01)


def test_layers_by_belt_have_the_parcel_beside_the_belt(result):
    """The belt is the lower edge of the only parcel, and states none itself."""
    for name in ("belts_examined", "cold_air_pools", "cold_air_openings", "snow_drift",
                 "fall_strips"):  # fmt: skip
        assert set(_layer(result, name)["parcel_id"]) == {"P1"}, name
    assert set(pd.read_csv(result.tables["nearby_objects"])["parcel_id"]) == {"P1"}
    assert "parcel_id" in _layer(result, "road_shade")


def test_what_was_not_checked_is_listed(result):
    table = pd.read_csv(result.tables["effects_checked"]).set_index("side_effect")
    assert list(table.index) == [effect.name for effect in EFFECTS]
    missing = table[table["examination"] != "examined"]
    assert list(missing.index) == [
        "falling trees: buildings",
        "falling trees: paths",
        "clearances",
    ]
    assert missing["affected_belt_count"].isna().all()
    assert table.loc["drains and pipes", "affected_belt_count"] == 1
    assert table[["source", "caution"]].notna().all(axis=None)
    summary = " ".join((result.folder / "summary.txt").read_text("utf-8").split())
    assert "Not checked, no layer: falling trees: buildings, falling trees: paths" in summary
    assert ASK_OPERATOR in summary


def test_without_any_optional_layer(inputs, tmp_path):
    _, dem, maps = inputs
    found = shelterscape.side_effects(
        dem=dem, belts=f"{maps}:belts", out=tmp_path / "out", pictures=False, report=False
    )
    table = pd.read_csv(found.tables["effects_checked"]).set_index("side_effect")
    examined = table.index[table["examination"] == "examined"]
    assert list(examined) == [e.name for e in EFFECTS if not e.needs]
    assert "snow_drift" not in found.layers
    needed = {name for effect in EFFECTS for name in effect.needs}
    assert needed < set(spec.SideEffectsInputs.model_fields)
