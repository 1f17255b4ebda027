"""Belts traced in invented canopy with known lines, heights, widths and gaps."""

from __future__ import annotations

import functools
import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from canopy_helpers import KnownBelt, agreement, drawn, line, network, square_grid
from rasterio.features import geometry_mask

from shelterscape.science.canopy import default_threshold_m, divide, plane_roughness
from shelterscape.science.tracing.alignment import _block_percentile
from shelterscape.science.tracing.belts import HedgeLines, TraceOptions, trace
from shelterscape.science.tracing.comparison import compare, correctness

NETWORKS = [(1.0, 800, 3), (1.0, 800, 4), (2.5, 400, 3), (2.5, 400, 4), (0.5, 1000, 5)]


def traced(height, grid, **options):
    """Layers traced with the usual options."""
    threshold_m = default_threshold_m(grid.cell_m)
    canopy = divide(
        height, grid.cell_m, threshold_m=threshold_m, wood_width_m=20.0, wood_area_ha=0.5
    )
    return trace(canopy, grid, TraceOptions(threshold_m), **options)


@pytest.fixture(scope="module", params=NETWORKS, ids=lambda p: f"{p[0]}m-{p[2]}")
def case(request):
    return traced_network(*request.param)


@functools.cache
def traced_network(cell_m, cells, seed):
    """Grid, known belts and traced layers of a network."""
    grid = square_grid(cells, cell_m)
    known = network(grid, seed)
    return grid, known, traced(drawn(known, grid, seed), grid)


def test_lines_of_a_network(case):
    grid, known, layers = case
    within_m = max(1.5 * grid.cell_m, 1.0)
    lines = list(layers["traced_belts"].geometry)
    complete, correct = agreement(lines, [k.canopy for k in known], within_m)
    assert complete >= 0.95
    assert correct >= 0.95


def _samples_with_truth(case):
    """Samples away from junctions and ends, where no other belt is near, with the known belt."""
    grid, known, layers = case
    samples = layers["belt_samples"]
    tree = shapely.STRtree([k.canopy for k in known])
    away = max(12.0, 10 * grid.cell_m)
    pairs = tree.query(samples.geometry, predicate="dwithin", distance=away)
    single = np.flatnonzero(np.bincount(pairs[0], minlength=len(samples)) == 1)
    owner = dict(pairs.T.tolist())
    return samples.iloc[single], [known[owner[i]] for i in single]


def test_heights_and_widths_along_belts(case):
    """By belt away from junctions: the height within 0.5 m, the width within 1.5 cells."""
    grid = case[0]
    samples, truth = _samples_with_truth(case)
    found = {}
    for (_, sample), belt in zip(samples.iterrows(), truth, strict=True):
        found.setdefault(id(belt), (belt, []))[1].append(sample)
    compared = 0
    for belt, rows in found.values():
        if len(rows) < 3:
            continue
        compared += 1
        assert np.median([r.height_m for r in rows]) == pytest.approx(belt.height_m, abs=0.5)
        width = np.median([r.width_m for r in rows])
        assert width == pytest.approx(belt.width_m, abs=1.5 * grid.cell_m)
    assert compared >= 0.5 * len(case[1])


def test_belt_heights_of_a_network(case):
    """Of the traced length, 95 % has the height of the known belt within 0.5 m."""
    _, known, layers = case
    belts = layers["traced_belts"]
    tree = shapely.STRtree([k.canopy for k in known])
    middle = shapely.line_interpolate_point(belts.geometry.to_numpy(), 0.5, normalized=True)
    truth = np.array([known[i].height_m for i in tree.nearest(middle)])
    good = np.abs(belts["height_m"].to_numpy(float) - truth) <= 0.5
    assert belts["length_m"][good].sum() / belts["length_m"].sum() >= 0.95


def test_gaps_of_a_network(case):
    """Gaps of more than three cells, less than the longest one, are found once; no others are."""
    grid, known, layers = case
    found = layers["belt_gaps"]
    every = [(belt.line.interpolate(sum(gap) / 2), gap) for belt in known for gap in belt.gaps]
    # A gap of almost 20 m may show as one cell longer, beyond the longest gap of a row.
    sure = [(at, end - start) for at, (start, end) in every if end - start < 20.0 - grid.cell_m]
    hits = 0
    for at, length in sure:
        near = found[found.distance(at) < 2 * grid.cell_m]["gap_length_m"].tolist()
        assert near == pytest.approx([length] * len(near), abs=2 * grid.cell_m)
        hits += len(near) == 1
    assert len(sure) >= 5
    assert hits >= 0.95 * len(sure)
    middles = shapely.MultiPoint([at for at, _ in every])
    assert (found.distance(middles) < 2 * grid.cell_m).all()


def test_a_gap_is_three_empty_cells():
    grid = square_grid(200, 1.0)
    for cells in (2, 3, 5):
        belt = KnownBelt(line((1020, 2100), (1180, 2100)), 8.0, 4.0, ((79.0, 79.0 + cells),))
        layers = traced(drawn([belt], grid), grid)
        if cells < 3:
            assert len(layers["traced_belts"]) == 1
            assert not len(layers["belt_gaps"])
        else:
            assert layers["belt_gaps"]["gap_length_m"].tolist() == pytest.approx([cells], abs=1)
            assert layers["traced_belts"]["gap_count"].tolist() == [1, 1]


def test_an_empty_raster_has_no_belts():
    grid = square_grid(60, 1.0)
    for height in (np.zeros(grid.shape, np.float32), np.full(grid.shape, np.nan, np.float32)):
        layers = traced(height, grid)
        assert {name: len(frame) for name, frame in layers.items()} == dict.fromkeys(layers, 0)


def test_a_ring_around_a_field_is_traced_whole():
    grid = square_grid(200, 1.0)
    ring = KnownBelt(
        line((1050, 2050), (1150, 2050), (1150, 2150), (1050, 2150), (1050, 2050)), 6.0, 4.0
    )
    found = traced(drawn([ring], grid), grid)["traced_belts"]
    assert found["length_m"].sum() == pytest.approx(400, abs=8)


def test_turned_rasters_give_turned_lines():
    """A quarter turn changes no length and no height by more than the grid explains."""
    grid = square_grid(400, 1.0)
    height = drawn(network(grid, 7), grid)
    plain, turned = traced(height, grid), traced(np.rot90(height).copy(), grid)
    total = plain["traced_belts"]["length_m"].sum()
    assert turned["traced_belts"]["length_m"].sum() == pytest.approx(total, rel=0.01)
    medians = [np.median(f["traced_belts"]["height_m"].astype(float)) for f in (plain, turned)]
    assert medians[0] == pytest.approx(medians[1], abs=0.3)


def test_single_trees_and_specks_are_no_belts():
    grid = square_grid(300, 1.0)
    rng = np.random.default_rng(2)
    height = np.zeros(grid.shape, np.float32)
    row, col = np.indices(grid.shape)
    for r, c in ((60, 60), (60, 200), (200, 70), (220, 230)):
        crown = np.hypot(row - r, col - c) < 5
        height[crown] = 12.0 * (0.7 + 0.3 * rng.random(int(crown.sum())))
    height[rng.random(grid.shape) < 0.002] = 3.0
    assert not len(traced(height, grid)["traced_belts"])


def test_tall_trees_do_not_count_in_the_height_of_a_hedge():
    grid = square_grid(240, 1.0)
    hedge = KnownBelt(line((1020, 2120), (1220, 2120)), 3.0, 4.0)
    height = drawn([hedge], grid)
    trees = KnownBelt(line((1096, 2120), (1103, 2120)), 14.0, 7.0)
    height = np.maximum(height, drawn([trees], grid))
    layers = traced(height, grid)
    assert layers["traced_belts"]["height_m"].tolist() == pytest.approx([3.0], abs=0.5)
    assert layers["traced_belts"]["tall_tree_count"].tolist() == [1]
    tree = layers["tall_trees"].iloc[0]
    assert tree.tree_height_m == pytest.approx(14.0, abs=0.5)
    assert tree.geometry.distance(shapely.Point(1099.5, 2120)) < 5


def test_a_line_is_divided_where_its_height_changes():
    grid = square_grid(300, 1.0)
    belts = [
        KnownBelt(line((1030, 2150), (1150, 2150)), 4.0, 5.0),
        KnownBelt(line((1150, 2150), (1270, 2150)), 12.0, 5.0),
    ]
    found = traced(drawn(belts, grid), grid)["traced_belts"]
    assert sorted(found["height_m"]) == pytest.approx([4.0, 12.0], abs=0.5)
    assert found["length_m"].to_numpy() == pytest.approx([120, 120], abs=12)


def test_narrow_belts_have_no_width_and_say_so():
    grid = square_grid(200, 2.5)
    narrow = KnownBelt(line((1050, 2100), (1400, 2130)), 8.0, 4.0)
    wide = KnownBelt(line((1050, 2300), (1400, 2330)), 8.0, 15.0)
    found = traced(drawn([narrow, wide], grid), grid)["traced_belts"].sort_values("width_m")
    assert found["width_m"].iloc[0] == pytest.approx(15.0, abs=1.5 * 2.5)
    assert np.isnan(found["width_m"].iloc[1])
    assert found["assumed"].tolist() == [
        "traced: height_m, width_m, belt_type; default: porosity",
        "traced: height_m, belt_type; default: porosity, width_m",
    ]


def test_woods_are_polygons_and_their_belts_stay():
    grid = square_grid(400, 1.0)
    belts = [KnownBelt(line((1200, 2200), (1380, 2200)), 9.0, 6.0)]
    wood = shapely.box(1060, 2120, 1200, 2280)
    height = drawn(belts, grid)
    inside = geometry_mask([wood], grid.shape, grid.affine, invert=True)
    rng = np.random.default_rng(4)
    height[inside] = 20.0 * (0.7 + 0.3 * rng.random(int(inside.sum())))
    layers = traced(height, grid)
    assert layers["traced_woods"]["area_ha"].tolist() == pytest.approx([wood.area / 1e4], rel=0.05)
    assert layers["traced_woods"]["height_m"].tolist() == pytest.approx([20.0], abs=0.6)
    belt = layers["traced_belts"]
    assert belt["length_m"].sum() == pytest.approx(180, abs=10)
    assert not belt.intersects(wood.buffer(-12)).any()


def test_a_broad_belt_that_is_no_wood_stays_a_belt():
    """Wider than 20 m, but less than 0.5 ha."""
    grid = square_grid(300, 1.0)
    belt = KnownBelt(line((1060, 2150), (1220, 2150)), 15.0, 26.0)
    layers = traced(drawn([belt], grid), grid)
    assert not len(layers["traced_woods"])
    assert layers["traced_belts"]["length_m"].sum() == pytest.approx(160, abs=10)
    assert "perhaps a narrow wood" in layers["belts_to_review"]["reason"].iloc[0]


def _house(grid, height, x, y, turn_deg):
    """A gable roof of 10 by 24 m."""
    col, row = np.meshgrid(np.arange(grid.shape[1]) + 0.5, np.arange(grid.shape[0]) + 0.5)
    a = grid.affine
    px, py = a.c + a.a * col - x, a.f + a.e * row - y
    turn = np.radians(turn_deg)
    along, across = px * np.cos(turn) + py * np.sin(turn), py * np.cos(turn) - px * np.sin(turn)
    inside = (np.abs(along) <= 12) & (np.abs(across) <= 5)
    height[inside] = (8.0 - 0.6 * np.abs(across))[inside]


@pytest.mark.parametrize("turn_deg", [0, 20, 45, 70])
def test_roofs_are_no_belts(turn_deg):
    grid = square_grid(300, 1.0)
    hedge = KnownBelt(line((1030, 2050), (1270, 2060)), 4.0, 4.0)
    height = drawn([hedge], grid)
    for x, y in ((1100, 2150), (1150, 2200), (1220, 2140)):
        _house(grid, height, x, y, turn_deg)
    found = traced(height, grid)["traced_belts"]
    assert found["length_m"].sum() == pytest.approx(240, abs=6)
    assert (found.distance(hedge.line) < 3).all()


def test_a_layer_of_buildings_removes_what_the_roof_test_does_not():
    grid = square_grid(200, 2.5)
    height = np.zeros(grid.shape, np.float32)
    for i in range(4):
        _house(grid, height, 1100 + 26 * i, 2200, 0)
    canopy = {"threshold_m": 2.0, "wood_width_m": 20.0, "wood_area_ha": 0.5}
    assert divide(height, 2.5, **canopy).belts.any()
    given = divide(height, 2.5, buildings=height > 2, **canopy)
    assert not given.belts.any()
    assert given.roofs.sum() == (height > 2).sum()


def test_plane_roughness_is_zero_on_planes():
    row, col = np.indices((20, 30)).astype(np.float32)
    plane = 3 + 0.4 * row - 0.7 * col
    inner = tuple(c.ravel() for c in np.mgrid[1:19, 1:29])
    assert plane_roughness(plane, *inner).max() < 1e-3
    rng = np.random.default_rng(0)
    noisy = (plane + rng.normal(0, 1.0, plane.shape)).astype(np.float32)
    # Of nine values a plane takes three: 6/9 of the variance remains.
    middle = np.sqrt((plane_roughness(noisy, *inner) ** 2).mean())
    assert middle == pytest.approx(np.sqrt(6 / 9), rel=0.1)


def test_given_lines_are_measured_and_not_traced():
    grid = square_grid(300, 1.0)
    belt = KnownBelt(line((1030, 2150), (1270, 2150)), 5.0, 4.0, ((100.0, 110.0),))
    other = KnownBelt(line((1030, 2050), (1270, 2050)), 7.0, 4.0)
    # Drawn 2 m beside the hedge, as maps are, and one line where nothing grows.
    drawn_lines = [line((1030, 2152), (1270, 2152)), line((1050, 2250), (1100, 2250))]
    given = HedgeLines(
        np.array(drawn_lines, dtype=object), pd.DataFrame({"name": ["Long hedge", "Lost hedge"]})
    )
    layers = traced(drawn([belt, other], grid), grid, lines=given)
    belts = layers["traced_belts"]
    assert belts["name"].tolist() == ["Long hedge", "Long hedge"]
    assert belts["height_m"].tolist() == pytest.approx([5.0, 5.0], abs=0.5)
    assert belts["width_m"].tolist() == pytest.approx([4.0, 4.0], abs=1.5)
    assert layers["belt_gaps"]["gap_length_m"].tolist() == pytest.approx([10.0], abs=2.0)
    assert (belts["value_source"] == "layer").all()
    assert (belts["assumed"] == "traced: height_m, width_m, belt_type; default: porosity").all()
    lost = layers["belts_to_review"].set_index("name").loc["Lost hedge"]
    assert "no canopy along this line" in lost["reason"]


def test_the_review_lists_the_most_important_first(case):
    review = case[2]["belts_to_review"]
    assert review["review_order"].tolist() == list(range(1, len(review) + 1))
    weight = (review["length_m"] * review["height_m"]).to_numpy(float)
    assert (np.diff(weight) <= 1e-9).all()


def test_comparison_with_surveyed_belts():
    """A belt of 200 m, traced along 150 m: 120 m 4 m wide, 30 m of unknown width."""
    crs = "EPSG:25832"
    surveyed = gpd.GeoDataFrame(
        {
            "name": ["partly", "felled"],
            "belt_type": "hedge",
            "height_m": [5.0, 7.0],
            "width_m": 3.0,
        },
        geometry=[line((0, 0), (200, 0)), line((0, 100), (200, 100))],
        crs=crs,
    )
    found = gpd.GeoDataFrame(
        {"height_m": [4.0, 6.0, 9.0], "width_m": [4.0, np.nan, 2.0]},
        geometry=[line((0, 4), (120, 4)), line((120, 4), (150, 4)), line((0, 50), (150, 50))],
        crs=crs,
    )
    table = compare(surveyed, found, 6.0).set_index("name")
    # Beyond its end a traced belt is within 6 m for another 4.5 m.
    assert table.loc["partly", "traced_share"] == pytest.approx(154.5 / 200, abs=0.02)
    assert table.loc["partly", "traced_height_m"] == 4.0
    assert table.loc["partly", "traced_width_m"] == 4.0
    assert table.loc["felled", "traced_share"] == 0
    assert np.isnan(table.loc["felled", "traced_height_m"])
    assert correctness(surveyed, found, 6.0) == pytest.approx(0.5)
    found["width_m"] = [np.nan, 2.0, 2.0]
    assert np.isnan(compare(surveyed, found, 6.0).loc[0, "traced_width_m"])


@pytest.mark.slow
def test_parts_of_a_map_add_up_to_the_whole():
    """Lines cut at the edges of parts: none lost, none twice, all within one cell of the whole."""
    cells, side, margin = 600, 300, 176
    grid = square_grid(cells, 2.5)
    height = drawn(network(grid, 4), grid, 4)
    whole = traced(height, grid)
    lines, gaps = [], 0
    for row, col in itertools.product(range(0, cells, side), repeat=2):
        top, left = max(0, row - margin), max(0, col - margin)
        shape = min(cells, row + side + margin) - top, min(cells, col + side + margin) - left
        outline = shapely.box(*grid.window(row, col, (side, side)).bounds)
        part = height[top : top + shape[0], left : left + shape[1]]
        layers = traced(part, grid.window(top, left, shape), outline=outline)
        assert layers["traced_belts"].within(outline.buffer(1e-6)).all()
        lines += list(layers["traced_belts"].geometry)
        gaps += len(layers["belt_gaps"])
    every = list(whole["traced_belts"].geometry)
    assert sum(x.length for x in lines) == pytest.approx(sum(x.length for x in every), rel=0.005)
    assert shapely.union_all(lines).within(shapely.union_all(every).buffer(2.5))
    assert shapely.union_all(every).within(shapely.union_all(lines).buffer(2.5))
    assert gaps == len(whole["belt_gaps"])


@pytest.mark.parametrize("shape", [(100, 130), (5, 40), (3, 3), (1, 1)])
@pytest.mark.parametrize("missing", [0.0, 0.4, 0.9])
def test_percentiles_of_blocks_leave_out_blocks_that_are_mostly_missing(shape, missing):
    """Against numpy, block by block; rows and columns after the last whole block do not count."""
    rng = np.random.default_rng(8)
    values = rng.normal(3.0, 2.0, shape).astype(np.float32)
    values[rng.random(shape) < missing] = np.nan
    values[:7, :7] = 1.0  # one block without missing cells
    rows, cols = (range(0, max(1, n - 6), 7) for n in shape)
    blocks = [values[r : r + 7, c : c + 7] for r in rows for c in cols]
    kept = [b for b in blocks if np.isfinite(b).mean() > 0.5]
    expected = [np.nanpercentile(b.astype(float), 5.0) for b in kept]
    assert 0 < len(kept) <= len(blocks)
    assert missing < 0.5 or len(kept) < len(blocks) or len(blocks) == 1
    np.testing.assert_allclose(_block_percentile(values, 7, 5.0), expected, atol=1e-6)


def test_blocks_without_any_value_have_no_percentile():
    assert not len(_block_percentile(np.full((30, 30), np.nan, np.float32), 7, 5.0))
