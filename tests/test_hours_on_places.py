"""Days of sheep chill and windy hours on places: a plain loop, laws, and a case by hand."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from shapely import Point, box

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.process import hourly_inputs
from shelterscape.science import hours_on_places as module
from shelterscape.science.hours_on_places import (
    CellWinds,
    HourRules,
    days_of_year,
    hour_notices,
    hours_on_places,
    nearest_direction,
)
from shelterscape.science.hours_tables import hours_of
from shelterscape.science.places import complete, coverage
from shelterscape.science.purposes import purposes
from shelterscape.science.wind import WindSet
from shelterscape.science.wind_sectors import Hours

GRID = Grid((20, 20), Affine(10, 0, 0, 0, -10, 200), "EPSG:25832")
SECTORS = np.arange(16) * 22.5


def wind_set(directions=SECTORS, height_m=10.0, roughness_m=0.03):
    n = len(directions)
    return WindSet(
        "", np.asarray(directions, float), np.full(n, 1 / n), np.full(n, 5.0), np.full(n, 2.0),
        measured_height_m=height_m, measured_roughness_m=roughness_m,
    )  # fmt: skip


def record(days=500, seed=3, start="2019-11-20", stations=2, gaps=0.1):
    """Hours of a few stations with calms, gaps, and missing temperature and rain."""
    rng = np.random.default_rng(seed)
    n = 24 * days
    time = np.tile(np.datetime64(start, "m") + np.arange(n) * np.timedelta64(60, "m"), stations)
    station = np.repeat(np.arange(stations), n)
    speed = 5 * rng.weibull(2, n * stations)
    speed[rng.random(n * stations) < 0.05] = 0.0
    direction = np.where(speed > 0, 10.0 * rng.integers(0, 36, n * stations), np.nan)
    day_c = np.repeat(rng.normal(5, 5, days * stations), 24)
    temperature = np.where(rng.random(n * stations) < 0.03, np.nan, day_c)
    rain = np.where(rng.random(n * stations) < 0.2, rng.gamma(1, 1.5, n * stations), 0.0)
    rain[rng.random(n * stations) < 0.02] = np.nan
    keep = rng.random(n * stations) > gaps
    columns = [
        c[keep] for c in (time, station, direction, speed, speed * np.nan, temperature, rain)
    ]
    return Hours(*columns, report_deg=10.0, step_minutes=60.0,
                 stations=tuple(f"s{i}" for i in range(stations)))  # fmt: skip


def places_of(*purposes_, shapes=None):
    shapes = shapes or [box(5, 105, 87, 193), box(100, 20, 155, 95), Point(33, 44)]
    frame = gpd.GeoDataFrame({"purpose": list(purposes_)}, geometry=shapes[: len(purposes_)],
                             crs=GRID.crs)  # fmt: skip
    return complete(frame, "places")[0]


def plain_loop(hours, place, cells, shares, winds, wind, rules):
    """Day by day and cell by cell, with formulas written out here."""
    purpose = purposes().get(place["purpose"])
    months = purpose.months if purpose else rules.months
    height = purpose.at_height_m if purpose else rules.height_m
    frame = pd.DataFrame({
        "station": hours.station, "time": hours.time, "d": hours.direction_deg,
        "u": hours.speed_ms, "c": hours.temperature_c, "mm": hours.rain_mm,
    })  # fmt: skip
    frame = frame[frame["time"].dt.month.isin(months)]

    def factor(z):
        up = math.log(60 / winds.measured_roughness_m)
        up /= math.log(winds.measured_height_m / winds.measured_roughness_m)
        return up * math.log(z / rules.roughness_m) / math.log(60 / rules.roughness_m)

    def of_hour(direction, n):
        if math.isnan(direction):
            return 1.0
        apart = [abs((direction - d + 180) % 360 - 180) for d in winds.direction_deg]
        return float(wind[int(np.argmin(apart)), n]) if min(apart) <= 22.5 else 1.0

    cold, windy, days = np.zeros(len(cells)), np.zeros(len(cells)), 0
    for n in range(len(cells)):
        ratio = np.array([of_hour(d, n) for d in frame["d"]])
        windy[n] = sum(ratio * frame["u"] * factor(height) > rules.windy_ms)
        days = 0
        with_ratio = frame.assign(v=ratio * frame["u"] * factor(0.4))
        for _, day in with_ratio.groupby(["station", frame["time"].dt.date]):
            known = day[day["c"].notna()]
            if len(known) < 20:
                continue
            days += 1
            v, t, r = known["v"].mean(), known["c"].mean(), day["mm"].sum()
            heat = (11.7 + 3.1 * v**0.5) * (40 - t) + 481 + 418 * (1 - math.exp(-0.04 * r))
            cold[n] += heat > rules.chill_above
    length = {1: 31, 2: 28.25, 3: 31, 4: 30, 5: 31, 6: 30, 7: 31, 8: 31, 9: 30, 10: 31, 11: 30,
              12: 31}  # fmt: skip
    year = sum(length[m] for m in months)
    return (
        np.average(cold, weights=shares) * year / days,
        np.average(windy, weights=shares) * year * 24 / len(frame),
    )


def test_counts_equal_a_plain_loop(monkeypatch):
    """With several stations, gaps, blocks of a few cells, and a wind set that lacks directions."""
    monkeypatch.setattr(module, "BLOCK_VALUES", 500)
    hours = record(days=150)
    small = [box(5, 155, 32, 193), box(100, 20, 125, 45), Point(33, 44)]
    places = places_of("lambing", "outwintering stock", "", shapes=small)
    covered = coverage(places, GRID)
    winds = wind_set([0, 45, 180, 225, 247.5], 12.0, 0.1)
    wind = np.random.default_rng(1).uniform(0.2, 1.2, (5, len(covered.cell))).astype(np.float32)
    rules = HourRules(950.0, 2.5, 0.05, 1.5, (12, 1))
    found = hours_on_places(hours, places, covered, winds, wind, rules)
    for i in range(len(places)):
        part = slice(covered.first[i], covered.first[i + 1])
        cells, shares = covered.cell[part], covered.share[part]
        expected = plain_loop(hours, places.iloc[i], cells, shares, winds, wind[:, part], rules)
        assert found.loc[i].tolist() == pytest.approx(expected, abs=1e-9, rel=1e-9)
        assert 10 < expected[0] < 150 and expected[1] > 10


def steady(speed, celsius, mm_a_day, days=31, direction=270.0):
    n = 24 * days
    time = np.datetime64("2021-03-01", "m") + np.arange(n) * np.timedelta64(60, "m")
    one = np.ones(n)
    return Hours(time, np.zeros(n, int), one * (direction if speed else np.nan), one * speed,
                 one * np.nan, one * celsius, one * mm_a_day / 24, 0.0, 60.0)  # fmt: skip


@pytest.mark.parametrize(("threshold", "days"), [(1245.2, 61.0), (1245.4, 0.0)])
def test_steady_weather_by_hand(threshold, days):
    """5 °C, 4 m/s at 0.4 m, 10 mm a day: an index of 1245.3 (D), every day of March and April."""
    at_mast = 4.0 * math.log(10 / 0.03) / math.log(0.4 / 0.03)
    places = places_of("lambing")
    covered = coverage(places, GRID)
    rules = HourRules(threshold, 3.99)
    found = hours_on_places(steady(at_mast, 5, 10), places, covered, wind_set(), None, rules)
    assert found.iloc[0].tolist() == pytest.approx([days, 61 * 24])


def test_half_of_a_place_in_shelter_counts_half():
    """Cells with a quarter of the wind have 1 m/s and an index of 1136.8 (D): the mean of cells is
    half of the days, whereas the index of the mean wind would give all or none."""
    at_mast = 4.0 * math.log(10 / 0.03) / math.log(0.4 / 0.03)
    places = places_of("lambing", shapes=[box(0, 100, 100, 200)])
    covered = coverage(places, GRID)
    cells = CellWinds([wind_set()], covered)
    field = np.ones(GRID.shape, np.float32)
    field[:5] = 0.25
    for direction in SECTORS:
        cells.add(0, direction, 1 / 16, field)
    hours, rules = steady(at_mast, 5, 10), HourRules(1200.0, 3.99)
    found = hours_on_places(hours, places, covered, wind_set(), cells.values[0], rules)
    assert found.iloc[0].tolist() == pytest.approx([61 / 2, 61 * 24 / 2])


def test_laws():
    hours, winds, rules = record(), wind_set(), HourRules(950.0, 2.0)
    places = places_of("lambing", "yard and house", "")
    covered = coverage(places, GRID)
    open_ground = hours_on_places(hours, places, covered, winds, None, rules)
    same = np.ones((16, len(covered.cell)), np.float32)
    pd.testing.assert_frame_equal(
        hours_on_places(hours, places, covered, winds, same, rules), open_ground
    )
    last, some = open_ground, np.random.default_rng(0).uniform(0.3, 1, same.shape)
    for shelter in (1.0, 0.8, 0.3, 0.0):
        wind = (some * shelter).astype(np.float32)
        now = hours_on_places(hours, places, covered, winds, wind, rules)
        assert (now["windy_hours"] < last["windy_hours"]).all()
        assert (now["chill_days"].dropna() <= last["chill_days"].dropna()).all()
        last = now
    assert (last["windy_hours"] == 0).all()
    assert np.isnan(open_ground["chill_days"][1])  # a house is not for stock
    assert open_ground["chill_days"][0] > last["chill_days"][0] > 0  # still, cold and wet days


def test_calm_hours_are_the_same_with_any_belts():
    places = places_of("lambing")
    covered = coverage(places, GRID)
    calm, rules = steady(0.0, 2, 20), HourRules()
    some = np.full((16, len(covered.cell)), 0.2, np.float32)
    found = [hours_on_places(calm, places, covered, wind_set(), w, rules) for w in (None, some)]
    pd.testing.assert_frame_equal(*found)
    # (11.7)(38) + 481 + 418 (1 - e^-0.8) = 1155.8
    assert found[0].iloc[0].tolist() == [61.0, 0.0]


def test_cells_that_are_not_known_are_left_out():
    places = places_of("", shapes=[box(0, 100, 100, 200)])
    covered = coverage(places, GRID)
    wind = np.full((16, len(covered.cell)), 0.1, np.float32)
    wind[:, 50:] = 1
    known = np.arange(len(covered.cell)) >= 50
    args = (steady(9.0, 5, 10), places, covered, wind_set(), wind, HourRules())
    assert hours_on_places(*args, known=known)["windy_hours"][0] == pytest.approx(8766)
    assert hours_on_places(*args)["windy_hours"][0] == pytest.approx(8766 / 2)
    assert np.isnan(hours_on_places(*args, known=known & False)["windy_hours"][0])


def test_no_counts_without_the_months_or_above_rough_ground():
    places = places_of("yard and house", "lambing")
    covered = coverage(places, GRID)
    summer = record(60, start="2020-06-01")
    assert (
        hours_on_places(summer, places, covered, wind_set(), None, HourRules())
        .isna()
        .all(axis=None)
    )
    rough = HourRules(roughness_m=0.25)
    found = hours_on_places(record(), places, covered, wind_set(), None, rough)
    assert found.notna().to_numpy().tolist() == [[False, True], [False, False]]
    assert "too low" in " ".join(n.text for n in hour_notices(summer, [wind_set()], rough))


def test_nearest_direction_and_what_is_reported():
    found = nearest_direction(np.array([359.0, 10, 12, 180, np.nan]), np.array([0.0, 22.5]))
    assert found.tolist() == [0, 0, 1, 2, 2]
    hours = record(40)
    lacking = hour_notices(hours, [wind_set([0, 22.5])], HourRules())
    from_there = np.isin(hours.direction_deg, [340, 350, 0, 10, 20, 30, 40]).sum()
    assert lacking[0].count == (hours.speed_ms > 0).sum() - from_there
    assert hour_notices(hours, [wind_set()], HourRules()) == []
    assert days_of_year((11, 12, 1, 2, 3)) == 151.25


def test_a_direction_of_two_wind_sets_goes_to_that_with_weight():
    places = places_of("")
    covered = coverage(places, GRID)
    cells = CellWinds([wind_set([0, 90])], covered)
    for weight, value in ((0.0, 0.9), (0.5, 0.4), (0.0, 0.7)):
        cells.add(0, 90.0, weight, np.full(GRID.shape, value, np.float32))
    assert np.unique(cells.values[0][1]).tolist() == [np.float32(0.4)]
    assert (cells.values[0][0] == 1).all()


def table(**columns):
    rows = {
        "station": ["", ""], "time": ["2021-03-01T01:00", "2021-03-01T00:00"],
        "direction_deg": ["360", ""], "speed_ms": ["4", "0"], "temperature_c": ["-1.5", ""],
    }  # fmt: skip
    return pd.DataFrame({**rows, **columns}, dtype=str)


def test_a_table_of_hours_is_read():
    hours, notices = hours_of([table()], "hourly.csv")
    assert notices == [] and hours.step_minutes == 60 and hours.stations == ("",)
    assert hours.time.astype(str).tolist() == ["2021-03-01T00:00", "2021-03-01T01:00"]
    np.testing.assert_array_equal(hours.direction_deg, [np.nan, 0])
    np.testing.assert_array_equal(hours.temperature_c, [np.nan, -1.5])
    assert np.isnan(hours.rain_mm).all()
    _, notices = hours_of([table(direction_deg=["", ""])], "hourly.csv")
    assert [n.code for n in notices] == ["rows-left-out"] and notices[0].count == 1


@pytest.mark.parametrize(
    ("columns", "code", "shown"),
    [
        ({"speed_ms": ["4", "4 kn"]}, "column-bad", "4 kn"),
        ({"speed_ms": ["1e400", "4"]}, "column-bad", "1e400"),
        ({"direction_deg": ["10", "361"]}, "column-bad", "361"),
        ({"time": ["2021-03-01T01:00", "yesterday"]}, "record-bad", "yesterday"),
        ({"time": ["2021-03-01T01:00"] * 2}, "record-bad", "2021-03-01T01:00"),
        ({"time": ["2021-03-01T01:00Z", "2021-03-01T02:00Z"]}, "record-bad", "01:00Z"),
        ({"time": ["2021-03-01T01:00", "2021-03-04T01:00"]}, "record-bad", "4320 minutes"),
    ],
)
def test_a_bad_table_of_hours_gives_one_clear_error(columns, code, shown):
    with pytest.raises(InputError) as error:
        hours_of([table(**columns)], "hourly.csv")
    assert error.value.code == code and shown in str(error.value.value)
    with pytest.raises(InputError, match="no rows"):
        hours_of([], "hourly.csv")


def test_defaults_of_the_description():
    rules = HourRules()
    assert (rules.chill_above, rules.windy_ms) == (
        hourly_inputs.CHILL_ABOVE,
        hourly_inputs.WINDY_MS,
    )
