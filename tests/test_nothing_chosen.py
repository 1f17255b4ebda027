"""Steps that take the belts of siting give an ordinary answer where siting chose none."""

from __future__ import annotations

import functools
from dataclasses import replace

import geopandas as gpd
import pyogrio
import pytest
from file_helpers import write_features
from run_helpers import CRS, NORTH, TINY, WEST, ToyData, ToyInputs, toy, write_dem
from shapely import LineString
from test_grant_overlay import SCHEME

import shelterscape
from shelterscape import registry
from shelterscape.batch.holdings import read_holdings
from shelterscape.errors import InputError
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Results, stages_of
from shelterscape.runs import Step, run

TINY_MAP = replace(TINY, crs=gpd.GeoSeries(crs=CRS).crs)


def _chosen_none():
    """A process that writes the chosen belts of siting, without any."""
    layer = next(o for o in registry.find("siting").outputs if o.name == "chosen_belts")

    def compute(data):
        frame = gpd.GeoDataFrame(columns=[*layer.columns, "geometry"], crs=CRS)
        yield from ()
        return Results(layers={"chosen_belts": frame})

    return toy(compute, (layer,), "siting", load=functools.partial(ToyData, grid=TINY_MAP))


def _layers(folder):
    """A raster of elevation, and one line and one area of every kind of ground, as PATH:LAYER."""
    line = LineString([(WEST + 100, NORTH - 100), (WEST + 500, NORTH - 100)])
    maps = folder / "maps.gpkg"
    write_features(maps, [line], layer="lines", crs=CRS)
    area = line.buffer(50)
    write_features(maps, [area], layer="areas", crs=CRS, parcel_id=["P"], category=["hill"])
    return str(write_dem(folder / "dem.tif")), f"{maps}:lines", f"{maps}:areas"


def test_a_plan_in_which_siting_chose_nothing(tmp_path):
    dem, lines, areas = _layers(tmp_path)
    scheme = tmp_path / "hill.toml"
    scheme.write_text(SCHEME, encoding="utf-8")
    actions = "step:grant-overlay/grant_actions"
    ground = dict.fromkeys(("wet_ground", "salt_ground", "deep_peat", "height_limits"), areas)
    steps = {
        "grant-overlay": {"schemes": [str(scheme)], "grant_areas": [areas], "start_year": 2027},
        "planting": ground
        | {"dem": dem, "winds": "270", "handover": True, "grant_actions": actions}
        | {"drains": lines, "openings": lines, "existing_belts": lines, "parcels": areas},
        "side-effects": {"dem": dem, "winds": "270", "parcels": areas}
        | dict.fromkeys(("roads", "buildings", "power_lines", "paths", "drains"), lines),
    }
    every = {name: registry.find(name) for name in steps}
    belts = "step:siting/chosen_belts"
    given = [Step(every[name], every[name].inputs(belts=belts, **own))
             for name, own in steps.items()]  # fmt: skip
    result = run([Step(_chosen_none(), ToyInputs()), *given], tmp_path / "out")
    assert [step["answer"] for step in result.record["steps"][1:]] == [
        ["There are no belts that a scheme could pay for"],
        ["There are no belts to plant"],
        ["There are no belts to examine"],
    ]
    for name in ("grant_parts", "planned_belts", "belts_examined"):
        path, _, layer = str(result.layers[name]).rpartition(":")
        assert pyogrio.read_info(path, layer=layer)["features"] == 0
    # Named by a user, the same layer is a mistake.
    for step in given:
        changes = {"belts": str(result.layers["chosen_belts"]), "grant_actions": None}
        with pytest.raises(InputError) as caught:
            stages_of(step.process).load(step.params.model_copy(update=changes), Reader())
        assert caught.value.code == "layer-empty"


@pytest.mark.slow
def test_belts_that_are_all_restorations(tmp_path):
    """Nothing is planted and nothing is paid for planting; the runs end well all the same."""
    dem, _, areas = _layers(tmp_path)
    line = LineString([(WEST + 100, NORTH - 100), (WEST + 500, NORTH - 100)])
    belts = write_features(tmp_path / "b.gpkg", [line], layer="b", crs=CRS, action=["lay"])
    scheme = tmp_path / "hill.toml"
    scheme.write_text(SCHEME, encoding="utf-8")
    common = {"belts": str(belts), "dem": dem, "parcels": areas, "report": False}
    paid = shelterscape.grant_overlay(
        **common, schemes=[str(scheme)], grant_areas=[areas], start_year=2027, out=tmp_path / "g"
    )
    planned = shelterscape.planting(**common, winds="270", handover=True, out=tmp_path / "p")
    for result, name in ((paid, "grant_parts"), (planned, "planned_belts")):
        path, _, layer = str(result.layers[name]).rpartition(":")
        assert pyogrio.read_info(path, layer=layer)["features"] == 0


def test_a_batch_over_no_holdings_is_refused(tmp_path):
    path = write_features(tmp_path / "farms.gpkg", [], layer="farms", holding_id=[])
    with pytest.raises(InputError) as caught:
        read_holdings(str(path), TINY_MAP.crs, {})
    assert caught.value.code == "layer-empty"
