"""Wind roses as a picture: area is time, darker is stronger."""

from __future__ import annotations

import shelterscape.files.draw_library  # noqa: F401 - before matplotlib

# isort: split

import math
import textwrap
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Circle, Rectangle, Wedge
from numpy.typing import NDArray

from shelterscape.files.draw_figure import (
    FONT,
    LINE_INCHES,
    new_figure,
    note_lines,
    save_figure,
)
from shelterscape.files.draw_sheets import Rose, RoseSheet
from shelterscape.files.styles import WIND_SPEEDS

PANEL_INCHES, HEADING_INCHES, MOST_ACROSS = 3.3, 0.5, 3
LEGEND_INCHES = 0.75
FILLED_WIDTH = 0.86
"""Part of the width of a sector that is filled, so that neighbours stay apart."""

RINGS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0)
EDGE, LINE = "#6b5a45", "#2b1055"


def class_colours(count: int) -> list[str | tuple[float, ...]]:
    """Colours of speed classes, from light to dark.

    Parameters
    ----------
    count : int
    """
    # The lightest shade of the ramp would not show on white.
    colours = [colour for _, colour in WIND_SPEEDS[1:]]
    ramp = LinearSegmentedColormap.from_list("wind speed", colours)
    return [ramp(i / max(count - 1, 1)) for i in range(count)]


def draw_roses(path: Path, sheet: RoseSheet) -> None:
    """Draw a sheet of wind roses as a PNG file.

    Parameters
    ----------
    path : Path
        Where the file goes.
    sheet : RoseSheet
    """
    across = min(MOST_ACROSS, len(sheet.roses))
    down = math.ceil(len(sheet.roses) / across)
    width = max(PANEL_INCHES * across + 0.2, 6.8)
    text = note_lines(sheet.notes, width)
    foot = LINE_INCHES * len(text) + 0.3
    panel = PANEL_INCHES + HEADING_INCHES
    height = panel * down + LEGEND_INCHES + foot + 0.5
    figure = new_figure(width, height, sheet.title)
    colours = class_colours(len(sheet.classes))
    scale = _Scale(sheet.roses)
    for i, rose in enumerate(sheet.roses):
        left = 0.1 + PANEL_INCHES * (i % across)
        bottom = foot + LEGEND_INCHES + panel * (down - 1 - i // across)
        place = (left / width, bottom / height, PANEL_INCHES / width, PANEL_INCHES / height)
        _draw_rose(figure.add_axes(place), rose, scale, colours)
    legend = (0.1 / width, foot / height, (width - 0.2) / width, LEGEND_INCHES / height)
    _draw_legend(figure.add_axes(legend), sheet.classes, colours)
    save_figure(figure, path, text)


class _Scale:
    """Radii at which areas are shares of the time, the same for all roses of a sheet.

    Parameters
    ----------
    roses : tuple of Rose
    """

    def __init__(self, roses: tuple[Rose, ...]) -> None:
        self._unit = 1.0
        largest = max(float(np.max(self._tops(rose))) for rose in roses)
        self._unit = 1.0 / largest

    def _tops(self, rose: Rose) -> NDArray[np.floating]:
        shares = rose.share.sum(axis=1) if rose.high is None else rose.high
        return np.array([self.radius(rose, s, w) for s, w in zip(shares, rose.sector_deg,
                         strict=True)])  # fmt: skip

    def calm_radius(self, rose: Rose) -> float:
        """Radius of the circle of calm."""
        return self._unit * math.sqrt(rose.calm / math.pi)

    def radius(self, rose: Rose, share: float, sector_deg: float) -> float:
        """Outer radius of a sector that holds a share of the time."""
        angle = math.radians(max(sector_deg, 1.0))
        return self._unit * math.sqrt(rose.calm / math.pi + 2.0 * share / angle)


def _draw_rose(
    axes: Axes, rose: Rose, scale: _Scale, colours: list[str | tuple[float, ...]]
) -> None:
    """One rose with rings, sectors, uncertainty, calm and compass points."""
    axes.set(xlim=(-1.28, 1.28), ylim=(-1.28, 1.28), aspect="equal")
    axes.axis("off")
    width = float(np.median(rose.sector_deg))
    rings = [r for r in RINGS if scale.radius(rose, r, width) <= 1.02][-3:]
    at = math.radians(_free_angle_deg(rose))
    for ring in rings:
        radius = scale.radius(rose, ring, width)
        axes.add_patch(Circle((0, 0), radius, fill=False, color="#b9b2a6", linewidth=0.6, zorder=0))
        axes.text(radius * math.sin(at), radius * math.cos(at), f"{100 * ring:.0f} %", fontsize=6.5,
                  color="#55504a", family=FONT, ha="center", va="center", zorder=5)  # fmt: skip
    for i, (direction, sector) in enumerate(zip(rose.direction_deg, rose.sector_deg, strict=True)):
        _draw_sector(axes, rose, scale, i, float(direction), float(sector), colours)
    axes.add_patch(
        Circle((0, 0), scale.calm_radius(rose), facecolor="white", edgecolor=EDGE, linewidth=0.7)
    )
    for name, x, y in (("N", 0, 1), ("E", 1, 0), ("S", 0, -1), ("W", -1, 0)):
        axes.text(1.14 * x, 1.14 * y, name, fontsize=9, weight="bold", family=FONT, ha="center",
                  va="center")  # fmt: skip
    axes.text(1.26, -1.24, f"calm {100 * rose.calm:.1f} %", fontsize=8, family=FONT, ha="right")
    title = "\n".join(textwrap.wrap(rose.heading, 44)[:3])
    axes.set_title(title, fontsize=8.5, family=FONT, pad=3)


def _free_angle_deg(rose: Rose) -> float:
    """Between two sectors and two compass points, the side with the least wind."""
    total = rose.share.sum(axis=1)

    def _near(angle_deg: float) -> float:
        apart = np.abs((rose.direction_deg - angle_deg + 180.0) % 360.0 - 180.0)
        return float(total[apart < 30.0].sum())

    return min((33.75, 123.75, 213.75, 303.75), key=_near)


def _draw_sector(
    axes: Axes,
    rose: Rose,
    scale: _Scale,
    i: int,
    direction_deg: float,
    sector_deg: float,
    colours: list[str | tuple[float, ...]],
) -> None:
    """The speed classes of one sector from the middle outwards, and its uncertainty."""
    half = FILLED_WIDTH * max(sector_deg, 4.0) / 2
    # Angles of the drawing run against the clock from east.
    middle = 90.0 - direction_deg
    inner, share = scale.calm_radius(rose), 0.0
    for part, colour in zip(rose.share[i], colours, strict=True):
        share += float(part)
        outer = scale.radius(rose, share, sector_deg)
        if part > 0:
            axes.add_patch(
                Wedge(
                    (0, 0),
                    outer,
                    middle - half,
                    middle + half,
                    width=outer - inner,
                    facecolor=colour,
                    edgecolor=EDGE,
                    linewidth=0.4,
                    zorder=2,
                )
            )
        inner = outer
    if rose.low is not None and rose.high is not None:
        ends = [scale.radius(rose, float(b[i]), sector_deg) for b in (rose.low, rose.high)]
        x, y = math.cos(math.radians(middle)), math.sin(math.radians(middle))
        axes.plot([x * r for r in ends], [y * r for r in ends], color="white", linewidth=2.4,
                  zorder=3, solid_capstyle="butt")  # fmt: skip
        axes.plot([x * r for r in ends], [y * r for r in ends], color=LINE, linewidth=1.1,
                  zorder=4, solid_capstyle="butt")  # fmt: skip


def _draw_legend(
    axes: Axes, classes: tuple[str, ...], colours: list[str | tuple[float, ...]]
) -> None:
    """Speed classes side by side, with words at both ends."""
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.axis("off")
    axes.text(0.5, 0.93, "Wind speed, mean of the interval", fontsize=8.5, family=FONT,
              ha="center", va="center")  # fmt: skip
    left, right = 0.1, 0.9
    step = (right - left) / len(classes)
    for i, (name, colour) in enumerate(zip(classes, colours, strict=True)):
        x = left + i * step
        axes.add_patch(
            Rectangle((x, 0.45), step, 0.3, facecolor=colour, edgecolor=EDGE, linewidth=0.5)
        )
        axes.text(x + step / 2, 0.26, name, fontsize=7.5, family=FONT, ha="center", va="center")
    if len(classes) > 1:
        axes.text(left - 0.01, 0.6, "light wind", fontsize=8, family=FONT, ha="right", va="center")
        axes.text(right + 0.01, 0.6, "strong wind", fontsize=8, family=FONT, va="center")
