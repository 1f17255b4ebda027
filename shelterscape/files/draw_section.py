"""Wind over the cross-section of a belt as a picture: distance against height."""

from __future__ import annotations

import shelterscape.files.draw_library  # noqa: F401 - before matplotlib

# isort: split

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Rectangle

from shelterscape.files.draw_figure import FONT, LINE_INCHES, new_figure, note_lines, save_figure
from shelterscape.files.draw_scales import Scale, draw_legend, scale_of
from shelterscape.files.draw_sheets import SectionSheet
from shelterscape.files.styles import BELT_COLOUR
from shelterscape.terms import ALL_WINDS

WIDTH_INCHES, PANEL_INCHES, ROWS_INCHES, LEGEND_INCHES = 9.4, 2.6, 1.8, 2.75
WIDE_INCHES = WIDTH_INCHES - LEGEND_INCHES - 0.9
BESIDE_M = 3.0
"""Ground on either side of the rows, m."""

STEM_COLOUR = "#7a5230"
HIGHEST = 2.0
"""Above every relative wind."""


def draw_section(path: Path, sheet: SectionSheet) -> None:
    """Draw the wind over the cross-section of a belt as a PNG file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : SectionSheet
    """
    text = note_lines(sheet.notes, WIDTH_INCHES)
    foot = LINE_INCHES * len(text) + 0.25
    bottom = foot + 0.5 + (ROWS_INCHES + 0.8 if sheet.rows else 0.0)
    height = bottom + PANEL_INCHES + 0.6
    figure = new_figure(WIDTH_INCHES, height, sheet.title)
    axes = _panel(figure, bottom, WIDE_INCHES, PANEL_INCHES)
    scale = scale_of(sheet.term, [sheet.values], relief=False)
    _draw_wind(axes, sheet, scale)
    draw_legend(figure, scale, WIDTH_INCHES - LEGEND_INCHES, bottom + PANEL_INCHES, hatched=True)
    if sheet.rows:
        _draw_rows(figure, sheet, foot + 0.5)
    save_figure(figure, path, text)


def _panel(figure: Figure, bottom: float, wide: float, high: float) -> Axes:
    """Axes at the left, sizes in inches."""
    width, height = figure.get_size_inches()
    return figure.add_axes((0.7 / width, bottom / height, wide / width, high / height))


def _draw_wind(axes: Axes, sheet: SectionSheet, scale: Scale) -> None:
    """Draw zones of relative wind, and the outline of the belt."""
    tall, wide, stem = sheet.belt_m
    # Leeward distances count from the leeward face, so the belt itself is between both.
    x = np.where(sheet.distance_m < 0, sheet.distance_m - wide, sheet.distance_m)
    zones = [*(zone.low for zone in ALL_WINDS), HIGHEST]
    axes.contourf(
        x,
        sheet.height_m,
        sheet.values.T,
        zones,
        cmap=scale.colours,
        norm=scale.norm,
        hatches=[*[""] * (len(ALL_WINDS) - 1), "////"],
    )
    belt = Rectangle((-wide, stem), wide, tall - stem, color=BELT_COLOUR)
    trunks = Rectangle((-wide, 0.0), wide, stem, color=BELT_COLOUR, alpha=0.35)
    for part in (belt, trunks):
        axes.add_patch(part)
    axes.set_ylim(0.0, float(sheet.height_m[-1]))
    axes.set_xlabel("distance from the leeward face, m; the wind comes from the left", family=FONT)
    axes.set_ylabel("height, m", family=FONT)


def _draw_rows(figure: Figure, sheet: SectionSheet, bottom: float) -> None:
    """Draw the rows to scale, numbered from windward; crowns are schematic."""
    tall, wide, _ = sheet.belt_m
    per_m = min(WIDE_INCHES / (wide + 2 * BESIDE_M), ROWS_INCHES / (1.2 * tall))
    axes = _panel(figure, bottom, per_m * (wide + 2 * BESIDE_M), per_m * 1.2 * tall)
    axes.set(xlim=(-wide - BESIDE_M, BESIDE_M), ylim=(0.0, 1.2 * tall))
    offsets = [row.offset_m for row in sheet.rows]
    apart = min(np.diff(offsets), default=0.5 * tall)
    for number, row in enumerate(sheet.rows, start=1):
        crown = min(float(apart), 0.6 * row.height_m)
        axes.plot([row.offset_m] * 2, [0.0, 0.3 * row.height_m], color=STEM_COLOUR, linewidth=1.5)
        axes.add_patch(
            Ellipse(
                (row.offset_m, 0.58 * row.height_m),
                crown,
                0.84 * row.height_m,
                facecolor=BELT_COLOUR,
                edgecolor="white",
            )
        )
        axes.text(row.offset_m, row.height_m, str(number), ha="center", va="bottom", fontsize=7.5,
                  family=FONT)  # fmt: skip
    axes.set_xlabel("distance from the leeward face, m; crowns schematic", family=FONT)
    axes.set_ylabel("height, m", family=FONT)
    width, height = figure.get_size_inches()
    rows = [f"{number}  {row.label}" for number, row in enumerate(sheet.rows, start=1)]
    figure.text((WIDTH_INCHES - LEGEND_INCHES) / width, (bottom + ROWS_INCHES) / height,
                "\n".join(["rows from windward", *rows]), va="top", fontsize=7.5, linespacing=1.5,
                family=FONT)  # fmt: skip
