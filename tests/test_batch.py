"""Batches: holdings as they come, resumed by key, put together, one fault never stopping the rest.

Work is done in this process here; `test_batch_faults` and `test_cluster` start real ones.
"""

from __future__ import annotations

import importlib
import json
import os
import shutil
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
from shelterscape.batch import How, figures, plan_batch, run_batch
from shelterscape.batch.holdings import read_holdings, tiles_of
from shelterscape.batch.state import BatchFolder
from shelterscape.errors import InputError, Stopped, UsageError, WriteError
from shelterscape.files.record import PROGRAM
from shelterscape.processes.grant_overlay import summary as grant_summary
from shelterscape.processes.siting import summary as siting_summary

pytestmark = pytest.mark.slow


class Here(Executor):
    """Does work at once, in this process."""

    def submit(self, fn, /, *args, **kwargs):
        """Do it."""
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
        """Where work goes."""
        return Here()

    def renew(self):
        """Nothing dies here."""

    def stop(self):
        """Nothing is at hand."""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


@pytest.fixture(autouse=True)
def here(monkeypatch):
    """Work in this process, with the toy among the processes."""
    monkeypatch.setattr(batch, "_pool", lambda how: HerePool())
    for name, place in batch_toys.BUILT_IN.items():
        monkeypatch.setitem(registry.BUILT_IN, name, place)


def go(plan, out, **how):
    """Run a batch over the holdings beside its plan."""
    words = {k: how.pop(k) for k in ("progress", "cancelled") if k in how}
    holdings = how.pop("holdings", str(plan.parent / "holdings.gpkg"))
    return run_batch(plan, out, holdings=holdings, how=How(**how), **words)


def statuses(result):
    """Status by holding."""
    return {row.holding.label: row.status for row in result.rows}


def seen(traps):
    """How often each holding was worked on."""
    return sorted(path.name.rpartition(".")[0].rpartition(".")[0] for path in traps.glob("*.seen"))


def forget(traps):
    """Let nothing have been seen."""
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
            rasterio.open(result.catchment / "rasters" / f"{name}.tif") as mosaic,
        ):
            expected = np.where(inside, data.read(), data.nodata).astype(data.dtypes[0])
            assert mosaic.descriptions == data.descriptions and mosaic.tags() == data.tags()
            np.testing.assert_array_equal(mosaic.read(), expected[:, *box], err_msg=name)
    zones = gpd.read_file(result.catchment / "catchment.gpkg", layer="shelter_zones")
    assert {*zones["holding_id"]} <= {*TOP}
    belts = gpd.read_file(result.catchment / "catchment.gpkg", layer="belts")
    assert len(belts) == 2, "belts in the margins of several holdings come once"
    table = holdings_of(tmp_path / "out")
    assert table["sheltered_in_leaf_ha"].notna().all() and table["exposed_share"].notna().all()
    assert table["rank"].isna().all(), "no rank without siting"


def test_the_second_time_nothing_is_run(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    assert go(plan, tmp_path / "out").exit_code == 0
    first = results(tmp_path / "out")
    assert seen(traps) == sorted(TOP)
    forget(traps)
    assert go(plan, tmp_path / "out").exit_code == 0
    assert seen(traps) == [] and results(tmp_path / "out") == first
    assert not leftovers(tmp_path) and not leftovers(tmp_path / "out")


def test_the_same_elsewhere_is_the_same_bytes(tmp_path):
    for name in ("one", "other"):
        plan, _ = toy_catchment(tmp_path / name / "in")
        text = plan.read_text().replace(str(tmp_path / name), "..")
        plan.write_text(text.replace("../in/traps", "traps"))
        go(plan, tmp_path / name / "out")
    assert results(tmp_path / "one" / "out") == results(tmp_path / "other" / "out")


def test_what_was_cut_or_belongs_to_other_inputs_is_run_again(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    result = go(plan, tmp_path / "out")
    good = results(tmp_path / "out")
    forget(traps)
    folders = {
        row.holding.label: tmp_path / "out/holdings" / row.holding.folder for row in result.rows
    }
    raster = folders["h-2"] / "rasters" / "topex.tif"
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


def test_one_fault_never_stops_the_rest(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    (traps / "h-1.break").touch()
    (traps / "h-3.refuse").touch()
    told = []
    result = go(plan, tmp_path / "out", progress=told.append)
    assert result.exit_code == 5
    assert statuses(result) == {"h-1": "failed", "h-2": "done", "h-3": "failed"}
    assert [e["holding"] for e in told if e["event"] == "holding-failed"] == ["h-3", "h-1"]
    table = holdings_of(tmp_path / "out")
    assert table.loc["h-1", "error"].startswith("internal: ")
    assert "the toy broke" in table.loc["h-1", "error"]
    assert table.loc["h-3", "error"].startswith("layer-empty: ")
    assert table.loc["h-2", "error"] in ("", None)
    # A fault of ours may pass; inputs that were refused would be refused again.
    for trap in traps.glob("h-*"):
        trap.unlink()
    assert statuses(go(plan, tmp_path / "out"))["h-1"] == "done"
    assert seen(traps) == ["h-1"]
    result = go(plan, tmp_path / "out", retry_failed=True)
    assert result.exit_code == 0 and not failures_of(tmp_path / "out")
    plan, _ = toy_catchment(tmp_path / "in")
    unbroken = go(plan, tmp_path / "unbroken")
    assert unbroken.exit_code == 0 and results(tmp_path / "unbroken") == results(tmp_path / "out")


def test_only_some_and_a_name_nobody_bears(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in", name=["low", "mid", "top"])
    result = go(plan, tmp_path / "out", only=("mid", "h-3"))
    assert statuses(result) == {"h-1": "not run", "h-2": "done", "h-3": "done"}
    assert result.exit_code == 0 and seen(traps) == ["h-2", "h-3"]
    assert holdings_of(tmp_path / "out").loc["h-1", "status"] == "not run"
    with pytest.raises(InputError) as caught:
        go(plan, tmp_path / "out", only=("h-33",))
    assert caught.value.code == "name-unknown" and "h-3" in caught.value.mend


def test_a_dry_run_tells_and_writes_nothing(tmp_path, capsys):
    plan, traps = toy_catchment(tmp_path / "in")
    holdings = str(tmp_path / "in" / "holdings.gpkg")
    before = sorted(tmp_path.rglob("*"))
    words = ["batch", plan, "--holdings", holdings, "--out", tmp_path / "out", "--dry-run"]
    assert call([*words, "--json"]) == 0
    (told,) = events(capsys.readouterr().out)
    assert [row["runs"] for row in told["holdings"]] == [True] * 3
    assert all(row["cells"] > 0 and row["memory_mib"] > 0 for row in told["holdings"])
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


ODD = {
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


def test_odd_holdings_each_come_to_their_own(tmp_path):
    plan, _ = toy_catchment(tmp_path / "in")
    ids = [*ODD, "plain", "plain", "", "no outline", "a line", "flat"]
    outlines = [
        *ODD.values(),
        square(20, 20, 8, 8),
        square(21, 20, 8, 8),
        square(48, 18, 5, 5),
        None,
        shapely.LineString([(388_010, 6_123_900), (388_100, 6_123_900)]),
        shapely.Polygon([(388_010, 6_123_900), (388_100, 6_123_900), (388_050, 6_123_900)]),
    ]
    path = write_holdings(tmp_path / "in" / "odd.gpkg", outlines, ids)
    result = go(plan, tmp_path / "out", holdings=str(path))
    bad = {"off the map", "smaller than a cell", "no outline", "a line", "flat"}
    for row in result.rows:
        expected = "failed" if row.holding.holding_id in bad else "done"
        assert row.status == expected, row
        assert (row.error or {}).get("code") == ("holding-bad" if expected == "failed" else None)
    folders = [row.holding.folder for row in result.rows]
    assert len({f.lower() for f in folders}) == len(ids), "no two share a folder"
    assert all(f.isascii() and not {*f} & {*'/\\:*?"<>|. \n'} and len(f) < 70 for f in folders)
    assert sorted(p.name for p in (tmp_path / "out" / "holdings").iterdir()) == sorted(
        row.holding.folder for row in result.rows if row.status == "done"
    )
    assert not (tmp_path / "away").exists() and not (tmp_path.parent / "away").exists()
    table = gpd.read_file(result.catchment / "catchment.gpkg", layer="holdings")
    kept = ["linebreaktab" if text.startswith("line\n") else text for text in ids]
    assert list(table["holding_id"].fillna("")) == kept
    text = pd.read_csv(result.catchment / "tables" / "holdings.csv", keep_default_na=False)
    assert text["holding_id"][10].lstrip("'") == "=1+1" and text["holding_id"][10] != "=1+1"
    assert (result.catchment / "preview-holdings.png").is_file() is False, "no figure, no map"


def test_overlapping_holdings_agree_where_they_meet(tmp_path):
    plan = catchment(tmp_path / "in")
    outlines = [square(20, 20, 12, 12), square(25, 26, 14, 12)]
    write_holdings(tmp_path / "in" / "two.gpkg", outlines, ["a", "b"])
    result = go(plan, tmp_path / "out", holdings=str(tmp_path / "in" / "two.gpkg"))
    parts = [tmp_path / "out" / "holdings" / row.holding.folder for row in result.rows]
    for name in ("topex", "weighted_horizon", "open_wind", "relative_wind", "site_wind"):
        with (
            rasterio.open(parts[0] / f"rasters/{name}.tif") as a,
            rasterio.open(parts[1] / f"rasters/{name}.tif") as b,
        ):
            # Rows 25 to 32 and columns 26 to 32 lie in both.
            np.testing.assert_array_equal(a.read()[:, 5:12, 6:12], b.read()[:, :7, :6])


def test_the_order_of_the_layer_plays_no_part_in_folders(tmp_path):
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


def test_two_batches_on_one_folder(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    with BatchFolder(tmp_path / "out").held():
        with pytest.raises(WriteError) as caught:
            go(plan, tmp_path / "out")
        assert caught.value.code == "output-busy" and not seen(traps)
    assert go(plan, tmp_path / "out").exit_code == 0


def test_a_folder_of_something_else_is_left_alone(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("years of work")
    with pytest.raises(WriteError) as caught:
        go(plan, tmp_path / "out")
    assert caught.value.code == "output-strangers" and not seen(traps)
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["thesis.txt"]


def test_a_holding_whose_folder_cannot_be_written(tmp_path):
    plan, _ = toy_catchment(tmp_path / "in")
    go(plan, tmp_path / "unbroken")
    folder = next((tmp_path / "unbroken" / "holdings").glob("h-2-*")).name
    blocked = tmp_path / "out" / "holdings" / folder
    with BatchFolder(tmp_path / "out").held():
        blocked.write_text("a file where the folder should go")
    result = go(plan, tmp_path / "out")
    assert result.exit_code == 5 and statuses(result)["h-2"] == "failed"
    assert failures_of(tmp_path / "out") == {folder: "output-protected"}
    blocked.unlink()
    assert go(plan, tmp_path / "out").exit_code == 0, "such a failure is tried again unasked"
    assert results(tmp_path / "out") == results(tmp_path / "unbroken")


def test_asked_to_stop_it_stops_and_goes_on(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    asked = []

    def after_one():
        return 2 if seen(traps) else 0

    with pytest.raises(Stopped):
        go(plan, tmp_path / "out", progress=asked.append, cancelled=after_one)
    assert len(seen(traps)) == 1 and not (tmp_path / "out" / "catchment").exists()
    assert not leftovers(tmp_path)
    go(plan, tmp_path / "out")
    assert sorted({*seen(traps)}) == sorted(TOP) and len(seen(traps)) == 3
    go(plan, tmp_path / "unbroken")
    assert results(tmp_path / "out") == results(tmp_path / "unbroken")


def test_a_merge_broken_off_leaves_the_old_one_whole(tmp_path, monkeypatch):
    plan, _ = toy_catchment(tmp_path / "in")
    go(plan, tmp_path / "out", only=("h-1",))
    before = {p: m for p, m in results(tmp_path / "out").items() if p.startswith("catchment")}

    def fails(*_):
        raise OSError(28, os.strerror(28))

    with monkeypatch.context() as patched:
        module = importlib.import_module("shelterscape.batch.merge")
        patched.setattr(module, "write_mosaic", fails)
        with pytest.raises(WriteError) as caught:
            go(plan, tmp_path / "out")
    assert caught.value.code == "output-unwritable" and caught.value.value == os.strerror(28)
    after = {p: m for p, m in results(tmp_path / "out").items() if p.startswith("catchment")}
    assert after == before and not leftovers(tmp_path / "out")
    assert go(plan, tmp_path / "out").exit_code == 0
    go(plan, tmp_path / "unbroken")
    assert results(tmp_path / "out") == results(tmp_path / "unbroken")


def test_inputs_that_change_on_the_way_are_noticed(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")

    def change(event):
        if event.get("text", "").startswith("1 of 3"):
            write_dem(tmp_path / "in" / "dem.tif")

    result = go(plan, tmp_path / "out", progress=change)
    assert result.exit_code == 5 and len(seen(traps)) == 1
    assert {*failures_of(tmp_path / "out").values()} == {"shared-missing"}
    # The same bytes were written: what was done counts, the others are done now.
    assert go(plan, tmp_path / "out").exit_code == 0 and len(seen(traps)) == 3


def test_steps_on_two_terrain_models_are_refused(tmp_path):
    plan = catchment(tmp_path / "in")
    write_dem(tmp_path / "in" / "other.tif")
    plan.write_text(plan.read_text() + 'dem = "other.tif"\n', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        go(plan, tmp_path / "out")
    assert caught.value.code == "plan-bad" and not (tmp_path / "out").exists()


def test_words_of_the_command(tmp_path, capsys):
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
    told = events(capsys.readouterr().out)
    assert told[-1]["event"] == "result"
    assert [(h["status"], h["code"]) for h in told[-1]["holdings"]] == [
        ("done", ""),
        ("failed", "layer-empty"),
        ("done", ""),
    ]
    assert call(["batch", plan, "--out", out, "--holdings", holdings]) == 5
    assert "2 done, 1 failed" in capsys.readouterr().err


def test_tiles_make_the_whole(tmp_path):
    plan, _ = toy_catchment(tmp_path / "in")
    big = np.random.default_rng(3).uniform(1, 90, (150, 100)).astype("f4")
    with rasterio.open(tmp_path / "in" / "dem.tif") as data:
        profile = data.profile | {"height": 150, "width": 100}
    with rasterio.open(tmp_path / "in" / "dem.tif", "w", **profile) as data:
        data.write(big, 1)
    result = run_batch(plan, tmp_path / "out", tiles=64)
    assert result.exit_code == 0 and len(result.rows) == 6
    with rasterio.open(result.catchment / "rasters" / "topex.tif") as data:
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


def test_ranks_go_by_need_met_per_cost():
    need = pd.Series([4.0, 1.0, np.nan, 3.0, 0.0, 2.0])
    cost = pd.Series([2000.0, 500.0, 100.0, np.nan, 10.0, 0.0])
    # 2 per thousand twice; not known twice; nothing met; something at no cost.
    assert figures.ranks(need, cost).fillna(0).tolist() == [2, 2, 0, 0, 0, 1]


def test_figures_are_those_the_steps_recorded(tmp_path):
    steps = [{"figures": {"chosen_m": 200.0, "cost_minor": None}}, {"figures": {"payment": 110.0}}]
    text = json.dumps({"program": PROGRAM, "steps": steps})
    (tmp_path / "record.json").write_text(text, encoding="utf-8")
    assert figures.figures_of(tmp_path) == {"chosen_m": 200.0, "cost_minor": None, "payment": 110.0}
    assert figures.figures_of(tmp_path / "none") == {}


def test_figures_of_siting():
    chosen = pd.DataFrame({"length_m": [120.0, 80.0], "cost_minor": [50_000, 30_000]})
    candidates = pd.DataFrame({"candidate": ["c-7", "c-9", "c-3"]})
    exact = {case: SimpleNamespace(own_ha=ha) for case, ha in (("a", 1.0), ("b", 2.0))}
    own = SimpleNamespace(total=np.array([0.5, 1.25, 0.0]))
    results = SimpleNamespace(
        layers={"chosen_belts": chosen},
        lines=SimpleNamespace(candidates=candidates),
        decision=SimpleNamespace(own=own, exact=exact),
    )
    assert siting_summary._figures(results) == {
        "best_candidates": "c-9 (1.25 ha), c-7 (0.50 ha)",
        "chosen_m": 200.0,
        "cost_minor": 80_000.0,
        "need_met_ha": 1.5,
    }
    results.layers["chosen_belts"] = chosen.assign(cost_minor=[50_000, None])
    assert siting_summary._figures(results)["cost_minor"] is None


def test_payments_are_those_of_belts_of_the_holding():
    table = pd.DataFrame(
        {
            "holding_id": ["h-1", "h-1", "h-1", "h-2", "h-2"],
            "scheme": ["a", "b", "b", "a", "b"],
            "payment_minor": [70, 50, 60, 900, 90],
        }
    )

    def payment(holding_id, chosen_here=False, table=table):
        data = SimpleNamespace(holding_id=holding_id, chosen_here=chosen_here)
        results = SimpleNamespace(data=data, tables={"grant_by_holding": table})
        return grant_summary._payment(results)

    assert payment("h-9") == 0
    assert payment("") is None
    assert payment("h-1") == 110
    # Belts of no holding are its own only where an earlier step chose them on it.
    nameless = table.assign(holding_id="")
    assert payment("h-1", table=nameless) is None
    assert payment("h-1", chosen_here=True, table=nameless) == 970


@pytest.mark.parametrize("empty", [("h-2",), tuple(TOP)])
def test_layers_without_features_are_put_together_too(tmp_path, empty):
    plan, traps = toy_catchment(tmp_path / "in")
    for name in empty:
        (traps / f"{name}.empty").touch()
    result = go(plan, tmp_path / "out")
    assert result.exit_code == 0
    found = gpd.read_file(result.catchment / "catchment.gpkg", layer="not_modelled")
    assert list(found["holding_id"]) == [name for name in TOP if name not in empty]


def test_a_failure_is_kept_with_its_whole_error(tmp_path):
    plan, traps = toy_catchment(tmp_path / "in")
    (traps / "h-1.refuse").touch()
    go(plan, tmp_path / "out")
    (path,) = (tmp_path / "out" / "failures").glob("*.json")
    told = json.loads(path.read_text())
    assert told["exit_code"] == 3 and {*told["error"]} == {"code", "what", "where", "value", "mend"}
