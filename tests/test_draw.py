"""Preview maps and their colours."""

from __future__ import annotations

import gc
import itertools
import tracemalloc
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from file_helpers import CRS
from matplotlib.text import Text
from PIL import Image
from shapely import LineString, MultiLineString, Point, box

from shelterscape.files import draw
from shelterscape.files.draw import averaged, draw_maps
from shelterscape.files.draw_labels import Labels
from shelterscape.files.draw_scales import fitted_stops
from shelterscape.files.draw_section import draw_section
from shelterscape.files.draw_sheets import MapPanel, MapSheet, SectionRow
from shelterscape.files.draw_views import view_of_most, views_of
from shelterscape.files.style_sld import raster_sld
from shelterscape.files.styles import (
    BELT_COLOUR,
    CENTRES,
    END_WORDS,
    MEASURED_BY,
    RAMPS,
    ZONE_COLOURS,
    end_words,
    legend_title,
)
from shelterscape.grid import Grid
from shelterscape.process.section_picture import section_sheet
from shelterscape.science.belt_section import belt_section
from shelterscape.terms import TERMS


def sheet(panels=1, shape=(60, 80), ground=True, belts=None, term="relative_wind", **more):
    grid = Grid(shape, Affine(10, 0, 560_000, 0, -10, 5_710_000), CRS)
    values = np.linspace(0.2, 1.1, grid.shape[0] * grid.shape[1], dtype=np.float32).reshape(shape)
    values[5:15, 5:25] = np.nan
    return MapSheet(
        title="Shelter: relative wind with belts",
        panels=tuple(MapPanel(f"panel {i}", values, term) for i in range(panels)),
        grid=grid,
        notes=("A note.", "A long note. " * 30),
        ground=values * 100 if ground else None,
        belts=belts,
        **more,
    )


def drawn(tmp_path, a_sheet, name="a.png"):
    draw_maps(tmp_path / name, a_sheet)
    with Image.open(tmp_path / name) as image:
        image.load()
        assert image.format == "PNG"
        return np.asarray(image.convert("RGB")).astype(int)


def near(pixels, colour, within=12):
    """Number of pixels close to a colour."""
    return int((np.abs(pixels - rgb(colour)).max(axis=-1) <= within).sum())


def rgb(colour):
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])


@pytest.mark.parametrize("panels", [1, 2])
@pytest.mark.parametrize("shape", [(60, 80), (400, 40), (40, 400)])
def test_a_picture_has_a_reasonable_size(tmp_path, panels, shape):
    pixels = drawn(tmp_path, sheet(panels, shape))
    height, width = pixels.shape[:2]
    assert 600 < width < 1700 and 300 < height < 1600
    assert (width > 1100) == (panels == 2)


def test_the_same_sheet_gives_the_same_bytes(tmp_path):
    lines = gpd.GeoDataFrame(geometry=[LineString([(560_100, 5_709_700), (560_600, 5_709_800)])])
    for name in ("a.png", "b.png"):
        draw_maps(tmp_path / name, sheet(2, belts=lines))
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_missing_ground_is_grey_without_relief(tmp_path):
    assert near(drawn(tmp_path, sheet(ground=False)), "#d9d9d9", 3) > 3000


def test_a_sheltered_north_is_drawn_at_the_top(tmp_path):
    # Values rise row by row, so the top of the map is dark and the bottom is light.
    pixels = drawn(tmp_path, sheet(ground=False))
    violet = near(pixels[: len(pixels) // 2], ZONE_COLOURS[0], 25)
    assert violet > 500 > near(pixels[len(pixels) // 2 :, :500], ZONE_COLOURS[0], 25)


@pytest.mark.parametrize(
    "belt",
    [
        LineString([(560_100, 5_709_700), (560_600, 5_709_700)]),
        MultiLineString([[(560_100, 5_709_700), (560_300, 5_709_700)], [(560_400, 5_709_600)] * 2]),
        box(560_100, 5_709_650, 560_600, 5_709_750),
    ],
)
def test_belts_of_every_kind_are_drawn(tmp_path, belt):
    plain = near(drawn(tmp_path, sheet(ground=False)), BELT_COLOUR, 60)
    frame = gpd.GeoDataFrame(geometry=[belt, None, LineString()], crs=CRS)
    assert near(drawn(tmp_path, sheet(ground=False, belts=frame)), BELT_COLOUR, 60) > plain + 80


def test_a_map_where_all_is_missing_is_drawn(tmp_path):
    empty = sheet(ground=False)
    for panel in empty.panels:
        panel.values[:] = np.nan
    assert drawn(tmp_path, empty).size


def test_a_large_raster_is_drawn_at_the_size_of_its_panel(tmp_path):
    assert drawn(tmp_path, sheet(shape=(2500, 3000))).shape[1] < 1000


def test_blocks_are_averaged_without_missing_cells():
    values = np.arange(24, dtype=np.float32).reshape(4, 6)
    values[0, :2] = values[2:, 4:] = np.nan
    blocks = [[values[r : r + 2, c : c + 2] for c in (0, 2, 4)] for r in (0, 2)]
    expected = [[np.nan if np.isnan(b).all() else np.nanmean(b) for b in row] for row in blocks]
    assert averaged(values, (2, 3)) == pytest.approx(np.array(expected), nan_ok=True)
    assert np.isnan(averaged(np.full((4, 4), np.nan, np.float32), (2, 2))).all()
    assert averaged(values > 20, (1, 1)).item() == pytest.approx((values > 20).mean())
    assert np.array_equal(averaged(values, (4, 6)), values, equal_nan=True)


def test_a_slope_stays_even_where_pixels_do_not_fit_the_cells():
    """Cells that two pixels share count in each by their share; otherwise relief has stripes."""
    slope = np.broadcast_to(np.arange(800, dtype=np.float32)[:, None] + 0.5, (800, 30))
    found = averaged(slope, (616, 30))[:, 0]
    # Cells are level, so the mean of part of a cell is off by up to an eighth of a cell. Groups of
    # one and two whole cells would be off by half a cell.
    assert found == pytest.approx((np.arange(616) + 0.5) * 800 / 616, abs=0.13)


def test_narrow_features_show_as_their_share_of_a_pixel():
    # One row in three, like many thin belts: taking every third cell would miss it.
    values = np.ones((1800, 1800), np.float32)
    values[1::3] = 0.4
    assert averaged(values, (600, 600)) == pytest.approx(0.8)


def test_pictures_do_not_stay_in_memory(tmp_path):
    """A picture releases its rasters without help from the garbage collector."""
    large = sheet(2, (700, 700))
    draw_maps(tmp_path / "a.png", large)
    gc.collect()
    gc.disable()
    try:
        tracemalloc.start()
        draw_maps(tmp_path / "a.png", large)
        before = tracemalloc.get_traced_memory()[0]
        draw_maps(tmp_path / "a.png", large)
        grown = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
        gc.enable()
    # One panel has 1.5 MB at four bytes per pixel and its colours as much again; a figure that
    # remains has 47 MB. What does remain are axes and texts.
    assert grown < 4e6


# --- colours ----------------------------------------------------------------------------------
# sRGB to linear: IEC 61966-2-1; L*a*b* with white D65: CIE 15 (both not verified
# against the source).


def linear(colour):
    c = rgb(colour) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])

# Full loss of one cone: Machado, Oliveira and Fernandes 2009, IEEE TVCG 15:1291-1298, table 1,
# severity 1.0 (not verified against the source; each row sums to 1, so greys remain grey, as
# checked below).
SIGHT = {
    "full": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}


def lab(colour, sight="full"):
    seen = np.clip(SIGHT[sight] @ linear(colour), 0, 1)
    t = TO_XYZ @ seen / TO_XYZ.sum(axis=1)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_colour_measure_itself():
    assert lab("#ffffff") == pytest.approx([100, 0, 0], abs=0.02)
    # Pure sRGB red is L* 53.24, a* 80.09, b* 67.20 (widely tabled, not verified).
    assert lab("#ff0000") == pytest.approx([53.24, 80.09, 67.20], abs=0.05)
    for matrix in SIGHT.values():
        assert matrix.sum(axis=1) == pytest.approx([1, 1, 1], abs=2e-6)


def hues_of(name):
    """The parts of a ramp in one hue each, at values away from its lightest colour."""
    stops = RAMPS[name]
    if name.endswith(("_difference", "_ratio")):  # two hues that meet at a centre
        centre = CENTRES[name]
        below = [c for v, c in reversed(stops) if v <= centre]
        return [below, [c for v, c in stops if v >= centre]]
    low = 0.0 if name in ("wind_reduction_added", "equivalent_sheltered_share") else -np.inf
    high = 1.0 if name == "relative_wind" else np.inf
    part = [colour for value, colour in RAMPS[name] if low <= value <= high]
    # Low relative wind is much shelter; the first holdings have most benefit for their cost.
    return [part[::-1] if name in MEASURED_BY else part]


@pytest.mark.parametrize("name", RAMPS)
@pytest.mark.parametrize("sight", SIGHT)
def test_lightness_runs_one_way_along_a_ramp(name, sight):
    for part in hues_of(name):
        steps = np.diff([lab(colour, sight)[0] for colour in part])
        assert (steps < -2).all(), steps


@pytest.mark.parametrize("name", RAMPS)
def test_darker_means_more_of_the_titled_quantity(name):
    """Relative luminance (linear sRGB to Y, IEC 61966-2-1) falls as the quantity rises."""
    for part in hues_of(name):
        luminance = [float(TO_XYZ[1] @ linear(colour)) for colour in part]
        assert luminance == sorted(luminance, reverse=True)
        assert luminance[0] > 0.7 and luminance[-1] < 0.2


def test_only_two_quantities_are_titled_by_another():
    assert set(MEASURED_BY) == {"relative_wind", "rank_share"}
    assert legend_title(TERMS["relative_wind"]) == "shelter: relative wind"
    assert legend_title(TERMS["topex_deg"]) == "topex (°)"


def test_both_ends_of_every_legend_have_words(tmp_path, monkeypatch):
    assert set(END_WORDS) == set(RAMPS)
    assert end_words(TERMS["area_ha"]) == ("low", "high")
    drawn_words = []
    save = draw.save_figure
    monkeypatch.setattr(
        draw,
        "save_figure",
        lambda figure, *rest: (
            drawn_words.extend(t.get_text() for t in figure.findobj(Text)),
            save(figure, *rest),
        ),
    )
    draw_maps(tmp_path / "a.png", sheet())
    assert {"windier", "shelter: relative wind"} <= set(drawn_words)
    assert any(words.endswith("(sheltered)") for words in drawn_words)
    for name in RAMPS:
        style, (low, high) = raster_sld(name, TERMS[name]), end_words(TERMS[name])
        assert low != high and style.count(f', {low}"') == style.count(f', {high}"') == 1


def test_no_legend_is_cut_at_the_edge(tmp_path):
    line = LineString([(560_100, 5_709_800), (560_500, 5_709_500)])
    marked = gpd.GeoDataFrame(geometry=[line], crs=CRS)
    shown = sheet(panels=len(RAMPS), marked=marked)
    panels = [replace(p, term=name) for p, name in zip(shown.panels, RAMPS, strict=True)]
    pixels = drawn(tmp_path, replace(shown, panels=tuple(panels), marked_label="a long label " * 9))
    assert (pixels[:, -8:] == 255).all() and (pixels[:, -200:] < 100).any()


@pytest.mark.parametrize("name", RAMPS)
def test_values_of_a_ramp_rise(name):
    values = [value for value, _ in RAMPS[name]]
    assert values == sorted(set(values))
    assert TERMS[name].low <= values[0] and values[-1] <= TERMS[name].high


@pytest.mark.parametrize("name", RAMPS)
def test_each_part_of_a_ramp_is_one_hue(name):
    for part in hues_of(name):
        hues = [np.degrees(np.arctan2(*lab(c)[:0:-1])) for c in part if chroma(c) > 5]
        assert len(hues) >= 3
        assert max(hues) - min(hues) < 40


def chroma(colour):
    return float(np.hypot(*lab(colour)[1:]))


def test_windier_is_another_hue():
    violet, rust = RAMPS["relative_wind"][2][1], RAMPS["relative_wind"][-1][1]
    assert rust == ZONE_COLOURS[-1] == RAMPS["wind_reduction_added"][0][1]
    turn = np.degrees(np.arctan2(*lab(violet)[:0:-1]) - np.arctan2(*lab(rust)[:0:-1]))
    assert abs((turn + 180) % 360 - 180) > 90


LEAST_STEP = 10.0
"""Least step of L* between neighbouring zones; a step of 2 is just visible (not verified)."""


@pytest.mark.parametrize("sight", SIGHT)
def test_neighbouring_zones_can_be_distinguished(sight):
    lights = [lab(colour, sight)[0] for colour in ZONE_COLOURS]
    steps = [abs(b - a) for a, b in itertools.pairwise(lights)]
    assert min(steps) >= LEAST_STEP, steps


@pytest.mark.parametrize("sight", SIGHT)
def test_windier_differs_from_every_other_zone(sight):
    # One zone is as light as "windier": their colours must differ for every kind of sight.
    windier = lab(ZONE_COLOURS[-1], sight)
    apart = [float(np.linalg.norm(lab(c, sight) - windier)) for c in ZONE_COLOURS[:-1]]
    assert min(apart) > 30, apart


def test_style_files_have_the_colours_of_the_ramp():
    from xml.etree import ElementTree

    for name, stops in RAMPS.items():
        root = ElementTree.fromstring(raster_sld(name, TERMS[name]).encode())
        entries = [n for n in root.iter() if n.tag.endswith("ColorMapEntry")]
        assert [(float(e.get("quantity")), e.get("color")) for e in entries] == list(stops)


def test_points_in_a_belt_layer_are_not_drawn(tmp_path):
    # A point in a belt layer must not prevent drawing the other features.
    frame = gpd.GeoDataFrame(geometry=[Point(560_100, 5_709_700)], crs=CRS)
    assert drawn(tmp_path, sheet(belts=frame)).size


def test_a_scale_fits_its_values_and_keeps_its_centre():
    """The ends are round numbers just beyond the values; white stays at 1, wind as on open ground.

    Expected ends by hand: a tenth of the span of 3.2 to 6.8 m/s is 0.5 m/s.
    """
    speeds = np.linspace(3.2, 6.8, 2000)
    stops = fitted_stops(TERMS["terrain_wind_ms"], [speeds])
    assert (stops[0][0], stops[-1][0]) == (3.0, 7.0)
    assert [c for _, c in stops] == [c for _, c in RAMPS["terrain_wind_ms"]]
    ratios = np.linspace(0.9, 1.3, 2000)
    stops = fitted_stops(TERMS["terrain_wind_ratio"], [ratios])
    values = [v for v, _ in stops]
    assert values[4] == 1.0 and stops[4][1] == dict(RAMPS["terrain_wind_ratio"])[1.0]
    assert 1 - values[0] == pytest.approx(values[-1] - 1) and values[-1] == pytest.approx(1.3)
    # Ground without a difference, most of the map, does not narrow the scale.
    change = np.r_[np.zeros(10_000), np.linspace(-0.4, 0.4, 100)]
    stops = fitted_stops(TERMS["relative_wind_difference"], [change])
    assert (stops[0][0], stops[-1][0]) == pytest.approx((-0.4, 0.4), abs=0.05)
    assert fitted_stops(TERMS["topex_deg"], [np.full(3, np.nan)]) == RAMPS["topex_deg"]


def test_clusters_get_a_view_each_by_their_weight():
    grid = Grid((800, 800), Affine(10, 0, 0, 0, -10, 8000), CRS)
    far = [LineString([(1000, 1000), (1200, 1000)]), LineString([(6000, 6000), (6000, 6300)])]
    near = LineString([(1400, 1100), (1500, 1100)])
    views = views_of(np.array([far[0], far[1], near]), [1.0, 2.5, 1.0], grid)
    assert list(views) == ["A", "B"]
    assert views["A"] == (5730.0, 5880.0, 6270.0, 6420.0)  # 300 m long, 120 m around it
    west, south, east, north = views["B"]
    assert west <= 1000 - 100 and east >= 1500 + 100 and east - west == north - south
    assert views_of(np.array(far), [1, 1], Grid((90, 90), grid.affine, CRS)) == {}


def test_the_view_of_most_holds_the_largest_sum():
    grid = Grid((800, 800), Affine(10, 0, 0, 0, -10, 8000), CRS)
    shelter = np.zeros(grid.shape, np.float32)
    shelter[200:260, 500:580] = 0.5
    (west, south, east, north) = view_of_most(shelter, grid)["A"]
    assert west <= 5000 and east >= 5800 and south <= 5400 and north >= 6000
    assert view_of_most(shelter[:200], Grid((200, 800), grid.affine, CRS)) == {}


def test_relief_of_a_plane_follows_the_cosine_law():
    """Level ground has the cosine of 45°; a slope that faces the light is lighter."""
    grid = Grid((40, 40), Affine(10, 0, 0, 0, -10, 400), CRS)
    rows, cols = np.mgrid[:40, :40].astype(float)
    assert draw._relief(np.full((40, 40), 5.0), grid) == pytest.approx(0.5**0.5)
    north_west = draw._relief(rows + cols, grid)
    slope = 3 * 0.1 * 2**0.5  # exaggerated gradient, towards the light
    expected = np.cos(np.radians(45) - np.arctan(slope))
    assert north_west == pytest.approx(expected)


def test_labels_do_not_collide():
    from matplotlib.figure import Figure

    axes = Figure().add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, 1000), ylim=(0, 1000))
    labels = Labels(axes, 0.3)
    points = [(500 + 4 * i, 500.0, f"belt {i}") for i in range(12)]
    left_out = labels.place([*points, (5000, 5000, "outside")])
    boxes = labels._taken
    assert len(boxes) == 12 - left_out >= 4
    for a, b in itertools.combinations(boxes, 2):
        assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_labels_are_beside_lines_where_there_is_a_free_place():
    from matplotlib.figure import Figure

    def box_of(lines):
        axes = Figure().add_axes((0, 0, 1, 1))
        axes.set(xlim=(100, 1100), ylim=(50, 1050))
        labels = Labels(axes, 0.3)
        labels.keep_clear(np.array(lines, dtype=object))
        assert labels.place([(600.0, 550.0, "a long name of a field")]) == 0
        return shapely.box(
            *(v / 0.3 + d for v, d in zip(labels._taken[0], (100, 50) * 2, strict=True))
        )

    line = shapely.LineString([(580, 530), (660, 640)])
    assert box_of([]).intersects(line)
    assert not box_of([line]).intersects(line)
    everything = shapely.box(0, 0, 2000, 2000)
    assert box_of([everything]).equals(box_of([]))


def test_a_section_has_a_second_panel_with_its_rows(tmp_path):
    section = belt_section(8.0, 0.5, 6.0)
    rows = tuple(SectionRow(x, 8.0, "alder") for x in (-4.0, -2.0))
    heights, green = [], []
    for name, shown in (("none", ()), ("one", rows[:1]), ("two", rows)):
        draw_section(tmp_path / f"{name}.png", section_sheet("Wind", section, shown))
        with Image.open(tmp_path / f"{name}.png") as picture:
            pixels = np.asarray(picture.convert("RGB")).astype(int)
        heights.append(len(pixels))
        green.append((np.abs(pixels - (0x1F, 0x5F, 0x4A)).max(axis=2) < 3).sum())
    assert heights[0] < heights[1] == heights[2]
    # The wind panel shows the belt too; with one row as wide as all, two rows are as green as one.
    assert green[0] < green[1] and green[0] < green[2]
