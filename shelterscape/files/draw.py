"""Preview maps of results: views of the ground with legends, scale, north and notes."""

from __future__ import annotations

import shelterscape.files.draw_library  # noqa: F401 - before matplotlib

# isort: split

import math
import re
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PatchCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch, Rectangle
from matplotlib.path import Path as DrawnPath
from numpy.typing import NDArray

from shelterscape.files.draw_figure import (
    DOTS_PER_INCH,
    FONT,
    LINE_INCHES,
    new_figure,
    note_lines,
    save_figure,
)
from shelterscape.files.draw_labels import Labels
from shelterscape.files.draw_marks import draw_scale_and_north, draw_wind_arrow
from shelterscape.files.draw_scales import Scale, draw_legend, scales_of
from shelterscape.files.draw_sheets import FeatureGroup, MapPanel, MapSheet
from shelterscape.files.draw_views import Bounds, averaged
from shelterscape.files.styles import BELT_COLOUR, HATCHED_ABOVE, MARKED_COLOUR, OUTLINE_COLOUR
from shelterscape.grid import Grid

__all__ = ["averaged", "draw_maps"]

PANEL_INCHES = {1: 5.9, 2: 4.8, 3: 3.9, 4: 3.2}
"""Width of a panel by the number side by side."""

MOST_CELLS = int(PANEL_INCHES[1] * DOTS_PER_INCH)
"""Width of a single panel in pixels; finer rasters are averaged to its pixels."""

LEGEND_INCHES, HEADING_INCHES = 2.75, 0.42
RELIEF = LinearSegmentedColormap.from_list(
    "relief", [(0.0, "#8f8373"), (0.7071, "#f7f4ee"), (1.0, "#ffffff")]
)
"""Relief in another hue than shelter; level ground is almost white."""

RELIEF_FACTOR = 3.0
"""Vertical exaggeration."""


@dataclass(frozen=True)
class _View:
    """Ground that a panel shows.

    Parameters
    ----------
    bounds : tuple of float
    grid : Grid
        Its part of the whole grid.
    window : tuple of slice
        Rows and columns of that part.
    shape : tuple of int
        Rows and columns of pixels; never more than cells.
    """

    bounds: Bounds
    grid: Grid
    window: tuple[slice, slice]
    shape: tuple[int, int]

    def shown(self, values: NDArray[Any]) -> NDArray[np.float32]:
        """Values of this ground at the size of the panel."""
        return averaged(values[self.window], self.shape)


def draw_maps(path: Path, sheet: MapSheet) -> None:
    """Draw a sheet of maps as a PNG file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : MapSheet
    """
    # Rows that are full, where three or four panels side by side allow it.
    count = len(sheet.panels)
    across = min(sheet.across or (4 if count % 4 in (0, 3) else 3), count)
    down = math.ceil(count / across)
    wide = PANEL_INCHES[across]
    high = wide * _height_share(sheet)
    width = (wide + 0.15) * across + LEGEND_INCHES + 0.1
    text = note_lines(sheet.notes, width - 0.2)
    foot = LINE_INCHES * len(text) + 0.25
    height = (high + HEADING_INCHES) * down + foot + 0.45
    figure = new_figure(width, height, sheet.title)
    views = [_view(panel, sheet.grid, wide, high) for panel in sheet.panels]
    shown = [
        None if panel.values is None else view.shown(panel.values)
        for panel, view in zip(sheet.panels, views, strict=True)
    ]
    pairs = [(p.term, v) for p, v in zip(sheet.panels, shown, strict=True) if v is not None]
    scales = scales_of(pairs, relief=sheet.ground is not None)
    for i, (panel, view, values) in enumerate(zip(sheet.panels, views, shown, strict=True)):
        left = 0.1 + (wide + 0.15) * (i % across)
        bottom = foot + (high + HEADING_INCHES) * (down - 1 - i // across)
        axes = figure.add_axes((left / width, bottom / height, wide / width, high / height))
        axes.set_facecolor("#ffffff")
        _draw_panel(axes, panel, view, values, sheet, scales, 72 * wide)
        heading = "\n".join(_heading_lines(panel.heading, int(13.5 * wide)))
        axes.set_title(heading, fontsize=8.5, family=FONT, loc="left", pad=3)
    windier = any(name in HATCHED_ABOVE and (v > HATCHED_ABOVE[name]).any() for name, v in pairs)
    top = height - 0.45
    _draw_legends(figure, sheet, scales, width - LEGEND_INCHES, top, windier)
    save_figure(figure, path, text)


def _heading_lines(heading: str, letters: int) -> list[str]:
    """At most two lines; numbers stay with their units, and words in one piece."""
    joined = re.sub(r"(?<=\d) (?=[m%])", "\u00a0", heading)
    return textwrap.wrap(joined, letters, break_on_hyphens=False)[:2]


def _height_share(sheet: MapSheet) -> float:
    """Height of panels divided by their width: square views, or in proportion to the map."""
    if any(panel.view for panel in sheet.panels):
        return 1.0
    rows, cols = sheet.grid.shape
    return min(max(rows / cols, 0.4), 1.6)


def _view(panel: MapPanel, grid: Grid, wide: float, high: float) -> _View:
    """The ground of a panel, extended to its shape."""
    bounds = panel.view or grid.bounds
    west, south, east, north = bounds
    x, y = (west + east) / 2, (south + north) / 2
    half = max((east - west) / 2, (north - south) / 2 * wide / high)
    bounds = (x - half, y - half * high / wide, x + half, y + half * high / wide)
    part = grid.around(bounds, 0.0) or grid
    col, row = (round(float(n)) for n in ~grid.affine * (part.bounds[0], part.bounds[3]))
    rows, cols = part.shape
    pixels_per_m = DOTS_PER_INCH * wide / (2 * half)
    scale = min(pixels_per_m * grid.cell_m, 1.0)
    shape = max(int(rows * scale), 1), max(int(cols * scale), 1)
    return _View(bounds, part, (slice(row, row + rows), slice(col, col + cols)), shape)


def _draw_panel(
    axes: Axes,
    panel: MapPanel,
    view: _View,
    values: NDArray[np.float32] | None,
    sheet: MapSheet,
    scales: dict[str, Scale],
    points: float,
) -> None:
    """One map with all that is drawn over it; `points` is its width in points."""
    if sheet.ground is not None:
        relief = _relief(view.shown(sheet.ground), view.grid)
        axes.imshow(relief, cmap=RELIEF, vmin=0, vmax=1, **_placed(view.grid))
    if values is not None:
        _draw_raster(axes, values, scales[panel.term], view.grid)
    if panel.doubtful is not None:
        _hatch(axes, view.shown(panel.doubtful) >= 0.5, "....", view.grid)
    west, south, east, north = view.bounds
    axes.set(xlim=(west, east), ylim=(south, north), xticks=[], yticks=[])
    points_per_m = points / (east - west)
    detail_m = 0.25 / points_per_m
    for group in sheet.groups:
        _draw_group(axes, group, detail_m)
    close = east - west < 2500
    if sheet.outlined is not None:
        _draw_lines(axes, sheet.outlined, OUTLINE_COLOUR, 1.1 if close else 0.5, detail_m)
    if sheet.belts is not None:
        _draw_lines(axes, sheet.belts, BELT_COLOUR, 2.0 if close else 0.7, detail_m)
    if sheet.marked is not None:
        _draw_lines(axes, sheet.marked, MARKED_COLOUR, 3.0 if close else 2.0, detail_m)
    labels = Labels(axes, points_per_m)
    labels.keep_clear(_most_important(sheet))
    labels.reserve(*draw_scale_and_north(axes, view.bounds, sheet.grid))
    if panel.wind_from_deg is not None:
        labels.reserve(*draw_wind_arrow(axes, view.bounds, panel.wind_from_deg, sheet.grid))
    boxes = _draw_boxes(axes, sheet, view.bounds)
    labels.place(boxes, 9)
    if not boxes or not sheet.boxes:
        labels.place(_numbers(sheet.marked), 8)
        labels.place((x, y, text) for (x, y), text in sheet.labels.items())


def _most_important(sheet: MapSheet) -> NDArray[np.object_]:
    """Features that labels do not cover: bold lines, and groups that are filled."""
    filled = [g.shapes for g in sheet.groups if not g.hatch]
    lines = [] if sheet.marked is None else [sheet.marked.geometry.to_numpy()]
    return np.concatenate([*filled, *lines, np.empty(0, dtype=object)])


def _placed(grid: Grid) -> dict[str, Any]:
    west, south, east, north = grid.bounds
    return {"extent": (west, east, south, north), "interpolation": "nearest", "aspect": "auto"}


def _draw_raster(axes: Axes, values: NDArray[np.float32], scale: Scale, grid: Grid) -> None:
    """Draw values, with a hatch where colour alone could be misread."""
    shown = np.ma.masked_invalid(values)
    axes.imshow(shown, cmap=scale.colours, norm=scale.norm, **_placed(grid))
    above = HATCHED_ABOVE.get(scale.term.name)
    if above is not None:
        # Colour-blind readers could confuse values above the bound with values below it.
        _hatch(axes, shown.filled(0.0) > above, "////", grid)


def _hatch(axes: Axes, cells: NDArray[np.bool_], hatch: str, grid: Grid) -> None:
    """Hatch the cells that are true."""
    if min(cells.shape) < 2 or not cells.any():
        return
    extent = _placed(grid)["extent"]
    axes.contourf(cells.astype(np.float32), levels=[0.5, 2.0], hatches=[hatch], colors="none",
                  extent=extent, origin="upper")  # fmt: skip


def _relief(ground: NDArray[np.floating], grid: Grid) -> NDArray[np.floating]:
    """Hillshade of the ground by Lambert's cosine law, 0 to 1, not stretched to its own range."""
    filled = np.where(np.isfinite(ground), ground, np.nanmin(ground) if len(ground) else 0.0)
    if min(filled.shape) < 2:
        return np.full(filled.shape, math.sqrt(0.5))
    pixel_m = grid.cell_m * grid.shape[1] / ground.shape[1]
    down, east = np.gradient(RELIEF_FACTOR * filled, pixel_m)
    # Light from the north-west, 45° high, is the convention for maps.
    cosine = math.sqrt(0.5) + 0.5 * (down + east)
    return np.clip(cosine / np.sqrt(1.0 + down**2 + east**2), 0.0, 1.0)


def _draw_boxes(axes: Axes, sheet: MapSheet, bounds: Bounds) -> list[tuple[float, float, str]]:
    """Outline the views inside a wider one; return their letters and where to write them."""
    west, south, east, north = bounds
    found = []
    for letter, (left, low, right, top) in sheet.boxes.items():
        inside = left < east and right > west and low < north and top > south
        if inside and right - left < 0.6 * (east - west):
            frame = Rectangle((left, low), right - left, top - low, fill=False, zorder=8,
                              edgecolor="#111111", linewidth=1.2)  # fmt: skip
            axes.add_patch(frame)
            found.append((right, top, letter))
    return found


def _draw_group(axes: Axes, group: FeatureGroup, detail_m: float) -> None:
    """Draw the features of a group."""
    parts = shapely.get_parts(shapely.simplify(group.shapes, detail_m))
    patches = [PathPatch(_outline(p)) for p in parts if p.geom_type == "Polygon" and not p.is_empty]
    axes.add_collection(PatchCollection(patches, **_group_style(group)))


def _group_style(group: FeatureGroup) -> dict[str, Any]:
    if group.hatch:
        return {"edgecolor": group.colour, "linewidth": 0.8, "facecolor": "none",
                "hatch": group.hatch, "alpha": 0.7}  # fmt: skip
    if group.dashed:
        return {"edgecolor": group.colour, "linewidth": 1.3, "facecolor": "none",
                "linestyle": (0, (2, 1.2))}  # fmt: skip
    return {"edgecolor": group.colour, "linewidth": 1.2, "facecolor": group.colour}


def _outline(polygon: shapely.Polygon) -> DrawnPath:
    """A polygon with its holes as one path."""
    rings = [polygon.exterior, *polygon.interiors]
    return DrawnPath.make_compound_path(
        *(DrawnPath(np.asarray(ring.coords)[:, :2], closed=True) for ring in rings)
    )


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


def _numbers(lines: gpd.GeoDataFrame | None) -> list[tuple[float, float, str]]:
    """The order of choice, by the middle of each line."""
    if lines is None or "choice_order" not in lines:
        return []
    middles = [line.interpolate(0.5, normalized=True) for line in lines.geometry]
    return [
        (p.x, p.y, str(number)) for p, number in zip(middles, lines["choice_order"], strict=True)
    ]


def _draw_legends(
    figure: Figure, sheet: MapSheet, scales: dict[str, Scale], left: float, top: float,
    windier: bool,
) -> None:  # fmt: skip
    """Legends of all scales and features, below each other."""
    for scale in scales.values():
        top -= draw_legend(figure, scale, left, top, hatched=windier) + 0.1
    handles: list[Any] = [
        Patch(label=textwrap.fill(group.label, 30), **_group_style(group))
        for group in reversed(sheet.groups)
    ]
    for frame, colour, width, label in (
        (sheet.belts, BELT_COLOUR, 1.6, "existing belts"),
        (sheet.outlined, OUTLINE_COLOUR, 1.1, sheet.outline_label),
        (sheet.marked, MARKED_COLOUR, 3.0, sheet.marked_label),
    ):
        if frame is not None and len(frame):
            handles.append(Line2D([], [], color=colour, linewidth=width,
                                  label=textwrap.fill(label, 30)))  # fmt: skip
    if any(panel.doubtful is not None and panel.doubtful.any() for panel in sheet.panels):
        handles.append(Patch(facecolor="none", edgecolor="black", hatch="....",
                             label="not modelled: do not rely\non the values"))  # fmt: skip
    if handles:
        width, height = figure.get_size_inches()
        figure.legend(handles=handles, loc="upper left", frameon=False, fontsize=7.5,
                      bbox_to_anchor=(left / width, top / height))  # fmt: skip
