"""Plan files: steps over the same inputs, every key either used or refused by name."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
import rasterio
from run_helpers import (
    TOY_TABLE,
    ToyInputs,
    call,
    checksums,
    events,
    leftovers,
    project,
    row_of,
    toy,
    write_toy,
)

import shelterscape
from shelterscape import registry
from shelterscape.errors import InputError
from shelterscape.plan import read_plan
from shelterscape.process import Table
from shelterscape.process.stages import Progress, Results, Summary
from shelterscape.runs import Step, run

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis"

PLAN = """
title = "Shelter on the tiny ground"

[inputs]
dem = "dem.tif"
belts = "belts.gpkg:belts"
winds = "210,240"

[cases]
seasons = ["in-leaf"]

[[step]]
process = "shelter"
"""


@pytest.fixture
def folder(tmp_path):
    """A project folder with the tiny ground in it."""
    project(tmp_path / "project")
    return tmp_path / "project"


def plan_in(folder, text=PLAN):
    """A plan file in a folder."""
    folder.mkdir(exist_ok=True)
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def changed(old, new):
    """The plan with one part changed."""
    assert old in PLAN
    return PLAN.replace(old, new)


def refused(path, code):
    """Reading a plan must be refused with a code."""
    with pytest.raises(InputError) as caught:
        read_plan(path)
    assert caught.value.code == code
    return caught.value


# ---- what a plan says


def test_the_sample_plan():
    plan = read_plan(SAMPLE / "plan.toml").steps
    steps = {step.process.id.replace("-", "_"): step.params for step in plan}
    assert list(steps) == [
        "wind_set",
        "exposure",
        "field_check",
        "trace_belts",
        "photo_porosity",
        "belt_survey",
        "shelter",
        "siting",
        "grant_overlay",
        "planting",
        "side_effects",
    ]
    winds, exposure, shelter = steps["wind_set"], steps["exposure"], steps["shelter"]
    siting, grants, photographs = steps["siting"], steps["grant_overlay"], steps["photo_porosity"]
    assert winds.records == (str(SAMPLE / "weather.csv.gz"),)
    assert exposure.dem == shelter.dem == str(SAMPLE / "dem.tif")
    assert shelter.belts == f"{SAMPLE / 'ostrel.gpkg'}:belts"
    assert exposure.winds == shelter.winds == siting.winds == "step:wind-set/winds"
    assert shelter.belt_porosity == ("step:photo-porosity/belt_porosity",)
    assert shelter.survey == str(SAMPLE / "survey.csv")
    assert photographs.photograph_table == str(SAMPLE / "photographs.csv")
    assert exposure.limit_m == 1000.0
    assert shelter.seasons == ("in-leaf", "bare")
    maps = SAMPLE / "ostrel.gpkg"
    assert siting.constraints == (f"{maps}:constraints", f"{maps}:paths")
    assert grants.belts == "step:siting/chosen_belts"
    assert [Path(text).parent for text in grants.schemes] == [SAMPLE, SAMPLE]


def test_paths_count_from_the_plan(folder, tmp_path, monkeypatch):
    """Wherever it is called from, and however the plan itself is named."""
    plan_in(folder)
    monkeypatch.chdir(tmp_path)
    for source in (folder / "plan.toml", "project/plan.toml", Path("project") / "plan.toml"):
        (step,) = read_plan(source).steps
        assert Path(step.params.dem).samefile(folder / "dem.tif")
        assert step.params.belts.endswith("belts.gpkg:belts")
        assert Path(step.params.belts.removesuffix(":belts")).samefile(folder / "belts.gpkg")
        # Bare directions are no path.
        assert step.params.winds == "210,240"


def test_paths_that_do_not_count_from_the_plan(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.setenv("USERPROFILE", str(folder))
    for text in (str(folder / "dem.tif"), "~/dem.tif", "../project/dem.tif"):
        path = plan_in(tmp_path / "plans", changed('"dem.tif"', f'"{text}"'))
        assert Path(read_plan(path).steps[0].params.dem).samefile(folder / "dem.tif")


def test_a_remote_path_stays_one(folder):
    """Joined to a folder it would look like a file that is merely not there."""
    path = plan_in(folder, changed('"dem.tif"', '"https://example.org/dem.tif"'))
    with pytest.raises(InputError) as caught:
        run(read_plan(path).steps, folder / "out")
    assert caught.value.code == "not-local"


def test_a_wind_table_counts_from_the_plan(folder):
    (step,) = read_plan(plan_in(folder, changed('"210,240"', '"winds.csv"'))).steps
    assert step.params.winds == str(folder / "winds.csv")


def test_a_step_may_override(folder):
    text = PLAN + 'winds = "90"\nseasons = ["bare"]\nid = "winter"\n'
    (step,) = read_plan(plan_in(folder, text)).steps
    assert step.name == "winter"
    assert step.params.winds == "90"
    assert step.params.seasons == ("bare",)


def test_inputs_go_only_to_steps_that_have_them(folder):
    steps = read_plan(
        plan_in(folder, PLAN + '[[step]]\nprocess = "exposure"\nlimit_m = 300\n')
    ).steps
    assert [step.name for step in steps] == ["shelter", "exposure"]
    assert steps[0].params.seasons and not hasattr(steps[1].params, "seasons")
    assert steps[1].params.limit_m == 300.0


def test_a_byte_order_mark_is_no_fault(folder):
    path = folder / "plan.toml"
    path.write_text(PLAN, encoding="utf-8-sig")
    assert len(read_plan(path).steps) == 1


# ---- what is refused


@pytest.mark.parametrize(
    ("old", "new", "value", "hint"),
    [
        ("[cases]", "[case]", "case", "Did you mean cases?"),
        ("[inputs]", "[input]", "input", "Did you mean inputs?"),
        ("title =", "tilte =", "tilte", "Did you mean title?"),
        (
            'dem = "dem.tif"',
            'dem = "dem.tif"\nbletss = "x"',
            "bletss",
            "Did you mean belts?",
        ),
        ("seasons", "seasns", "seasns", "Did you mean seasons?"),
        ('process = "shelter"', 'process = "sheltr"', "sheltr", "Did you mean shelter?"),
        ('"shelter"', '"shelter"\ncurv = "barrier"', "curv", "Did you mean curve?"),
        ("[cases]", '[fields.bels]\nheight_m = "H"\n[cases]', "fields.bels", "fields.belts?"),
    ],
)
def test_unknown_words_with_the_nearest_right_one(folder, old, new, value, hint):
    error = refused(plan_in(folder, changed(old, new)), "name-unknown")
    assert error.value == value
    assert hint in error.hint
    if "process" not in new:
        assert "plan.toml" in error.where


def test_an_input_no_step_uses(folder):
    """A limit distance is a word of ours, but nothing in this plan would listen to it."""
    path = plan_in(folder, changed("[cases]", "limit_m = 500\n[cases]"))
    assert refused(path, "name-unknown").value == "limit_m"
    path = plan_in(folder, path.read_text("utf-8") + '[[step]]\nprocess = "exposure"\n')
    assert read_plan(path).steps[1].params.limit_m == 500.0


@pytest.mark.parametrize(
    "text",
    [
        PLAN.replace('process = "shelter"', 'winds = "90"'),
        PLAN.replace("[[step]]", ""),
        PLAN.partition("[[step]]")[0],
        PLAN.replace("[[step]]", "[step]"),
        "step = [1, 2]\n" + PLAN.partition("[[step]]")[0],
        'step = "shelter"\n' + PLAN.partition("[[step]]")[0],
        "inputs = 3\n[[step]]\nprocess = 'shelter'\n",
        PLAN.replace("[cases]", '[fields]\nbelts = "HGT"\n[cases]'),
        "fields = 3\n" + PLAN,
        PLAN + "winds = \n",
        PLAN + 'process = "exposure"\n',
        "\x00",
        "",
    ],
)
def test_what_is_no_plan(folder, text):
    assert "plan.toml" in refused(plan_in(folder, text), "plan-bad").where


def test_text_in_another_encoding(folder):
    path = folder / "plan.toml"
    path.write_bytes(PLAN.replace("tiny", "größe").encode("latin-1"))
    refused(path, "plan-bad")


def test_values_of_the_wrong_kind(folder):
    error = refused(plan_in(folder, changed('"dem.tif"', "5")), "input-refused")
    assert "dem" in error.what
    assert "step shelter" in error.where
    refused(plan_in(folder, changed('["in-leaf"]', '["spring"]')), "input-refused")
    refused(plan_in(folder, changed('dem = "dem.tif"', "")), "input-refused")


def test_a_plan_that_is_not_there(folder, capsys):
    plan_in(folder)
    assert call(["run", folder / "plam.toml", "--out", folder / "out", "--json"]) == 3
    (event,) = events(capsys.readouterr().out)
    assert event["code"] == "file-missing"
    assert event["hint"] == "Did you mean plan.toml?"


def test_names_of_steps(folder):
    double = PLAN + '[[step]]\nprocess = "shelter"\nid = "shelter"\n'
    clash = PLAN + '[[step]]\nprocess = "shelter"\nid = "again"\n'
    for text, says in ((double, "same id"), (clash, "outputs of the same name")):
        with pytest.raises(InputError) as caught:
            run(read_plan(plan_in(folder, text)).steps, folder / "out")
        assert caught.value.code == "plan-bad"
        assert says in caught.value.what
    assert not (folder / "out").exists()


# ---- end to end


def test_one_plan_one_folder(folder, tmp_path, capsys):
    text = PLAN + '[[step]]\nprocess = "exposure"\nlimit_m = 200\n'
    result = shelterscape.run_plan(plan_in(folder, text), out=tmp_path / "a")
    assert [step["id"] for step in result.record["steps"]] == ["shelter", "exposure"]
    assert set(result.rasters) >= {
        "relative_wind",
        "site_wind_ratio",
        "upwind_slope_deg",
        "topex_deg",
        "terrain_wind_ratio",
    }
    assert [len(texts) for _, texts in result.summary.answer] == [2, 1]
    assert call(["run", folder / "plan.toml", "--out", tmp_path / "b", "--json"]) == 0
    found = events(capsys.readouterr().out)
    shares = [event["share"] for event in found if event["event"] == "progress"]
    assert shares == sorted(shares)
    assert 0.5 in shares
    assert found[-1]["event"] == "result"
    # What both steps did to their common inputs is shown once.
    times = sum("grid north" in notice.text for notice in result.notices)
    assert call(["run", folder / "plan.toml", "--verbose", "--out", tmp_path / "c"]) == 0
    assert (times, capsys.readouterr().err.count("Note: grid north")) == (2, 1)
    one, other = checksums(tmp_path / "a"), checksums(tmp_path / "b")
    assert one.pop("timings.json") != other.pop("timings.json")
    assert one == other


def test_a_moved_project_gives_the_same_record(folder, tmp_path):
    first = shelterscape.run_plan(plan_in(folder), out=tmp_path / "a")
    shutil.move(folder, tmp_path / "elsewhere")
    moved = shelterscape.run_plan(tmp_path / "elsewhere" / "plan.toml", out=tmp_path / "b")
    assert first.record == moved.record
    assert (tmp_path / "a" / "record.json").read_bytes() == (
        tmp_path / "b" / "record.json"
    ).read_bytes()


def test_columns_are_mapped_for_the_layer_they_are_named_for(tmp_path):
    folder = tmp_path / "project"
    project(folder, height_column="HGT")
    with pytest.raises(InputError) as caught:
        shelterscape.run_plan(plan_in(folder), out=tmp_path / "out")
    assert caught.value.code == "belts-no-height"
    mapped = changed("[cases]", '[fields.belts]\nheight_m = "HGT"\n[cases]')
    result = shelterscape.run_plan(plan_in(folder, mapped), out=tmp_path / "out")
    path, _, layer = result.layers["belts_assessed"].rpartition(":")
    belts = pyogrio.read_dataframe(path, layer=layer)
    assert sorted(belts["height_m"]) == [8.0, 12.0]
    assert result.record["steps"][0]["inputs"]["fields"] == {"belts.height_m": "HGT"}


# ---- what one step takes from another


SECOND_TABLE = Table("second", TOY_TABLE.columns, "A table of one row.")


@dataclass(frozen=True, kw_only=True)
class ReaderResults(Results):
    """A table and a sentence."""

    text: str


@pytest.fixture
def reader(monkeypatch):
    """A process that counts the features of the layer it is given, and examines its raster."""

    def compute(data):
        yield Progress(0.5, "counting")
        params = data.params
        if params.ground:
            with rasterio.open(params.ground) as raster:
                count = raster.count
            text = f"{count} bands in {Path(params.ground).name}"
        else:
            path, _, layer = params.belts.rpartition(":")
            count = pyogrio.read_info(path, layer=layer)["features"]
            text = f"{count} belts in {Path(path).name}:{layer}"
        return ReaderResults(tables={"second": row_of("x", float(count))}, text=text)

    def summarise(results, params):
        return Summary(answer=[results.text])

    process = toy(compute, (SECOND_TABLE,), "reader", summarise=summarise)
    places = registry._places() | {"reader": None}
    monkeypatch.setattr(registry, "_places", lambda: places)
    found = registry.find
    monkeypatch.setattr(registry, "find", lambda name: process if name == "reader" else found(name))
    return process


def with_reader(reference, first=True):
    """The plan with a step that reads from another one."""
    step = f'[[step]]\nprocess = "reader"\nbelts = "{reference}"\n'
    if first:
        return PLAN + step
    return PLAN.replace("[[step]]", f"{step}[[step]]")


@pytest.mark.parametrize("step_id", ["", "today"])
def test_a_step_takes_the_layer_of_an_earlier_one(folder, tmp_path, reader, step_id):
    name = step_id or "shelter"
    text = with_reader(f"step:{name}/belts_assessed")
    if step_id:
        text = text.replace('"shelter"', f'"shelter"\nid = "{step_id}"')
    result = shelterscape.run_plan(plan_in(folder, text), out=tmp_path / "out")
    assert result.summary.answer[0][1] == ("2 belts in layers.gpkg:belts_assessed",)
    assert pd.read_csv(result.tables["second"])["area_ha"][0] == 2.0
    step = result.record["steps"][1]
    # The record keeps the reference; a path would tie it to the place of the run.
    assert step["inputs"]["belts"] == f"step:{name}/belts_assessed"
    assert step["files_read"] == {}
    assert str(tmp_path) not in json.dumps(result.record)


def test_a_step_takes_the_raster_of_an_earlier_one(folder, tmp_path, reader):
    """A picture of the same name is there too, and is no raster."""
    text = with_reader("step:shelter/relative_wind").replace('belts = "step', 'ground = "step')
    result = shelterscape.run_plan(plan_in(folder, text), out=tmp_path / "out")
    assert result.summary.answer[0][1][-1] == "1 bands in relative_wind.tif"


def test_a_layer_of_an_earlier_run(folder, tmp_path, reader):
    shelterscape.run_plan(plan_in(folder), out=folder / "earlier")
    layer = f"{folder.name}/earlier/layers.gpkg:belts_assessed"
    text = f'[[step]]\nprocess = "reader"\nbelts = "{layer}"\n'
    plan = tmp_path / "second.toml"
    plan.write_text(text, encoding="utf-8")
    result = shelterscape.run_plan(plan, out=tmp_path / "out")
    ((_, texts),) = result.summary.answer
    assert texts == ("2 belts in layers.gpkg:belts_assessed",)
    assert result.record["steps"][0]["inputs"]["belts"] == "layers.gpkg:belts_assessed"


@pytest.mark.parametrize(
    ("reference", "first", "hint"),
    [
        ("step:shelter/blets_assessed", True, "Did you mean belts_assessed?"),
        ("step:sheltr/belts", True, "Did you mean shelter?"),
        (
            "step:shelter",
            True,
            "Use one of: belts_assessed, places_shelter, shelter_not_modelled, ",
        ),
        # A raster and a picture have that name, but neither is a layer.
        (
            "step:shelter/relative_wind",
            True,
            "Use one of: belts_assessed, places_shelter, shelter_not_modelled, ",
        ),
        ("step:reader/belts", True, "Use one of: shelter."),
        ("step:shelter/belts", False, "Move the step that writes it before this one."),
    ],
)
def test_references_that_lead_nowhere(folder, tmp_path, reader, reference, first, hint):
    steps = read_plan(plan_in(folder, with_reader(reference, first))).steps
    with pytest.raises(InputError) as caught:
        run(steps, tmp_path / "out", progress=lambda _: pytest.fail("computed all the same"))
    assert caught.value.code == "plan-bad"
    assert caught.value.value == reference
    assert caught.value.where == "reader"
    assert hint in caught.value.hint
    assert not (tmp_path / "out").exists()


def test_an_error_in_a_later_step_undoes_the_earlier_ones(tmp_path):
    def breaks(data):
        yield Progress(0.5, "breaking")
        raise RuntimeError("broken")

    steps = [
        Step(toy(write_toy), ToyInputs(), "first"),
        Step(toy(breaks, (SECOND_TABLE,), "second"), ToyInputs()),
    ]
    with pytest.raises(RuntimeError):
        run(steps, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []
    assert leftovers(tmp_path) == []
