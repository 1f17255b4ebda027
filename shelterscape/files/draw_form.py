"""A form to print on A4: lines to write on, and a comparison chart in black and white."""

from __future__ import annotations

import textwrap
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader

from shelterscape.files.draw_pages import BOLD, Pages
from shelterscape.files.draw_sheets import FormPage, FormSheet

WIDE_MM, MARGIN_MM = A4[0] / mm, 12.0
PATCH_MM, PATCH_GAP_MM, ROW_LABEL_MM = 18.0, 2.0, 6.0
LINE_MM, HEADING_MM = 6.8, 12.0
CHART_TOP_MM, TABLE_TOP_MM = 33.0, 80.0
TEXT_LINE_MM, TEXT_CHARACTERS = 3.5, 128
MOST_NAME = 60
"""Most characters of a name that are shown."""

_SAME_ON_EACH_PAGE = "same-on-each-page"


def draw_form(path: Path, sheet: FormSheet) -> None:
    """Draw a form as a PDF file.

    Parameters
    ----------
    path : Path
        File to write. The same form gives the same bytes.
    sheet : FormSheet
    """
    page = Pages(path, sheet.title, (WIDE_MM, A4[1] / mm))
    page.canvas.beginForm(_SAME_ON_EACH_PAGE)
    _chart(page, sheet)
    bottom = _table(page, sheet)
    _steps(page, sheet, bottom + 4)
    page.canvas.endForm()
    for one in sheet.pages:
        page.canvas.doForm(_SAME_ON_EACH_PAGE)
        _heading(page, sheet, one)
        _firsts(page, sheet, one)
        page.canvas.showPage()
    page.canvas.save()


def _heading(page: Pages, sheet: FormSheet, one: FormPage) -> None:
    page.text(MARGIN_MM, 10, sheet.title, 14, BOLD)
    name = textwrap.shorten(one.name, MOST_NAME, placeholder=" …") if one.name else ""
    page.text(MARGIN_MM, 19, "Belt", 9)
    page.text(MARGIN_MM + 11, 18.6, name, 10, BOLD)
    page.text(MARGIN_MM + 11, 24.4, one.about or "distances from (end)")
    for x_mm, label, wide_mm in ((120.0, "Date", 24.0), (158.0, "By", 34.0)):
        page.text(x_mm, 19, label, 9)
        left = x_mm + 3 + 2.2 * len(label)
        page.line((left, 23.0), (left + wide_mm, 23.0), wide_pt=0.5)
    page.line((MARGIN_MM + 11, 23.6), (114, 23.6), wide_pt=0.5)


def _chart(page: Pages, sheet: FormSheet) -> None:
    """The comparison chart, as one image."""
    top = CHART_TOP_MM + 4
    page.text(MARGIN_MM, top - 8, sheet.chart, weight=BOLD)
    left, step = MARGIN_MM + ROW_LABEL_MM, PATCH_MM + PATCH_GAP_MM
    for k, label in enumerate(sheet.patch_labels):
        x = left + k * step + PATCH_MM / 2
        page.text(x, top - 3.7, label, weight=BOLD, align="middle")
    for i, label in enumerate(sheet.patch_rows):
        y = top + i * step + PATCH_MM / 2
        page.text(MARGIN_MM + 1, y, label, align="middle", turned=True)
    image, pixel_mm = chart_image(sheet.patches)
    high, wide = (n * pixel_mm for n in image.shape)
    x, y = (left - pixel_mm) * mm, A4[1] - (top - pixel_mm + high) * mm
    page.canvas.drawImage(ImageReader(Image.fromarray(image)), x, y, wide * mm, high * mm)


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


def _table(page: Pages, sheet: FormSheet) -> float:
    """Lines to write on; returns the lower end, mm."""
    total = sum(column.width for column in sheet.columns)
    wide = WIDE_MM - 2 * MARGIN_MM
    bottom = TABLE_TOP_MM + HEADING_MM + sheet.lines * LINE_MM
    left = MARGIN_MM
    for n, column in enumerate(sheet.columns):
        page.line((left, TABLE_TOP_MM), (left, bottom), wide_pt=0.4 if n else 0.8)
        page.text(left + 0.8, TABLE_TOP_MM + 1, column.heading, 6.5)
        left += wide * column.width / total
    right = WIDE_MM - MARGIN_MM
    page.line((right, TABLE_TOP_MM), (right, bottom), wide_pt=0.8)
    page.line((MARGIN_MM, TABLE_TOP_MM), (right, TABLE_TOP_MM), wide_pt=0.8)
    for n in range(sheet.lines + 1):
        y = TABLE_TOP_MM + HEADING_MM + n * LINE_MM
        page.line((MARGIN_MM, y), (right, y), wide_pt=0.8 if n in (0, sheet.lines) else 0.4)
    return bottom


def _firsts(page: Pages, sheet: FormSheet, one: FormPage) -> None:
    """Content of the first column that is known."""
    for n, first in enumerate(one.firsts[: sheet.lines]):
        page.text(MARGIN_MM + 1.2, TABLE_TOP_MM + HEADING_MM + n * LINE_MM + 1.8, first, 8)


def _steps(page: Pages, sheet: FormSheet, top: float) -> None:
    blocks = [("How to measure", [f"{n}. {s}" for n, s in enumerate(sheet.steps, 1)])]
    blocks.append(("Safety and limits", list(sheet.notes)))
    for title, texts in blocks:
        page.text(MARGIN_MM, top, title, 8, BOLD)
        top += TEXT_LINE_MM + 0.5
        for text in texts:
            lines = textwrap.wrap(text, TEXT_CHARACTERS)
            page.text(MARGIN_MM, top, "\n".join(lines))
            top += TEXT_LINE_MM * len(lines)
        top += 2
