"""Workbooks read back from their XML, without the library that wrote them."""

from __future__ import annotations

import re
import time
import zipfile
from datetime import date
from decimal import Decimal

import pandas as pd

from shelterscape.files.workbooks import write_workbook

TABLE = pd.DataFrame(
    {
        "species": ["oak", "=1+1", "http://example.org", "007"],
        "ordered_count": [25, 13, 0, 1],
        "cost": [Decimal("28.75"), Decimal("4.55"), Decimal(0), None],
        "first_day": [date(2027, 3, 31), date(1900, 3, 1), None, None],
    }
)


def test_a_workbook_holds_its_tables_and_no_formula(tmp_path):
    write_workbook(
        tmp_path / "a.xlsx", {"plants": TABLE, "a name that is far too long for it": TABLE}
    )
    with zipfile.ZipFile(tmp_path / "a.xlsx") as book:
        texts = re.findall(r"<t[^>]*>(.*?)</t>", book.read("xl/sharedStrings.xml").decode())
        sheet = book.read("xl/worksheets/sheet1.xml").decode()
        names = re.findall(r'<sheet name="(.*?)"', book.read("xl/workbook.xml").decode())
    assert names == ["plants", "a name that is far too long for"]
    assert texts == [*TABLE.columns, *TABLE["species"]]
    assert "<f>" not in sheet and "hyperlink" not in sheet
    cells = dict(re.findall(r'<c r="([BCD]\d)"[^>]*?><v>(.*?)</v>', sheet))
    # Days since the end of 1899; 1 March 1900 is day 61 in this format.
    assert cells["D2"] == str((date(2027, 3, 31) - date(1899, 12, 30)).days)
    assert cells["D3"] == "61" and "D4" not in cells
    assert (cells["B2"], cells["C2"], cells["C3"]) == ("25", "28.75", "4.55")
    assert "C5" not in cells


def test_equal_tables_give_equal_bytes(tmp_path):
    write_workbook(tmp_path / "a.xlsx", {"plants": TABLE})
    time.sleep(0.1)
    write_workbook(tmp_path / "b.xlsx", {"plants": TABLE})
    first, second = (tmp_path / n for n in ("a.xlsx", "b.xlsx"))
    assert first.read_bytes() == second.read_bytes()
    with zipfile.ZipFile(first) as book:
        assert "2000-01-01" in book.read("docProps/core.xml").decode()
        assert {entry.date_time[0] for entry in book.infolist()} == {1980}
