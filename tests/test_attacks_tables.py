"""Attacks on spreadsheets and on TOML files: live formulas, deep nesting, numbers without end."""

from __future__ import annotations

import csv
import io
import itertools
import json
import random
import time
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from run_helpers import call, project

from shelterscape.errors import InputError
from shelterscape.files.tables import read_toml, read_winds, write_table
from shelterscape.plan import read_plan

STARTS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
BEFORE = ("", " ", "\t", "\r", "\n", "\r\n", "\x00", "\x0b", "\x1b", '"', "'", "\u2028", "\x85")
MARKS = (
    "",
    "x;",
    "x|",
    ";",
    ";;",
    'x;"',
    "Farm\r",
    "Farm\n",
    "Farm\t",
    'a"";',
    "x; ",
    "x;\t",
    '";',
)
FORMULAS = [
    f"{mark}{before}{start}1+1" for mark, before, start in itertools.product(MARKS, BEFORE, STARTS)
]
SEPARATORS = (",", ";", "|", "\t")


def cells(text, separator, quoted):
    """Cells as a spreadsheet finds them: it may know quotes or not, and ends a line at any end."""
    if quoted:
        return [c for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator)
                for c in row]  # fmt: skip
    return [c for line in text.splitlines() for c in line.split(separator)]


def is_live(cell):
    """Whether a spreadsheet would calculate a cell."""
    plain = cell.strip().strip('"').strip()
    if not plain.startswith(STARTS):
        return False
    try:
        float(plain)
    except ValueError:
        return True
    return False


@pytest.mark.parametrize("place", ["first", "middle", "last", "heading"])
def test_no_text_becomes_a_formula(tmp_path, place):
    filling = {"a": "plain", "b": 1.5, "c": "text"}
    for start in range(0, len(FORMULAS), 100):
        chosen = FORMULAS[start : start + 100]
        if place == "heading":
            frame = pd.DataFrame({name: [1] for name in chosen})
        else:
            column = {"first": "a", "middle": "b", "last": "c"}[place]
            frame = pd.DataFrame([filling | {column: text} for text in chosen])
        write_table(tmp_path / "t.csv", frame)
        text = (tmp_path / "t.csv").read_bytes().decode()
        for separator, quoted in itertools.product(SEPARATORS, (True, False)):
            if separator == "," and not quoted:
                continue  # commas are what separates the cells of this file
            live = [c for c in cells(text, separator, quoted) if is_live(c)]
            assert not live, (separator, quoted, live[:3])


def test_random_text_stays_one_harmless_cell(tmp_path):
    chance = random.Random(16)
    letters = [*STARTS, *BEFORE[1:], ";", "|", ",", '"', "a", "1", " ", "\ud800", "é"]
    texts = ["".join(chance.choices(letters, k=chance.randint(1, 12))) for _ in range(2000)]
    write_table(tmp_path / "t.csv", pd.DataFrame({"name": texts, "n": range(2000)}))
    text = (tmp_path / "t.csv").read_bytes().decode()
    assert len(text.splitlines()) == 2001
    assert not [c for separator in SEPARATORS for c in cells(text, separator, True) if is_live(c)]
    again = pd.read_csv(tmp_path / "t.csv")
    assert again["n"].tolist() == list(range(2000))


def test_numbers_keep_their_form_and_text_has_quotes(tmp_path):
    frame = pd.DataFrame({
        "name": ["oak", None, "-5"],
        "x": [-1.5, np.nan, 1e-7],
        "n": pd.array([1, None, -3], dtype="Int64"),
        "cost": [Decimal("-12.50"), Decimal("3.00"), None],
        "on": [True, False, True],
    })  # fmt: skip
    write_table(tmp_path / "t.csv", frame)
    lines = (tmp_path / "t.csv").read_text().splitlines()
    assert lines[0] == '"name","x","n","cost","on"'
    assert lines[1].startswith('"oak",-1.5,1,')
    again = pd.read_csv(tmp_path / "t.csv")
    assert again["name"].tolist()[2] == "'-5"
    assert again["x"].tolist()[::2] == [-1.5, 1e-7] and np.isnan(again["x"][1])
    assert again["cost"].tolist()[:2] == [-12.5, 3.0]


# --- TOML -------------------------------------------------------------------------------------

DEEP = 100_000
BAD_TOML = {
    "nested lists": "a = " + "[" * DEEP + "]" * DEEP,
    "open lists": "a = " + "[" * DEEP,
    "nested tables": "a = " + "{a=" * DEEP + "1" + "}" * DEEP,
    "million digits": "a = " + "9" * 1_000_000,
    "million digits below nought": "a = -" + "1" * 1_000_000,
    "hexadecimal digits": "a = 0x" + "f" * 1_000_000 + "g",
    "too large": "# " + "x" * 6_000_000,
    "impossible date": "a = 2020-02-31",
    "impossible time": "a = 25:61:00",
    "no text": "\x00\x01\x02",
    "half a character": "a = '\\ud800'\nb = \"\\ud800\"",
}


@pytest.mark.parametrize("name", BAD_TOML)
def test_a_toml_file_that_is_not_valid_is_refused_soon(name, tmp_path, capsys):
    path = tmp_path / "plan.toml"
    path.write_text(BAD_TOML[name])
    started = time.process_time()
    with pytest.raises(InputError) as found:
        read_plan(path)
    assert time.process_time() - started < 5
    assert found.value.code in ("plan-bad", "name-unknown")
    with pytest.raises(InputError):
        read_toml(str(path), "grant scheme")
    assert call(["run", path, "--out", tmp_path / "out", "--json"]) == 3
    error = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert error["hint"] and len(str(error)) < 2000 and not (tmp_path / "out").exists()


DIGITS = {
    "long decimal": "1." + "9" * 100_000,
    "huge exponent": "1e999999999",
    "beyond exponents": "1e99999999999999999999",
    "hexadecimal": "0x" + "f" * 4000,
    "infinite": "inf",
    "no number": "nan",
}


@pytest.mark.parametrize("name", DIGITS)
def test_a_number_without_end_in_a_plan_is_refused(name, tmp_path, capsys):
    inputs = project(tmp_path / "in")
    text = f'[[step]]\nprocess = "shelter"\nat_height_m = {DIGITS[name]}\n'
    text += "".join(f'{key} = "{inputs[key]}"\n' for key in ("dem", "belts", "winds"))
    (tmp_path / "plan.toml").write_text(text)
    code = call(["run", tmp_path / "plan.toml", "--out", tmp_path / "out", "--json"])
    error = json.loads(capsys.readouterr().out.splitlines()[-1])
    if name == "long decimal":  # 2 m
        assert code == 0
    else:
        assert code == 3 and error["code"] != "internal" and len(str(error)) < 12_000


def test_header_lines_open_no_cell_and_no_formula(tmp_path):
    header = {f"key{n}{text}": f"x,{text}" for n, text in enumerate(FORMULAS)}
    header["title"] = 'open,"quote'
    frame = pd.DataFrame({"name": ["a,=1+1"], "x": [1.0]})
    frame.attrs["header"] = header
    write_table(tmp_path / "t.csv", frame)
    text = (tmp_path / "t.csv").read_bytes().decode()
    assert len(text.splitlines()) == len(header) + 2
    for separator in SEPARATORS:
        assert not [c for c in cells(text, separator, True) if is_live(c)], separator
    frame, found = read_winds(str(tmp_path / "t.csv"))
    assert found["title"] == "open,'quote" and frame["name"].tolist() == ["a,=1+1"]
