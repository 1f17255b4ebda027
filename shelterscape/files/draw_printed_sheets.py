"""Sheets of facts and tables to print on A4 (PDF)."""

from __future__ import annotations

from pathlib import Path

from shelterscape.files.draw_pages import BOLD, REGULAR, Pages
from shelterscape.files.handover_sheets import PrintedSheet, PrintedSheets, SheetTable

A4_MM, MARGIN_MM, BOTTOM_MM = (210.0, 297.0), 14.0, 283.0
WIDE_MM = A4_MM[0] - 2 * MARGIN_MM
LINE_MM, PAD_MM = 3.5, 0.8
FACTS_ACROSS = 3


def draw_printed_sheets(path: Path, sheets: PrintedSheets) -> None:
    """Draw sheets as a PDF file; equal contents give equal bytes.

    Parameters
    ----------
    path : Path
    sheets : PrintedSheets
    """
    pages = Pages(path, sheets.title, A4_MM)
    for sheet in sheets.sheets:
        flow = _Flow(pages, sheets.title, sheet)
        _facts(flow, sheet)
        for table in sheet.tables:
            _table(flow, table)
        _notes(flow, sheets.notes)
        pages.end_page()
    pages.save()


class _Flow:
    """The place that is free next on the pages of a sheet."""

    def __init__(self, pages: Pages, title: str, sheet: PrintedSheet) -> None:
        self.pages, self.title, self.sheet = pages, title, sheet
        self.number, self.y = 0, 0.0
        self._start()

    def _start(self) -> None:
        self.number += 1
        more = f", page {self.number}" if self.number > 1 else ""
        right = A4_MM[0] - MARGIN_MM
        self.pages.text(MARGIN_MM, 11, self.sheet.heading + more, 14, BOLD)
        self.pages.text(right, 12, self.title, 8, align="right")
        self.pages.line((MARGIN_MM, 18), (right, 18), wide_pt=0.8)
        self.y = 21.0

    def needs(self, high_mm: float) -> bool:
        """Start a new page where less room is left; whether it did."""
        if self.y + high_mm <= BOTTOM_MM:
            return False
        self.pages.end_page()
        self._start()
        return True


def _facts(flow: _Flow, sheet: PrintedSheet) -> None:
    """Labels and values, several in a line."""
    wide = WIDE_MM / min(FACTS_ACROSS, max(len(sheet.facts), 1))
    for first in range(0, len(sheet.facts), FACTS_ACROSS):
        some = sheet.facts[first : first + FACTS_ACROSS]
        lines = [flow.pages.wrapped(value, wide - 2, 8.5) for _, value in some]
        high = 3.2 + 3.9 * max(len(each) for each in lines) + 1.2
        flow.needs(high)
        for n, ((label, _), each) in enumerate(zip(some, lines, strict=True)):
            x = MARGIN_MM + n * wide
            flow.pages.text(x, flow.y, label, 6.5, colour="#555555")
            for k, line in enumerate(each):
                flow.pages.text(x, flow.y + 3.2 + 3.9 * k, line, 8.5)
        flow.y += high


def _table(flow: _Flow, table: SheetTable) -> None:
    wide = _widths(flow, table)
    flow.needs(14)
    flow.pages.text(MARGIN_MM, flow.y + 1.5, table.heading, 9, BOLD)
    flow.y += 7
    heads = _cells(flow, table.columns, wide, BOLD)
    if any(table.columns):
        _row(flow, heads, wide, BOLD)
    for row in table.rows:
        cells = _cells(flow, row, wide)
        if flow.needs(_high_mm(cells)) and any(table.columns):
            _row(flow, heads, wide, BOLD)
        _row(flow, cells, wide)
    flow.y += 2


def _widths(flow: _Flow, table: SheetTable) -> list[float]:
    """Widths of columns, mm: as stated, but no word runs into the next column."""
    total = sum(table.widths)
    least = []
    for column in zip(table.columns, *table.rows, strict=True):
        words = [
            flow.pages.width_mm(word, weight=BOLD if n == 0 else REGULAR)
            for n, text in enumerate(column)
            for word in text.split(" ")
        ]
        least.append(max(words) + 2 * PAD_MM)
    more = [max(WIDE_MM * w / total - low, 0.0) for w, low in zip(table.widths, least, strict=True)]
    spare = WIDE_MM - sum(least)
    if spare < 0 or not any(more):
        return [WIDE_MM * one / total for one in table.widths]
    return [low + spare * m / sum(more) for low, m in zip(least, more, strict=True)]


def _cells(
    flow: _Flow, row: tuple[str, ...], wide: list[float], weight: str = REGULAR
) -> list[list[str]]:
    """Lines of each cell of a row."""
    pairs = zip(row, wide, strict=True)
    return [flow.pages.wrapped(c, w - 2 * PAD_MM, weight=weight) for c, w in pairs]


def _high_mm(cells: list[list[str]]) -> float:
    return LINE_MM * max(map(len, cells)) + 2 * PAD_MM


def _row(flow: _Flow, cells: list[list[str]], wide: list[float], weight: str = REGULAR) -> None:
    """Cells with a line below."""
    x = MARGIN_MM
    for each, w in zip(cells, wide, strict=True):
        for k, line in enumerate(each):
            flow.pages.text(x + PAD_MM, flow.y + PAD_MM + LINE_MM * k, line, weight=weight)
        x += w
    flow.y += _high_mm(cells)
    thick = 0.8 if weight == BOLD else 0.25
    flow.pages.line((MARGIN_MM, flow.y), (MARGIN_MM + WIDE_MM, flow.y), wide_pt=thick)


def _notes(flow: _Flow, notes: tuple[str, ...]) -> None:
    lines = [line for note in notes for line in flow.pages.wrapped(note, WIDE_MM, 6.8)]
    flow.needs(min(3.1 * len(lines) + 6, 100))
    flow.pages.text(MARGIN_MM, flow.y + 1, "Safety and limits", 8, BOLD)
    flow.y += 5
    for line in lines:
        flow.needs(3.1)
        flow.pages.text(MARGIN_MM, flow.y, line, 6.8)
        flow.y += 3.1
