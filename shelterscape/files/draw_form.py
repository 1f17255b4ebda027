"""A form to print on A4: lines to write on, and a comparison chart in black and white."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text
from numpy.typing import NDArray

from shelterscape.files.draw import FONT, drawable_text
from shelterscape.files.draw_sheets import FormPage, FormSheet

WIDE_MM, HIGH_MM, MARGIN_MM = 210.0, 297.0, 12.0
PATCH_MM, PATCH_GAP_MM, ROW_LABEL_MM = 18.0, 2.0, 6.0
LINE_MM, HEADING_MM = 6.8, 12.0
CHART_TOP_MM, TABLE_TOP_MM = 33.0, 80.0
TEXT_PT, TEXT_LINE_MM, TEXT_CHARACTERS = 7.5, 3.5, 128
MOST_NAME = 60
"""Most characters of a name that are shown."""

_DATES = {"CreationDate": None, "ModDate": None, "Producer": None, "Creator": "shelterscape"}
"""Without dates and versions, the same form gives the same bytes."""


def draw_form(path: Path, sheet: FormSheet) -> None:
    """Draw a form as a PDF file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : FormSheet
    """
    with PdfPages(path, metadata=_DATES | {"Title": sheet.title}) as pages:
        for page in sheet.pages:
            figure = form_page(sheet, page)
            pages.savefig(figure)
            figure.clear()


def form_page(sheet: FormSheet, page: FormPage) -> Figure:
    """One page of a form.

    Parameters
    ----------
    sheet : FormSheet
    page : FormPage

    Returns
    -------
    Figure
        Of the size of A4.
    """
    figure = Figure(figsize=(WIDE_MM / 25.4, HIGH_MM / 25.4), facecolor="white")
    _heading(figure, sheet, page)
    _chart(figure, sheet)
    bottom = _table(figure, sheet, page)
    _steps(figure, sheet, bottom + 4)
    for text in figure.findobj(Text):
        text.set_parse_math(False)
        text.set_text(drawable_text(text.get_text()))
    return figure


def _text(figure: Figure, x_mm: float, y_mm: float, text: str, **style: Any) -> None:
    """Text with its upper left corner at a place, mm from the upper left corner of the page."""
    drawn: dict[str, Any] = {"fontsize": TEXT_PT, "family": FONT, "va": "top", "ha": "left"}
    figure.text(x_mm / WIDE_MM, 1 - y_mm / HIGH_MM, text, **(drawn | style))


def _line(
    figure: Figure, x_mm: tuple[float, float], y_mm: tuple[float, float], wide: float
) -> None:
    x, y = [x / WIDE_MM for x in x_mm], [1 - y / HIGH_MM for y in y_mm]
    figure.add_artist(Line2D(x, y, color="black", linewidth=wide))


def _heading(figure: Figure, sheet: FormSheet, page: FormPage) -> None:
    _text(figure, MARGIN_MM, 10, sheet.title, fontsize=14, weight="bold")
    name = textwrap.shorten(page.name, MOST_NAME, placeholder=" …") if page.name else ""
    _text(figure, MARGIN_MM, 19, "Belt", fontsize=9)
    _text(figure, MARGIN_MM + 11, 18.6, name, fontsize=10, weight="bold")
    _text(figure, MARGIN_MM + 11, 24.4, page.about or "distances from (end)", fontsize=TEXT_PT)
    for x_mm, label, wide_mm in ((120.0, "Date", 24.0), (158.0, "By", 34.0)):
        _text(figure, x_mm, 19, label, fontsize=9)
        left = x_mm + 3 + 2.2 * len(label)
        _line(figure, (left, left + wide_mm), (23.0, 23.0), 0.5)
    _line(figure, (MARGIN_MM + 11, 114), (23.6, 23.6), 0.5)


def _chart(figure: Figure, sheet: FormSheet) -> None:
    """The comparison chart, as one image."""
    top = CHART_TOP_MM + 4
    _text(figure, MARGIN_MM, top - 8, sheet.chart, weight="bold")
    left, step = MARGIN_MM + ROW_LABEL_MM, PATCH_MM + PATCH_GAP_MM
    for k, label in enumerate(sheet.patch_labels):
        x = left + k * step + PATCH_MM / 2
        _text(figure, x, top - 4, label, ha="center", weight="bold")
    for i, label in enumerate(sheet.patch_rows):
        y = top + i * step + PATCH_MM / 2
        _text(figure, MARGIN_MM + 2, y, label, rotation=90, va="center", ha="center")
    image, mm = chart_image(sheet.patches)
    high, wide = (n * mm for n in image.shape)
    place = ((left - mm) / WIDE_MM, 1 - (top - mm + high) / HIGH_MM)
    axes = figure.add_axes((*place, wide / WIDE_MM, high / HIGH_MM))
    axes.imshow(image, cmap="gray", vmin=0, vmax=1, interpolation="none", aspect="auto")
    axes.axis("off")


def chart_image(
    patches: tuple[tuple[NDArray[np.bool_], ...], ...],
) -> tuple[NDArray[np.bool_], float]:
    """All patches beside each other, each in a frame one pixel wide.

    Parameters
    ----------
    patches : tuple of tuple of (n, n) bool
        By row and column.

    Returns
    -------
    image : (rows, cols) bool
        The first patch begins at row 1 and column 1; True is white.
    pixel_mm : float
        Size of a pixel, mm.
    """
    pixels = len(patches[0][0])
    step = round(pixels * (PATCH_MM + PATCH_GAP_MM) / PATCH_MM)
    rows, cols = ((n - 1) * step + pixels + 2 for n in (len(patches), len(patches[0])))
    image = np.ones((rows, cols), dtype=bool)
    for i, row in enumerate(patches):
        for k, patch in enumerate(row):
            framed = np.pad(patch, 1, constant_values=False)
            image[i * step :, k * step :][: pixels + 2, : pixels + 2] = framed
    return image, PATCH_MM / pixels


def _table(figure: Figure, sheet: FormSheet, page: FormPage) -> float:
    """Lines to write on; returns the lower end, mm."""
    total = sum(column.width for column in sheet.columns)
    wide = WIDE_MM - 2 * MARGIN_MM
    bottom = TABLE_TOP_MM + HEADING_MM + sheet.lines * LINE_MM
    left = MARGIN_MM
    for n, column in enumerate(sheet.columns):
        _line(figure, (left, left), (TABLE_TOP_MM, bottom), 0.8 if not n else 0.4)
        _text(figure, left + 0.8, TABLE_TOP_MM + 1, column.heading, fontsize=6.5, linespacing=1.1)
        left += wide * column.width / total
    right = WIDE_MM - MARGIN_MM
    _line(figure, (right, right), (TABLE_TOP_MM, bottom), 0.8)
    _line(figure, (MARGIN_MM, right), (TABLE_TOP_MM, TABLE_TOP_MM), 0.8)
    for n in range(sheet.lines + 1):
        y = TABLE_TOP_MM + HEADING_MM + n * LINE_MM
        _line(figure, (MARGIN_MM, right), (y, y), 0.8 if n in (0, sheet.lines) else 0.4)
    for n, first in enumerate(page.firsts[: sheet.lines]):
        y = TABLE_TOP_MM + HEADING_MM + n * LINE_MM
        _text(figure, MARGIN_MM + 1.2, y + 1.8, first, fontsize=8)
    return bottom


def _steps(figure: Figure, sheet: FormSheet, top: float) -> None:
    blocks = [("How to measure", [f"{n}. {s}" for n, s in enumerate(sheet.steps, 1)])]
    blocks.append(("Safety and limits", list(sheet.notes)))
    for title, texts in blocks:
        _text(figure, MARGIN_MM, top, title, weight="bold", fontsize=8)
        top += TEXT_LINE_MM + 0.5
        for text in texts:
            lines = textwrap.wrap(text, TEXT_CHARACTERS)
            _text(figure, MARGIN_MM, top, "\n".join(lines), linespacing=1.25)
            top += TEXT_LINE_MM * len(lines)
        top += 2
