"""Photographs of belts as a picture, each beside what was taken for sky."""

from __future__ import annotations

import textwrap
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from shelterscape.files.draw_figure import (
    DOTS_PER_INCH,
    FONT,
    LINE_INCHES,
    new_figure,
    note_lines,
    save_figure,
)
from shelterscape.files.draw_sheets import PhotographPanel, PhotographSheet

PANEL_INCHES, HEADING_INCHES = 5.4, 0.4
MOST_HIGH_INCHES = 5.0
SKY_COLOUR = np.array([235, 120, 20], float)
"""Colour of sky: orange does not occur in leaves, bark or sky, for the colour-blind neither."""

PALE = 0.7
"""Share of white over what is outside the outline of the belt."""


def draw_photographs(path: Path, sheet: PhotographSheet) -> None:
    """Draw a sheet of photographs as a PNG file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : PhotographSheet
    """
    width = 2 * PANEL_INCHES + 0.4
    text = note_lines(sheet.notes, width)
    foot = LINE_INCHES * len(text) + 0.3
    sizes = [_size(panel) for panel in sheet.panels]
    height = sum(high + HEADING_INCHES for _, high in sizes) + foot + 0.5
    figure = new_figure(width, height, sheet.title)
    top = height - 0.45
    for panel, (wide, high) in zip(sheet.panels, sizes, strict=True):
        heading = "\n".join(textwrap.wrap(f"{panel.heading}. {panel.faults}".rstrip(". "), 130)[:2])
        y = (top - HEADING_INCHES + 0.06) / height
        figure.text(0.1 / width, y, heading, fontsize=8, family=FONT, va="bottom")
        top -= HEADING_INCHES + high
        for left, picture in ((0.1, panel.shown), (0.3 + PANEL_INCHES, coloured(panel))):
            axes: Axes = figure.add_axes((left / width, top / height, wide / width, high / height))
            axes.imshow(picture, aspect="auto", interpolation="antialiased")
            axes.axis("off")
    save_figure(figure, path, text)


def _size(panel: PhotographPanel) -> tuple[float, float]:
    """Width and height of a photograph on the sheet, inches."""
    rows, cols = panel.sky.shape
    wide = min(PANEL_INCHES, MOST_HIGH_INCHES * cols / rows)
    return wide, max(wide * rows / cols, 4 / DOTS_PER_INCH)


def coloured(panel: PhotographPanel) -> NDArray[np.uint8]:
    """A photograph with its sky coloured, and pale outside the outline of the belt.

    Parameters
    ----------
    panel : PhotographPanel

    Returns
    -------
    (rows, cols, 3) uint8
    """
    shown = panel.shown.astype(float)
    outside = np.isnan(panel.sky)
    share = np.clip(np.where(outside, 0, panel.sky), 0, 1)[..., None]
    mixed = (1 - share) * shown + share * SKY_COLOUR
    mixed[outside] = (1 - PALE) * shown[outside] + PALE * 255
    return np.round(mixed).astype(np.uint8)
