"""Weather records as they come: texts, units, quality control and subsets."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest
from wind_record_helpers import frame_of, hours_of, invented

from shelterscape.errors import InputError
from shelterscape.science.wind_quality import LEFT_OUT, check_record
from shelterscape.science.wind_records import Collector, RecordOptions, report_width, rows_of
from shelterscape.science.wind_sectors import sector_statistics
from shelterscape.science.wind_subsets import (
    Subset,
    month_coverage,
    months_in_words,
    usable_subsets,
    usual_subsets,
)
from shelterscape.science.wind_texts import compass_point, directions_in_texts
from shelterscape.science.wind_units import SPEED_UNITS


def collected(frame, headings=None, pieces=3, comma=False):
    """A table as if it came from a file, piece by piece."""
    headings = {name: name for name in frame} if headings is None else headings
    texts = frame.astype(str)
    found = Collector()
    found.start("record.csv", headings, comma=comma)
    size = -(-len(texts) // pieces)
    for first in range(0, len(texts), size):
        found.add(texts[first : first + size])
    return found


def checked(frame, headings=None, **options):
    given = RecordOptions(**{"speed_unit": "ms", **options})
    rows, notices = rows_of(collected(frame, headings), given)
    record, more = check_record(rows, given, "record.csv")
    return record, [*notices, *more]


def findings(record):
    found = record.findings
    return {f: int(n) for f, n in zip(found["finding"], found["value_count"], strict=True)}


def whole_set(record, sectors=16):
    return sector_statistics(record.hours, np.ones(len(record.hours.time), bool), sectors, runs=2)


def text_frame(text):
    return pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)


# ---- texts


@pytest.mark.parametrize(
    ("word", "degrees"),
    [
        ("N", 0.0), ("SW", 225.0), ("wsw", 247.5), ("South West", 225.0), ("south-westerly", 225.0),
        ("westerly", 270.0), ("North-North-East", 22.5), ("NNW", 337.5), ("up", None), ("", None),
        ("SSS", None), ("S W", 225.0),
    ],
)  # fmt: skip
def test_compass_points(word, degrees):
    assert compass_point(word) == degrees


def test_words_of_directions():
    values, states, spelled = directions_in_texts(["SW", "VRB", "calm", "", "200", "east-ish"])
    assert states.tolist() == [0, 4, 3, 1, 0, 2]
    assert spelled.tolist() == [True, False, False, False, False, False]
    assert values[[0, 4]].tolist() == [225.0, 200.0]


@pytest.mark.parametrize(
    ("step", "width"), [(10, 10.0), (45, 45.0), (22.5, 22.5), (5, 5.0), (1, 1.0), (0.1, 0.0)]
)
def test_width_of_reports(step, width):
    known = np.arange(0, 360, step)
    assert report_width(known, np.zeros(len(known), bool)) == width


# ---- units


@pytest.mark.parametrize("unit", SPEED_UNITS)
def test_units_are_the_same_record(unit):
    hours = invented()
    plain, _ = checked(frame_of(hours))
    other, _ = checked(frame_of(hours, SPEED_UNITS[unit]), speed_unit=unit)
    one, two = whole_set(plain), whole_set(other)
    np.testing.assert_array_equal(one.frequency, two.frequency)
    np.testing.assert_allclose(one.mean_speed_ms, two.mean_speed_ms, rtol=1e-9)


def test_tens_words_and_degrees_are_the_same_record():
    hours = invented()
    frame = frame_of(hours)
    plain = whole_set(checked(frame)[0])
    tens = frame.assign(direction=(frame["direction"] // 10).map("{:02d}".format))
    found = whole_set(checked(tens, direction_unit="tens")[0])
    np.testing.assert_array_equal(found.frequency, plain.frequency)
    points = np.array(["N", "NE", "E", "SE", "S", "SW", "W", "NW"])
    at = np.random.default_rng(1).integers(0, 8, len(frame))
    spelled = whole_set(checked(frame.assign(direction=points[at]))[0], 8)
    degrees = whole_set(checked(frame.assign(direction=np.where(at == 0, 360, at * 45)))[0], 8)
    np.testing.assert_array_equal(spelled.frequency, degrees.frequency)


def test_magnetic_bearings_are_turned():
    hours = invented()
    plain = whole_set(checked(frame_of(hours))[0])
    turned = whole_set(checked(frame_of(hours), declination_deg=-45.0)[0])
    np.testing.assert_allclose(np.roll(plain.frequency, -2), turned.frequency, rtol=1e-9)


def test_the_heading_may_state_the_unit():
    hours = invented()
    headings = {"time": "time", "direction": "direction", "speed": "wdsp_kn"}
    frame = frame_of(hours, SPEED_UNITS["kn"])
    record, notices = checked(frame, headings, speed_unit=None)
    assert whole_set(record).mean_speed_ms == pytest.approx(
        whole_set(checked(frame_of(hours))[0]).mean_speed_ms
    )
    assert any("knots, as the heading states" in n.text for n in notices)


WHOLE = np.maximum(np.round(invented().speed_ms / SPEED_UNITS["kn"] * 1.5), 0)

# name: (speeds, heading, unit stated, what the error says)
DOUBTFUL = {
    "no unit, whole numbers": (WHOLE, "speed", None, ["whole numbers, median 13: knots?"]),
    "no unit, knots in mph": (WHOLE * 1.15078, "speed", None, ["multiples of 1.151", "mile"]),
    "no unit, decimals": (invented().speed_ms + 0.03, "speed", None, ["decimal", "m/s?"]),
    "m/s with whole numbers": (WHOLE // 1.3, "speed", "ms", ["median of 9 m/s", "knots?"]),
    "knots that are mph": (WHOLE * 1.15078, "speed", "kn", ["miles per hour"]),
    "m/s that are km/h": (WHOLE * 1.852, "speed", "ms", ["above 24 m/s"]),
    "the heading states another": (WHOLE, "speed_kn", "mph", ["heading", "knots"]),
}


@pytest.mark.parametrize("name", DOUBTFUL)
def test_units_are_never_guessed(name):
    speeds, heading, unit, says = DOUBTFUL[name]
    headings = {"time": "time", "direction": "direction", "speed": heading}
    with pytest.raises(InputError) as error:
        checked(frame_of(invented()).assign(speed=speeds), headings, speed_unit=unit)
    assert error.value.code == "unit-unknown"
    assert "--speed-unit" in error.value.hint
    for words in says:
        assert words in str(error.value)


def test_a_doubted_unit_can_be_insisted_on():
    record, _ = checked(frame_of(invented()).assign(speed=WHOLE), certain=True)
    assert whole_set(record).mean_speed_ms.max() > 8


def test_directions_up_to_36_and_radians_are_doubted():
    frame = frame_of(invented())
    tens = frame.assign(direction=frame["direction"] // 10)
    radians = frame.assign(direction=np.radians(frame["direction"]).round(3))
    for one, words in ((tens, "tens of degrees?"), (radians, "radians?")):
        with pytest.raises(InputError) as error:
            checked(one)
        assert error.value.code == "unit-unknown" and words in str(error.value)
    with pytest.raises(InputError, match="36"):
        checked(frame, direction_unit="tens")


def test_temperatures_in_fahrenheit_are_doubted():
    frame = frame_of(invented()).assign(temperature=55.0)
    with pytest.raises(InputError, match="Fahrenheit"):
        checked(frame)
    record, _ = checked(frame, temperature_unit="f")
    np.testing.assert_allclose(record.hours.temperature_c, (55 - 32) / 1.8)


# ---- quality control


def spoiled():
    """A year of hours with every fault, and how many rows each spoils."""
    frame = frame_of(invented()).astype(object)
    column = {name: frame.columns.get_loc(name) for name in frame}

    def put(rows, **values):
        for name, value in values.items():
            frame.iloc[rows, column[name]] = value
        return len(rows)

    faults = {
        "impossible speed": put([10, 11], direction=200, speed=1048.4),
        "impossible direction": put([20, 21, 22], direction=370, speed=5.0),
        "direction without speed": put([30], direction=200, speed=""),
        "speed without direction": put([40, 41], direction="", speed=5.0),
        "no wind measured": put([50, 51, 52, 53], direction="NA", speed="-999"),
        "variable direction": put([60], direction=990, speed=1.5),
        "direction 0 (calm) with a speed": put([70, 71], direction=0, speed=4.0),
        "speed not readable": put([80], direction=200, speed="gusty"),
        "time not readable": put([90], time="noon"),
        "stuck sensor: direction and speed unchanged": put(
            list(range(1000, 1030)), direction=200, speed=3.3
        ),
        "stuck sensor: calm": put(list(range(2000, 2130)), direction=0, speed=0),
    }
    frame = pd.concat([frame, frame.iloc[[3000, 3001]], frame.iloc[[3005]].assign(speed=9.9)])
    faults["repeated hour with the same values"] = 2
    faults["repeated hour with other values"] = 1
    # A gap of five hours.
    return frame.drop(index=range(4000, 4005)), faults


def test_every_fault_is_found_counted_and_left_out():
    frame, faults = spoiled()
    record, notices = checked(frame)
    found = findings(record)
    assert found.pop("missing rows (gaps)") == 6  # that of the unreadable time is one
    assert found == faults
    assert record.row_count == len(frame) == len(record.hours.time) + sum(faults.values())
    text = next(n for n in notices if n.code == "rows-left-out")
    assert text.count == sum(faults.values())
    assert not set(faults) - set(LEFT_OUT)


def test_rows_are_named_as_in_the_file():
    record, _ = checked(spoiled()[0])
    rows = record.findings.set_index("finding")
    assert rows.loc["impossible speed", "first_rows"] == "11; 12"
    assert "1048.4" in rows.loc["impossible speed", "example"]
    assert rows.loc["no wind measured", "first_rows"] == "51; 52; 53"


def test_the_rest_is_as_if_the_faults_had_never_been():
    frame, _ = spoiled()
    record, _ = checked(frame)
    hours = invented()
    left = np.isin(hours.time, record.hours.time)
    changed = np.isin(np.arange(len(hours.time)), [*range(1000, 1030), *range(2000, 2130)])
    np.testing.assert_array_equal(record.hours.speed_ms, hours.speed_ms[left & ~changed])


def test_zero_is_north_where_360_never_occurs():
    frame = frame_of(invented())
    north = frame["direction"].replace(360, 0)
    record, _ = checked(frame.assign(direction=north))
    np.testing.assert_array_equal(
        whole_set(record).frequency, whole_set(checked(frame)[0]).frequency
    )


def test_calm_by_code_alone():
    frame = frame_of(invented()).astype(object)
    calm = frame["speed"] == 0
    record, _ = checked(frame.assign(speed=frame["speed"].where(~calm, "")))
    assert whole_set(record).calm == pytest.approx(calm.mean())
    words = frame.assign(direction=frame["direction"].where(~calm, "calm"))
    assert whole_set(checked(words)[0]).calm == pytest.approx(calm.mean())


def dublin_clock():
    """A year by the clock of Dublin: 01:00 comes twice on 27 October 2019, never on 31 March."""
    hours = invented()
    utc = pd.DatetimeIndex(hours.time.astype("datetime64[s]"))
    local = utc.tz_localize("UTC").tz_convert("Europe/Dublin").tz_localize(None)
    return frame_of(hours).assign(time=local.strftime("%Y-%m-%dT%H:%M"))


def test_clock_changes_are_found():
    record, notices = checked(dublin_clock())
    assert findings(record)["repeated hour at a clock change"] == 1
    assert any(n.code == "clock-changes" and "--time-zone" in n.text for n in notices)


def test_the_time_zone_keeps_both_hours():
    frame = dublin_clock()
    record, _ = checked(frame, time_zone="Europe/Dublin")
    assert findings(record) == {"repeated hour at a clock change, separated by the time zone": 1}
    assert len(record.hours.time) == len(frame)


def test_an_hour_that_does_not_exist():
    frame = frame_of(invented())
    assert "2019-03-31T01:00" in set(frame["time"])
    record, _ = checked(frame, time_zone="Europe/Dublin")
    assert findings(record)["hour that does not exist, at a clock change"] == 1


def test_times_with_an_offset_and_in_other_forms():
    frame = frame_of(invented())
    plain, notices = checked(frame)
    assert any("local time" in n.text for n in notices)
    for changed, options in (
        (frame["time"] + "Z", {}),
        (frame["time"] + ":00+00:00", {}),
        (pd.to_datetime(frame["time"]).dt.strftime("%d/%m/%Y %H:%M"),
         {"time_format": "%d/%m/%Y %H:%M", "time_zone": "UTC"}),
    ):  # fmt: skip
        record, notices = checked(frame.assign(time=changed), **options)
        np.testing.assert_array_equal(record.hours.time, plain.hours.time)
        assert record.zone == "UTC" and not any("local time" in n.text for n in notices)


@pytest.mark.parametrize(
    ("change", "options", "code", "words"),
    [
        (lambda t: pd.to_datetime(t).dt.strftime("%d/%m/%Y %H:%M"), {}, "record-bad", "--time-fo"),
        (lambda t: t.where(t.index < 9, t + "Z"), {}, "record-bad", "offset"),
        (lambda t: t + "Z", {"time_zone": "Europe/Dublin"}, "record-bad", "--time-zone"),
        (lambda t: t, {"time_zone": "Middle/Earth"}, "name-unknown", "Europe/Dublin"),
        (lambda t: t.str[:10], {}, "record-bad", "24 hours"),
        (lambda t: "2019-01-01T00:00", {}, "record-bad", "different time"),
    ],
)
def test_times_that_cannot_be_used(change, options, code, words):
    frame = frame_of(invented())
    with pytest.raises(InputError) as error:
        checked(frame.assign(time=change(frame["time"])), **options)
    assert error.value.code == code, error.value
    assert words in str(error.value) and error.value.hint


def stations():
    """Three stations, one of them without wind."""
    frame = frame_of(invented(2000))
    nothing = frame.assign(direction="", speed="", station="Empty Hill")
    other = frame.assign(speed=frame["speed"] / 2, station="Low Wood")
    return pd.concat([frame.assign(station="High Moor"), nothing, other], ignore_index=True)


def test_one_station_is_chosen():
    record, notices = checked(stations(), stations=("Low Wood",))
    assert record.row_count == 2000
    alone, _ = checked(frame_of(invented(2000)).assign(speed=invented(2000).speed_ms / 2))
    np.testing.assert_array_equal(record.hours.speed_ms, alone.hours.speed_ms)
    assert any(n.code == "stations-empty" and "Empty Hill" in n.text for n in notices)
    shares = record.stations.set_index("station")["usable_share"]
    assert shares.to_dict() == {"Empty Hill": 0.0, "High Moor": 1.0, "Low Wood": 1.0}
    used = record.stations.set_index("station")["station_used"]
    assert used.to_dict() == {"Empty Hill": "no", "High Moor": "no", "Low Wood": "yes"}


@pytest.mark.parametrize(
    ("names", "code", "words"),
    [
        ((), "name-unknown", "3 stations"),
        (("Nowhere",), "name-unknown", "Nowhere"),
        (("Empty Hill",), "record-short", "no wind data"),
    ],
)
def test_stations_that_cannot_be_used(names, code, words):
    with pytest.raises(InputError) as error:
        checked(stations(), stations=names)
    assert error.value.code == code
    assert words in str(error.value) and "Low Wood" in error.value.hint


def test_all_stations_count_together():
    record, _ = checked(stations(), stations=("all",))
    assert len(record.hours.time) == 4000


def test_ten_minute_values():
    hours = invented(6 * 24 * 40)
    times = np.datetime64("2019-01-01T00:00") + np.arange(len(hours.time)) * np.timedelta64(10, "m")
    record, _ = checked(frame_of(hours).assign(time=np.datetime_as_string(times, unit="m")))
    assert record.hours.step_minutes == 10
    assert findings(record) == {}
    assert month_coverage(record.hours)[1] == pytest.approx(1.0)


def test_a_column_of_words_is_refused():
    frame = frame_of(invented())
    for name in ("speed", "direction"):
        with pytest.raises(InputError) as error:
            checked(frame.assign(**{name: "much"}))
        assert error.value.code == "record-bad" and f"record.{name}=COLUMN" in error.value.hint


def test_other_marks_of_missing_values():
    frame = frame_of(invented()).astype(object)
    frame.iloc[5:9, 2] = "lost"
    record, _ = checked(frame, missing=("lost",))
    assert findings(record) == {"direction without speed": 4}


# ---- subsets


def test_months_in_words():
    assert months_in_words([12, 1, 2]) == "12-2"
    assert months_in_words([1, 3, 4, 12]) == "3-4, 12-1"


def test_subsets_select_their_hours():
    hours = hours_of(
        np.full(8760, 200.0),
        np.linspace(0.1, 20, 8760),
        temperature_c=np.tile([3.0, 9.0], 4380),
        rain_mm=np.tile([0.0, 0.0, 1.0, 1.0], 2190),
    )
    found = {s.name: s.hours(hours) for s in usual_subsets(hours)}
    assert found[""].all()
    assert (found["in-leaf"] ^ found["bare"]).all()
    assert set(hours.month[found["lambing"]]) == {3, 4}
    assert (hours.temperature_c[found["lambing"]] <= 5).all()
    assert (hours.speed_ms[found["storm"]] >= 13.9).all() and found["storm"].sum() > 2000
    assert found["cold wet"].sum() == 8760 // 4
    assert "cold wet" not in {s.name for s in usual_subsets(invented())}


def months_of_invented(*months):
    hours = invented()
    chosen = np.isin(hours.month, months)
    return hours_of(
        np.nan_to_num(hours.direction_deg[chosen]), hours.speed_ms[chosen], time=hours.time[chosen]
    )


def test_a_year_of_winters_only_is_no_year():
    winter = months_of_invented(11, 12, 1, 2, 3)
    with pytest.raises(InputError) as error:
        usable_subsets(usual_subsets(winter), winter, None, "x")
    assert error.value.code == "record-short"
    assert "4-10" in str(error.value) and "--months 1,2,3,11,12" in error.value.hint


def test_a_winter_may_be_used_for_winters():
    winter = months_of_invented(11, 12, 1, 2, 3)
    found, notices = usable_subsets(usual_subsets(winter), winter, (11, 12, 1, 2, 3), "x")
    assert {s.name for s in found} == {"bare", "winter", "lambing", "spring"} - {"spring"}
    assert {n.code for n in notices} == {"subset-left-out"}


def test_ten_months_are_used_with_a_caution():
    ten = months_of_invented(*range(1, 11))
    _, notices = usable_subsets(usual_subsets(ten), ten, None, "x")
    assert any(n.code == "record-partial" and "11-12" in n.text for n in notices)


def test_days_are_no_record():
    hours = invented(24 * 20)
    with pytest.raises(InputError, match="too short") as error:
        usable_subsets([Subset("")], hours, (1,), "x")
    assert error.value.code == "record-short"
