"""The process `wind-set`: what it writes, that others read it exactly, and malformed input."""

from __future__ import annotations

import gzip
import json

import numpy as np
import pandas as pd
import pytest
from input_helpers import Answer, answer, hold_to_refusal, plain_belts, plain_dem
from wind_record_helpers import frame_of, invented, record_file

import shelterscape
from shelterscape import registry
from shelterscape.files.tables import read_winds
from shelterscape.process.reading import Reader, no_notice
from shelterscape.process.stages import collect, stages_of
from shelterscape.runs import Step, run
from shelterscape.science.wind_tables import wind_sets

MEASURED = {"measured_height_m": 10, "station_roughness_m": 0.03}
KNOWN = {"speed_unit": "ms", "time_zone": "UTC", **MEASURED}
PROCESS = registry.find("wind-set")

ROSE = """direction,0-3,3-6,6-10,>10
N,40,30,10,0
E,60,30,20,1
S,80,120,60,9
W,90,210,140,40
calm,60,,,
"""


@pytest.fixture
def folder(tmp_path):
    found = tmp_path / "in"
    found.mkdir()
    return found


def ask(capsys, tmp_path, **words) -> Answer:
    return answer(capsys, tmp_path, "wind-set", **words)


def read_back(found: Answer):
    """The wind set as other processes read it, and notices about it."""
    frame, header = read_winds(str(found.out / "tables" / "winds.csv"))
    return wind_sets(frame, "winds.csv", header)


def computed(params):
    """Results of the stages on arrays, without files."""
    stages = stages_of(PROCESS)
    params = PROCESS.inputs(**params)
    data = stages.load(params, Reader(no_notice))
    return collect(stages.compute(data))[1]


# ---- round trip


def sources(folder):
    (folder / "rose.csv").write_text(ROSE, encoding="utf-8")
    return {
        "record": {"record": record_file(folder / "r.csv"), **KNOWN},
        "rose": {"rose_table": folder / "rose.csv", "speed_unit": "ms", **MEASURED},
        "directions": {"directions": "SW,250"},
    }


@pytest.mark.parametrize("name", ["record", "rose", "directions"])
def test_the_file_is_read_as_it_was_made(name, folder, tmp_path, capsys):
    given = sources(folder)[name]
    found = ask(capsys, tmp_path, **given)
    assert found.exit_code == 0, found.error
    sets, notices = read_back(found)
    if name == "directions":
        assert {n.code for n in notices} == {"value-assumed"}
    else:
        assert notices == []
    raw = {("records" if k == "record" else k): v for k, v in given.items()}
    results = computed({k: (str(v) if "." in str(v) and k != "station_roughness_m" else v)
                        for k, v in raw.items()})  # fmt: skip
    assert set(sets) == {one.winds.subset for one in results.subsets}
    for one in results.subsets:
        read, made = sets[one.winds.subset], one.winds
        for column in ("direction_deg", "frequency", "mean_speed_ms"):
            np.testing.assert_array_equal(getattr(read, column), getattr(made, column), column)
        if made.speeds_known:
            np.testing.assert_array_equal(read.weibull_k, made.weibull_k)
            np.testing.assert_allclose(read.weights(2.0), made.weights(2.0), rtol=1e-12)
        assert read.calm == made.calm
        np.testing.assert_equal(read.frequency_uncertainty, made.frequency_uncertainty)
        assert read.measured_height_m == 10


def test_rounding_loses_nothing_that_matters(folder, tmp_path, capsys):
    """Weights from the file against weights from the record itself, speeds to the third power."""
    found = ask(capsys, tmp_path, record=record_file(folder / "r.csv"), **KNOWN)
    sets, _ = read_back(found)
    hours = invented()
    from shelterscape.science.wind import WindSet
    from shelterscape.science.wind_sectors import sector_statistics

    s = sector_statistics(hours, np.ones(len(hours.time), bool), 16)
    exact = WindSet("", s.direction_deg, s.frequency, s.mean_speed_ms, s.weibull_shape, s.calm)
    for exponent in (1.0, 3.0):
        np.testing.assert_allclose(
            sets[""].weights(exponent), exact.weights(exponent), rtol=5e-3, atol=1e-5
        )
    assert np.abs(sets[""].frequency - s.frequency).max() <= 1e-6


def test_other_processes_take_it_from_the_step(folder, tmp_path):
    """`exposure` and `shelter` with ``step:wind-set/winds`` give what the file itself gives."""
    winds = {"records": (str(record_file(folder / "r.csv")),), **KNOWN}
    dem, belts = str(plain_dem(folder)), str(plain_belts(folder))
    step = Step(PROCESS, PROCESS.inputs(**winds))

    def others(source):
        exposure, shelter = registry.find("exposure"), registry.find("shelter")
        return [
            Step(exposure, exposure.inputs(dem=dem, winds=source, limit_m=100)),
            Step(shelter, shelter.inputs(dem=dem, winds=source, belts=belts, purpose="lambing")),
        ]

    fed = run([step, *others("step:wind-set/winds")], tmp_path / "fed", pictures=False)
    file = str(fed.tables["winds"])
    alone = run(others(file), tmp_path / "alone", pictures=False)
    for name, path in alone.tables.items():
        assert path.read_bytes() == fed.tables[name].read_bytes(), name
    for name, path in alone.rasters.items():
        assert path.read_bytes() == fed.rasters[name].read_bytes(), name
    text = " ".join(n.text for n in fed.notices)
    assert "subset" in text and "lambing" in text


def test_the_header_states_each_subset(folder, tmp_path, capsys):
    found = ask(capsys, tmp_path, record=record_file(folder / "r.csv"), **KNOWN)
    _, header = read_winds(str(found.out / "tables" / "winds.csv"))
    assert header["north"] == "true" and header["measured_height_m"] == "10"
    assert header["years"] == "2019-2019" and header["time_zone"] == "UTC"
    assert header["leaf_state_bare"] == "bare" and header["months_lambing"] == "3-4"
    assert header["months"] == "1-12" and header["leaf_state"] == "both"
    assert 0 < float(header["frequency_uncertainty"]) < 1


# ---- what it writes


def test_tables_agree(folder, tmp_path, capsys):
    found = ask(capsys, tmp_path, record=record_file(folder / "r.csv"), **KNOWN)
    tables = {p.stem: pd.read_csv(p, comment="#") for p in (found.out / "tables").iterdir()}
    sectors, subsets = tables["wind_sectors"], tables["wind_subsets"]
    whole = sectors[sectors["subset"].isna()]
    assert len(whole) == 16
    assert whole["frequency"].sum() + subsets["calm"][0] == pytest.approx(1, abs=6e-4)
    months = tables["wind_months"]
    assert months.groupby("month")["frequency"].sum().to_numpy() == pytest.approx(np.ones(12))
    assert months["value_count"].sum() == pytest.approx(8760, abs=0.05 * len(months))
    best = tables["damaging_wind_bearings"].query("turned_from_best_deg == 0")
    assert (best["effect_lost_share"] == 0).all()
    assert set(best["purpose"]) == set(tables["damaging_wind"]["purpose"])
    # Mostly from 230°: belts across it.
    assert tables["damaging_wind"]["bearing_deg"].between(125, 155).all()
    assert tables["damaging_wind"]["side_deg"].between(215, 245).all()


def test_the_answer_names_bearing_and_certainty(folder, tmp_path, capsys):
    found = ask(capsys, tmp_path, record=record_file(folder / "r.csv"), **KNOWN)
    record = json.loads((found.out / "record.json").read_text(encoding="utf-8"))
    (step,) = record["steps"]
    assert step["question"].endswith("?")
    assert "most wind from" in step["answer"][0] and "m/s" in step["answer"][0]
    assert any("best belt at bearing" in text for text in step["answer"])
    assert any("frequencies of " in text and "±" in text for text in step["certainty"])
    assert step["files_read"]["records"][0]["name"] == "r.csv"


def test_the_transfer_to_the_site_is_the_log_law(folder, tmp_path, capsys):
    """2 m over 10 m at z0 = 0.03 m: 0.7229 (D)."""
    words = {**KNOWN, "at_height_m": 2}
    found = ask(capsys, tmp_path, record=record_file(folder / "r.csv"), **words)
    subsets = pd.read_csv(found.out / "tables" / "wind_subsets.csv")
    ratio = subsets["site_speed_ms"] / subsets["mean_speed_ms"]
    np.testing.assert_allclose(ratio, 0.7229, atol=0.002)


@pytest.mark.parametrize(
    "words",
    [{"station_distance_km": 80}, {"station_roughness_m": 0.5}, {"station_sheltered": None}],
)
def test_a_doubtful_station_is_a_caution(words, folder, tmp_path):
    given = {k: True if v is None else v for k, v in words.items()}
    result = shelterscape.wind_set(
        records=(str(record_file(folder / "r.csv")),), out=tmp_path / "out", **(KNOWN | given)
    )
    assert [n.code for n in result.notices].count("station-doubtful") == 1


def test_what_is_assumed_is_reported(folder, tmp_path, capsys):
    found = ask(capsys, tmp_path, record=record_file(folder / "r.csv"), speed_unit="ms")
    for words in ("measured_height_m taken as 10 m", "station_roughness_m", "local time"):
        assert words in found.texts["value-assumed"]


def test_chill_and_cleaned_hours(folder, tmp_path):
    frame = frame_of(invented()).assign(temperature=5.0, rain=10 / 24)
    frame["speed"] = 4.0 / 0.5  # any steady wind
    frame["direction"] = np.where(np.arange(len(frame)) % 2, 230, 240)
    path = record_file(folder / "r.csv", frame)
    result = shelterscape.wind_set(records=(str(path),), hourly=True, out=tmp_path / "out", **KNOWN)
    hours = pd.read_csv(result.tables["hourly"])
    assert len(hours) == len(frame)
    np.testing.assert_allclose(hours["speed_ms"], 8.0)
    chill = pd.read_csv(result.tables["sheep_chill_months"])
    # Wind at 0.4 m by the log law from 10 m over 0.03 m.
    ms = 8 * np.log(0.4 / 0.03) / np.log(10 / 0.03)
    expected = (11.7 + 3.1 * np.sqrt(ms)) * 35 + 481 + 418 * (1 - np.exp(-0.4))
    np.testing.assert_allclose(chill["sheep_chill"], expected, atol=0.5)
    assert chill["day_count"].tolist() == [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    assert (chill["sheep_chill_day_count"] == chill["day_count"]).all()


def test_packed_divided_and_european_files_are_the_same(folder, tmp_path):
    frame = frame_of(invented())
    plain = record_file(folder / "r.csv", frame)
    packed = folder / "r.csv.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    halves = [record_file(folder / f"{i}.csv", part) for i, part in enumerate((frame[:4000],
              frame[4000:]))]  # fmt: skip
    european = folder / "e.csv"
    text = frame.to_csv(index=False, sep=";", decimal=",")
    european.write_text(f"\ufeffStation: hill\nHeight;12 m\n\n{text}", encoding="utf-8")
    parts = frame.assign(
        year=frame["time"].str[:4],
        month=frame["time"].str[5:7].astype(int),
        day=frame["time"].str[8:10].astype(int),
        hour=frame["time"].str[11:13].astype(int),
    )
    apart = record_file(folder / "p.csv", parts, time=None)
    tables = []
    for i, (sources, extra) in enumerate(
        (
            ((plain,), {}),
            ((packed,), {}),
            (halves, {}),
            ((european,), {}),
            ((apart,), {"fields": {"record.time": "year+month+day+hour"}}),
        )
    ):
        found = shelterscape.wind_set(
            records=tuple(map(str, sources)), out=tmp_path / f"{i}", **KNOWN, **extra
        )
        tables.append(pd.read_csv(found.tables["winds"], comment="#"))
    for other in tables[1:]:
        pd.testing.assert_frame_equal(tables[0], other)


def test_same_input_same_bytes(folder, tmp_path):
    path = record_file(folder / "r.csv")
    one, two = (
        shelterscape.wind_set(records=(str(path),), out=tmp_path / name, **KNOWN) for name in "ab"
    )
    for name in one.tables:
        assert one.tables[name].read_bytes() == two.tables[name].read_bytes()


@pytest.mark.pictures
@pytest.mark.parametrize("name", ["record", "rose", "directions"])
def test_roses_are_drawn(name, folder, tmp_path, capsys):
    from PIL import Image

    found = ask(capsys, tmp_path, **sources(folder)[name])
    with Image.open(found.out / "preview-wind_rose.png") as image:
        assert image.width > 600 and image.height > 400
        pixels = np.asarray(image)
    assert len(np.unique(pixels.reshape(-1, 3), axis=0)) > 50


def test_colours_run_from_light_to_dark():
    from shelterscape.files.draw_rose import class_colours

    for count in (1, 2, 5, 9):
        light = [0.2126 * r + 0.7152 * g + 0.0722 * b for r, g, b, _ in class_colours(count)]
        assert light == sorted(light, reverse=True)
        assert len(set(light)) == count


# ---- malformed input

LONG = "time,direction,speed\n" + "x" * 3_000_000

# name: (words of the command, content of r.csv, code, what the error says)
REFUSED = {
    "nothing given": ({}, None, "input-refused", ["only one", "none of them"]),
    "two sources": (
        {"record": "r.csv", "directions": "SW"}, "x", "input-refused", ["records and directions"],
    ),
    "no such file": ({"record": "gone.csv"}, None, "file-missing", ["weather record"]),
    "an empty file": ({"record": "r.csv"}, "", "column-missing", ["time"]),
    "other headings": (
        {"record": "r.csv"}, "date,dir,ff\n1,2,3\n", "column-missing", ["3 columns", "--field"],
    ),
    "a named column that is not there": (
        {"record": "r.csv", "field": "record.rain=wet"}, "time,direction,speed\n1,2,3\n",
        "column-missing", ["'wet' for rain"],
    ),
    "a field of another name": (
        {"record": "r.csv", "field": "record.windspeed=x"}, "time,direction,speed\n1,2,3\n",
        "name-unknown", ["record.windspeed"],
    ),
    "headings without rows": (
        {"record": "r.csv"}, "time,direction,speed\n", "record-bad", ["no rows"],
    ),
    "spare cells, as of decimal commas": (
        {"record": "r.csv", "speed_unit": "ms"},
        "time,direction,speed\n2019-01-01T00:00,200,3\n2019-01-01T01:00,200,3,5\n",
        "file-unreadable", ["CSV"],
    ),
    "spare cells in every row": (
        {"record": "r.csv", "speed_unit": "ms"},
        "time,direction,speed\n2019-01-01T00:00,200,3,5\n2019-01-01T01:00,200,3,5\n",
        "file-unreadable", ["CSV"],
    ),
    "one heading twice": (
        {"record": "r.csv"}, "time,direction,speed,speed\n1,2,3,4\n", "column-bad", ["speed"],
    ),
    "a line without end": ({"record": "r.csv"}, LONG, "file-unreadable", ["line"]),
    "bytes of no text": ({"record": "r.csv"}, b"\xff\xfe\0t\0i", "file-unreadable", ["UTF-8"]),
    "a packed file cut short": (
        {"record": "r.csv"}, gzip.compress(b"time,direction,speed\n" * 9000)[:60],
        "file-unreadable", ["gzip"],
    ),
    "a file that unpacks without end": (
        {"record": "r.csv", "speed_unit": "ms"},
        gzip.compress(b"time,direction,speed\n" + b"2019-01-01T00:00,200,3\n" * 3_500_000),
        "file-unreadable", ["unpacks"],
    ),
    "a few days": (
        {"record": "r.csv", "speed_unit": "ms"},
        "time,direction,speed\n2019-01-01T00:00,200,3\n2019-01-01T01:00,210,3\n",
        "record-short", ["days"],
    ),
    "a month beyond the year": (
        {"directions": "SW", "months": "13"}, None, "input-refused", ["1 to 12"],
    ),
    "directions of words": ({"directions": "SW,up"}, None, "winds-bad", ["up", "SW,WSW"]),
    "directions beyond the circle": ({"directions": "400"}, None, "winds-bad", ["400"]),
    "a direction without end": ({"directions": "nan"}, None, "winds-bad", ["nan"]),
    "a mast within the roughness": (
        {"directions": "SW", "measured_height_m": "1", "station_roughness_m": "1"}, None,
        "input-refused", ["roughness"],
    ),
    "a rose of one line": ({"rose_table": "r.csv"}, "dir,0-3\n", "file-unreadable", ["one head"]),
    "a rose of uneven rows": (
        {"rose_table": "r.csv"}, "dir,0-3\nN,1\nE,1,2\n", "file-unreadable", ["line 3"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_malformed_input_is_one_clear_error(name, folder, tmp_path, capsys):
    words, content, code, says = REFUSED[name]
    if content is not None:
        raw = content if isinstance(content, bytes) else content.encode()
        (folder / "r.csv").write_bytes(raw)
    given = {k: folder / v if v.endswith(".csv") else v for k, v in words.items()}
    hold_to_refusal(ask(capsys, tmp_path, **given), code, *says)


def test_memory_is_estimated_before_reading(folder, tmp_path):
    from shelterscape.errors import InputError

    path = record_file(folder / "r.csv")
    with pytest.raises(InputError) as error:
        shelterscape.wind_set(
            records=(str(path),) * 3000, out=tmp_path / "out", memory_limit_gib=1.5, **KNOWN
        )
    assert error.value.code == "memory-short"


@pytest.mark.slow
def test_a_batch_takes_the_wind_set_of_a_step(tmp_path):
    """Holdings with ``step:wind-set/winds`` give the very files of holdings with the table."""
    from batch_helpers import PLAN, catchment, results

    from shelterscape.batch import run_batch

    def batch(name, plan):
        path = catchment(tmp_path / name, plan)
        record_file(path.parent / "r.csv")
        run_batch(path, tmp_path / f"{name}-out", holdings=f"{path.parent}/holdings.gpkg:holdings")
        return tmp_path / f"{name}-out"

    step = (
        '[[step]]\nprocess = "wind-set"\nrecords = ["r.csv"]\nspeed_unit = "ms"\n'
        'time_zone = "UTC"\nmeasured_height_m = 10\nstation_roughness_m = 0.03\n'
    )
    fed = PLAN.replace('"210,240"', '"step:wind-set/winds"')
    fed = fed.replace("[[step]]", step + "[[step]]", 1)
    one = batch("fed", fed)
    made = next((one / "holdings").rglob("winds.csv"))
    other = batch("file", PLAN.replace('"210,240"', f'"{made}"'))
    first, second = results(one), results(other)
    rasters = [p for p in second if p.endswith(".tif")]
    assert len(rasters) > 10
    assert all(first[p] == second[p] for p in rasters)


@pytest.mark.parametrize("text", ["much", "-0.1", "inf"])
def test_a_stated_uncertainty_must_be_a_number(text):
    from shelterscape.errors import InputError

    frame = pd.DataFrame({"direction_deg": [200.0, 20.0], "frequency": [0.6, 0.4]})
    with pytest.raises(InputError, match="frequency_uncertainty"):
        wind_sets(frame, "winds.csv", {"frequency_uncertainty": text})


def test_monte_carlo_runs_take_the_uncertainty_of_the_wind_set():
    """By its own where it states one, else by the assumed value."""
    from types import SimpleNamespace

    from shelterscape.processes.siting.decide import _uncertainty
    from shelterscape.science.siting.input_uncertainty import InputUncertainty

    for stated, used in ((0.07, 0.07), (float("nan"), InputUncertainty().frequency)):
        data = SimpleNamespace(winds=SimpleNamespace(frequency_uncertainty=stated))
        assert _uncertainty(data).frequency == used
