"""The process `trace-belts` through the public function: from rasters to layers, and refusals."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from attack_examples import SAMPLE
from canopy_helpers import KnownBelt, drawn, line, square_grid
from file_helpers import write_dem, write_features

import shelterscape
from shelterscape.errors import InputError
from shelterscape.plan import read_plan

GRID = square_grid(200, 2.0)
HEDGE = KnownBelt(line((1040, 2300), (1360, 2310)), 5.0, 8.0, ((150.0, 162.0),))
ROW = KnownBelt(line((1100, 2060), (1130, 2220)), 12.0, 10.0)
LENGTH_M = HEDGE.line.length - 12 + ROW.line.length


def canopy():
    """Canopy height of the two belts, m."""
    return drawn([HEDGE, ROW], GRID)


def ground(affine=GRID.affine, shape=GRID.shape):
    """Uneven ground with slopes to all sides, elevation in m, on any grid."""
    col, row = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    x, y = affine * (col, row)
    return (60 + 12 * np.sin(x / 45) * np.cos(y / 38) + 0.03 * (x - 1000)).astype(np.float32)


def surface():
    """Surface of the ground with the two belts, m."""
    return ground() + canopy()


def put(folder, name, values, affine=GRID.affine):
    """A raster in a folder, as text."""
    return str(write_dem(folder / f"{name}.tif", values, affine=affine))


def traced(folder, **inputs):
    """Layers of a run, by name."""
    done = shelterscape.trace_belts(**inputs, out=folder / "out", overwrite=True)
    names = ("traced_belts", "belt_gaps", "belts_to_review", "belt_samples")
    return {n: gpd.read_file(done.folder / "layers.gpkg", layer=n) for n in names}


def refused(folder, code, **inputs):
    """The error of a run that must be refused."""
    with pytest.raises(InputError) as caught:
        traced(folder, **inputs)
    assert caught.value.code == code
    assert not (folder / "out").exists()
    return caught.value


def hold_both_belts(layers):
    """Both belts and the gap are there, and values state their source."""
    belts = layers["traced_belts"]
    assert belts["length_m"].sum() == pytest.approx(LENGTH_M, abs=8)
    lines = shapely.union_all([HEDGE.line, ROW.line])
    assert belts.within(lines.buffer(3.0)).all()
    by_type = belts.groupby("belt_type")["height_m"].median()
    assert by_type["hedge"] == pytest.approx(5.0, abs=0.5)
    assert by_type["tree belt"] == pytest.approx(12.0, abs=0.5)
    assert layers["belt_gaps"]["gap_length_m"].tolist() == pytest.approx([12.0], abs=4.0)
    assert (belts["value_source"] == "traced").all()
    assert (belts["assumed"] == "traced: height_m, width_m, belt_type; default: porosity").all()


def test_canopy_height_to_layers(tmp_path):
    hold_both_belts(traced(tmp_path, canopy=put(tmp_path, "canopy", canopy())))


def test_heights_in_feet_are_converted_where_the_unit_is_given(tmp_path):
    feet = put(tmp_path, "feet", canopy() / 0.3048)
    hold_both_belts(traced(tmp_path, canopy=feet, z_unit="ft"))


def test_surface_and_ground_on_another_grid(tmp_path):
    """The ground has cells of 5 m, with its corner elsewhere; it is resampled to the surface."""
    other = Affine(5.0, 0, 981.0, 0, -5.0, 2423.0)
    dem = put(tmp_path, "ground", ground(other, (90, 90)), affine=other)
    hold_both_belts(traced(tmp_path, surface=put(tmp_path, "surface", surface()), dem=dem))


def test_traced_belts_are_the_belts_of_shelter(tmp_path):
    """Belts of a run are an input as they are: the same wind as with the same values by hand."""
    source = put(tmp_path, "canopy", canopy())
    traced(tmp_path, canopy=source)
    belts = gpd.read_file(tmp_path / "out" / "layers.gpkg", layer="traced_belts")
    values = {name: belts[name] for name in ("height_m", "width_m", "porosity", "belt_type")}
    by_hand = write_features(tmp_path / "hand.gpkg", belts.geometry, **values)
    winds = []
    for i, layer in enumerate((f"{tmp_path / 'out' / 'layers.gpkg'}:traced_belts", str(by_hand))):
        done = shelterscape.shelter(
            dem=put(tmp_path, "flat", np.zeros(GRID.shape, np.float32)),
            winds="180",
            belts=layer,
            seasons=["in-leaf"],
            terrain=False,
            out=tmp_path / f"shelter{i}",
        )
        with rasterio.open(done.rasters["relative_wind"]) as data:
            winds.append(data.read())
    assert winds[0].min() < 0.7
    assert (winds[0] == winds[1]).all()


@pytest.mark.parametrize("offset_m", [2.3, -3.0])
def test_an_offset_between_surface_and_ground_is_refused(tmp_path, offset_m):
    error = refused(
        tmp_path,
        "models-differ",
        surface=put(tmp_path, "surface", surface() + offset_m),
        dem=put(tmp_path, "ground", ground()),
    )
    assert f"open ground {offset_m:+.1f} m" in error.value


@pytest.mark.parametrize("model", ["surface", "ground"])
def test_a_model_in_feet_is_refused(tmp_path, model):
    given = {"surface": surface(), "ground": ground()}
    given[model] = given[model] / 0.3048
    error = refused(
        tmp_path,
        "models-differ",
        surface=put(tmp_path, "surface", given["surface"]),
        dem=put(tmp_path, "ground", given["ground"]),
    )
    assert f"The {model} model is in feet" in error.what
    assert ("3.28" if model == "surface" else "0.30") in error.value


def test_a_shifted_surface_is_refused_with_the_shift(tmp_path):
    """Three cells to the east and two to the south: 6 m and 4 m."""
    moved = GRID.affine * Affine.translation(3, 2)
    error = refused(
        tmp_path,
        "models-differ",
        surface=put(tmp_path, "surface", surface(), affine=moved),
        dem=put(tmp_path, "ground", ground()),
    )
    assert "shifted" in error.what
    east, north = (float(part.split()[0]) for part in error.value.split(",")[:2])
    assert (east, north) == pytest.approx((6.0, -4.0), abs=1.0)


def test_ground_that_changed_between_two_surveys_is_refused(tmp_path):
    """A bank of 3 m was built after the surface was surveyed: 2 % of the cells."""
    later = ground()
    later[20:40, 100:140] += 3.0
    error = refused(
        tmp_path,
        "models-differ",
        surface=put(tmp_path, "surface", surface()),
        dem=put(tmp_path, "ground", later),
    )
    assert "on 2.0 % of the cells" in error.value


def test_rasters_without_canopy_heights_are_refused(tmp_path):
    high = refused(tmp_path, "canopy-range", canopy=put(tmp_path, "elevation", surface() + 90))
    assert "m" in high.value
    raised = refused(tmp_path, "canopy-offset", canopy=put(tmp_path, "raised", canopy() + 2.0))
    assert raised.value.startswith("2.0 m") or raised.value.startswith("2.1 m")
    coarse = GRID.affine * Affine.scale(5)
    large = refused(tmp_path, "canopy-cells", canopy=put(tmp_path, "coarse", canopy(), coarse))
    assert large.value == "10 m"


def test_two_sources_or_none_are_refused(tmp_path):
    source = put(tmp_path, "canopy", canopy())
    for inputs in ({}, {"canopy": source, "surface": source}, {"surface": source}):
        with pytest.raises(InputError):
            traced(tmp_path, **inputs)


def test_buildings_of_a_layer_are_left_out(tmp_path):
    """What looks like a row of trees is a row of sheds."""
    sheds = shapely.buffer(ROW.line, 6.0, cap_style="flat")
    layer = write_features(tmp_path / "buildings.gpkg", [sheds])
    belts = traced(tmp_path, canopy=put(tmp_path, "canopy", canopy()), buildings=str(layer))[
        "traced_belts"
    ]
    assert belts["length_m"].sum() == pytest.approx(HEDGE.line.length - 12, abs=6)


def test_existing_hedge_lines_are_measured(tmp_path):
    """Values of the layer are kept, what it lacks is traced, and no other lines are added."""
    lines = [HEDGE.line, line((1200, 2100), (1300, 2150))]
    layer = write_features(
        tmp_path / "hedges.gpkg",
        lines,
        name=["Long hedge", "Lost hedge"],
        belt_type="bank with hedge",
        width_m=[6.0, np.nan],
        porosity=[0.3, np.nan],
        assumed=["survey: porosity", ""],
    )
    layers = traced(tmp_path, canopy=put(tmp_path, "canopy", canopy()), hedge_lines=str(layer))
    belts = layers["traced_belts"]
    assert belts["name"].tolist() == ["Long hedge", "Long hedge"]
    assert (belts["belt_type"] == "bank with hedge").all()
    assert belts["height_m"].tolist() == pytest.approx([5.0, 5.0], abs=0.5)
    assert belts["width_m"].tolist() == [6.0, 6.0]
    assert belts["porosity"].tolist() == [0.3, 0.3]
    assert (belts["value_source"] == "layer").all()
    assert (belts["assumed"] == "survey: porosity; traced: height_m").all()
    assert layers["belt_gaps"]["gap_length_m"].tolist() == pytest.approx([12.0], abs=4.0)
    assert "Lost hedge" in layers["belts_to_review"]["name"].tolist()


def test_comparison_with_surveyed_belts(tmp_path):
    layer = write_features(
        tmp_path / "survey.gpkg",
        [HEDGE.canopy, line((1200, 2100), (1300, 2100))],
        name=["Long hedge", "Stone wall"],
        belt_type=["hedge", "wall"],
        height_m=[4.0, 1.2],
    )
    done = shelterscape.trace_belts(
        canopy=put(tmp_path, "canopy", canopy()), compare_with=str(layer), out=tmp_path / "out"
    )
    table = pd.read_csv(done.tables["survey_comparison"]).set_index("name")
    assert table.loc["Long hedge", "traced_share"] >= 0.98
    assert table.loc["Long hedge", "traced_height_m"] == pytest.approx(5.0, abs=0.5)
    assert table.loc["Stone wall", "traced_share"] == 0
    assert np.isnan(table.loc["Stone wall", "traced_height_m"])
    said = next(text for text in done.summary.results if "surveyed" in text)
    # The row of trees was not surveyed.
    share = HEDGE.canopy.length / LENGTH_M
    assert f"{100 * table.loc['Long hedge', 'traced_share']:.0f} % of hedge, 0 % of wall" in said
    assert f"{100 * share:.0f} %" in said


PLAN = """
[inputs]
dem = "flat.tif"
winds = "180"
belts = "step:trace-belts/traced_belts"
places = "field.gpkg"

[[step]]
process = "trace-belts"
canopy = "canopy.tif"

[[step]]
process = "shelter"
seasons = ["in-leaf"]
terrain = false

[[step]]
process = "siting"
seasons = ["in-leaf"]
candidate_lines = "lines.gpkg"
budget_m = 400
planting_year = 2027
terrain = false
monte_carlo_runs = 0
"""


@pytest.mark.slow
def test_one_plan_from_canopy_to_shelter_and_siting(tmp_path):
    """Traced belts are those that shelter assesses, and those that siting adds new ones to."""
    put(tmp_path, "canopy", canopy())
    put(tmp_path, "flat", np.zeros(GRID.shape, np.float32))
    write_features(tmp_path / "field.gpkg", [shapely.box(1150, 2310, 1350, 2390)], name=["Field"])
    write_features(
        tmp_path / "lines.gpkg",
        [HEDGE.line.offset_curve(1.0), line((1150, 2240), (1350, 2250))],
        name=["along the hedge", "in the open"],
    )
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    done = shelterscape.run_plan(tmp_path / "plan.toml", out=tmp_path / "out")
    belts, assessed, candidates = (
        gpd.read_file(done.folder / "layers.gpkg", layer=name)
        for name in ("traced_belts", "belts_assessed", "candidates")
    )
    assert sorted(assessed["name"]) == sorted(belts["name"])
    named = assessed.set_index("name")["height_m"]
    assert (named.sort_index() == belts.set_index("name")["height_m"].sort_index()).all()
    # Where a traced hedge is, no belt is planted; the hedge itself may be restored.
    planted = candidates[candidates["action"] == "plant"]
    assert planted["name"].tolist() == ["in the open"]
    restored = set(candidates["restores_belt"].dropna()) - {""}
    assert restored and restored <= set(belts["name"])


def test_the_sample_plan_from_canopy_to_shelter():
    trace, shelter = read_plan(SAMPLE / "plan_traced.toml").steps
    assert shelter.params.belts == "step:trace-belts/traced_belts"
    assert trace.params.map_raster == str(SAMPLE / "canopy.tif")
