"""Preview maps: a quick look for people, with all that a map must say about itself."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.colors import Colormap, LightSource, LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from shelterscape.files.styles import BELT_COLOUR, RAMPS
from shelterscape.grid import Grid, toward
from shelterscape.terms import Term

MOST_CELLS = 1200
"""Longest side of a drawn raster in cells; larger ones are thinned for drawing only."""

PANEL_INCHES = 5.6
FONT = "DejaVu Sans"


@dataclass(frozen=True)
class MapSheet:
    """What goes on a preview.

    Parameters
    ----------
    title : str
    panels : dict
        Raster by the heading of its panel.
    grid : Grid
    term : Term
        What the rasters hold.
    notes : tuple of str
        Lines below the maps: season, winds, method, cautions.
    ground : array, optional
        Elevation, drawn as soft relief beneath.
    belts : GeoDataFrame, optional
        Lines drawn on top.
    """

    title: str
    panels: dict[str, NDArray[np.floating]]
    grid: Grid
    term: Term
    notes: tuple[str, ...]
    ground: NDArray[np.floating] | None = None
    belts: gpd.GeoDataFrame | None = None


def draw_maps(path: Path, sheet: MapSheet) -> None:
    """Draw a sheet of maps side by side as a PNG file."""
    count = len(sheet.panels)
    rows, cols = sheet.grid.shape
    map_height = PANEL_INCHES * min(max(rows / cols, 0.4), 1.6)
    text = [line for note in sheet.notes for line in textwrap.wrap(note, 64 * count + 20)]
    foot = 0.165 * len(text) + 0.2
    size = (PANEL_INCHES * count + 1.1, map_height + foot + 0.75)
    figure = Figure(figsize=size, dpi=110, facecolor="white")
    FigureCanvasAgg(figure)
    figure.text(
        0.1 / size[0], 1 - 0.3 / size[1], sheet.title, fontsize=13, weight="bold", family=FONT
    )
    ramp, norm = _ramp(sheet.term)
    bottom, height = foot / size[1], map_height / size[1]
    for i, (heading, values) in enumerate(sheet.panels.items()):
        left, width = (0.1 + PANEL_INCHES * i) / size[0], (PANEL_INCHES - 0.2) / size[0]
        axes = figure.add_axes((left, bottom, width, height))
        _draw_panel(axes, sheet, values, ramp, norm)
        axes.set_title(heading, fontsize=10, family=FONT)
    legend = figure.add_axes(
        (1 - 0.95 / size[0], bottom + 0.12 * height, 0.18 / size[0], 0.7 * height)
    )
    image = figure.axes[0].images[-1]
    bar = figure.colorbar(image, cax=legend)
    bar.set_label(sheet.term.label, fontsize=9, family=FONT)
    bar.ax.tick_params(labelsize=8)
    figure.text(
        0.1 / size[0], 0.1 / size[1], "\n".join(text), fontsize=7.5, family=FONT, va="bottom"
    )
    # No software name or date, so that the same maps give the same bytes.
    figure.savefig(path, metadata={"Software": None})


def _ramp(term: Term) -> tuple[Colormap, Normalize]:
    stops = RAMPS[term.name]
    low, high = stops[0][0], stops[-1][0]
    places = [((value - low) / (high - low), colour) for value, colour in stops]
    ramp = LinearSegmentedColormap.from_list(term.name, places).with_extremes(bad="#d9d9d9")
    return ramp, Normalize(low, high)


def _draw_panel(
    axes: Axes,
    sheet: MapSheet,
    values: NDArray[np.floating],
    ramp: Colormap,
    norm: Normalize,
) -> None:
    west, south, east, north = sheet.grid.bounds
    extent = (west, east, south, north)
    stride = max(1, math.ceil(max(values.shape) / MOST_CELLS))
    shown = np.ma.masked_invalid(values[::stride, ::stride])
    if sheet.ground is not None:
        relief = _relief(sheet.ground[::stride, ::stride], sheet.grid.cell_m * stride)
        axes.imshow(relief, cmap="gray", vmin=-0.4, vmax=1, extent=extent, interpolation="nearest")
    axes.imshow(
        shown,
        cmap=ramp,
        norm=norm,
        extent=extent,
        interpolation="nearest",
        alpha=None if sheet.ground is None else 0.75,
    )
    if sheet.belts is not None:
        _draw_belts(axes, sheet.belts)
    axes.set(xlim=(west, east), ylim=(south, north), xticks=[], yticks=[])
    _draw_scale_and_north(axes, sheet.grid)


def _relief(ground: NDArray[np.floating], cell_m: float) -> NDArray[np.floating]:
    filled = np.where(np.isfinite(ground), ground, np.nanmin(ground))
    # Light from the north-west, as map readers expect.
    return LightSource(315, 45).hillshade(filled, vert_exag=3, dx=cell_m, dy=cell_m)


def _draw_belts(axes: Axes, belts: gpd.GeoDataFrame) -> None:
    lines = belts.geometry.boundary.where(belts.geom_type.str.endswith("Polygon"), belts.geometry)
    parts = lines.explode(index_parts=False).dropna()
    paths = [np.asarray(line.coords) for line in parts if not line.is_empty]
    axes.add_collection(LineCollection(paths, colors=BELT_COLOUR, linewidths=0.7))


def _draw_scale_and_north(axes: Axes, grid: Grid) -> None:
    west, south, east, north = grid.bounds
    width, height = east - west, north - south
    length = _round_length(width / 4)
    x, y = west + 0.04 * width, south + 0.04 * height
    label = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    axes.plot([x, x + length], [y, y], color="black", linewidth=2, solid_capstyle="butt")
    axes.text(x + length / 2, y + 0.012 * height, label, ha="center", fontsize=8, family=FONT)
    # True north on the grid lies at minus the convergence.
    east_part, down_part = toward(-grid.convergence_deg())
    foot = (x + 0.02 * width, y + 0.06 * height)
    tip = (foot[0] + 0.05 * height * east_part, foot[1] - 0.05 * height * down_part)
    axes.annotate("", xy=tip, xytext=foot, arrowprops={"arrowstyle": "->", "linewidth": 1.2})
    axes.text(*tip, "N", ha="center", va="bottom", fontsize=8, family=FONT)


def _round_length(metres: float) -> float:
    """The largest of 1, 2, 5 times a power of ten not above a length."""
    power = 10.0 ** math.floor(math.log10(metres))
    return next(power * step for step in (5, 2, 1) if power * step <= metres)
