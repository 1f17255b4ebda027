"""Workbooks of tables (XLSX)."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

FIXED_DATE = datetime(2000, 1, 1)
"""Date of creation in every workbook, so that equal tables give equal bytes."""

A4 = 9
"""Number of this size of paper in the format."""

LONGEST_NAME = 31
"""Longest name of a sheet in this format, characters."""


def write_workbook(path: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write tables as the sheets of a workbook.

    Parameters
    ----------
    path : Path
    tables : dict of DataFrame
        By name of the sheet; at most 31 characters count.

    Notes
    -----
    Text is written as text, never as a formula, link or number. Decimals are written as numbers and
    money is shown with two decimals; dates are dates. Sheets print on A4, as wide as a page. Equal
    tables give equal bytes.
    """
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"created": FIXED_DATE})
        heading = book.add_format({"bold": True, "bottom": 1})
        money = book.add_format({"num_format": "#,##0.00"})
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        for name, table in tables.items():
            sheet = book.add_worksheet(name[:LONGEST_NAME])
            sheet.freeze_panes(1, 0)
            sheet.set_paper(A4)
            sheet.set_landscape()
            sheet.fit_to_pages(1, 0)
            sheet.repeat_rows(0)
            sheet.write_row(0, 0, [str(column) for column in table.columns], heading)
            for number, column in enumerate(table.columns):
                style = money if column in ("price", "cost") else None
                for row, value in enumerate(table[column].tolist(), start=1):
                    if isinstance(value, date):
                        sheet.write_datetime(row, number, value, day)
                    else:
                        _write(sheet, row, number, value, style)
            sheet.autofit()


def _write(sheet: Any, row: int, column: int, value: Any, style: Any) -> None:
    if isinstance(value, str):
        sheet.write_string(row, column, value, style)
    elif isinstance(value, (int, float, Decimal)) and value == value:
        sheet.write_number(row, column, float(value), style)
