"""For all processes: description, command, Python function, docs page and files agree."""

from __future__ import annotations

import inspect
import re
import sqlite3
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
import rasterio

import shelterscape
from shelterscape import registry
from shelterscape.cli.process_command import OUT_OPTIONS, command_of, option_name
from shelterscape.plan import read_plan
from shelterscape.process import SCREENING, Layer, Picture, Raster, Table, Waypoints, Workbook
from shelterscape.process.inputs import sources
from shelterscape.terms import TERMS

ROOT = Path(__file__).resolve().parents[1]
PROCESSES = [registry.find(name) for name in registry.ids()]
each_process = pytest.mark.parametrize("process", PROCESSES, ids=lambda p: p.id)


@each_process
def test_description_command_and_signature_agree(process):
    fields = process.inputs.model_fields
    described = registry.describe(process)["inputs"]
    command = command_of(process)
    signature = inspect.signature(getattr(shelterscape, process.function_name))
    assert list(described) == list(fields)
    options = [o for o in command.params if o not in OUT_OPTIONS]
    required_first = sorted(fields, key=lambda name: not fields[name].is_required())
    assert [o.opts for o in options] == [[option_name(name)] for name in required_first]
    of_every_function = [
        "out",
        "overwrite",
        "progress",
        "cancelled",
        "memory_limit_gib",
        "pictures",
        "report",
    ]
    assert list(signature.parameters) == [*fields, *of_every_function]
    for name, field in fields.items():
        option = next(o for o in options if o.name == name)
        parameter = signature.parameters[name]
        assert field.description, name
        assert described[name]["description"] == field.description
        assert field.description in option.help
        assert option.required == field.is_required() == bool(described[name]["minOccurs"])
        assert (parameter.default is inspect.Parameter.empty) == field.is_required()
        if not field.is_required():
            assert parameter.default == field.get_default(call_default_factory=True)


@each_process
def test_names_and_words(process):
    assert process.id == process.id.lower()
    assert set(process.id) <= set("abcdefghijklmnopqrstuvwxyz-")
    assert process.all_cautions[0] == SCREENING
    assert process.sources
    assert getattr(shelterscape, process.function_name).__doc__.startswith(process.title)
    for output in process.outputs:
        assert output.title
        if isinstance(output, Raster):
            assert output.quantity.name in TERMS
        if isinstance(output, (Layer, Table)):
            assert set(output.columns) <= set(TERMS)
            assert len(set(output.columns)) == len(output.columns)


def test_output_names_are_unique_over_all_processes():
    for kind in (Raster, Layer, Table, Picture, Workbook):
        names = [o.name for p in PROCESSES for o in p.outputs if isinstance(o, kind)]
        assert len(names) == len(set(names))
    data = [o.name for p in PROCESSES for o in p.outputs if isinstance(o, (Raster, Layer))]
    assert len(data) == len(set(data))


@each_process
def test_numbers_have_a_unit(process):
    for name, part in registry.describe(process)["inputs"].items():
        if part["schema"].get("type") in ("number", "integer"):
            assert part["schema"]["unit"], name
            assert part["schema"]["minimum"] < part["schema"]["maximum"]


@each_process
def test_docs_page_names_everything(process):
    page = (ROOT / "docs" / "processes" / f"{process.id}.md").read_text(encoding="utf-8")
    for name in process.inputs.model_fields:
        assert f"| {name} | {option_name(name)} |" in page
    for output in process.outputs:
        for file in output.files:
            assert f"`{file}`" in page
    for text in (*process.all_cautions, *process.sources):
        assert text in page


def test_every_process_is_in_the_demo(demo):
    steps = read_plan(ROOT / "sample_gis" / "plan.toml").steps
    assert {s.process.id for s in steps} == set(registry.BUILT_IN)


def _written(output, demo):
    """Whether the demo wrote an output; an optional one may be missing."""
    kinds = {Raster: demo.rasters, Layer: demo.layers, Table: demo.tables, Picture: demo.pictures,
             Workbook: demo.workbooks,
             Waypoints: demo.waypoints}  # fmt: skip
    return output.name in kinds[type(output)]


def _outputs(step, demo):
    return [o for o in registry.find(step["process"]).outputs if _written(o, demo)]


def test_files_written_are_those_declared(demo):
    outputs = [o for s in demo.record["steps"] for o in registry.find(s["process"]).outputs]
    declared = {file for o in outputs if _written(o, demo) for file in o.files}
    assert all(_written(o, demo) for o in outputs if not o.optional)
    found = {p.relative_to(demo.folder).as_posix() for p in demo.folder.rglob("*") if p.is_file()}
    of_run = {"record.json", "report.html", "holding_pages.pdf", "summary.txt", "timings.json"}
    assert found == declared | of_run


def test_files_have_the_content_that_is_declared(demo):
    for step in demo.record["steps"]:
        for output in _outputs(step, demo):
            if isinstance(output, Raster):
                with rasterio.open(demo.rasters[output.name]) as data:
                    assert set(data.units) == {output.quantity.unit}
                    assert list(data.descriptions) == step["bands"][output.name]
                    assert data.tags()["QUANTITY"] == output.quantity.title
                    kind = ("uint8", 255) if output.classed else ("float32", -9999)
                    assert (data.dtypes[0], data.nodata) == kind
            if isinstance(output, Layer):
                path, layer = str(demo.layers[output.name]).rsplit(":", 1)
                assert list(pyogrio.read_info(path, layer=layer)["fields"]) == list(output.columns)
            if isinstance(output, Table):
                frame = pd.read_csv(demo.tables[output.name], comment="#")
                assert list(frame.columns) == list(output.columns)


def test_the_sample_has_ground_in_several_zones(demo):
    areas = pd.read_csv(demo.tables["shelter_areas"])
    for _, rows in areas.groupby(["season", "year"], dropna=False):
        reduced = rows[rows["zone"].str.startswith("wind reduced by") & (rows["area_ha"] > 1)]
        assert len(reduced) >= 3


def test_columns_in_the_geopackage_carry_their_meaning(demo):
    with sqlite3.connect(demo.folder / "layers.gpkg") as db:
        found = db.execute("SELECT table_name, column_name, description FROM gpkg_data_columns")
        meanings = {(table, column): text for table, column, text in found}
    db.close()
    for process in PROCESSES:
        for output in process.outputs:
            if isinstance(output, Layer) and _written(output, demo):
                for column in output.columns:
                    assert meanings[output.name, column] == TERMS[column].meaning


def test_inputs_that_name_data_sets_are_marked():
    """An input with a path but without a mark would not be checked or recorded."""
    for process in PROCESSES:
        marked = set(sources(process.inputs))
        assert marked
        for name, field in process.inputs.model_fields.items():
            takes_a_path = name in ("dem", "winds") or re.search("PATH|TOML", field.description)
            assert (name in marked) == bool(takes_a_path), name


def test_values_are_in_the_range_of_their_term(demo):
    for step in demo.record["steps"]:
        for output in _outputs(step, demo):
            if isinstance(output, Raster):
                with rasterio.open(demo.rasters[output.name]) as data:
                    values = data.read(masked=True)
                assert values.count() > 0.9 * values.size
                assert output.quantity.low <= values.min() < values.max() <= output.quantity.high
