"""Steps that take the belts of siting give an ordinary answer where siting chose none."""

from __future__ import annotations

import functools
from dataclasses import replace

import geopandas as gpd
import pyogrio
import pytest
from file_helpers import write_features
from run_helpers import CRS, TINY, ToyData, ToyInputs, toy, write_dem
from test_grant_overlay import SCHEME

from shelterscape import registry
from shelterscape.batch.holdings import read_holdings
from shelterscape.errors import InputError
from shelterscape.process.stages import Results
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


@pytest.mark.parametrize(
    ("process", "answer", "name"),
    [
        ("planting", "There are no belts to plant", "planned_belts"),
        ("grant-overlay", "There are no belts that a scheme could pay for", "grant_parts"),
        ("side-effects", "There are no belts to examine", "belts_examined"),
    ],
)
def test_a_plan_in_which_siting_chose_nothing(tmp_path, process, answer, name):
    scheme = tmp_path / "hill.toml"
    scheme.write_text(SCHEME, encoding="utf-8")
    dem = {"dem": str(write_dem(tmp_path / "dem.tif"))}
    own = {
        "planting": dem | {"winds": "270", "handover": True},
        "grant-overlay": {"schemes": [str(scheme)], "start_year": 2027},
        "side-effects": dem,
    }[process]
    found = registry.find(process)

    def step(belts):
        return Step(found, found.inputs(belts=belts, **own))

    before = Step(_chosen_none(), ToyInputs())
    result = run([before, step("step:siting/chosen_belts")], tmp_path / "out")
    assert result.record["steps"][1]["answer"] == [answer]
    path, _, layer = str(result.layers[name]).rpartition(":")
    assert pyogrio.read_info(path, layer=layer)["features"] == 0
    # Named by a user, the same layer is a mistake.
    with pytest.raises(InputError) as caught:
        run([step(str(result.layers["chosen_belts"]))], tmp_path / "again")
    assert caught.value.code == "layer-empty"


def test_a_batch_over_no_holdings_is_refused(tmp_path):
    path = write_features(tmp_path / "farms.gpkg", [], layer="farms", holding_id=[])
    with pytest.raises(InputError) as caught:
        read_holdings(str(path), TINY_MAP.crs, {})
    assert caught.value.code == "layer-empty"
