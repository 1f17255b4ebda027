"""Batches: special holdings, resuming, combined results, and failures that stop no other holding.

Work is done in this process; `test_batch_faults` and `test_cluster` start worker processes.
"""

from __future__ import annotations

import importlib
import json
import os
import shutil
import unicodedata
from concurrent.futures import Executor, Future
from types import SimpleNamespace

import batch_toys
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from batch_helpers import (
    TOP,
    catchment,
    cells_inside,
    failures_of,
    holdings_of,
    results,
    square,
    write_holdings,
)
from batch_toys import toy_catchment
from run_helpers import CELLS, CRS, call, events, leftovers, write_dem

import shelterscape
from shelterscape import batch, registry
from shelterscape.batch import BatchOptions, figures, plan_batch, run_batch
from shelterscape.batch.holdings import read_holdings, tiles_of
from shelterscape.batch.state import BatchFolder
from shelterscape.errors import InputError, Stopped, UsageError, WriteError
from shelterscape.files import vectors
from shelterscape.files.record import PROGRAM
from shelterscape.processes.grant_overlay import summary as grant_summary
from shelterscape.processes.siting import summary as siting_summary
from shelterscape.processes.siting.targets import own_places_reached

pytestmark = pytest.mark.slow


class Here(Executor):
    """Runs work immediately, in this process."""

    def submit(self, fn, /, *args, **kwargs):
        """Run it."""
        future = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except BaseException as error:
            future.set_exception(error)
        return future


class HerePool:
    """A pool of one worker, which is this process."""

    at_once = 1

    def executor(self):
        """The executor of this process."""
        return Here()

    def renew(self):
        """Do nothing: no worker dies."""

    def stop(self):
        """Do nothing: no work is running."""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


@pytest.fixture(autouse=True)
def here(monkeypatch):
    """Work in this process, and register the toy process."""
    monkeypatch.setattr(batch, "_pool", lambda options: HerePool())
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


def go(plan, out, **options):
    """Run a batch over the holdings beside its plan."""
    words = {k: options.pop(k) for k in ("progress", "cancelled") if k in options}
    holdings = options.pop("holdings", str(plan.parent / "holdings.gpkg"))
    return run_batch(plan, out, holdings=holdings, options=BatchOptions(**options), **words)


def statuses(result):
    """Status by holding."""
    return {state.holding.label: state.status for state in result.states}


def seen(traps):
    """The holdings that were run, once for each time."""
    return sorted(path.name.rpartition(".")[0].rpartition(".")[0] for path in traps.glob("*.seen"))


def forget(traps):
    """Delete the marks of holdings that were run."""
    for path in traps.glob("*.seen"):
        path.unlink()


@pytest.mark.slow
def test_holdings_and_mosaic_are_those_of_one_run_over_all(tmp_path):
    plan = catchment(tmp_path / "in")
    whole = shelterscape.run_plan(plan, out=tmp_path / "whole")
    result = go(plan, tmp_path / "out")
    assert result.exit_code == 0 and statuses(result) == dict.fromkeys(TOP, "done")
    inside = np.zeros((CELLS, CELLS), bool)
    for place in TOP.values():
        inside[cells_inside(place)] = True
    rows, cols = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    box = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    for name, path in whole.rasters.items():
        with (
            rasterio.open(path) as data,
            rasterio.open(result.combined / "rasters" / f"{name}.tif") as mosaic,
        ):
            expected = np.where(inside, data.read(), data.nodata).astype(data.dtypes[0])
            assert mosaic.descriptions == data.descriptions and mosaic.tags() == data.tags()
            np.testing.assert_array_equal(mosaic.read(), expected[:, *box], err_msg=name)
    zones = gpd.read_file(result.combined / "combined.gpkg", layer="shelter_zones")
    assert {*zones["holding_id"]} <= {*TOP}
    belts = gpd.read_file(result.combined / "combined.gpkg", layer="belts_assessed")
    assert len(belts) == 2, "a belt in the margins of several holdings is there once"
    table = holdings_of(tmp_path / "out")
    assert (
        table["equivalent_sheltered_in_leaf_ha"].notna().all()
        and table["exposed_share"].notna().all()
    )
    assert table["rank"].isna().all(), "no rank without siting"


COAST = """
[inputs]
dem = "dem.tif"
winds = "210"
[[step]]
process = "exposure"
limit_m = 60
"""


def test_missing_cells_that_may_be_sea_are_noticed(tmp_path):
    """Of the whole map in the summary and record, and for the holdings that see them."""
    plan, out = catchment(tmp_path / "in", COAST), tmp_path / "out"
    with rasterio.open(plan.parent / "dem.tif", "r+") as data:
        ground = data.read()
        ground[..., 49], ground[..., 50:] = 4, np.nan  # h-2 ends 70 m from it, h-3 100 m
        data.nodata = np.nan
        data.write(ground)
    reported = []
    result = go(plan, out, progress=reported.append)
    count = ground[..., 50:].size
    assert [one["count"] for one in reported if one.get("code") == "sea-suspected"] == [count]
    assert any(f"{count:,} missing cells" in line for line in result.summary)
    combined = json.loads((out / "combined" / "record.json").read_text(encoding="utf-8"))
    assert "sea-suspected" in {one["code"] for one in combined["notices"]}
    seen_by = result.holdings["notices"].str.contains("sea-suspected")
    assert dict(zip(result.holdings["holding_id"], seen_by, strict=True)) == {
        "h-1": False, "h-2": True, "h-3": False
    }  # fmt: skip
    again = go(plan, out)
    assert again.summary == result.summary, "the notice is kept with the work it is about"


def test_finished_holdings_are_not_run_again(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    assert go(plan, tmp_path / "out").exit_code == 0
    first = results(tmp_path / "out")
    assert seen(traps) == sorted(TOP)
    forget(traps)
    assert go(plan, tmp_path / "out").exit_code == 0
    assert seen(traps) == [] and results(tmp_path / "out") == first
    assert not leftovers(tmp_path) and not leftovers(tmp_path / "out")


def test_a_moved_project_gives_the_same_bytes(tmp_path):
    for name in ("one", "other"):
        plan, _ = toy_catchment(tmp_path / name / "in")
        text = plan.read_text().replace(str(tmp_path / name), "..")
        plan.write_text(text.replace("../in/traps", "traps"))
        go(plan, tmp_path / name / "out")
    assert results(tmp_path / "one" / "out") == results(tmp_path / "other" / "out")


def test_damaged_results_and_results_of_other_inputs_are_calculated_again(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    result = go(plan, tmp_path / "out")
    good = results(tmp_path / "out")
    forget(traps)
    folders = {
        state.holding.label: tmp_path / "out/holdings" / state.holding.folder
        for state in result.states
    }
    raster = folders["h-2"] / "rasters" / "topex_deg.tif"
    raster.write_bytes(raster.read_bytes()[:-7])
    (folders["h-3"] / "record.json").unlink()
    shutil.rmtree(folders["h-3"])
    go(plan, tmp_path / "out")
    assert seen(traps) == ["h-2", "h-3"] and results(tmp_path / "out") == good
    forget(traps)
    write_dem(tmp_path / "in" / "dem.tif")
    with rasterio.open(tmp_path / "in" / "dem.tif", "r+") as data:
        data.write(data.read(1) + 1, 1)
    go(plan, tmp_path / "out")
    assert seen(traps) == sorted(TOP) and results(tmp_path / "out") != good


def test_a_failed_holding_never_stops_the_others(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    (traps / "h-1.break").touch()
    (traps / "h-3.refuse").touch()
    reported = []
    result = go(plan, tmp_path / "out", progress=reported.append)
    assert result.exit_code == 5
    assert statuses(result) == {"h-1": "failed", "h-2": "done", "h-3": "failed"}
    assert [e["holding"] for e in reported if e["event"] == "holding-failed"] == ["h-3", "h-1"]
    table = holdings_of(tmp_path / "out")
    assert table.loc["h-1", "error"].startswith("internal: ")
    assert "the toy broke" in table.loc["h-1", "error"]
    assert table.loc["h-3", "error"].startswith("layer-empty: ")
    assert table.loc["h-2", "error"] in ("", None)
    # An internal error may not occur again; inputs that were refused would be refused again.
    for trap in traps.glob("h-*"):
        trap.unlink()
    assert statuses(go(plan, tmp_path / "out"))["h-1"] == "done"
    assert seen(traps) == ["h-1"]
    result = go(plan, tmp_path / "out", retry_failed=True)
    assert result.exit_code == 0 and not failures_of(tmp_path / "out")
    plan, _ = toy_catchment(tmp_path / "in")
    unbroken = go(plan, tmp_path / "unbroken")
    assert unbroken.exit_code == 0 and results(tmp_path / "unbroken") == results(tmp_path / "out")


def test_only_selects_holdings_and_refuses_an_unknown_name(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in", name=["low", "mid", "top"])
    result = go(plan, tmp_path / "out", only=("mid", "h-3"))
    assert statuses(result) == {"h-1": "not run", "h-2": "done", "h-3": "done"}
    assert result.exit_code == 0 and seen(traps) == ["h-2", "h-3"]
    assert holdings_of(tmp_path / "out").loc["h-1", "status"] == "not run"
    with pytest.raises(InputError) as caught:
        go(plan, tmp_path / "out", only=("h-33",))
    assert caught.value.code == "name-unknown" and "h-3" in caught.value.hint


def test_a_dry_run_lists_holdings_and_writes_nothing(tmp_path, capsys):
    plan, traps = toy_catchment(tmp_path / "in")
    holdings = str(tmp_path / "in" / "holdings.gpkg")
    before = sorted(tmp_path.rglob("*"))
    words = ["batch", plan, "--holdings", holdings, "--out", tmp_path / "out", "--dry-run"]
    assert call([*words, "--json"]) == 0
    (reported,) = events(capsys.readouterr().out)
    assert [row["runs"] for row in reported["holdings"]] == [True] * 3
    assert all(row["cells"] > 0 and row["memory_mib"] > 0 for row in reported["holdings"])
    assert sorted(tmp_path.rglob("*")) == before and not seen(traps)
    go(plan, tmp_path / "out", only=("h-1",))
    assert call(words) == 0
    text = capsys.readouterr().out
    assert "2 of 3 holdings would run" in text and "done" in text
    planned = plan_batch(plan, tmp_path / "out", holdings=holdings)
    margin = 3
    assert [one.cells for one in planned] == [
        (min(r + n + margin, CELLS) - max(r - margin, 0))
        * (min(c + m + margin, CELLS) - max(c - margin, 0))
        for r, c, n, m in TOP.values()
    ]


SPECIAL = {
    "plain": square(20, 20, 8, 8),
    "off the map": square(200, 200, 8, 8),
    "half off": square(54, 54, 12, 12),
    "two parts": shapely.union_all([square(2, 2, 5, 5), square(40, 40, 5, 5)]),
    "overlapping": square(24, 24, 8, 8),
    "../up/../../and/away": square(30, 2, 5, 5),
    "CON": square(36, 2, 5, 5),
    "ferme 🐑 à l’eau": square(2, 40, 5, 5),
    "<b>&amp;</b>": square(2, 48, 5, 5),
    "$x^2$": square(10, 48, 5, 5),
    "=1+1": square(18, 48, 5, 5),
    "line\nbreak\ttab": square(26, 48, 5, 5),
    "x" * 300: square(48, 2, 5, 5),
    "": square(48, 10, 5, 5),
    "smaller than a cell": square(30.1, 30.1, 0.2, 0.2),
}


def test_special_holdings_are_run_or_fail_alone(tmp_path):
    plan, _ = toy_catchment(tmp_path / "in")
    ids = [*SPECIAL, "plain", "plain", "", "no outline", "a line", "flat"]
    outlines = [
        *SPECIAL.values(),
        square(20, 20, 8, 8),
        square(21, 20, 8, 8),
        square(48, 18, 5, 5),
        None,
        shapely.LineString([(388_010, 6_123_900), (388_100, 6_123_900)]),
        shapely.Polygon([(388_010, 6_123_900), (388_100, 6_123_900), (388_050, 6_123_900)]),
    ]
    path = write_holdings(tmp_path / "in" / "special.gpkg", outlines, ids)
    result = go(plan, tmp_path / "out", holdings=str(path))
    bad = {"off the map", "smaller than a cell", "no outline", "a line", "flat"}
    for state in result.states:
        expected = "failed" if state.holding.holding_id in bad else "done"
        assert state.status == expected, state
        assert (state.error or {}).get("code") == ("holding-bad" if expected == "failed" else None)
    folders = [state.holding.folder for state in result.states]
    assert len({f.lower() for f in folders}) == len(ids), "no two share a folder"
    assert all(f.isascii() and not {*f} & {*'/\\:*?"<>|. \n'} and len(f) < 70 for f in folders)
    assert sorted(p.name for p in (tmp_path / "out" / "holdings").iterdir()) == sorted(
        state.holding.folder for state in result.states if state.status == "done"
    )
    assert not (tmp_path / "away").exists() and not (tmp_path.parent / "away").exists()
    table = gpd.read_file(result.combined / "combined.gpkg", layer="holdings")
    kept = ["linebreaktab" if text.startswith("line\n") else text for text in ids]
    assert list(table["holding_id"].fillna("")) == kept
    text = pd.read_csv(result.combined / "tables" / "holdings.csv", keep_default_na=False)
    assert text["holding_id"][10].lstrip("'") == "=1+1" and text["holding_id"][10] != "=1+1"
    assert (result.combined / "preview-holdings.png").is_file() is False, "no figure, no map"


def test_overlapping_holdings_agree_where_they_meet(tmp_path):
    plan = catchment(tmp_path / "in")
    outlines = [square(20, 20, 12, 12), square(25, 26, 14, 12)]
    write_holdings(tmp_path / "in" / "two.gpkg", outlines, ["a", "b"])
    result = go(plan, tmp_path / "out", holdings=str(tmp_path / "in" / "two.gpkg"))
    parts = [tmp_path / "out" / "holdings" / state.holding.folder for state in result.states]
    rasters = sorted(path.name for path in (parts[0] / "rasters").glob("*.tif"))
    assert {"topex_deg.tif", "relative_wind.tif"} < {*rasters} and len(rasters) >= 5
    for name in rasters:
        with (
            rasterio.open(parts[0] / "rasters" / name) as a,
            rasterio.open(parts[1] / "rasters" / name) as b,
        ):
            # Rows 25 to 31 and columns 26 to 31 are in both.
            np.testing.assert_array_equal(a.read()[:, 5:12, 6:12], b.read()[:, :7, :6])


def test_names_of_folders_do_not_depend_on_the_order_of_the_layer(tmp_path):
    ids, outlines = ["a", "a", ""], [square(1, 1, 5, 5), square(9, 9, 5, 5), square(20, 20, 5, 5)]
    found = []
    for order in ([0, 1, 2], [2, 1, 0]):
        path = tmp_path / f"{order[0]}.gpkg"
        write_holdings(path, [outlines[i] for i in order], [ids[i] for i in order])
        holdings, _ = read_holdings(str(path), gpd.GeoSeries(crs=CRS).crs, {})
        found.append({h.outline: h.folder for h in holdings})
    assert found[0] == found[1] and len({*found[0].values()}) == 3


def test_a_layer_without_ids_and_columns_of_other_names(tmp_path):
    plan, _ = toy_catchment(tmp_path / "in")
    frame = gpd.GeoDataFrame({"farm": ["a"]}, geometry=[square(20, 20, 5, 5)], crs=CRS)
    frame.to_file(tmp_path / "in" / "farms.gpkg", layer="farms", driver="GPKG")
    with pytest.raises(InputError) as caught:
        go(plan, tmp_path / "out", holdings=str(tmp_path / "in" / "farms.gpkg"))
    assert caught.value.code == "column-missing" and not (tmp_path / "out").exists()
    crs = frame.crs
    (one,), _ = read_holdings(str(tmp_path / "in" / "farms.gpkg"), crs, {"holding_id": "farm"})
    assert one.holding_id == "a"


def test_a_second_batch_in_the_same_folder_is_refused(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    with BatchFolder(tmp_path / "out").locked():
        with pytest.raises(WriteError) as caught:
            go(plan, tmp_path / "out")
        assert caught.value.code == "output-busy" and not seen(traps)
    assert go(plan, tmp_path / "out").exit_code == 0


def test_a_folder_with_other_files_is_refused_and_kept(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("years of work")
    with pytest.raises(WriteError) as caught:
        go(plan, tmp_path / "out")
    assert caught.value.code == "output-foreign" and not seen(traps)
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["thesis.txt"]


def test_a_holding_whose_folder_cannot_be_written_is_run_again_next_time(tmp_path):
    plan, _ = toy_catchment(tmp_path / "in")
    go(plan, tmp_path / "unbroken")
    folder = next((tmp_path / "unbroken" / "holdings").glob("h-2-*")).name
    blocked = tmp_path / "out" / "holdings" / folder
    with BatchFolder(tmp_path / "out").locked():
        blocked.write_text("a file where the folder should go")
    result = go(plan, tmp_path / "out")
    assert result.exit_code == 5 and statuses(result)["h-2"] == "failed"
    assert failures_of(tmp_path / "out") == {folder: "output-protected"}
    blocked.unlink()
    assert go(plan, tmp_path / "out").exit_code == 0, (
        "such a failure is tried again without --retry-failed"
    )
    assert results(tmp_path / "out") == results(tmp_path / "unbroken")


def test_a_stopped_batch_is_resumed_with_the_same_results(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    reported = []

    def after_one():
        return 2 if seen(traps) else 0

    with pytest.raises(Stopped):
        go(plan, tmp_path / "out", progress=reported.append, cancelled=after_one)
    assert len(seen(traps)) == 1 and not (tmp_path / "out" / "combined").exists()
    assert not leftovers(tmp_path)
    go(plan, tmp_path / "out")
    assert sorted({*seen(traps)}) == sorted(TOP) and len(seen(traps)) == 3
    go(plan, tmp_path / "unbroken")
    assert results(tmp_path / "out") == results(tmp_path / "unbroken")


def test_a_failed_combination_leaves_the_earlier_one_unchanged(tmp_path, monkeypatch):
    plan, _ = toy_catchment(tmp_path / "in")
    go(plan, tmp_path / "out", only=("h-1",))
    before = {p: m for p, m in results(tmp_path / "out").items() if p.startswith("combined")}

    def fails(*_):
        raise OSError(28, os.strerror(28))

    with monkeypatch.context() as patched:
        module = importlib.import_module("shelterscape.batch.merge")
        patched.setattr(module, "write_mosaic", fails)
        with pytest.raises(WriteError) as caught:
            go(plan, tmp_path / "out")
    assert caught.value.code == "output-unwritable" and caught.value.value == os.strerror(28)
    after = {p: m for p, m in results(tmp_path / "out").items() if p.startswith("combined")}
    assert after == before and not leftovers(tmp_path / "out")
    assert go(plan, tmp_path / "out").exit_code == 0
    go(plan, tmp_path / "unbroken")
    assert results(tmp_path / "out") == results(tmp_path / "unbroken")


def test_inputs_that_change_during_a_batch_are_reported(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")

    def change(event):
        if event.get("text", "").startswith("1 of 3"):
            dem.write_bytes(good + b"\0")

    dem = tmp_path / "in" / "dem.tif"
    good = dem.read_bytes()
    result = go(plan, tmp_path / "out", progress=change)
    assert result.exit_code == 5 and len(seen(traps)) == 1
    assert {*failures_of(tmp_path / "out").values()} == {"input-changed"}
    # With the same bytes again, finished holdings stay done and the others are run now.
    dem.write_bytes(good)
    assert go(plan, tmp_path / "out").exit_code == 0 and len(seen(traps)) == 3


def test_steps_on_two_terrain_models_are_refused(tmp_path):
    plan = catchment(tmp_path / "in")
    write_dem(tmp_path / "in" / "other.tif")
    plan.write_text(plan.read_text() + 'dem = "other.tif"\n', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        go(plan, tmp_path / "out")
    assert caught.value.code == "plan-bad" and not (tmp_path / "out").exists()


def test_the_command_reports_errors_and_states(tmp_path, capsys):
    plan, traps = toy_catchment(tmp_path / "in")
    out = tmp_path / "out"
    assert call(["batch", plan, "--out", out]) == 2
    assert call(["batch", plan, "--out", out, "--holdings", "x.gpkg", "--tiles", 99]) == 2
    assert call(["batch", plan, "--out", out, "--tiles", 3]) == 2
    assert call(["batch", plan, "--out", out, "--holdings", tmp_path / "none.gpkg"]) == 3
    assert not out.exists()
    (traps / "h-2.refuse").touch()
    capsys.readouterr()
    holdings = tmp_path / "in" / "holdings.gpkg"
    assert call(["batch", plan, "--out", out, "--holdings", holdings, "--json"]) == 5
    reported = events(capsys.readouterr().out)
    assert reported[-1]["event"] == "result"
    assert [(h["status"], h["code"]) for h in reported[-1]["holdings"]] == [
        ("done", ""),
        ("failed", "layer-empty"),
        ("done", ""),
    ]
    assert call(["batch", plan, "--out", out, "--holdings", holdings]) == 5
    assert "2 done, 1 failed" in capsys.readouterr().err


def test_tiles_combine_to_the_whole_map(tmp_path):
    plan, _ = toy_catchment(tmp_path / "in")
    big = np.random.default_rng(3).uniform(1, 90, (150, 100)).astype("f4")
    with rasterio.open(tmp_path / "in" / "dem.tif") as data:
        profile = data.profile | {"height": 150, "width": 100}
    with rasterio.open(tmp_path / "in" / "dem.tif", "w", **profile) as data:
        data.write(big, 1)
    result = run_batch(plan, tmp_path / "out", tiles=64)
    assert result.exit_code == 0 and len(result.states) == 6
    with rasterio.open(result.combined / "rasters" / "topex_deg.tif") as data:
        np.testing.assert_array_equal(data.read(1), big)
        assert data.transform == profile["transform"]


def test_tiles_cover_every_cell_once(grid_of):
    grid = grid_of(130, 200, crs=CRS)
    tiles = [tile.geometry for tile in tiles_of(grid, 64)]
    assert len(tiles) == 3 * 4
    assert shapely.area(tiles).sum() == pytest.approx(130 * 200 * 100.0)
    assert shapely.union_all(tiles).equals(shapely.box(*grid.bounds))
    with pytest.raises(UsageError):
        tiles_of(grid, 63)


def test_ranks_are_by_benefit_divided_by_cost():
    benefit = pd.Series([4.0, 1.0, np.nan, 3.0, 0.0, 2.0])
    cost = pd.Series([2000.0, 500.0, 100.0, np.nan, 10.0, 0.0])
    # 2 per thousand twice; unknown twice; no benefit; a benefit at no cost.
    none = pd.Series([np.nan] * 6)
    assert figures.ranks(none, benefit, cost).fillna(0).tolist() == [2, 2, 0, 0, 0, 1]
    # 1 place for 2,000 comes before any benefit without a place, 2 for 10 before that.
    places = pd.Series([1, 0, 0, 0, 2, 0])
    assert figures.ranks(places, benefit, cost).fillna(0).tolist() == [2, 4, 0, 0, 1, 3]


def test_places_count_that_reach_their_target_by_belts_of_their_holding():
    here = pd.DataFrame(
        {
            "holding_id": ["h1", "h1", "h1", "h2"],
            "reaches_target": ["yes", "yes", "no", "yes"],
            "reaches_target_without": ["no", "yes", "no", "no"],
        }
    )
    chosen = pd.DataFrame({"holding_id": ["h1"]})
    assert own_places_reached(here, chosen) == 1
    assert own_places_reached(here, chosen[:0]) == 0
    assert own_places_reached(None, chosen) is None


def test_figures_are_those_the_steps_recorded(tmp_path):
    steps = [
        {"figures": {"chosen_length_m": 200.0, "cost": None}},
        {"figures": {"payment": 110.0}},
    ]
    text = json.dumps({"program": PROGRAM, "steps": steps})
    (tmp_path / "record.json").write_text(text, encoding="utf-8")
    assert figures.figures_of(tmp_path) == {
        "chosen_length_m": 200.0,
        "cost": None,
        "payment": 110.0,
    }
    assert figures.figures_of(tmp_path / "none") == {}


def test_figures_of_siting(monkeypatch):
    chosen = pd.DataFrame({"length_m": [120.0, 80.0], "cost": [500.25, 300.5]})
    candidates = pd.DataFrame({"candidate": ["c-7", "c-9", "c-3"]})
    full_evaluation = {
        case: SimpleNamespace(own_benefit_ha=ha) for case, ha in (("a", 1.0), ("b", 2.0))
    }
    own = SimpleNamespace(total=np.array([0.5, 1.25, 0.0]))
    results = SimpleNamespace(
        layers={"chosen_belts": chosen},
        lines=SimpleNamespace(candidates=candidates),
        decision=SimpleNamespace(
            own=own, full_evaluation=full_evaluation, choice=SimpleNamespace(net_cost_minor=70025)
        ),
        data=SimpleNamespace(
            currency="EUR",
            case=None,
            settled=SimpleNamespace(options=SimpleNamespace(curve="exponential")),
        ),
    )
    monkeypatch.setattr(siting_summary, "boundary_figures", lambda lines, found: {})
    assert siting_summary._figures(results) == {
        "best_candidates": "c-9 (1.25 ha eq.), c-7 (0.50 ha eq.)",
        "belt_count": 2.0,
        "chosen_length_m": 200.0,
        "cost": 800.75,
        "net_cost": 700.25,
        "currency": "EUR",
        "own_places_reached": None,
        "own_benefit_ha": 1.5,
        "shelter_error_factor": 1.3,
    }
    results.layers["chosen_belts"] = chosen.assign(cost=[500.25, None])
    assert siting_summary._figures(results)["cost"] is None


def test_payments_count_belts_of_the_holding():
    table = pd.DataFrame(
        {
            "holding_id": ["h-1", "h-1", "h-2", "h-2"],
            "scheme": ["a", "b", "a", "b"],
            "payment": [70.0, 110.0, 900.0, 90.0],
        }
    )

    def payment(holding_id, chosen_here=False, table=table):
        data = SimpleNamespace(holding_id=holding_id, chosen_here=chosen_here)
        results = SimpleNamespace(data=data, tables={"grant_by_holding": table})
        return grant_summary._payment(results)

    assert payment("h-9") == 0
    assert payment("") is None
    assert payment("h-1") == 110
    # Belts without a holding count only where an earlier step chose them on this holding.
    nameless = pd.DataFrame({"holding_id": "", "scheme": ["a", "b"], "payment": [970.0, 200.0]})
    assert payment("h-1", table=nameless) is None
    assert payment("h-1", chosen_here=True, table=nameless) == 970


@pytest.mark.parametrize("empty", [("h-2",), tuple(TOP)])
def test_layers_without_features_are_combined_too(tmp_path, empty):
    plan, traps = toy_catchment(tmp_path / "in")
    for name in empty:
        (traps / f"{name}.empty").touch()
    result = go(plan, tmp_path / "out")
    assert result.exit_code == 0
    found = gpd.read_file(result.combined / "combined.gpkg", layer="not_modelled")
    assert list(found["holding_id"]) == [name for name in TOP if name not in empty]


def test_a_failure_is_recorded_with_all_fields_of_its_error(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    (traps / "h-1.refuse").touch()
    go(plan, tmp_path / "out")
    (path,) = (tmp_path / "out" / "failures").glob("*.json")
    reported = json.loads(path.read_text())
    assert reported["exit_code"] == 3 and {*reported["error"]} == {
        "code",
        "what",
        "where",
        "value",
        "hint",
    }


# ---- the summary


def ranked_catchment(folder, **columns):
    """A plan of the toy that ranks its holdings; paths of the plan and of the traps."""
    plan, traps = toy_catchment(folder, **columns)
    text = plan.read_text(encoding="utf-8").replace("ground-copy", "ground-ranked")
    plan.write_text(f"{text}ranked = true\n", encoding="utf-8")
    return plan, traps


def test_the_summary_names_ranked_holdings_with_units_and_the_file_to_open_first(tmp_path):
    plan, traps = ranked_catchment(tmp_path / "in", name=["low", "mid", "top"])
    (traps / "h-2.refuse").touch()
    result = go(plan, tmp_path / "out")
    # Cells of 10 m: h-3 has 720 of them, 7.2 ha, and h-1 400; a quarter of the area is benefit.
    assert result.summary[:3] == (
        "Rank 1: top; cost 1,000.00 currency units; own benefit 1.8 ha eq.",
        "Rank 2: low; cost 1,000.00 currency units; own benefit 1.0 ha eq.",
        "Failed, 1: a layer holds no usable features (layer-empty): h-2",
    )
    (named,) = (line.removeprefix("Open first: ") for line in result.summary if "Open" in line)
    assert named == "combined/preview-holdings.png" and (result.folder / named).is_file()
    table = pd.read_csv(result.combined / "tables" / "holdings.csv")
    # Files carry money with two decimals.
    assert table["cost"].dropna().tolist() == [1000.0, 1000.0]


def test_the_file_to_open_first_exists_even_if_every_holding_failed(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    for name in TOP:
        (traps / f"{name}.refuse").touch()
    result = go(plan, tmp_path / "out")
    (named,) = (line.removeprefix("Open first: ") for line in result.summary if "Open" in line)
    assert (result.folder / named).is_file()


def test_the_summary_counts_failures_by_code(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in", count=9)
    for number in range(1, 8):
        (traps / f"h-{number}.refuse").touch()
    (traps / "h-8.break").touch()
    result = go(plan, tmp_path / "out")
    assert result.summary[:2] == (
        "Failed, 7: a layer holds no usable features (layer-empty): "
        "h-1, h-2, h-3, h-4, h-5, 2 more",
        "Failed, 1: internal error; please report it (internal): h-8",
    )
    assert len(result.summary) <= 25


HOSTILE = "\x1b[2J\x07\x9b31mfarm"


def test_no_terminal_control_character_of_a_name_is_printed(tmp_path, capsys, monkeypatch):
    plan, traps = ranked_catchment(tmp_path / "in", name=[HOSTILE] * 3)
    (traps / "h-2.refuse").touch()
    holdings = tmp_path / "in" / "holdings.gpkg"
    words = ["batch", plan, "--holdings", holdings, "--out"]
    # The reader removes these characters; the command must not rely on it.
    monkeypatch.setattr("shelterscape.batch.holdings._printable", lambda text: text)
    found = go(plan, tmp_path / "other")
    assert any("\x1b" in line for line in found.summary), "the name is hostile"
    for more in ([], ["--dry-run"], ["--only", HOSTILE], ["--only", f"{HOSTILE}-unknown"]):
        call([*words, tmp_path / "out", *more])
        reported = capsys.readouterr()
        text = reported.out + reported.err
        assert "farm" in text or "h-2" in text
        assert not {c for c in text if unicodedata.category(c) == "Cc"} - {"\n"}


# ---- columns of the layer of holdings


def test_only_the_used_columns_of_the_holdings_are_read(tmp_path, monkeypatch):
    outlines, ids = [square(20, 20, 5, 5), square(30, 30, 5, 5)], ["a", "b"]
    path = write_holdings(tmp_path / "h.gpkg", outlines, ids, name=["A", "B"], note=["x", "y"])
    read, columns = vectors.pyogrio.read_dataframe, []

    def watched(*words, **options):
        frame = read(*words, **options)
        columns.append([*frame.columns])
        return frame

    monkeypatch.setattr(vectors.pyogrio, "read_dataframe", watched)
    crs = gpd.GeoSeries(crs=CRS).crs
    holdings, _ = read_holdings(str(path), crs, {})
    assert [(h.holding_id, h.name) for h in holdings] == [("a", "A"), ("b", "B")]
    holdings, _ = read_holdings(str(path), crs, {"holding_id": "note"})
    assert [(h.holding_id, h.name) for h in holdings] == [("x", "A"), ("y", "B")]
    assert columns[0] == ["holding_id", "name", "geometry"]
    assert sorted(columns[1]) == ["geometry", "name", "note"]


def test_errors_about_columns_list_every_column_of_the_holdings(tmp_path):
    path = tmp_path / "h.gpkg"
    frame = gpd.GeoDataFrame(
        {"farm": ["a"], "name": ["A"], "note": ["x"]}, geometry=[square(20, 20, 5, 5)], crs=CRS
    )
    frame.to_file(path, layer="holdings", driver="GPKG")
    for columns, listed in (({}, "value"), ({"holding_id": "FARM"}, "hint")):
        with pytest.raises(InputError) as caught:
            read_holdings(str(path), frame.crs, columns)
        assert caught.value.code == "column-missing"
        assert "farm, name, note" in getattr(caught.value, listed)
