"""Pages of a PDF file on which places are mm from the upper left corner."""

from __future__ import annotations

from pathlib import Path

from matplotlib.font_manager import FontProperties, findfont
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from shelterscape.files.draw_figure import FONT, drawable_text

REGULAR, BOLD = "regular", "bold"
TEXT_PT, LEADING = 7.5, 1.32
"""Usual size of text, points; distance of lines divided by the size of the text."""

BLACK = "#000000"


class Pages:
    """Pages of one size; without dates and random names, equal contents give equal bytes.

    Parameters
    ----------
    path : Path
    title : str
    size_mm : tuple of float
        Width and height of a page, mm.
    """

    def __init__(self, path: Path, title: str, size_mm: tuple[float, float]) -> None:
        for weight in (REGULAR, BOLD):
            font = findfont(FontProperties(family=FONT, weight=weight))
            pdfmetrics.registerFont(TTFont(weight, font))
        self.wide_mm, self.high_mm = size_mm
        size = self.wide_mm * mm, self.high_mm * mm
        self.canvas = Canvas(str(path), pagesize=size, invariant=1, pageCompression=1)
        self.canvas.setTitle(title)
        self.canvas.setAuthor("shelterscape")
        self.canvas.setCreator("shelterscape")

    def place(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """A place in points from the lower left corner, as the file counts."""
        return x_mm * mm, (self.high_mm - y_mm) * mm

    def text(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        size: float = TEXT_PT,
        weight: str = REGULAR,
        *,
        align: str = "left",
        colour: str = BLACK,
        turned: bool = False,
    ) -> None:
        """Text with its upper left (or middle, or right) corner at a place; lines follow."""
        share = {"left": 0.0, "middle": 0.5, "right": 1.0}[align]
        self.canvas.saveState()
        self.canvas.translate(*self.place(x_mm, y_mm))
        self.canvas.rotate(90 if turned else 0)
        self.canvas.setFont(weight, size)
        self.canvas.setFillColor(HexColor(colour))
        for n, line in enumerate(drawable_text(text).split("\n")):
            left = -share * self.width_mm(line, size, weight) * mm
            self.canvas.drawString(left, -(0.8 + n * LEADING) * size, line)
        self.canvas.restoreState()

    def width_mm(self, text: str, size: float = TEXT_PT, weight: str = REGULAR) -> float:
        """Width of a line of text, mm."""
        return float(pdfmetrics.stringWidth(drawable_text(text), weight, size)) / mm

    def wrapped(
        self, text: str, wide_mm: float, size: float = TEXT_PT, weight: str = REGULAR
    ) -> list[str]:
        """Lines of a text that are at most as wide as stated; a longer word is a line.

        Words joined by a no-break space stay together.
        """
        space, used = self.width_mm(" ", size, weight), wide_mm
        lines: list[str] = []
        for word in text.split(" "):
            width = self.width_mm(word, size, weight)
            if lines and used + space + width <= wide_mm:
                lines[-1] += f" {word}"
                used += space + width
            else:
                lines.append(word)
                used = width
        return lines

    def line(self, *places: tuple[float, float], wide_pt: float = 0.4, colour: str = BLACK) -> None:
        """A line through places, mm."""
        path = self.canvas.beginPath()
        path.moveTo(*self.place(*places[0]))
        for place in places[1:]:
            path.lineTo(*self.place(*place))
        self.canvas.setLineWidth(wide_pt)
        self.canvas.setStrokeColor(HexColor(colour))
        self.canvas.drawPath(path)

    def box(
        self,
        x_mm: float,
        y_mm: float,
        wide_mm: float,
        high_mm: float,
        colour: str,
        edge_pt: float = 0,
    ) -> None:
        """A filled rectangle by its upper left corner; with an edge where it has a width."""
        self.canvas.setFillColor(HexColor(colour))
        self.canvas.setStrokeColor(HexColor(BLACK))
        self.canvas.setLineWidth(edge_pt)
        x, y = self.place(x_mm, y_mm + high_mm)
        self.canvas.rect(x, y, wide_mm * mm, high_mm * mm, fill=1, stroke=int(edge_pt > 0))

    def end_page(self) -> None:
        """End the page."""
        self.canvas.showPage()

    def save(self) -> None:
        """Write the file."""
        self.canvas.save()
