"""The example of the page on plan files is read, and run on a small piece of ground."""

from __future__ import annotations

import re
from pathlib import Path

import geopandas as gpd
import pytest
from run_helpers import CRS, NORTH, WEST, call, write_belts, write_dem
from shapely import box

from shelterscape import plan

ROOT = Path(__file__).resolve().parents[1]
PAGE = (ROOT / "docs" / "plan_file.md").read_text(encoding="utf-8")
(EXAMPLE,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The files that the example names: a hill of 600 m with two belts, fields and a scheme."""
    write_dem(tmp_path / "dem.tif")
    (tmp_path / "winds.csv").write_text(
        "direction_deg,frequency,mean_speed_ms\n210,0.5,6\n300,0.3,5\n30,0.2,4\n", encoding="utf-8"
    )
    maps = write_belts(tmp_path / "maps.gpkg")
    fields = [
        box(WEST + x, NORTH - y - 180, WEST + x + 180, NORTH - y)
        for x, y in ((110, 110), (310, 110), (110, 310), (310, 310))
    ]
    whole = [box(WEST, NORTH - 600, WEST + 600, NORTH)]
    layers = {
        "fields": ({"name": list("abcd"), "purpose": ["lambing"] * 4, "head": [40.0] * 4}, fields),
        "parcels": ({"parcel_id": list("abcd"), "holding_id": ["H1"] * 4}, fields),
        "holdings": ({"holding_id": ["H1"], "name": ["Home farm"]}, whole),
        "grant_areas": ({"category": ["catchment"]}, whole),
    }
    for name, (columns, shapes) in layers.items():
        frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)
        frame.to_file(maps, layer=name, driver="GPKG")
    scheme = (ROOT / "sample_gis" / "scheme_water_belts.toml").read_text(encoding="utf-8")
    (tmp_path / "scheme.toml").write_text(
        re.sub(r"^categories = .*$", 'categories = ["catchment"]', scheme, flags=re.MULTILINE),
        encoding="utf-8",
    )
    (tmp_path / "plan.toml").write_text(EXAMPLE, encoding="utf-8")
    return tmp_path


def test_the_example_is_a_plan_of_four_linked_steps(folder):
    found = plan.read_plan(folder / "plan.toml")
    assert [s.process.id for s in found.steps] == ["exposure", "shelter", "siting", "grant-overlay"]
    assert found.steps[-1].params.belts == "step:siting/chosen_belts"
    assert found.steps[0].params.dem == str(folder / "dem.tif")
    # An input in a step takes precedence over the shared one.
    assert found.steps[1].params.years == ("surveyed", 2045)
    assert found.steps[2].params.years == (2047,)


def test_the_page_names_every_section():
    for section in plan.SECTIONS:
        shown = {"step": "[[step]]", "fields": "[fields.LAYER]", "title": "title"}
        assert f"`{shown.get(section, f'[{section}]')}`" in PAGE


def test_a_renamed_column_needs_fields_of_its_own_in_a_step_with_another_layer(folder):
    text = EXAMPLE + '\n[fields.belts]\nheight_m = "HGT"\n'
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    steps = plan.read_plan(folder / "plan.toml").steps
    assert all(step.params.fields == {"belts.height_m": "HGT"} for step in steps)
    text = text.replace("start_year = 2027", "start_year = 2027\nfields = {}")
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    assert plan.read_plan(folder / "plan.toml").steps[-1].params.fields == {}


@pytest.mark.slow
def test_the_example_runs_from_the_ground_to_the_grants(folder):
    out = folder / "results"
    assert call(["run", folder / "plan.toml", "--out", out, "--no-pictures"]) == 0
    chosen = gpd.read_file(out / "layers.gpkg", layer="chosen_belts")
    parts = gpd.read_file(out / "layers.gpkg", layer="grant_parts")
    assert len(chosen)
    assert set(parts["name"]) == set(chosen["candidate"])
    title = re.search(r'^title = "(.*)"$', EXAMPLE, re.MULTILINE)[1]
    summary = (out / "summary.txt").read_text(encoding="utf-8")
    assert " ".join(summary.split()).startswith(title)
    # The later run of the page reads the results of the earlier one.
    again = ["--belts", f"{out / 'layers.gpkg'}:chosen_belts", "--scheme", folder / "scheme.toml"]
    again += ["--grant-area", f"{folder / 'maps.gpkg'}:grant_areas", "--start-year", 2027]
    later = folder / "grants"
    assert call(["grant-overlay", *again, "--out", later, "--no-pictures"]) == 0
    assert set(gpd.read_file(later / "layers.gpkg", layer="grant_parts")["name"]) == set(
        chosen["candidate"]
    )
