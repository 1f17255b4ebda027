"""Text tables: wind sets are read, results are written."""

from __future__ import annotations

import pandas as pd
import pytest

from shelterscape.errors import InputError
from shelterscape.files.tables import directions_in, read_winds, write_table

HEAD = "# measuring height: 10 m\n#roughness:0.03\n# years: 1991-2020: thirty\n# a remark\n"
BODY = "direction_deg,frequency,mean_speed_ms\n210,0.5,6.5\n30,0.3,4\ncalm,0.2,\n"


def winds(tmp_path, text, encoding="utf-8"):
    (tmp_path / "winds.csv").write_bytes(text.encode(encoding))
    return read_winds(str(tmp_path / "winds.csv"))


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_winds_with_header_lines(tmp_path, newline, encoding):
    frame, header = winds(tmp_path, (HEAD + BODY).replace("\n", newline), encoding)
    assert header == {
        "measuring height": "10 m",
        "roughness": "0.03",
        "years": "1991-2020: thirty",
    }
    assert list(frame.columns) == ["direction_deg", "frequency", "mean_speed_ms"]
    assert frame["direction_deg"].tolist() == ["210", "30", "calm"]
    assert frame["frequency"].tolist() == [0.5, 0.3, 0.2]
    assert frame["mean_speed_ms"].isna().tolist() == [False, False, True]


def test_a_byte_order_mark_does_not_hide_the_first_column(tmp_path):
    frame, header = winds(tmp_path, BODY, "utf-8-sig")
    assert frame.columns[0] == "direction_deg" and header == {}


def test_spaces_after_commas_have_no_effect(tmp_path):
    frame, _ = winds(tmp_path, "direction_deg, frequency\n210, 1.0\n")
    assert frame["frequency"].tolist() == [1.0]


def test_a_comma_at_the_end_of_every_row_shifts_no_column(tmp_path):
    frame, _ = winds(tmp_path, "direction_deg,frequency\n210,0.6,\n30,0.4,\n")
    assert frame["direction_deg"].tolist() == [210, 30]
    assert frame["frequency"].tolist() == [0.6, 0.4]


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"# years: 3\n",
        b"\xff\xfed\x00i\x00r\x00",
        b"direction_deg,frequency\n210,0.5\n30,0.5,7,8,9\n",
        b"direction_deg,frequency\n210,0.5,8\n30,0.5,9\n",
        'direction_deg,frequency,Stärke\n210,1,"x\n'.encode("latin-1"),
    ],
)
def test_a_file_that_is_not_a_table_is_refused(tmp_path, raw):
    (tmp_path / "winds.csv").write_bytes(raw)
    with pytest.raises(InputError) as caught:
        read_winds(str(tmp_path / "winds.csv"))
    assert caught.value.code == "file-unreadable"
    assert caught.value.where.endswith("winds.csv")


def test_a_missing_table_is_reported(tmp_path):
    (tmp_path / "winds.csv").write_text(BODY)
    with pytest.raises(InputError) as caught:
        read_winds(str(tmp_path / "wind.csv"))
    assert caught.value.code == "file-missing" and "winds.csv" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("210,240,270", [210.0, 240.0, 270.0]),
        (" 210 , 240.5", [210.0, 240.5]),
        ("0", [0.0]),
        ("winds.csv", None),
        ("210,west", None),
        ("", None),
        ("210,,240", None),
    ],
)
def test_bare_directions(text, expected):
    assert directions_in(text) == expected


HARMFUL = ["=1+1", "+cmd", "-2", "@SUM(A1)", "\t=1", "\r=1"]


@pytest.mark.parametrize("dtype", ["object", "string", "category"])
def test_cells_that_a_spreadsheet_would_run_are_escaped(tmp_path, dtype):
    words = pd.Series([*HARMFUL, "plain = fine", "", None], dtype=dtype)
    write_table(tmp_path / "sub" / "t.csv", pd.DataFrame({"name": words, "x": -1.5}))
    again = pd.read_csv(tmp_path / "sub" / "t.csv", keep_default_na=False, lineterminator="\n")
    harmless = ["'" + w.replace("\t", " ").replace("\r", " ") for w in HARMFUL]
    assert again["name"].tolist() == [*harmless, "plain = fine", "", ""]
    # Numbers are not text: -1.5 is not changed.
    assert again["x"].tolist() == [-1.5] * len(words)


def test_headings_are_escaped_too(tmp_path):
    write_table(tmp_path / "t.csv", pd.DataFrame({"=1+1": [1]}))
    assert (tmp_path / "t.csv").read_text() == '"\'=1+1"\n1\n'


def test_tables_are_the_same_bytes_everywhere(tmp_path):
    frame = pd.DataFrame({"zone": ["wind reduced by 5–15 %"], "area_ha": [1.25]})
    write_table(tmp_path / "t.csv", frame)
    assert (
        tmp_path / "t.csv"
    ).read_bytes() == '"zone","area_ha"\n"wind reduced by 5–15 %",1.25\n'.encode()
    assert frame["zone"].tolist() == ["wind reduced by 5–15 %"]
