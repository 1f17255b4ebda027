"""Preview pictures of results: maps and charts, each with a title, a legend and notes."""

from __future__ import annotations

import shelterscape.files.draw_library  # noqa: F401 - before matplotlib

# isort: split

import math
import textwrap
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PatchCollection
from matplotlib.colors import Colormap, LightSource, LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path as DrawnPath
from matplotlib.patheffects import withStroke
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray
from PIL import Image
from scipy.sparse import csr_array

from shelterscape.files.draw_sheets import ChartSheet, FeatureGroup, FeatureSheet, MapSheet
from shelterscape.files.styles import (
    BELT_COLOUR,
    CHART_COLOURS,
    HATCHED_ABOVE,
    MARKED_COLOUR,
    OUTLINE_COLOUR,
    end_words,
    legend_title,
    ramp_of,
)
from shelterscape.grid import Grid, toward
from shelterscape.terms import Term

__all__ = [
    "ChartSheet",
    "FeatureGroup",
    "FeatureSheet",
    "MapSheet",
    "averaged",
    "draw_chart",
    "draw_features",
    "draw_maps",
]

PANEL_INCHES, DOTS_PER_INCH = 5.6, 110
MOST_CELLS = int(PANEL_INCHES * DOTS_PER_INCH)
"""Width of a panel in pixels; finer rasters are averaged to the pixels of the panel."""

ROWS_AT_ONCE = 64
PNG_EFFORT = 4
"""Deflate level of pictures. Level 6 takes twice the time for files 2 to 6 % smaller."""

MOST_ACROSS = 3
LINE_INCHES = 0.128
"""Height of a line of notes."""

FONT = "DejaVu Sans"
_HALO = [withStroke(linewidth=2.5, foreground="white")]


def draw_features(path: Path, sheet: FeatureSheet) -> None:
    """Draw a map of areas and strips, with its legend beside it, as a PNG file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : FeatureSheet
    """
    rows, cols = sheet.grid.shape
    wide, high = (1.35 * inches for inches in _panel_size(rows, cols))
    legend_inches = 3.0
    across = int(19 * (wide + legend_inches))
    text = [line for note in sheet.notes for line in textwrap.wrap(note, across)]
    foot = LINE_INCHES * len(text) + 0.3
    width, height = wide + legend_inches + 0.2, high + foot + 0.6
    figure = _figure(width, height, sheet.title)
    axes = figure.add_axes((0.1 / width, foot / height, wide / width, high / height))
    detail_m = _detail_m(sheet.grid, 1.35)
    handles = [_draw_group(axes, one, detail_m) for one in sheet.shown]
    west, south, east, north = sheet.grid.bounds
    axes.set(xlim=(west, east), ylim=(south, north), xticks=[], yticks=[], aspect="equal")
    _draw_scale_and_north(axes, sheet.grid)
    place = ((wide + 0.2) / width, (foot + high) / height)
    figure.legend(handles=handles, loc="upper left", bbox_to_anchor=place, frameon=False)
    _save(figure, path, text)


def _draw_group(axes: Axes, group: FeatureGroup, detail_m: float) -> Patch:
    """Draw a group of features and return its patch for the legend."""
    options: dict[str, Any] = {"edgecolor": group.colour, "linewidth": 0.8}
    if group.hatch:
        options |= {"facecolor": "none", "hatch": group.hatch, "alpha": 0.55}
    else:
        options |= {"facecolor": group.colour, "linewidth": 2.2}
    if group.dashed:
        options |= {"facecolor": "none", "linestyle": (0, (2, 1.2)), "linewidth": 1.3}
    parts = shapely.get_parts(shapely.simplify(group.shapes, detail_m))
    patches = [PathPatch(_outline(p)) for p in parts if p.geom_type == "Polygon" and not p.is_empty]
    axes.add_collection(PatchCollection(patches, **options))
    return Patch(label=textwrap.fill(group.label, 34), **options)


def _outline(polygon: shapely.Polygon) -> DrawnPath:
    """A polygon with its holes as one path."""
    rings = [polygon.exterior, *polygon.interiors]
    return DrawnPath.make_compound_path(
        *(DrawnPath(np.asarray(ring.coords)[:, :2], closed=True) for ring in rings)
    )


def draw_maps(path: Path, sheet: MapSheet) -> None:
    """Draw a sheet of maps as a PNG file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : MapSheet
    """
    count = len(sheet.panels)
    across = min(sheet.across or MOST_ACROSS, count)
    down = math.ceil(count / across)
    rows, cols = sheet.grid.shape
    panel = _panel_size(rows, cols)
    text = [
        line for note in sheet.notes for line in textwrap.wrap(note, int(19 * panel[0]) * across)
    ]
    foot = LINE_INCHES * len(text) + 0.3
    width = (panel[0] + 0.2) * across + 1.1
    height = (panel[1] + 0.35) * down + foot + 0.5
    figure = _figure(width, height, sheet.title)
    ramp, norm = _ramp(sheet.term)
    shape = _pixels(sheet.grid)
    relief = None if sheet.ground is None else _relief(averaged(sheet.ground, shape), sheet.grid)
    for i, (heading, values) in enumerate(sheet.panels.items()):
        left = 0.1 + (panel[0] + 0.2) * (i % across)
        bottom = foot + (panel[1] + 0.35) * (down - 1 - i // across)
        axes = figure.add_axes((left / width, bottom / height, panel[0] / width, panel[1] / height))
        _draw_raster(axes, averaged(values, shape), relief, ramp, norm, sheet)
        if (doubtful := sheet.doubtful.get(heading)) is not None:
            _hatch(axes, averaged(doubtful, shape) >= 0.5, "....", sheet.grid)
        _draw_overlays(axes, sheet)
        axes.set_title(heading, fontsize=10, family=FONT)
    legend_height = 0.7 * (height - foot - 0.85)
    legend_bottom = foot + 0.12 * (height - foot - 0.85)
    legend = figure.add_axes(
        (1 - 0.95 / width, legend_bottom / height, 0.18 / width, legend_height / height)
    )
    bar = figure.colorbar(figure.axes[0].images[-1], cax=legend)
    bar.set_label(legend_title(sheet.term), fontsize=9, family=FONT)
    bar.ax.tick_params(labelsize=8)
    low, high = end_words(sheet.term)
    words: dict[str, Any] = {"transform": bar.ax.transAxes, "fontsize": 8, "family": FONT}
    bar.ax.text(0, -0.02, low, va="top", **words)
    bar.ax.text(0, 1.02, high, va="bottom", **words)
    if (hatched := HATCHED_ABOVE.get(sheet.term.name)) is not None:
        bar.ax.axhspan(hatched, norm.vmax or 0, hatch="////", facecolor="none", edgecolor="black")
    _save(figure, path, text)


def draw_chart(path: Path, sheet: ChartSheet) -> None:
    """Draw a chart of lines with a common x axis as a PNG file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : ChartSheet
    """
    text = [line for note in sheet.notes for line in textwrap.wrap(note, 110)]
    foot = LINE_INCHES * len(text) + 0.25
    width, height = 8.0, 4.45 + foot
    figure = _figure(width, height, sheet.title)
    axes = figure.add_axes((0.1, (foot + 0.5) / height, 0.86, 3.4 / height))
    for i, (name, (x, y)) in enumerate(sheet.lines.items()):
        # Markers differ too, so that lines can be distinguished without colour.
        colour = CHART_COLOURS[i % len(CHART_COLOURS)]
        marker = "" if name in sheet.curves else "osD^v"[i % 5]
        style = ("-", "--", ":", "-.")[i % 4] if name in sheet.curves else "-"
        style = "" if name in sheet.points else style
        axes.plot(x, y, label=name, color=colour, marker=marker, linestyle=style)
        if name in sheet.levels:
            label, level = sheet.levels[name]
            axes.axhline(level, color=colour, linestyle="--", label=label)
    axes.set_xlabel(sheet.x_label, family=FONT)
    axes.set_ylabel(sheet.y_label, family=FONT)
    largest = max(max(y) for _, y in sheet.lines.values())
    axes.set_ylim(0, 1.15 * largest if largest > 0 else 1)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8, min_n_ticks=1))
    axes.ticklabel_format(useOffset=False, style="plain")
    places = [x for values, _ in sheet.lines.values() for x in values]
    margin = max(0.05 * (max(places) - min(places)), 2.0)
    axes.set_xlim(min(places) - margin, max(places) + margin)
    axes.grid(alpha=0.3)
    axes.legend(frameon=False, loc="lower right")
    _save(figure, path, text)


def _panel_size(rows: int, cols: int) -> tuple[float, float]:
    """Width and height of a panel, inches: in proportion to the map, within limits."""
    return PANEL_INCHES, PANEL_INCHES * min(max(rows / cols, 0.4), 1.6)


def _figure(width: float, height: float, title: str) -> Figure:
    figure = Figure(figsize=(width, height), dpi=DOTS_PER_INCH, facecolor="white")
    place = (0.1 / width, 1 - 0.3 / height)
    figure.text(*place, title, fontsize=13, weight="bold", family=FONT)
    return figure


def _save(figure: Figure, path: Path, text: list[str]) -> None:
    width, height = figure.get_size_inches()
    place = (0.1 / width, 0.1 / height)
    figure.text(*place, "\n".join(text), fontsize=7.5, family=FONT, va="bottom")
    for words in figure.findobj(Text):
        # Names from files may hold dollar signs, which would start a formula, and characters that
        # the font does not have.
        words.set_parse_math(False)
        if (drawn := drawable_text(words.get_text())) != words.get_text():
            words.set_text(drawn)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    image = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    # Without software name and date, the same maps give the same bytes.
    image.save(path, "PNG", compress_level=PNG_EFFORT, dpi=(DOTS_PER_INCH, DOTS_PER_INCH))
    # A figure, its canvas and its parts refer to each other: without this, their arrays would
    # remain in memory until Python's next garbage collection.
    figure.clear()
    del canvas.renderer


def drawable_text(text: str) -> str:
    """A text with a box in place of every character that the font does not have."""
    font = get_font(findfont(FONT))
    return "".join(c if c == "\n" or font.get_char_index(ord(c)) else "□" for c in text)


def _ramp(term: Term) -> tuple[Colormap, Normalize]:
    stops = ramp_of(term)
    low, high = stops[0][0], stops[-1][0]
    places = [((value - low) / (high - low), colour) for value, colour in stops]
    ramp = LinearSegmentedColormap.from_list(term.name, places).with_extremes(bad="#d9d9d9")
    return ramp, Normalize(low, high)


def _pixels(grid: Grid) -> tuple[int, int]:
    """Rows and columns of pixels in which a grid is drawn; never more than it has cells."""
    rows, cols = grid.shape
    wide, high = (inches * DOTS_PER_INCH for inches in _panel_size(rows, cols))
    scale = min(wide / cols, high / rows, 1.0)
    return max(int(rows * scale), 1), max(int(cols * scale), 1)


def _detail_m(grid: Grid, larger: float = 1.0) -> float:
    """Detail of features that is too small to be visible, m: a third of a pixel."""
    return grid.shape[1] * grid.cell_m / (3.0 * larger * _pixels(grid)[1])


def averaged(
    values: NDArray[np.floating] | NDArray[np.bool_], shape: tuple[int, int]
) -> NDArray[np.float32]:
    """Means of cells over larger cells; missing cells are not counted.

    Parameters
    ----------
    values : (rows, cols) float or bool
    shape : tuple of int
        Rows and columns of the result, at most those of `values`. A cell that overlaps two larger
        cells counts in each with the share inside it.

    Returns
    -------
    (shape) float32
        NaN where all cells are missing.
    """
    if values.shape == shape:
        return values.astype(np.float32)
    down, across = _overlaps(values.shape[0], shape[0]), _overlaps(values.shape[1], shape[1]).T
    found = np.full(shape, np.nan, np.float32)
    for first in range(0, shape[0], ROWS_AT_ONCE):  # avoids a copy of a large raster
        last = min(first + ROWS_AT_ONCE, shape[0])
        rows = slice(first * values.shape[0] // shape[0], -(-last * values.shape[0] // shape[0]))
        part, weights = values[rows], down[first:last, rows]
        known = np.isfinite(part)
        total = weights @ np.where(known, part, 0) @ across
        weight = weights @ known.astype(np.float32) @ across
        # A weight below a thousandth of a cell comes from rounding.
        np.divide(total, weight, out=found[first:last], where=weight > 1e-3, casting="same_kind")
    return found


def _overlaps(cells: int, pixels: int) -> csr_array:
    """Length of each cell inside each pixel of the same line, (pixels, cells)."""
    cuts = np.unique(np.concatenate([np.arange(cells + 1), np.linspace(0, cells, pixels + 1)]))
    middles = (cuts[1:] + cuts[:-1]) / 2
    at = (middles * pixels / cells).astype(int), middles.astype(int)
    return csr_array((np.diff(cuts).astype(np.float32), at), shape=(pixels, cells))


def _extent(grid: Grid) -> tuple[float, float, float, float]:
    west, south, east, north = grid.bounds
    return west, east, south, north


def _draw_raster(
    axes: Axes,
    values: NDArray[np.float32],
    relief: NDArray[np.floating] | None,
    ramp: Colormap,
    norm: Normalize,
    sheet: MapSheet,
) -> None:
    """Draw values over relief, with a hatch where colour alone could be misread."""
    options: dict[str, Any] = {"extent": _extent(sheet.grid), "interpolation": "nearest"}
    if relief is not None:
        axes.imshow(relief, cmap="gray", vmin=-0.4, vmax=1, **options)
    shown = np.ma.masked_invalid(values)
    axes.imshow(shown, cmap=ramp, norm=norm, alpha=None if relief is None else 0.75, **options)
    above = HATCHED_ABOVE.get(sheet.term.name)
    if above is not None:
        # Colour-blind readers could confuse values above the bound with values below it.
        _hatch(axes, shown.filled(0.0) > above, "////", sheet.grid)


def _draw_overlays(axes: Axes, sheet: MapSheet) -> None:
    """Draw features, labels, scale and north arrow over a raster."""
    detail_m = _detail_m(sheet.grid)
    if sheet.belts is not None:
        _draw_lines(axes, sheet.belts, BELT_COLOUR, 0.7, detail_m)
    if sheet.outlined is not None:
        _draw_lines(axes, sheet.outlined, OUTLINE_COLOUR, 0.9, detail_m)
    if sheet.marked is not None:
        _draw_lines(axes, sheet.marked, MARKED_COLOUR, 2.4, detail_m)
        _draw_numbers(axes, sheet.marked)
    for place, label in sheet.labels.items():
        options: dict[str, Any] = {"fontsize": 7, "family": FONT, "path_effects": _HALO}
        axes.text(*place, label, ha="center", va="center", clip_on=True, **options)
    west, south, east, north = sheet.grid.bounds
    axes.set(xlim=(west, east), ylim=(south, north), xticks=[], yticks=[])
    _draw_scale_and_north(axes, sheet.grid)


def _hatch(axes: Axes, cells: NDArray[np.bool_], hatch: str, grid: Grid) -> None:
    """Hatch the cells that are true."""
    if min(cells.shape) < 2 or not cells.any():
        return
    axes.contourf(
        cells.astype(np.float32),
        levels=[0.5, 2.0],
        hatches=[hatch],
        colors="none",
        extent=_extent(grid),
        origin="upper",
    )


def _relief(ground: NDArray[np.floating], grid: Grid) -> NDArray[np.floating]:
    """Hillshade of the ground."""
    filled = np.where(np.isfinite(ground), ground, np.nanmin(ground))
    pixel_m = grid.cell_m * grid.shape[1] / ground.shape[1]
    # Light from the north-west is the convention for maps.
    return LightSource(315, 45).hillshade(filled, vert_exag=3, dx=pixel_m, dy=pixel_m)


def _draw_lines(
    axes: Axes, features: gpd.GeoDataFrame, colour: str, width: float, detail_m: float
) -> None:
    """Draw lines, and areas by their outlines."""
    shapes = features.geometry.to_numpy()
    shapes = np.where(shapely.get_dimensions(shapes) == 2, shapely.boundary(shapes), shapes)
    parts = shapely.get_parts(shapely.simplify(shapes, detail_m))
    parts = parts[(shapely.get_dimensions(parts) == 1) & ~shapely.is_empty(parts)]
    xy, owner = shapely.get_coordinates(parts, return_index=True)
    paths = np.split(xy, np.flatnonzero(np.diff(owner)) + 1) if len(xy) else []
    axes.add_collection(LineCollection(paths, colors=colour, linewidths=width))


def _draw_numbers(axes: Axes, lines: gpd.GeoDataFrame) -> None:
    """Write the order of choice beside the middle of each line."""
    for line, number in zip(lines.geometry, lines.get("choice_order", []), strict=False):
        middle = line.interpolate(0.5, normalized=True)
        words: dict[str, Any] = {"fontsize": 7, "family": FONT, "path_effects": _HALO}
        axes.annotate(
            str(number), (middle.x, middle.y), (4, 4), textcoords="offset points", **words
        )


def _draw_scale_and_north(axes: Axes, grid: Grid) -> None:
    west, south, east, north = grid.bounds
    width, height = east - west, north - south
    length = _round_length(width / 4)
    x, y = west + 0.04 * width, south + 0.04 * height
    label = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    words: dict[str, Any] = {"ha": "center", "fontsize": 8, "family": FONT, "path_effects": _HALO}
    axes.plot(
        [x, x + length],
        [y, y],
        color="black",
        linewidth=2,
        solid_capstyle="butt",
        path_effects=[withStroke(linewidth=4, foreground="white")],
    )
    axes.text(x + length / 2, y + 0.012 * height, label, **words)
    # On the grid, true north is at minus the convergence.
    east_part, down_part = toward(-grid.convergence_deg())
    foot = (x + 0.02 * width, y + 0.06 * height)
    tip = (foot[0] + 0.05 * height * east_part, foot[1] - 0.05 * height * down_part)
    arrow = {"arrowstyle": "->", "linewidth": 1.2, "path_effects": _HALO}
    axes.annotate("", xy=tip, xytext=foot, arrowprops=arrow)
    axes.text(*tip, "N", va="bottom", **words)


def _round_length(metres: float) -> float:
    """The largest of 1, 2, 5 times a power of ten not above a length."""
    power = 10.0 ** math.floor(math.log10(metres))
    return next(power * step for step in (5, 2, 1) if power * step <= metres)
