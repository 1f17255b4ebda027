"""The pages of holdings as sheets to print: the last pages of what a planting team takes along."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from shelterscape.files.handover_sheets import PrintedSheet, PrintedSheets, SheetTable
from shelterscape.files.html_page import HoldingPage, Page, PageTable

HOLDING_SHEETS = "holding_pages.pdf"

BOX = "□"
"""To tick when done."""

BOLD = 1.3
"""Width of a letter of a title divided by that of a cell."""

WIDE_CELL = 36
"""Letters of a cell that are given room on one line; longer texts take several."""


def print_holdings(page: Page, path: Path) -> None:
    """Write the pages of holdings as a PDF file; no file where there are none.

    Parameters
    ----------
    page : Page
    path : Path
    """
    if page.holdings:
        # The drawing library takes long to load.
        from shelterscape.files.draw_printed_sheets import draw_printed_sheets

        draw_printed_sheets(path, holding_sheets(page.holdings, page.cautions[0]))


def holding_sheets(pages: Sequence[HoldingPage], caution: str) -> PrintedSheets:
    """Sheets with the same figures as the pages of holdings in the report.

    Parameters
    ----------
    pages : sequence of HoldingPage
    caution : str
        At the end of each sheet.

    Returns
    -------
    PrintedSheets
    """
    sheets = tuple(PrintedSheet(page.title, (), tuple(_tables(page))) for page in pages)
    return PrintedSheets("Where, how much, when and at what cost", sheets, (caution,))


def _tables(page: HoldingPage) -> list[SheetTable]:
    return [
        _sentences("In short", page.answer),
        *(_table(table) for table in page.tables),
        _sentences("What may be harmed", page.harm),
        SheetTable(
            "To check on site", ("check", "done"), (16, 1), tuple((t, BOX) for t in page.checks)
        ),
    ]


def _sentences(heading: str, texts: Sequence[str]) -> SheetTable:
    return SheetTable(heading, ("",), (1,), tuple((text,) for text in texts))


def _table(table: PageTable) -> SheetTable:
    """A table whose columns are as wide as their texts need."""
    titles = tuple(title for title, _ in table.columns)
    columns = zip(titles, *table.rows, strict=True)
    widths = tuple(_width(title, *cells) for title, *cells in columns)
    return SheetTable(table.title, titles, widths, table.rows)


def _width(title: str, *cells: str) -> float:
    """Letters for the longest word, three lines of the title and the longest cell."""
    words = [float(len(word)) for text in cells for word in text.split()]
    words += [BOLD * len(word) for word in title.split()]
    return max(*words, len(title) / 3, min(max(map(len, cells)), WIDE_CELL), 3) + 2.0
