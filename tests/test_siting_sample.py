"""The choice of `siting` on the sample, as a planner sees it: along boundaries, at what loss."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import shelterscape

SAMPLE = Path(__file__).parent.parent / "sample_gis" / "ostrel.gpkg"

pytestmark = pytest.mark.slow


def siting_figures(result):
    (step,) = [one for one in result.record["steps"] if one["process"] == "siting"]
    return step["figures"]


@pytest.fixture(scope="module")
def figures(demo):
    return siting_figures(demo)


@pytest.fixture(scope="module")
def chosen(demo):
    return gpd.read_file(demo.folder / "layers.gpkg", layer="chosen_belts")


@pytest.fixture(scope="module")
def whole_area(tmp_path_factory):
    """The same plan where the whole area of stock places counts, without other steps."""
    there = tmp_path_factory.mktemp("whole") / "sample"
    shutil.copytree(SAMPLE.parent, there)
    head, *steps = (there / "plan.toml").read_text(encoding="utf-8").split("[[step]]")
    kept = [one for one in steps if 'process = "wind-set"' in one or 'process = "siting"' in one]
    kept[1] += 'stock_benefit = "whole area"\n'
    text = "[[step]]".join([head, *kept]).replace("monte_carlo_runs = 10", "monte_carlo_runs = 0")
    (there / "plan.toml").write_text(text, encoding="utf-8")
    return shelterscape.run_plan(there / "plan.toml", out=there.parent / "out")


def along_boundaries(chosen):
    """Share of the length by points: their face is at most 5 m from a boundary, belt or wood."""
    layers = {name: gpd.read_file(SAMPLE, layer=name) for name in ("parcels", "belts", "woods")}
    lines = [shapely.boundary(layers[name].geometry.to_numpy()) for name in ("parcels", "woods")]
    tree = shapely.STRtree(np.concatenate([*lines, layers["belts"].geometry.to_numpy()]))
    near, count = 0, 0
    for belt in chosen.itertuples():
        along = np.arange(0.25, belt.geometry.length, 0.5)
        points = shapely.line_interpolate_point(shapely.line_merge(belt.geometry), along)
        found = tree.query(points, predicate="dwithin", distance=belt.width_m / 2 + 5.0)[0]
        near, count = near + len(np.unique(found)), count + len(points)
    return near / count


def test_the_choice_follows_boundaries_for_most_of_its_length(whole_area):
    chosen = gpd.read_file(whole_area.folder / "layers.gpkg", layer="chosen_belts")
    share = along_boundaries(chosen)
    assert siting_figures(whole_area)["chosen_boundary_share"] == pytest.approx(share, abs=0.01)
    assert share >= 0.80


def test_belts_that_are_not_required_follow_boundaries(figures, chosen):
    """The planner requires one line across a field, D0001; all others are free."""
    assert figures["chosen_boundary_share"] == pytest.approx(along_boundaries(chosen), abs=0.01)
    free = chosen[chosen["candidate"] != "D0001"]
    assert len(free) < len(chosen)
    assert along_boundaries(free) >= 0.80


@pytest.mark.xfail(
    strict=True,
    reason="Of 893 m, 284 m are a line across a field that the planner requires. Benefit "
    "saturates, so that few more belts are planted: 70 % of the length follows boundaries.",
)
def test_the_default_choice_follows_boundaries_for_most_of_its_length(chosen):
    assert along_boundaries(chosen) >= 0.80


def test_the_loss_of_benefit_is_stated(whole_area):
    """By shelter alone, the version before the working land counted found 16.4 ha eq."""
    figures = siting_figures(whole_area)
    alone, found = figures["shelter_alone_benefit_ha"], figures["chosen_benefit_ha"]
    assert alone >= 16.3
    assert figures["benefit_given_up_share"] == pytest.approx(1 - found / alone)
    text = " ".join((whole_area.folder / "summary.txt").read_text(encoding="utf-8").split())
    stated = f"of the {alone:.1f} ha eq. by shelter alone the choice adds {found:.1f}"
    assert f"{stated}: {100 * (1 - found / alone):.0f} % given up for the working land" in text


@pytest.mark.xfail(
    strict=True,
    reason="30 % is given up. With the growth of siting 3.0.0 and at most a fifth of the length "
    "across fields, no set of these candidates added more than 12.7 of 16.4 ha eq. (upper bound).",
)
def test_the_loss_of_benefit_on_the_whole_area_is_at_most_a_fifth(whole_area):
    assert siting_figures(whole_area)["benefit_given_up_share"] <= 0.20


def test_the_loss_of_benefit_is_at_most_a_fifth(figures):
    assert figures["benefit_given_up_share"] <= 0.20


def test_sufficient_ground_reaches_as_many_targets_with_fewer_metres(demo, whole_area):
    """Both within 2,000 m: all four lambing fields have a corner for all ewes."""
    reached, metres = {}, {}
    for name, result in (("default", demo), ("whole area", whole_area)):
        layers = result.folder / "layers.gpkg"
        places = gpd.read_file(layers, layer="places_with_belts")
        reached[name] = (places["corner_time_share"] >= 0.9).sum()
        metres[name] = gpd.read_file(layers, layer="chosen_belts").geometry.length.sum()
    assert reached == {"default": 4, "whole area": 4}
    assert metres["default"] < 0.5 * metres["whole area"]


def test_belts_with_little_benefit_for_their_cost_are_named(demo, chosen):
    """Less than a fifth of the share of the cost; the required line and those of targets are not
    named. The planner can leave them out."""
    (step,) = [one for one in demo.record["steps"] if one["process"] == "siting"]
    (text,) = [line for line in step["answer"] if line.startswith("Little benefit for the cost")]
    total = chosen["cumulative_benefit_ha"].max()
    benefit = chosen["benefit_lost_without_ha"] / total
    little = benefit < 0.2 * chosen["cost"] / chosen["cost"].sum()
    spared = chosen["places_lost_without"].fillna("") == ""
    assert 0 < (little & spared).sum() < len(chosen)
    for name, cost, named in zip(chosen["candidate"], chosen["cost"], little & spared, strict=True):
        assert (f"{name} ({cost:,.2f} EUR)" in text) == named
    stated = float(text.split("falls by ")[1].split(" %")[0])
    assert stated == pytest.approx(100 * benefit[little & spared].max(), abs=0.051)


def test_chosen_belts_are_no_stubs_and_none_is_beside_another(chosen):
    new = chosen[chosen["action"] == "plant"]
    assert (new["continuous_length_m"] >= 10 * new["height_at_20_years_m"] - 0.5).all()
    for belt in new.itertuples():
        others = new[new["candidate"] != belt.candidate]
        strips = shapely.buffer(others.geometry.to_numpy(), 15.0, cap_style="flat")
        beside = belt.geometry.intersection(shapely.union_all(strips)).length
        assert beside < 0.5 * belt.geometry.length


@pytest.mark.parametrize("budget", ["20000", "60000"])
def test_the_bound_net_of_grant_is_near_the_best_set_by_shelter_alone(budget, tmp_path):
    """The inputs of the plan at two budgets; docs/siting.md has others."""
    names = ("belts", "places", "holdings", "woods", "parcels", "keep_clear")
    found = shelterscape.siting(
        **{name: f"{SAMPLE}:{name}" for name in names},
        dem=SAMPLE.parent / "dem.tif",
        winds=SAMPLE.parent / "winds.csv",
        purpose="lambing",
        stock_benefit="whole area",
        seasons=["bare"],
        years=[2047],
        water=f"{SAMPLE}:river",
        candidate_lines=f"{SAMPLE}:wished_lines",
        openings=f"{SAMPLE}:gateways",
        constraints=[f"{SAMPLE}:constraints", f"{SAMPLE}:paths"],
        designs=SAMPLE.parent / "designs.toml",
        planting_year=2027,
        budget_net=budget,
        schemes=[SAMPLE.parent / f"scheme_{name}.toml" for name in ("water_belts", "farm_shelter")],
        grant_areas=[f"{SAMPLE}:grant_areas"],
        agreements=f"{SAMPLE.parent / 'grants.gpkg'}:agreements",
        monte_carlo_runs=0,
        out=tmp_path / "out",
    )
    (step,) = found.record["steps"]
    bound = pd.read_csv(found.tables["benefit_curve"])["benefit_bound_ha"].iloc[-1]
    alone = step["figures"]["shelter_alone_benefit_ha"]
    assert 0 < alone <= bound + 0.006
    assert 1 - alone / bound <= 0.10
