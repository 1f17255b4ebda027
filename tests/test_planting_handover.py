"""The pack for contractors: points by hand, GPX read back with GDAL, equal bytes."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from test_planting_process import NORTH, WEST, inputs  # noqa: F401 - a fixture

import shelterscape
from shelterscape.process.design_files import packaged_designs
from shelterscape.science.planting.layout import Site, layout
from shelterscape.science.planting.set_out import set_out_points

CRS = "EPSG:25832"
DESIGNS = packaged_designs().designs


@pytest.fixture(scope="module")
def pack(inputs, tmp_path_factory):  # noqa: F811
    """Two runs with the pack."""
    dem, maps = inputs
    return [
        shelterscape.planting(
            dem=dem, belts=f"{maps}:belts", winds="270", design="three-row belt",
            openings=f"{maps}:tracks", parcels=f"{maps}:parcels", handover=True,
            out=tmp_path_factory.mktemp("run") / "out", report=False,
        )
        for _ in range(2)
    ]  # fmt: skip


def points(line, openings=()):
    belts = gpd.GeoDataFrame(
        {"belt": ["a"], "design": ["three-row belt"]}, geometry=[line], crs=CRS
    )
    plan = layout(belts, DESIGNS, Site(270.0, openings=openings))
    return set_out_points(belts, plan.rows, plan.fences, openings)


def test_a_line_with_a_bend_has_two_ends_and_a_mitred_bend_for_each_row():
    """By hand: 90° at (0, 100); outer rows at 1.5 m are mitred at (∓1.5, 100 ± 1.5)."""
    found = points(shapely.LineString([(0, 0), (0, 100), (100, 100)]))
    rows = found[found["planting_row"].notna()]
    assert rows["point_kind"].tolist() == ["row end", "bend", "row end"] * 3
    bends = rows[rows["point_kind"] == "bend"][["x_m", "y_m"]].to_numpy()
    np.testing.assert_allclose(bends, [(-1.5, 101.5), (0, 100), (1.5, 98.5)], atol=1e-6)
    assert found["point_number"].tolist() == list(range(1, len(found) + 1))


def test_the_gate_is_on_the_fence_beside_the_start_or_an_opening():
    """By hand: the fence is 1.5 m before the start of the line, and 3 m beside it."""
    line = shapely.LineString([(0, 0), (0, 100)])
    (gate,) = points(line).query("point_kind == 'gate'").geometry
    assert gate.distance(shapely.Point(0, -1.5)) < 1e-6
    (beside,) = points(line, [shapely.Point(6, 40)]).query("point_kind == 'gate'").geometry
    assert beside.distance(shapely.Point(3, 40)) < 1e-6
    across = points(line, [shapely.Point(1, 40)]).query("point_kind == 'gate'")
    assert sorted(across["y_m"].round(6)) == [38.0, 42.0], "an opening of 4 m has one to each side"


def test_gpx_read_back_with_gdal_gives_the_points_of_the_table(pack):
    table = pd.read_csv(pack[0].tables["set_out_list"])
    read = pyogrio.read_dataframe(pack[0].waypoints["set_out"], layer="waypoints")
    assert read.crs == "EPSG:4326"
    assert read["name"].tolist() == table["point_name"].tolist()
    there = read.to_crs(table["map_grid"][0])
    metres = np.hypot(there.geometry.x - table["x_m"], there.geometry.y - table["y_m"])
    assert metres.max() < 0.01
    first = read["desc"][0]
    for text in ("parcel P1", "row end", "accuracy 1.0 m", "EPSG:"):
        assert text in first
    assert set(table["point_kind"]) == {"row end", "gate"}
    # By hand: 3 rows of A1 with 2 ends each; A2 is divided by a track, so 3 × 2 × 2.
    ends = table[table["point_kind"] == "row end"].groupby("belt").size()
    assert ends.to_dict() == {"A1": 6, "A2": 12}


def test_every_layer_and_table_by_belt_has_the_parcel(pack):
    path = next(iter(pack[0].layers.values())).rpartition(":")[0]
    for name in pack[0].layers:
        assert set(gpd.read_file(path, layer=name)["parcel_id"]) == {"P1"}, name
    for name, file in pack[0].tables.items():
        table = pd.read_csv(file)
        if "belt" in table:
            assert set(table["parcel_id"]) <= {"P1"}, name


def test_two_runs_give_equal_bytes(pack):
    one, other = (run.folder for run in pack)
    for kind in ("*.xlsx", "*.gpx", "*.pdf", "tables/*.csv"):
        files = sorted(path.relative_to(one) for path in one.glob(kind))
        for file in files:
            assert (one / file).read_bytes() == (other / file).read_bytes(), file
    assert (one / "plant_order.xlsx").is_file()
