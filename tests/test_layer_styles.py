"""Styles of layers and rasters: rules, files of both formats, and what a desktop GIS loads."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_helpers import CRS, project
from shapely import LineString, box

import shelterscape
from shelterscape import registry
from shelterscape.files.geopackages import STYLES, DefaultStyle, style_in, write_styles
from shelterscape.files.layer_reading import located
from shelterscape.files.layer_rules import Condition, LayerRules, rules_of
from shelterscape.files.style_qml import class_raster_qml, layer_qml, raster_qml
from shelterscape.files.style_sld import class_raster_sld, layer_sld, raster_sld
from shelterscape.files.styles import (
    HEIGHT_SHADES,
    NO_VALUE_COLOUR,
    PLACE_STYLE,
    RAMPS,
    SHELTER_SHADES,
    SITED_PLACE_STYLE,
    TARGET_COLOURS,
    LayerStyle,
)
from shelterscape.process import Layer, Raster
from shelterscape.terms import TERMS

COLOUR = re.compile(r"#[0-9a-f]{6}")


def holds(condition: Condition, row: pd.Series) -> bool:
    """Whether a row meets a condition, by pandas; nothing is equal to an empty cell."""
    value = row[condition.column]
    if condition.operator == "empty":
        return bool(pd.isna(value))
    other = row[condition.other] if condition.other else condition.value
    if pd.isna(value) or pd.isna(other):
        return False
    return bool(
        {"=": value == other, "<": value < other, ">": value > other}.get(condition.operator[0])
        or (condition.operator[1:] == "=" and value == other)
    )


def rules_drawing(rules: LayerRules, row: pd.Series) -> list[str]:
    return [r.colour for r in rules.rules if all(holds(c, row) for c in r.conditions)]


def frame_of(**columns: object) -> gpd.GeoDataFrame:
    count = len(next(iter(columns.values())))
    lines = [LineString([(i, 0), (i, 10)]) for i in range(count)]
    return gpd.GeoDataFrame(columns, geometry=lines, crs=CRS)


NUMBERS = st.lists(st.floats(-1e6, 1e6, width=32) | st.just(np.nan), max_size=20)


@given(
    NUMBERS,
    st.sampled_from(
        [
            LayerStyle("benefit_alone_ha", shades=SHELTER_SHADES),
            LayerStyle("height_m", shades=HEIGHT_SHADES),
            LayerStyle("topex_deg"),
            LayerStyle(),
        ]
    ),
)
def test_every_feature_is_drawn_once(numbers, style):
    frame = frame_of(**{style.colour_by or "height_m": np.array(numbers, dtype=float)})
    rules = rules_of("layer", "Layer.", style, frame)
    for _, row in frame.iterrows():
        assert len(rules_drawing(rules, row)) == 1
    assert len({rule.title for rule in rules.rules}) == len(rules.rules)


def test_places_are_drawn_by_their_target():
    frame = frame_of(
        name=["a", "b", "c", "d"],
        relative_wind=[0.6, 0.7, 0.5, 0.4],
        target_relative_wind=[0.6, 0.6, np.nan, 0.6],
    )
    rules = rules_of("places", "Places.", PLACE_STYLE, frame)
    reached, missed = TARGET_COLOURS.values()
    drawn = [rules_drawing(rules, row) for _, row in frame.iterrows()]
    assert drawn == [[reached], [missed], [NO_VALUE_COLOUR], [reached]]
    # Where a target may be a sheltered corner, the column that states it decides.
    sited = frame.assign(reaches_target=["no", "yes", "", "yes"])
    rules = rules_of("places", "Places.", SITED_PLACE_STYLE, sited)
    drawn = [rules_drawing(rules, row) for _, row in sited.iterrows()]
    assert drawn == [[missed], [reached], [NO_VALUE_COLOUR], [reached]]


def test_orders_of_choice_have_classes_of_whole_numbers():
    style = LayerStyle("choice_order", shades=SHELTER_SHADES)
    titles = [
        [rule.title for rule in rules_of("x", "", style, frame_of(choice_order=order)).rules]
        for order in (np.arange(1, 4), np.arange(1, 9), np.arange(0))
    ]
    assert titles[0] == ["1 to 1", "2 to 2", "3 to 3"]
    assert titles[1] == ["1 to 2", "3 to 4", "5 to 6", "7 to 8"]
    assert titles[2] == ["1 to 1"]


def test_each_season_and_year_is_a_branch_and_the_first_is_on():
    frame = frame_of(
        season=["in leaf", "bare", "in leaf"],
        year=pd.array([pd.NA, pd.NA, 2045], dtype="Int64"),
        height_m=[2.0, 2.0, 9.0],
    )
    rules = rules_of("belts", "Belts.", LayerStyle("height_m", shades=HEIGHT_SHADES), frame)
    assert [case.title for case in rules.cases] == [
        "in leaf",
        "bare",
        "in leaf 2045",
    ]
    for _, row in frame.iterrows():
        assert sum(all(holds(c, row) for c in case.conditions) for case in rules.cases) == 1
    root = ElementTree.fromstring(layer_qml(rules))
    cases = root.findall("./renderer-v2/rules/rule")
    assert [c.get("checkstate") for c in cases] == [None, "0", "0"]
    space = {"s": "http://www.opengis.net/sld"}
    server = ElementTree.fromstring(layer_sld(rules).encode())
    assert [d.text for d in server.findall(".//s:UserStyle/s:IsDefault", space)] == ["1", "0", "0"]


def declared() -> list[Layer | Raster]:
    processes = [registry.find(name) for name in registry.ids()]
    return [o for p in processes for o in p.outputs if isinstance(o, Layer | Raster)]


@pytest.mark.parametrize("output", declared(), ids=lambda o: o.name)
def test_both_formats_have_the_same_colours(output):
    if isinstance(output, Raster):
        classes = {"inside": "#112233", "outside": "#445566"}
        term = output.quantity
        texts = raster_qml(term), raster_sld(output.name, term)
        if output.classed:
            texts = class_raster_qml(classes), class_raster_sld(output.name, term, classes)
        colours = [list(dict.fromkeys(COLOUR.findall(text))) for text in texts]
        assert colours[0] == colours[1]
        return
    style = output.style
    assert {style.colour_by, style.target, style.label, style.reduction_of} <= {
        "",
        *output.columns,
    }
    if style.colour_by and not style.colours and not style.target:
        assert style.colour_by in RAMPS or style.shades
    values = {c: [""] * 2 if TERMS[c].unit == "text" else [0.5, 2.0] for c in output.columns}
    frame = frame_of(**values)
    if output.kind != "line":
        frame.geometry = [box(0, 0, 1, 1)] * 2
    rules = rules_of(output.name, output.title, style, frame)
    in_qml = set(re.findall(r'"(\d+,\d+,\d+),\d+"', layer_qml(rules)))
    in_sld = {rgb(colour) for colour in COLOUR.findall(layer_sld(rules))}
    assert {rgb(rule.colour) for rule in rules.rules} <= in_qml & in_sld


def rgb(colour: str) -> str:
    return ",".join(str(part) for part in bytes.fromhex(colour[1:]))


def test_names_with_markup_are_text():
    name = '<b>O\'Hara & "sons"</b>'
    frame = frame_of(qualification=[name])
    style = LayerStyle("qualification", {name: "#112233"})
    rules = rules_of(name, name, style, frame)
    rule = ElementTree.fromstring(layer_qml(rules)).find("./renderer-v2/rules/rule")
    assert rule.get("label") == name
    assert rule.get("filter") == "\"qualification\" = '<b>O''Hara & \"sons\"</b>'"
    server = ElementTree.fromstring(layer_sld(rules).encode())
    space = {"o": "http://www.opengis.net/ogc", "s": "http://www.opengis.net/sld"}
    assert server.find(".//o:Literal", space).text == name
    assert server.find(".//s:NamedLayer/s:Name", space).text == name


def test_a_run_has_a_default_style_for_each_layer(tmp_path):
    inputs = project(tmp_path / "inputs")
    result = shelterscape.shelter(**inputs, out=tmp_path / "out", pictures=False)
    path = tmp_path / "out" / "layers.gpkg"
    with sqlite3.connect(path) as db:
        rows = db.execute(
            f"SELECT f_table_name, f_geometry_column, useAsDefault, update_time FROM {STYLES}"
        ).fetchall()
        layers = dict(db.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
    assert {name for name, *_ in rows} == set(result.layers) == set(layers)
    assert all(column == layers[name] and default == 1 for name, column, default, _ in rows)
    assert {stamp for *_, stamp in rows} == {"2000-01-01T00:00:00.000Z"}


def test_the_table_of_styles_is_no_choice_of_layer(tmp_path):
    """A file with one layer and its styles needs no layer name."""
    path = tmp_path / "one.gpkg"
    frame_of(height_m=[1.0]).to_file(path, layer="belts")
    with sqlite3.connect(path) as db:
        db.execute(f"CREATE TABLE {STYLES} (id INTEGER)")
        db.execute(
            f"INSERT INTO gpkg_contents (table_name, data_type) VALUES ('{STYLES}', 'attributes')"
        )
    assert located(str(path), "belts")[1] == "belts"


def test_a_file_without_styles_has_none(tmp_path):
    """As files of earlier versions, whose holdings a batch may keep."""
    path = tmp_path / "one.gpkg"
    frame_of(height_m=[1.0]).to_file(path, layer="belts")
    assert style_in(path, "belts") is None
    write_styles(path, {"belts": DefaultStyle("<qgis/>", "<sld/>")})
    assert style_in(path, "belts") == DefaultStyle("<qgis/>", "<sld/>")
    assert style_in(path, "others") is None


def gis_python() -> str:
    """A Python that has the libraries of the desktop GIS; empty if there is none."""
    for candidate in ("/usr/bin/python3", shutil.which("python3") or ""):
        if candidate and Path(candidate).exists():
            tried = subprocess.run(
                [candidate, "-c", "import qgis.core"], capture_output=True, env=clean()
            )
            if tried.returncode == 0:
                return candidate
    return ""


def clean() -> dict[str, str]:
    """The environment without settings that would lead the GIS to other libraries."""
    foreign = ("PYTHON", "GDAL", "PROJ", "VIRTUAL_ENV")
    kept = {k: v for k, v in os.environ.items() if not k.startswith(foreign)}
    return {**kept, "QT_QPA_PLATFORM": "offscreen"}


@pytest.mark.slow
def test_a_desktop_gis_loads_and_draws_every_layer_and_raster(demo):
    python = gis_python()
    if not python:
        pytest.skip("no desktop GIS with Python libraries is installed")
    folder, names = Path(demo.folder), list(demo.layers)
    script = Path(__file__).with_name("gis_renders.py")
    # The libraries of the GIS may crash while they unload, after all is printed.
    done = subprocess.run(
        [python, str(script), str(folder), *names], capture_output=True, text=True, env=clean()
    )
    found = json.loads(done.stdout.splitlines()[-1])
    styles = {o.name: o for o in declared()}
    for name in names:
        seen, layer = found[name], styles[name]
        assert seen["renderer"] == "RuleRenderer", name
        assert seen["labels"] == bool(layer.style.label), name
        assert seen["server_style"], name
        assert TERMS[layer.columns[0]].label in seen["titles"], name
        if {"season", "direction_deg"} & set(layer.columns):
            assert len(seen["active"]) == 1, name
        assert not seen["features"] or len(seen["colours"]) > 1, name
    for path in folder.glob("rasters/*.tif"):
        assert found[path.stem]["renderer"] in ("singlebandpseudocolor", "paletted")
        assert len(found[path.stem]["colours"]) > 1, path
    reached, missed = TARGET_COLOURS
    assert {reached, missed, "no target"} <= set(found["places_shelter"]["legend"])
