"""Benefit that saturates: against hand counts, all sets, and the wind on the ground."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from rasterio.features import rasterize
from run_helpers import CRS as MAP_CRS
from run_helpers import NORTH, WEST, project
from siting_helpers import CRS, GRID, LEAF, belts, candidates, every_set, seeded_lines, winds

import shelterscape
from shelterscape.errors import InputError
from shelterscape.kernels.ray_cells import added_sums
from shelterscape.science.places import complete, coverage, stock_need_m2
from shelterscape.science.siting.budgets import Limits
from shelterscape.science.siting.choice import choose
from shelterscape.science.siting.context import evaluation_context, priority_by_purpose
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.place_cover import PlaceGround, restoration_losses
from shelterscape.science.siting.place_terms import STOCK_MARGIN, STOCK_WORTH, stock_terms
from shelterscape.science.siting.sampled_wind import wind_with_existing

SLOW = pytest.mark.slow


def stock_places(boxes, head, purpose="outwintering stock", **more):
    shapes = [shapely.box(*box) for box in boxes]
    frame = gpd.GeoDataFrame({"purpose": purpose, "head": head, **more}, geometry=shapes, crs=CRS)
    return complete(frame, "places")[0]


def world(places, new, existing=None, wind_set=None):
    """An evaluation context, candidates, and the cover of the stock."""
    there = belts([], 8.0) if existing is None else existing
    priority = priority_by_purpose(places, coverage(places, GRID), GRID)
    context = evaluation_context(GRID, LEAF, wind_set or winds(), there, priority, places=places)
    ground = Ground(context, new)
    here = PlaceGround(context, stock_terms(context))
    return context, ground, here, here.expected(here.cells(ground.frame), ground.frame)


def worth_on_the_ground(context, ground, rows, places):
    """Value of a set, counted from the relative wind on every cell."""
    for row in rows:
        ground.plant(row)
    covered, total = coverage(places, GRID), 0.0
    for i, need in enumerate(stock_need_m2(places)):
        part = slice(covered.first[i], covered.first[i + 1])
        cells, share = covered.cell[part], covered.share[part].astype(float)
        area_ha = share.sum() * GRID.cell_area_ha
        for d, weight in enumerate(context.weights):
            rays = ground.wind[ground.rays[1] == d].reshape(-1, GRID.shape[0] * GRID.shape[1])
            m2 = ((rays[:, cells] <= 0.6) * share * GRID.cell_m**2).sum(axis=1).mean()
            worth = STOCK_WORTH * area_ha * places["priority"].iloc[i]
            total += weight * worth * min(m2 / (STOCK_MARGIN * need), 1.0)
    for _ in rows:
        ground.remove_last()
    return total


def test_a_second_belt_adds_nothing_where_one_corner_suffices():
    """Two equal belts of 200 m across a west wind, one behind the other; 40 cattle need 92 m²."""
    places = stock_places([(200, 200, 400, 400)], [40.0])
    new = candidates(belts([[(200, 200), (200, 400)], [(300, 200), (300, 400)]], 10.0))
    _, ground, _, cover = world(places, new, wind_set=winds((270.0,), [1.0]))
    assert stock_need_m2(places)[0] == pytest.approx(40 * 2.3)
    alone = cover.gains(np.array([0, 1]))
    # 4 ha × 0.4 for sheltered ground in all winds.
    assert alone == pytest.approx([1.6, 1.6], abs=1e-6)
    assert cover.plant(0) == pytest.approx(1.6, abs=1e-6)
    assert cover.gains(np.array([1]))[0] == 0.0
    # By equivalent sheltered area the second belt adds much.
    ground.plant(0)
    assert ground.gains([1])[0] > 0.3
    cover.remove_last()
    assert cover.gains(np.array([0, 1])) == pytest.approx(alone)
    # With need for more than one belt shelters, the second adds.
    many = stock_places([(200, 200, 400, 400)], [3000.0])
    *_, hungry = world(many, new, wind_set=winds((270.0,), [1.0]))
    first = hungry.plant(0)
    assert 0 < first < 1.6
    assert 0 < hungry.gains(np.array([1]))[0] <= 1.6 - first + 1e-9


@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=SLOW), pytest.param(2, marks=SLOW)])
def test_no_set_exceeds_the_bound_where_benefit_saturates(seed):
    """All sets within the budget, counted from the wind on the ground."""
    boxes = [(80, 80, 260, 280), (300, 120, 520, 300), (150, 320, 420, 540)]
    places = stock_places(boxes, [225.0, 625.0, 100.0], priority=[1.0, 2.0, 3.0])
    new = candidates(belts(seeded_lines(7, seed + 40), 8.0))
    existing = belts(seeded_lines(2, seed + 90), 6.0)
    context, ground, _, cover = world(places, new, existing)
    metres = 0.4 * new["length_m"].sum()
    found = choose(cover, new, Limits(metres=metres), restoration_loss=np.zeros(len(new)))
    nothing = worth_on_the_ground(context, ground, (), places)
    values = {
        rows: worth_on_the_ground(context, ground, rows, places) - nothing
        for rows in every_set(new, metres)
    }
    best = max(values.values())
    assert best > 0.05
    # A cell at the limit of 0.6 may fall on either side in the two calculations.
    assert best <= found.benefit_bound_ha + 0.01 * best
    assert found.benefit_ha == pytest.approx(values[tuple(sorted(found.rows))], abs=0.01 * best)
    assert found.benefit_ha >= 0.95 * best


def test_more_belts_never_add_less_and_each_adds_less_to_more():
    """Monotone and submodular, for all pairs of small sets and lines."""
    boxes = [(80, 80, 260, 280), (300, 120, 520, 300)]
    places = stock_places(boxes, [225.0, 625.0])
    new = candidates(belts(seeded_lines(7, 11), 9.0))
    *_, cover = world(places, new)
    seen = {}
    for size in range(3):
        for rows in itertools.combinations(range(len(new)), size):
            for row in rows:
                cover.plant(row)
            seen[frozenset(rows)] = cover.gains(np.arange(len(new)))
            for _ in rows:
                cover.remove_last()
    assert max(gain.max() for gain in seen.values()) > 0.05
    for rows, gain in seen.items():
        assert (gain >= 0).all()
        for less in itertools.chain.from_iterable(
            itertools.combinations(sorted(rows), k) for k in range(len(rows))
        ):
            assert (gain <= seen[frozenset(less)] + 1e-9).all()


def test_a_restoration_that_removes_the_only_shelter_loses_it():
    """A cut belt (height 0.3 m) in place of the one that gives the corner."""
    places = stock_places([(200, 200, 400, 400)], [40.0])
    line = [(200, 200), (200, 400)]
    new = candidates(belts([line, line], [0.3, 10.0]), restores_belt=["0", "0"])
    existing = belts([line], 9.0)
    _, ground, here, _ = world(places, new, existing, winds((270.0,), [1.0]))
    loss = restoration_losses(here, here.cells(ground.frame), new, ground.frame)
    assert loss == pytest.approx([1.6, 0.0], abs=1e-6)


@pytest.mark.slow
def test_the_fewest_metres_regard_the_working_land(tmp_path):
    """Three lines that give the corner: across the field, along its edge, and a short one there."""
    given = project(tmp_path / "in")
    maps, west, south = str(tmp_path / "in" / "maps.gpkg"), WEST + 200, NORTH - 600
    upright = [(150.0, 50.0, 200.0), (3.5, 50.0, 250.0), (3.5, 260.0, 300.0)]
    lines = [shapely.LineString([(west + x, south + a), (west + x, south + b)])
             for x, a, b in upright]  # fmt: skip
    square = shapely.box(west, south, west + 300, south + 300)
    field = {"name": ["field"], "purpose": ["outwintering stock"], "head": [20]}
    for layer, frame in (
        ("places", gpd.GeoDataFrame(field, geometry=[square], crs=MAP_CRS)),
        ("parcels", gpd.GeoDataFrame({"parcel_id": ["p"]}, geometry=[square], crs=MAP_CRS)),
        ("lines", gpd.GeoDataFrame({"name": ["a", "b", "c"]}, geometry=lines, crs=MAP_CRS)),
    ):
        frame.to_file(maps, layer=layer, driver="GPKG")
    inputs = {"dem": given["dem"], "winds": "270", "purpose": "outwintering stock",
              "aim": "fewest metres", "candidate_types": ["drawn"], "planting_year": 2027,
              "monte_carlo_runs": 0}  # fmt: skip
    inputs |= {"places": f"{maps}:places", "parcels": f"{maps}:parcels"}
    inputs |= {"candidate_lines": f"{maps}:lines"}
    without = {"boundary_preference": 0.0, "land_weight": 0.0}
    found = {}
    for number, more in enumerate(({}, without, {**without, "allow_short": True})):
        out = tmp_path / f"out{number}"
        shelterscape.siting(**inputs, **more, out=out)
        chosen = gpd.read_file(out / "layers.gpkg", layer="chosen_belts")
        found[number] = chosen["name"].tolist()
    assert found == {0: ["b"], 1: ["a"], 2: ["c"]}
    summary = " ".join((tmp_path / "out0" / "summary.txt").read_text().split())
    assert "less than 40 m; without regard to the working land 40 m are enough" in summary
    assert "this set needs 200 m" in summary
    assert "100 % of the length follows boundaries" in summary


@pytest.mark.slow
def test_the_process_counts_stock_by_sufficient_ground(tmp_path):
    """One field, two drawn belts across the only wind: the second adds nothing."""
    given = project(tmp_path / "in")
    maps, west, south = str(tmp_path / "in" / "maps.gpkg"), WEST + 200, NORTH - 500
    lines = [shapely.LineString([(west + x, south), (west + x, south + 200)]) for x in (0, 100)]
    field = gpd.GeoDataFrame(
        {"name": ["field"], "purpose": ["outwintering stock"], "head": [40]},
        geometry=[shapely.box(west, south, west + 200, south + 200)],
        crs=MAP_CRS,
    )
    field.to_file(maps, layer="places", driver="GPKG")
    drawn = gpd.GeoDataFrame({"name": ["a", "b"]}, geometry=lines, crs=MAP_CRS)
    drawn.to_file(maps, layer="lines", driver="GPKG")
    inputs = {
        "dem": given["dem"],
        "winds": "270",
        "places": f"{maps}:places",
        "candidate_lines": f"{maps}:lines",
        "candidate_types": ["drawn"],
        "purpose": "outwintering stock",
        "planting_year": 2027,
        "budget_m": 450,
        "monte_carlo_runs": 3,
    }
    counts = {}
    for how in ("whole area", "sufficient ground"):
        out = tmp_path / how
        shelterscape.siting(**inputs, stock_benefit=how, out=out)
        chosen = gpd.read_file(out / "layers.gpkg", layer="chosen_belts")
        counts[how] = len(chosen)
    assert counts == {"whole area": 2, "sufficient ground": 1}
    assert chosen["benefit_added_ha"].iloc[0] == pytest.approx(1.6, abs=0.01)
    assert chosen["selection_share"].iloc[0] > 0
    table = pd.read_csv(out / "tables" / "stock_ground.csv")
    assert len(table) == 1
    assert table["stock_ground_m2"].iloc[0] == 2.3
    # Ground with relative wind of at most 0.6 on the written map, divided by 40 animals.
    with rasterio.open(out / "rasters" / "relative_wind_with_belts.tif") as file:
        calm = (file.read(1) <= 0.6) & rasterize(
            field.geometry, file.shape, transform=file.transform, dtype="uint8"
        ).astype(bool)
        per_head = calm.sum() * file.res[0] ** 2 / 40
    assert table["sheltered_per_head_m2"].iloc[0] == pytest.approx(per_head, rel=0.05)
    assert table["sheltered_per_head_without_m2"].iloc[0] < 0.1 * per_head
    # The fewest metres: one line, and the bound is its length.
    least = inputs | {"aim": "fewest metres", "budget_m": None}
    shelterscape.siting(**least, out=tmp_path / "least")
    layers = tmp_path / "least" / "layers.gpkg"
    (belt,) = gpd.read_file(layers, layer="chosen_belts").itertuples()
    assert belt.length_m == pytest.approx(200.0)
    assert belt.places_lost_without == "field"
    # The other belt would do the same.
    assert {belt.candidate, belt.best_alternative} == {"D0001", "D0002"}
    assert belt.alternative_benefit_ha == pytest.approx(belt.benefit_lost_without_ha)
    # Either of two equal belts is enough: one of them is chosen in each run.
    shares = gpd.read_file(layers, layer="candidates")["selection_share"]
    assert shares.sum() == pytest.approx(1.0, abs=0.01)
    reached = gpd.read_file(layers, layer="places_with_belts")
    assert reached["reaches_target"].tolist() == ["yes"]
    assert reached["reaches_target_without"].tolist() == ["no"]
    summary = " ".join((tmp_path / "least" / "summary.txt").read_text().split())
    assert "1 of 1 places reach their target (0 without new belts)" in summary
    assert "without it field is below its target" in summary
    assert "in 3 Monte Carlo runs" in summary
    assert "needs less than 200 m; without regard to the working land 200 m" in summary
    with pytest.raises(InputError, match="leave budgets and phases out"):
        shelterscape.siting(**inputs, aim="least money", out=tmp_path / "refused")


def test_sums_that_lines_add_equal_those_of_numpy_to_the_last_bit():
    rng = np.random.default_rng(4)
    for _ in range(20):
        pairs, lines, groups = rng.integers(1, [400, 9, 12])
        first = np.r_[0, np.sort(rng.integers(0, 300, lines))].astype(np.int64)
        pair = rng.integers(0, pairs, first[-1]).astype(np.int32)
        lowered_worth = rng.random(first[-1], dtype=np.float32)
        worth = rng.random(pairs, dtype=np.float32)
        unit, group = rng.random(pairs), rng.integers(0, groups, pairs)
        which = rng.permutation(lines)
        out = np.full((lines, groups), np.nan)
        added_sums(which, first, pair, lowered_worth, worth, unit, group, out)
        for one, found in zip(which, out, strict=True):
            slot = slice(first[one], first[one + 1])
            at, higher = pair[slot], lowered_worth[slot] > worth[pair[slot]]
            more = unit[at] * lowered_worth[slot] - unit[at] * worth[at]
            expected = np.bincount(group[at][higher], more[higher], groups)
            np.testing.assert_array_equal(found, expected)


def test_a_direction_without_wind_counts_as_one_with_almost_none():
    """A wind set may have a direction from which no wind came."""
    places, new = stock_places([(80, 80, 240, 240)], [300]), candidates(belts(seeded_lines(3, 70)))
    gains = []
    for least in (0.0, 1e-12):
        *_, cover = world(places, new, wind_set=winds(frequency=[least, 0.3, 0.5, 0.2]))
        gains.append(cover.gains(range(len(new))))
    assert gains[0].max() > 0
    assert gains[0] == pytest.approx(gains[1])


def test_without_one_of_several_close_belts_the_wind_is_that_of_the_others():
    """Belts 15 m apart act as one; without one of them its neighbours act as if it never were."""
    lines = [[(100.0 + 15.0 * n, 100.0), (100.0 + 15.0 * n, 300.0)] for n in range(3)]
    there, new = belts(lines, 8.0, 0.4), candidates(belts(seeded_lines(1, 70)))
    places = stock_places([(80, 80, 400, 240)], [300])
    _, ground, here, _ = world(places, new, there)
    cells = here.cells(ground.frame)
    assert len(cells.chains.members) > 2
    for gone in range(3):
        context, other, fewer, _ = world(places, new, there.drop(index=gone).reset_index(drop=True))
        found = here.wind_without(cells, gone)
        expected = wind_with_existing(
            fewer.cells(other.frame), fewer.curve_tables, context.belts, context.options
        )
        np.testing.assert_array_equal(found, expected)
