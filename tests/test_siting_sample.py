"""The choice of `siting` on the sample, as a planner sees it: along boundaries, at what loss."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

SAMPLE = Path(__file__).parent.parent / "sample_gis" / "ostrel.gpkg"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def figures(demo):
    (step,) = [one for one in demo.record["steps"] if one["process"] == "siting"]
    return step["figures"]


@pytest.fixture(scope="module")
def chosen(demo):
    return gpd.read_file(demo.folder / "layers.gpkg", layer="chosen_belts")


def test_the_choice_follows_boundaries_for_most_of_its_length(figures, chosen):
    """By points along the belts: their face is at most 5 m from a boundary, belt or wood."""
    layers = {name: gpd.read_file(SAMPLE, layer=name) for name in ("parcels", "belts", "woods")}
    lines = [shapely.boundary(layers[name].geometry.to_numpy()) for name in ("parcels", "woods")]
    tree = shapely.STRtree(np.concatenate([*lines, layers["belts"].geometry.to_numpy()]))
    near, count = 0, 0
    for belt in chosen.itertuples():
        along = np.arange(0.25, belt.geometry.length, 0.5)
        points = shapely.line_interpolate_point(shapely.line_merge(belt.geometry), along)
        found = tree.query(points, predicate="dwithin", distance=belt.width_m / 2 + 5.0)[0]
        near, count = near + len(np.unique(found)), count + len(points)
    assert figures["chosen_boundary_share"] == pytest.approx(near / count, abs=0.01)
    assert near / count >= 0.80


def test_the_loss_of_benefit_is_stated(demo, figures):
    """By shelter alone, the version before the working land counted found 16.4 ha eq."""
    alone, found = figures["shelter_alone_benefit_ha"], figures["chosen_benefit_ha"]
    assert alone >= 16.3
    assert figures["benefit_given_up_share"] == pytest.approx(1 - found / alone)
    text = " ".join((demo.folder / "summary.txt").read_text(encoding="utf-8").split())
    stated = f"of the {alone:.1f} ha eq. by shelter alone the choice adds {found:.1f}"
    assert f"{stated}: {100 * (1 - found / alone):.0f} % given up for the working land" in text


@pytest.mark.xfail(
    strict=True,
    reason="30 % is given up. With the growth of siting 3.0.0 and at most a fifth of the length "
    "across fields, no set of these candidates added more than 12.7 of 16.4 ha eq. (upper bound).",
)
def test_the_loss_of_benefit_is_at_most_a_fifth(figures):
    assert figures["benefit_given_up_share"] <= 0.20


def test_chosen_belts_are_no_stubs_and_none_is_beside_another(chosen):
    new = chosen[chosen["action"] == "plant"]
    assert (new["continuous_length_m"] >= 10 * new["height_at_20_years_m"] - 0.5).all()
    for belt in new.itertuples():
        others = new[new["candidate"] != belt.candidate]
        strips = shapely.buffer(others.geometry.to_numpy(), 15.0, cap_style="flat")
        beside = belt.geometry.intersection(shapely.union_all(strips)).length
        assert beside < 0.5 * belt.geometry.length
