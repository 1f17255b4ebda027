"""Wind over the cross-section of a belt as a picture: distance against height."""

from __future__ import annotations

import shelterscape.files.draw_library  # noqa: F401 - before matplotlib

# isort: split

from pathlib import Path

import numpy as np
from matplotlib.patches import Rectangle

from shelterscape.files.draw_figure import FONT, LINE_INCHES, new_figure, note_lines, save_figure
from shelterscape.files.draw_scales import draw_legend, scale_of
from shelterscape.files.draw_sheets import SectionSheet
from shelterscape.files.styles import BELT_COLOUR

WIDTH_INCHES, PANEL_INCHES = 8.0, 2.6
LEVELS = (0.2, 0.4, 0.6, 0.8, 1.05)
"""Relative winds with a line of their own."""


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
    height = PANEL_INCHES + foot + 1.1
    figure = new_figure(WIDTH_INCHES, height, sheet.title)
    axes = figure.add_axes((0.09, (foot + 0.5) / height, 0.66, PANEL_INCHES / height))
    scale = scale_of(sheet.term, [sheet.values], relief=False)
    tall, wide, stem = sheet.belt_m
    # Leeward distances count from the leeward face, so the belt itself is between both.
    x = np.where(sheet.distance_m < 0, sheet.distance_m - wide, sheet.distance_m)
    axes.pcolormesh(x, sheet.height_m, sheet.values.T, cmap=scale.colours, norm=scale.norm)
    lines = axes.contour(
        x, sheet.height_m, sheet.values.T, LEVELS, colors="#333333", linewidths=0.6
    )
    axes.clabel(lines, fontsize=7)
    belt = Rectangle((-wide, stem), wide, tall - stem, color=BELT_COLOUR)
    trunks = Rectangle((-wide, 0.0), wide, stem, color=BELT_COLOUR, alpha=0.35)
    for part in (belt, trunks):
        axes.add_patch(part)
    axes.set_ylim(0.0, float(sheet.height_m[-1]))
    axes.set_xlabel("distance from the leeward face, m; the wind comes from the left", family=FONT)
    axes.set_ylabel("height, m", family=FONT)
    draw_legend(figure, scale, 0.77 * WIDTH_INCHES, foot + 0.5 + PANEL_INCHES, hatched=True)
    save_figure(figure, path, text)
