"""Real weather records: what is wrong with them is found, and frequencies by another road.

Irish record: Met Éireann, 2017, CC BY 4.0, modified. New York record: NOAA, 2013. See
../shared/data/README.md.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from conftest import REAL_DATA
from scipy.stats import weibull_min

import shelterscape
from shelterscape.errors import InputError
from shelterscape.process.reading import Reader, no_notice
from shelterscape.science.wind_quality import check_record
from shelterscape.science.wind_records import COLUMNS, NEEDED, RecordOptions, rows_of
from shelterscape.science.wind_sectors import Hours, sector_statistics
from shelterscape.science.wind_subsets import usable_subsets, usual_subsets

pytestmark = pytest.mark.realdata

IRELAND = REAL_DATA / "wind_ireland_2017" / "hourly_wind_25stations.csv.gz"
NEW_YORK = REAL_DATA / "wind_nyc_2013" / "weather.csv.gz"
IRISH_COLUMNS = {"time": "date_utc", "direction": "wddir_deg", "speed": "wdsp_kn"}
NEW_YORK_COLUMNS = {
    "station": "origin",
    "time": "year+month+day+hour",
    "direction": "wind_dir",
    "speed": "wind_speed",
    "temperature": "temp",
    "rain": "precip",
}


def read(path, columns, **options):
    """A record through the reader and quality control."""
    every = {name: columns.get(name, name) for name in COLUMNS}
    given = RecordOptions(**options)
    rows, notices = rows_of(Reader(no_notice).records([str(path)], every, NEEDED), given)
    record, more = check_record(rows, given, path.name)
    return record, [*notices, *more]


@pytest.fixture(scope="module")
def irish():
    return read(IRELAND, IRISH_COLUMNS, stations=("all",), time_zone="UTC")


def new_york(**options):
    units = {"speed_unit": "mph", "temperature_unit": "f", "rain_unit": "in"}
    return read(NEW_YORK, NEW_YORK_COLUMNS, stations=("all",), **units, **options)


def by_finding(record):
    return record.findings.groupby("finding")["value_count"].sum().to_dict()


# ---- Ireland


def test_the_irish_record_is_counted(irish):
    record, notices = irish
    frame = pd.read_csv(IRELAND)
    speed, direction = frame["wdsp_kn"], frame["wddir_deg"]
    assert record.row_count == len(frame) == 219_000
    assert by_finding(record) == {
        "no wind measured": int((speed.isna() & direction.isna()).sum()),
        "direction without speed": int((speed.isna() & direction.notna()).sum()),
        # Of speed 0 the direction does not matter: two such rows are calm.
        "speed without direction": int(((speed > 0) & direction.isna()).sum()),
    }
    assert int(((speed == 0) & direction.isna()).sum()) == 2
    empty = next(n for n in notices if n.code == "stations-empty")
    assert empty.count == 2 and "MARKREE, PHOENIX PARK" in empty.text
    assert any("knots, as the heading states" in n.text for n in notices)


def of_station(record, name) -> Hours:
    hours = record.hours
    mine = hours.station == hours.stations.index(name)
    picked = {
        c: getattr(hours, c)[mine]
        for c in ("time", "station", "direction_deg", "speed_ms", "gust_ms", "temperature_c",
                  "rain_mm")
    }  # fmt: skip
    return Hours(
        **picked,
        report_deg=hours.report_deg,
        step_minutes=hours.step_minutes,
        stations=hours.stations,
    )


def frequencies_by_pandas(frame):
    """Each report of 10° as eight cells of 1.25°, each of which is in one sector of 22.5°."""
    calm = frame["wdsp_kn"] == 0
    known = frame[calm | (frame["wdsp_kn"].notna() & frame["wddir_deg"].notna())]
    windy = known[known["wdsp_kn"] > 0]
    cells = windy.loc[windy.index.repeat(8), ["wddir_deg", "wdsp_kn"]]
    offset = np.tile(np.arange(-4, 4), len(windy))
    cell = (cells["wddir_deg"] * 8 // 10).astype(int) + offset
    cells["sector"] = (cell + 9) // 18 % 16
    share = cells.groupby("sector").size() / 8 / len(known)
    mean = cells.groupby("sector")["wdsp_kn"].mean() * 0.514444
    every = range(16)
    return share.reindex(every, fill_value=0.0), mean.reindex(every), 1 - len(windy) / len(known)


def test_frequencies_of_every_irish_station_by_another_road(irish):
    record, _ = irish
    frame = pd.read_csv(IRELAND)
    compared = 0
    for name, part in frame.groupby("station"):
        if part["wdsp_kn"].isna().all():
            continue
        hours = of_station(record, name)
        found = sector_statistics(hours, np.ones(len(hours.time), bool), 16, runs=2)
        share, mean, calm = frequencies_by_pandas(part)
        np.testing.assert_allclose(found.frequency, share, rtol=0, atol=1e-9, err_msg=name)
        np.testing.assert_allclose(found.mean_speed_ms, mean, rtol=1e-9, err_msg=name)
        assert found.calm == pytest.approx(calm, abs=1e-9)
        compared += 1
    assert compared == 23


def test_weibull_of_irish_sectors_against_scipy(irish):
    """Scipy fits hours of single reports: with 36 sectors each report is in one sector alone."""
    hours = of_station(irish[0], "DUBLIN AIRPORT")
    found = sector_statistics(hours, np.ones(len(hours.time), bool), 36, runs=2)
    compared = 0
    for sector in range(36):
        ms = hours.speed_ms[hours.direction_deg == 10.0 * sector]
        if len(ms) < 100:
            continue
        shape, _, scale = weibull_min.fit(ms, floc=0)
        assert found.weibull_shape[sector] == pytest.approx(shape, rel=2e-3)
        assert found.weibull_scale_ms[sector] == pytest.approx(scale, rel=2e-3)
        compared += 1
    assert compared > 20


@pytest.mark.parametrize("name", ["MARKREE", "PHOENIX PARK"])
def test_an_irish_station_without_wind_is_named(name):
    with pytest.raises(InputError, match=name) as error:
        read(IRELAND, IRISH_COLUMNS, stations=(name,))
    assert error.value.code == "record-short"


def test_knots_said_to_be_metres_per_second_are_refused():
    with pytest.raises(InputError) as error:
        read(IRELAND, {**IRISH_COLUMNS}, stations=("all",), speed_unit="ms")
    assert error.value.code == "unit-unknown" and "whole numbers, median 8" in str(error.value)


def test_the_process_over_an_irish_station(tmp_path):
    found = shelterscape.wind_set(
        records=(str(IRELAND),),
        fields={f"record.{k}": v for k, v in IRISH_COLUMNS.items()},
        stations=("VALENTIA OBSERVATORY",),
        time_zone="UTC",
        out=tmp_path / "out",
    )
    share, _, _ = frequencies_by_pandas(
        pd.read_csv(IRELAND).query("station == 'VALENTIA OBSERVATORY'")
    )
    written = pd.read_csv(found.tables["winds"], comment="#")
    whole = written[written["subset"].isna()]
    np.testing.assert_allclose(whole["frequency"][:-1], share, atol=1.0001e-6)
    assert whole["frequency"].sum() == pytest.approx(1.0, abs=1e-12)


# ---- New York


def test_the_new_york_record_is_counted():
    record, notices = new_york()
    frame = pd.read_csv(NEW_YORK)
    speed, direction = frame["wind_speed"], frame["wind_dir"]
    found = by_finding(record)
    assert found["impossible speed"] == 1
    assert found["repeated hour at a clock change"] == 3
    missing = found["speed without direction"] + found["no wind measured"]
    assert missing == int(direction.isna().sum()) == 460
    assert found["no wind measured"] == int((speed.isna() & direction.isna()).sum()) == 4
    lost = sum(found[k] for k in found if k != "missing rows (gaps)")
    assert len(record.hours.time) == len(frame) - lost
    line = record.findings.set_index("finding").loc["impossible speed"]
    assert line["first_rows"] == "1010" and "1048.36" in line["example"]
    assert line["station"] == "EWR"
    assert any(n.code == "clock-changes" for n in notices)


def test_the_time_zone_of_new_york_keeps_the_repeated_hours():
    record, _ = new_york(time_zone="America/New_York")
    found = by_finding(record)
    assert "repeated hour at a clock change" not in found
    assert found["repeated hour at a clock change, separated by the time zone"] == 3
    utc, _ = read(NEW_YORK, {**NEW_YORK_COLUMNS, "time": "time_hour"}, stations=("all",),
                  speed_unit="mph", temperature_unit="f")  # fmt: skip
    assert len(utc.hours.time) == len(record.hours.time)
    np.testing.assert_array_equal(np.sort(utc.hours.speed_ms), np.sort(record.hours.speed_ms))


@pytest.mark.parametrize(
    ("unit", "words"),
    [(None, "multiples of 1.151"), ("kn", "miles per hour"), ("ms", "multiples of 1.151")],
)
def test_the_unit_of_new_york_is_not_guessed(unit, words):
    with pytest.raises(InputError, match=words) as error:
        read(NEW_YORK, NEW_YORK_COLUMNS, stations=("all",), speed_unit=unit)
    assert error.value.code == "unit-unknown"


def test_fahrenheit_is_noticed():
    with pytest.raises(InputError, match="Fahrenheit"):
        read(NEW_YORK, NEW_YORK_COLUMNS, stations=("all",), speed_unit="mph")


def test_subsets_of_new_york():
    options = {"speed_unit": "mph", "temperature_unit": "f", "rain_unit": "in"}
    options |= {"stations": ("JFK",), "time_zone": "America/New_York"}
    record, _ = read(NEW_YORK, NEW_YORK_COLUMNS, **options)
    hours = record.hours
    subsets, _ = usable_subsets(usual_subsets(hours), hours, None, "x")
    frame = pd.read_csv(NEW_YORK).query("origin == 'JFK' and wind_dir.notna()")
    celsius = (frame["temp"] - 32) / 1.8
    counts = {s.name: int(s.hours(hours).sum()) for s in subsets}
    assert counts["winter"] == frame["month"].isin([11, 12, 1, 2, 3]).sum()
    assert counts["lambing"] == (frame["month"].isin([3, 4]) & (celsius <= 5 + 1e-9)).sum()
    assert counts["cold wet"] == ((celsius <= 5 + 1e-9) & (frame["precip"] > 0)).sum()
