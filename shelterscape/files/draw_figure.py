"""Figures: size, title, notes, and the PNG file."""

from __future__ import annotations

import shelterscape.files.draw_library  # noqa: F401 - before matplotlib

# isort: split

import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.patheffects import withStroke
from matplotlib.text import Text
from PIL import Image

DOTS_PER_INCH = 110
PNG_EFFORT = 4
"""Deflate level of pictures. Level 6 takes twice the time for files 2 to 6 % smaller."""

LINE_INCHES = 0.128
"""Height of a line of notes."""

NOTE_LETTERS = 17
"""Letters of a note in an inch."""

FONT = "DejaVu Sans"
HALO = [withStroke(linewidth=2.5, foreground="white")]


def note_lines(notes: Sequence[str], width: float) -> list[str]:
    """Notes broken into lines of some inches."""
    return [line for note in notes for line in textwrap.wrap(note, int(NOTE_LETTERS * width))]


def new_figure(width: float, height: float, title: str) -> Figure:
    """An empty figure of some inches with its title."""
    figure = Figure(figsize=(width, height), dpi=DOTS_PER_INCH, facecolor="white")
    place = (0.1 / width, 1 - 0.3 / height)
    figure.text(*place, title, fontsize=13, weight="bold", family=FONT)
    return figure


def save_figure(figure: Figure, path: Path, text: list[str]) -> None:
    """Write the notes below a figure, and save it as a PNG file; equal figures give equal bytes."""
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
