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
from shelterscape.terms import ALL_WINDS

WIDTH_INCHES, PANEL_INCHES, LEGEND_INCHES = 9.4, 2.6, 2.75
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
    height = PANEL_INCHES + foot + 1.1
    figure = new_figure(WIDTH_INCHES, height, sheet.title)
    axes = figure.add_axes(
        (
            0.7 / WIDTH_INCHES,
            (foot + 0.5) / height,
            1.0 - (0.9 + LEGEND_INCHES) / WIDTH_INCHES,
            PANEL_INCHES / height,
        )
    )
    scale = scale_of(sheet.term, [sheet.values], relief=False)
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
    draw_legend(
        figure, scale, WIDTH_INCHES - LEGEND_INCHES, foot + 0.5 + PANEL_INCHES, hatched=True
    )
    save_figure(figure, path, text)
