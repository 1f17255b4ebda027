"""A map to scale on A3 (PDF): grid with coordinates, labels, scale bar, legend."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import shapely
from reportlab.lib.colors import HexColor

from shelterscape.files.draw_pages import BOLD, Pages
from shelterscape.files.handover_sheets import MAP_MM, MapGroup, MapPage, ScaleMap

A3_MM = (420.0, 297.0)
LEFT_MM, TOP_MM = 16.0, 20.0
WIDE_MM, HIGH_MM = MAP_MM
"""Frame of the map on the page, mm."""

LEAST_GRID_MM = 38.0
"""Smallest distance of grid lines on the page, mm."""

BESIDE_MM = 5.0
"""Distance from a line to its label, and from labels to the frame, mm."""

LABEL_PT, GRID_COLOUR = 7.0, "#b8c4cc"


def draw_scale_map(path: Path, sheet: ScaleMap) -> None:
    """Draw a map to scale as a PDF file; equal contents give equal bytes.

    Parameters
    ----------
    path : Path
    sheet : ScaleMap
    """
    pages = Pages(path, sheet.title, A3_MM)
    for number, page in enumerate(sheet.pages, start=1):
        _heading(pages, sheet, page, f"page {number} of {len(sheet.pages)}")
        frame = _Frame(page)
        _inside(pages, sheet, frame)
        _edge(pages, frame)
        _below(pages, sheet, frame)
        pages.end_page()
    pages.save()


class _Frame:
    """Places on a page from coordinates on the ground."""

    def __init__(self, page: MapPage) -> None:
        self.scale = page.scale
        self.wide_m, self.high_m = (v * page.scale / 1000.0 for v in (WIDE_MM, HIGH_MM))
        self.west, self.north = page.centre[0] - self.wide_m / 2, page.centre[1] + self.high_m / 2
        self.box = shapely.box(
            self.west, self.north - self.high_m, self.west + self.wide_m, self.north
        )
        self.step_m = grid_step_m(page.scale)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Place on the page, mm."""
        each = 1000.0 / self.scale
        return LEFT_MM + (x - self.west) * each, TOP_MM + (self.north - y) * each

    def lines(self) -> Iterator[tuple[bool, float]]:
        """Grid lines: whether it is an easting, and its coordinate."""
        for upright, low, size in (
            (True, self.west, self.wide_m),
            (False, self.north - self.high_m, self.high_m),
        ):
            first = math.ceil(low / self.step_m)
            for n in range(first, math.floor((low + size) / self.step_m) + 1):
                yield upright, n * self.step_m


def grid_step_m(scale: float) -> float:
    """Distance of grid lines, m: 1, 2 or 5 times a power of ten, and wide enough on the page.

    Parameters
    ----------
    scale : float

    Returns
    -------
    float

    Examples
    --------
    >>> grid_step_m(2500), grid_step_m(10000)
    (100.0, 500.0)
    """
    least = LEAST_GRID_MM * scale / 1000.0
    power = 10.0 ** math.floor(math.log10(least))
    return next(power * n for n in (1.0, 2.0, 5.0, 10.0) if power * n >= least)


def _heading(pages: Pages, sheet: ScaleMap, page: MapPage, number: str) -> None:
    pages.text(LEFT_MM, 7, f"{sheet.title}: {page.heading}", 14, BOLD)
    right = LEFT_MM + WIDE_MM
    pages.text(right, 7, f"1:{page.scale:,.0f} on A3, printed at 100 %", 11, BOLD, align="right")
    pages.text(right, 12.4, f"{sheet.map_grid}; {number}", align="right")


def _inside(pages: Pages, sheet: ScaleMap, frame: _Frame) -> None:
    """Everything within the frame."""
    canvas = pages.canvas
    canvas.saveState()
    clip = canvas.beginPath()
    x, y = pages.place(LEFT_MM, TOP_MM + HIGH_MM)
    width, height = pages.place(WIDE_MM, pages.high_mm - HIGH_MM)
    clip.rect(x, y, width, height)
    canvas.clipPath(clip, stroke=0)
    for upright, value in frame.lines():
        ends = (
            [frame.at(value, frame.north), frame.at(value, frame.north - frame.high_m)]
            if upright
            else [frame.at(frame.west, value), frame.at(frame.west + frame.wide_m, value)]
        )
        pages.line(*ends, wide_pt=0.3, colour=GRID_COLOUR)
    for group in sheet.groups:
        _shapes(pages, group, frame)
    for group in sheet.groups:
        _names(pages, group, frame)
    canvas.restoreState()


def _shapes(pages: Pages, group: MapGroup, frame: _Frame) -> None:
    canvas = pages.canvas
    canvas.saveState()
    canvas.setDash(*([4, 3] if group.dashed else []))
    near = group.shapes[shapely.intersects(group.shapes, frame.box)] if len(group.shapes) else []
    for part in shapely.get_parts(near):
        if part.geom_type == "Point":
            x, y = pages.place(*frame.at(part.x, part.y))
            canvas.setFillColor(HexColor(group.colour))
            canvas.circle(x, y, group.wide_pt, stroke=0, fill=1)
            continue
        rings = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
        for ring in rings:
            places = [frame.at(*xy) for xy in shapely.get_coordinates(ring)]
            pages.line(*places, wide_pt=group.wide_pt, colour=group.colour)
    canvas.restoreState()


def _names(pages: Pages, group: MapGroup, frame: _Frame) -> None:
    """Labels of features, each on the part that is well within the frame."""
    inner = frame.box.buffer(-BESIDE_MM * frame.scale / 1000.0, join_style="mitre")
    for name, shape in zip(group.names, group.shapes, strict=False):
        seen = shapely.intersection(shape, inner)
        if not name or seen.is_empty:
            continue
        if shapely.get_dimensions(seen) == 1:
            longest = max(shapely.get_parts(seen), key=lambda part: float(part.length))
            inside = longest.interpolate(0.5, normalized=True)
        else:
            inside = shapely.point_on_surface(seen)
        x, y = frame.at(inside.x, inside.y)
        wide = pages.width_mm(name, LABEL_PT, BOLD)
        if shapely.get_dimensions(seen) == 1:
            x += wide / 2 + BESIDE_MM  # a label on the line would hide it
        pages.box(x - wide / 2 - 0.5, y - 1.9, wide + 1, 3.2, "#ffffff")
        pages.text(x, y - 1.5, name, LABEL_PT, BOLD, align="middle", colour=group.colour)


def _edge(pages: Pages, frame: _Frame) -> None:
    """The frame, with coordinates of grid lines outside it."""
    right, bottom = LEFT_MM + WIDE_MM, TOP_MM + HIGH_MM
    corners = [(LEFT_MM, TOP_MM), (right, TOP_MM), (right, bottom), (LEFT_MM, bottom)]
    pages.line(*corners, corners[0], wide_pt=0.8)
    for upright, value in frame.lines():
        text = f"{value:,.0f}".replace(",", " ")
        x, y = frame.at(value, value)
        if upright:
            pages.text(x, bottom + 1, text, 6.5, align="middle")
        else:
            pages.text(LEFT_MM - 3.6, y, text, 6.5, align="middle", turned=True)


def _below(pages: Pages, sheet: ScaleMap, frame: _Frame) -> None:
    """Scale bar, north, legend and notes."""
    top = TOP_MM + HIGH_MM + 7
    each = frame.step_m / 2.0
    long_mm = each * 1000.0 / frame.scale
    for n in range(4):
        shade = "#000000" if n % 2 == 0 else "#ffffff"
        pages.box(LEFT_MM + n * long_mm, top, long_mm, 2, shade, 0.4)
    for n in range(5):
        unit = " m" if n == 4 else ""
        pages.text(LEFT_MM + n * long_mm, top + 2.6, f"{n * each:g}{unit}", 6.5, align="middle")
    pages.text(LEFT_MM, top + 6.5, f"The bar is {4 * long_mm:.0f} mm long at the right scale.", 6.5)
    x = LEFT_MM + 4 * long_mm + 18
    pages.line((x, top + 8), (x, top), wide_pt=0.8)
    pages.line((x - 1.4, top + 3), (x, top), (x + 1.4, top + 3), wide_pt=0.8)
    pages.text(x, top + 8.6, "grid north", 6.5, align="middle")
    _legend(pages, sheet, x + 16, top)
    _notes(pages, sheet, x + 100, top)


def _legend(pages: Pages, sheet: ScaleMap, x: float, top: float) -> None:
    shown = [group for group in sheet.groups if len(group.shapes)]
    for n, group in enumerate(shown):
        y, left = top + 4.2 * (n % 5), x + 42 * (n // 5)
        pages.canvas.saveState()
        pages.canvas.setDash(*([4, 3] if group.dashed else []))
        if (shapely.get_dimensions(group.shapes) == 0).all():
            pages.canvas.setFillColor(HexColor(group.colour))
            pages.canvas.circle(*pages.place(left + 4, y + 1.3), group.wide_pt, stroke=0, fill=1)
        else:
            pages.line(
                (left, y + 1.3), (left + 8, y + 1.3), wide_pt=group.wide_pt, colour=group.colour
            )
        pages.canvas.restoreState()
        pages.text(left + 10, y, group.label, 7)


def _notes(pages: Pages, sheet: ScaleMap, x: float, top: float) -> None:
    wide, y = LEFT_MM + WIDE_MM - x, top
    for note in sheet.notes:
        for line in pages.wrapped(note, wide, 6.2):
            if y > A3_MM[1] - 6:
                return
            pages.text(x, y, line, 6.2)
            y += 2.7
