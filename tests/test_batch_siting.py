"""A batch with siting in its plan: lines and belts are combined, holdings are ranked."""

from __future__ import annotations

import json
import shutil

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from batch_helpers import TOP, cells_inside, holdings_of, square, write_holdings
from run_helpers import CRS, write_belts, write_dem
from test_batch import HerePool
from test_report import Reader, run_command

from shelterscape import batch
from shelterscape.batch import BatchOptions, run_batch
from shelterscape.batch.report import write_batch_report
from shelterscape.errors import InputError
from shelterscape.plan import read_plan
from shelterscape.process.area import Area
from shelterscape.runs import Step, run
from shelterscape.runs.prepare import prepare
from shelterscape.terms import TERMS

pytestmark = pytest.mark.slow

BARE = (50, 48, 4, 10)
"""A holding of bare rock, in cells like those of `TOP`."""

PLAN = """
[inputs]
dem = "dem.tif"
winds = "210,240"
belts = "belts.gpkg"
places = "places.gpkg"
[cases]
seasons = ["bare"]
[[step]]
process = "siting"
parcels = "places.gpkg"
holdings = "holdings.gpkg"
planting_year = 2026
budget_m = 150
"""


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """Results for three holdings with fields and one without."""
    folder = tmp_path_factory.mktemp("siting") / "in"
    folder.mkdir()
    write_dem(folder / "dem.tif")
    write_belts(folder / "belts.gpkg")
    # On the last one nothing needs shelter and there is no belt.
    outlines = [square(*place) for place in (*TOP.values(), BARE)]
    write_holdings(folder / "holdings.gpkg", outlines, [*TOP, "bare"])
    fields = [
        square(row, col + half * cols / 2, rows, cols / 2)
        for row, col, rows, cols in TOP.values()
        for half in (0, 1)
    ]
    owners = [name for name in TOP for _ in range(2)]
    frame = gpd.GeoDataFrame({"name": owners, "holding_id": owners}, geometry=fields, crs=CRS)
    frame.to_file(folder / "places.gpkg", layer="places", driver="GPKG")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(batch, "_pool", lambda options: HerePool())
        found = run_batch(
            folder / "plan.toml",
            folder.parent / "out",
            holdings=str(folder / "holdings.gpkg"),
            options=BatchOptions(),
        )
    assert [state.error for state in found.states] == [None] * 4
    return found


def test_a_holding_without_lines_is_done(result):
    row = holdings_of(result.folder).set_index("holding_id").loc["bare"]
    assert row["status"] == "done" and row["chosen_length_m"] == 0 and np.isnan(row["rank"])
    record = json.loads((result.folder / "holdings" / row["folder"] / "record.json").read_text())
    assert "no-lines" in [notice["code"] for notice in record["steps"][0]["notices"]]


def test_ground_far_from_all_places_needs_no_shelter(tmp_path, result):
    """Where places are given, ground far from all of them has no priority."""
    inputs = result.folder.parent / "in"
    (step,) = read_plan(inputs / "plan.toml").steps
    # The holding itself is a parcel, so that there are edges to plant.
    params = step.params.model_copy(update={"parcels": str(inputs / "holdings.gpkg")})
    outline, counts = shapely.to_wkb(square(*BARE)), []
    for places in (params.places, None):
        this = Step(step.process, params.model_copy(update={"places": places}))
        shared = tmp_path / f"shared-{places is None}"
        prepare(this, shared)
        out = tmp_path / f"out-{places is None}"
        found = run([this], out, area=Area("bare", outline, 10.0, str(shared)))
        assert ("no-lines" in [notice.code for notice in found.notices]) == (places is not None)
        counts.append(len(gpd.read_file(out / "layers.gpkg", layer="candidates")))
    assert counts[0] == 0 < counts[1]


def test_holdings_are_ranked_by_own_benefit_divided_by_cost(result):
    table = holdings_of(result.folder)
    table = table[table["holding_id"] != "bare"]
    assert table["chosen_length_m"].between(1, 150).all() and (table["cost"] > 0).all()
    worth = table["own_benefit_ha"] / table["cost"]
    assert list(table["rank"]) == list(worth.rank(ascending=False).astype(int))
    assert table["best_candidates"].str.contains(" ha eq.", regex=False).all()
    assert (result.combined / "preview-holdings.png").is_file()


@pytest.mark.parametrize("layer", ["candidates", "chosen_belts"])
def test_lines_are_on_their_holding(result, layer):
    lines = gpd.read_file(result.combined / "combined.gpkg", layer=layer)
    assert len(lines) >= 3
    outlines = {name: square(*place).buffer(1e-6) for name, place in TOP.items()}
    for line, owner, action in zip(
        lines.geometry, lines["holding_id"], lines["action"], strict=True
    ):
        # An existing belt may extend beyond its holding; a new one may not.
        there = line.within if action == "plant" else line.intersects
        assert there(outlines[owner]), (owner, line)
    assert not lines.duplicated(["candidate", "holding_id", "action"]).any()
    assert {*lines["holding_id"]} == {*TOP}


def test_the_mosaic_covers_the_holdings_and_nothing_else(result):
    inside = np.zeros((60, 60), bool)
    for place in (*TOP.values(), BARE):
        inside[cells_inside(place)] = True
    rows, cols = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    with rasterio.open(result.combined / "rasters" / "wind_reduction_added.tif") as data:
        known = data.read(1) != data.nodata
    assert (known == inside[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]).all()


def test_the_report_of_a_batch_holds_its_combined_results(result, tmp_path):
    assert run_command(result.folder, tmp_path / "all.html") == 0
    read = Reader((tmp_path / "all.html").read_text(encoding="utf-8"))
    table, package = holdings_of(result.folder), result.folder / "combined" / "combined.gpkg"
    text = " ".join(read.texts)
    assert "4 holdings: 4 done" in text and "Rank 1: " in text
    cost = table["cost"].dropna()
    assert f"Cost: {cost.sum():,.2f} EUR ({len(cost)} of 4 holdings)" in text
    heads, *rows = read.tables["holdings"]
    costs = {row[heads.index(TERMS["holding_id"].label)]: row[heads.index(TERMS["cost"].label)]
             for row in rows}  # fmt: skip
    assert {k: float(v) for k, v in costs.items() if v} == cost.to_dict()
    data = json.loads(read.data)
    chosen = gpd.read_file(package, layer="chosen_belts")
    counts = {one["name"]: pyogrio.read_info(package, layer=one["name"])["features"]
              for one in data["layers"]}  # fmt: skip
    assert counts["chosen_belts"] == len(chosen) > 0 and counts["holdings"] == 4
    assert len(read.tables["chosen_belts"]) == 1 + len(chosen)
    assert {r["name"] for r in data["rasters"]} >= {"relative_wind_with_belts"}
    # The page of each holding is that of its own run.
    for row in table.dropna(subset="rank").itertuples():
        assert run_command(result.folder / "holdings" / row.folder, tmp_path / row.folder) == 0
        own = Reader((tmp_path / row.folder).read_text(encoding="utf-8"))
        lines = [name for name in own.tables if name.endswith(": Lines")]
        assert lines and all(own.tables[name] == read.tables[name] for name in lines)


def test_a_batch_that_was_changed_has_no_report(result, tmp_path):
    copy = shutil.copytree(result.folder, tmp_path / "copy")
    (copy / "combined" / "tables" / "holdings.csv").write_text("other", encoding="utf-8")
    with pytest.raises(InputError, match="have changed"):
        write_batch_report(copy, tmp_path / "a.html")
    shutil.rmtree(copy / "holdings")
    shutil.copytree(result.combined, copy / "combined", dirs_exist_ok=True)
    with pytest.raises(InputError, match="No holding"):
        write_batch_report(copy, tmp_path / "a.html")
