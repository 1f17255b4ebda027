"""Malformed and unusual wind sets: each is used with a notice, or refused with a clear error."""

from __future__ import annotations

import pytest
from input_helpers import exposure, hold_to_refusal, plain_dem

HEAD = "direction_deg,frequency,mean_speed_ms,weibull_k\n"
PLAIN = HEAD + "210,0.5,6,2\n30,0.3,4,2\ncalm,0.2,,\n"

# name: (text of the file, code, what the answer says)
REFUSED = {
    "an empty file": ("", "file-unreadable", ["CSV"]),
    "headings without rows": (HEAD, "winds-bad", ["no rows"]),
    "nothing but calm": (HEAD + "calm,1,,\n", "winds-bad", ["no wind direction"]),
    "frequencies in percent": (HEAD + "210,60,6,2\n30,40,4,2\n", "winds-bad", ["percent", "100"]),
    "a percent sign": (HEAD + "210,60%,6,2\n30,40%,4,2\n", "winds-bad", ["60%", "row 1"]),
    "one frequency in percent": (HEAD + "210,60,6,2\n30,0.4,4,2\n", "winds-bad", ["60.4"]),
    "frequencies of two seasons": (HEAD + "210,1,6,2\n30,1,4,2\n", "winds-bad", ["subset"]),
    "frequency below zero": (HEAD + "210,1.2,6,2\n30,-0.2,4,2\n", "winds-bad", ["-0.2", "row 2"]),
    "no frequency": (HEAD + "210,,6,2\n30,1,4,2\n", "winds-bad", ["frequency", "row 1"]),
    "all frequencies 0": (HEAD + "210,0,6,2\n30,0,4,2\ncalm,1,,\n", "winds-bad", ["sum"]),
    "frequency without end": (HEAD + "210,inf,6,2\n", "winds-bad", ["inf"]),
    "over 360 degrees": (HEAD + "210,0.5,6,2\n361,0.5,4,2\n", "winds-bad", ["361", "row 2"]),
    "below 0 degrees": (HEAD + "-30,1,6,2\n", "winds-bad", ["-30"]),
    "a compass word": (HEAD + "SW,1,6,2\n", "winds-bad", ["SW", "225"]),
    "a missing direction": (HEAD + ",1,6,2\n", "winds-bad", ["direction_deg", "row 1"]),
    "a duplicate direction": (HEAD + "30,0.5,6,2\n30,0.5,4,2\n", "winds-bad", ["30", "Combine"]),
    "north as 0 and as 360": (HEAD + "0,0.5,6,2\n360,0.5,4,2\n", "winds-bad", ["360"]),
    "speeds in two units": (
        HEAD + "210,0.5,6 m/s,2\n30,0.5,12 kn,2\n", "winds-bad", ["6 m/s", "alone", "m/s"],
    ),
    "speeds in knots under a heading of their own": (
        "direction_deg,frequency,mean_speed_kn\n210,1,12\n", "column-missing",
        ["mean_speed_kn", "0.514"],
    ),
    "speeds of a hurricane": (HEAD + "210,1,120,2\n", "winds-bad", ["120", "60"]),
    "speed below zero": (HEAD + "210,1,-4,2\n", "winds-bad", ["-4"]),
    "a missing speed": (HEAD + "210,0.5,6,2\n30,0.5,,2\n", "winds-bad", ["row 2", "speed"]),
    "a shape of 0": (HEAD + "210,1,6,0\n", "winds-bad", ["weibull_k", "0"]),
    "other headings": ("dir,share\n210,1\n", "column-missing", ["dir", "direction_deg"]),
    "semicolons between columns": (
        "direction_deg;frequency\n210;1\n", "column-missing", ["comma"],
    ),
    "decimal commas": (
        'direction_deg,frequency\n210,"0,6"\n30,"0,4"\n', "winds-bad", ["0,6", "0.6"],
    ),
    "more cells than headings": (HEAD + "210,1,6,2,9,9\n", "file-unreadable", ["CSV"]),
    "from grid north": ("# north: grid\n" + PLAIN, "winds-bad", ["north", "grid", "true"]),
    "from magnetic north": ("# north: magnetic\n" + PLAIN, "winds-bad", ["magnetic"]),
    "every subset has a name": (
        "subset," + HEAD + "winter,210,1,6,2\nsummer,30,1,4,2\n", "name-unknown",
        ["summer", "winter"],
    ),
}  # fmt: skip

MEASURED = "# measured_height_m: 10\n# roughness_m: 0.03\n"

# name: (text of the file, notices expected)
USED = {
    "plain": (PLAIN, {}),
    "true north, as stated": ("# north: true\n" + PLAIN, {}),
    "shares that sum to .995": (
        HEAD + "210,0.6,6,2\n30,0.395,4,2\n", {"frequencies-scaled": 1},
    ),
    "no shape": ("direction_deg,frequency,mean_speed_ms\n210,1,6\n", {"value-assumed": 1}),
    "no speeds": ("direction_deg,frequency\n210,0.5\n30,0.5\n", {"value-assumed": 2}),
    "north as 360": (HEAD + "360,0.5,6,2\n180,0.5,4,2\n", {}),
    "a missing speed for a frequency of 0": (HEAD + "210,1,6,2\n30,0,,2\n", {}),
    "columns that are not used": (
        "station,direction_deg,frequency,mean_speed_ms,weibull_k,hours\nX,210,1,6,2,9\n",
        {"columns-ignored": 2},
    ),
    "speeds in metres and in knots": (
        "direction_deg,frequency,mean_speed_ms,mean_speed_kn,weibull_k\n210,1,6,12,2\n",
        {"columns-ignored": 1},
    ),
    "calm in capitals": (HEAD + "210,0.8,6,2\nCALM,0.2,,\n", {}),
    "empty lines at the end": (PLAIN + "\n\n", {}),
    "a subset named like a formula": (
        "subset," + HEAD + ",210,1,6,2\n=1+1,30,1,4,2\n", {},
    ),
}  # fmt: skip

DIRECTIONS_REFUSED = {
    "over 360": ("210,400", "winds-bad", ["400"]),
    "below 0": ("-10", "winds-bad", ["-10"]),
    "no number": ("nan", "winds-bad", ["nan"]),
    "infinite": ("inf,30", "winds-bad", ["inf"]),
    "duplicate": ("210,210", "winds-bad", ["210"]),
    "north twice": ("0,360", "winds-bad", ["360"]),
    "a compass word": ("SW", "file-missing", ["SW"]),
    "nothing": ("", "file-missing", ["empty"]),
}


@pytest.fixture
def inputs(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    return folder


def run_with_winds(capsys, tmp_path, text):
    winds = tmp_path / "in" / "winds.csv"
    winds.write_text(text, encoding="utf-8")
    return exposure(capsys, tmp_path, plain_dem(tmp_path / "in"), winds=winds)


@pytest.mark.parametrize("name", REFUSED)
def test_winds_are_refused(name, inputs, tmp_path, capsys):
    text, code, says = REFUSED[name]
    hold_to_refusal(run_with_winds(capsys, tmp_path, text), code, *says)


@pytest.mark.parametrize("name", USED)
def test_winds_are_used_and_changes_are_reported(name, inputs, tmp_path, capsys):
    text, notices = USED[name]
    found = run_with_winds(capsys, tmp_path, MEASURED + text)
    assert found.exit_code == 0, found.error
    assert found.notices == notices


def test_assumed_height_and_roughness_of_a_measurement_are_reported(inputs, tmp_path, capsys):
    found = run_with_winds(capsys, tmp_path, PLAIN)
    assert found.notices["value-assumed"] == 2


@pytest.mark.parametrize(
    "line",
    ["measured_height_m: high", "measured_height_m: -10", "roughness_m: 30", "roughness_m: 8"],
)
def test_impossible_heights_and_roughness_of_a_measurement_are_refused(
    line, inputs, tmp_path, capsys
):
    found = run_with_winds(capsys, tmp_path, f"# {line}\n{PLAIN}")
    hold_to_refusal(found, "winds-bad", line.split(":")[0])


@pytest.mark.parametrize("name", DIRECTIONS_REFUSED)
def test_listed_directions_are_refused(name, inputs, tmp_path, capsys):
    text, code, says = DIRECTIONS_REFUSED[name]
    hold_to_refusal(exposure(capsys, tmp_path, plain_dem(inputs), winds=text), code, *says)
