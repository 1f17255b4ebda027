"""Rose tables of reports: shares, counts, units and malformed tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from wind_record_helpers import hours_of

from shelterscape.errors import InputError
from shelterscape.science.rose_tables import rose_table
from shelterscape.science.wind_sectors import sector_statistics

BOUNDS = (0, 2, 4, 6, 8, 11, np.inf)
HEADINGS = ["0-2", "2-4", "4-6", "6-8", "8-11", ">11"]
POINTS = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"]


def drawn(count=80_000):
    """Hours from eight points, and their table of counts."""
    rng = np.random.default_rng(9)
    of = rng.choice(8, count, p=np.array([4, 3, 3, 5, 12, 35, 28, 10]) / 100)
    speed = (3 + of * 0.7) * rng.weibull(2.0, count)
    hours = hours_of(45.0 * of, speed, report_deg=45.0)
    cells = np.array([np.histogram(speed[of == i], BOUNDS)[0] for i in range(8)])
    return hours, cells


def table(cells, labels=POINTS, headings=HEADINGS, **columns):
    frame = pd.DataFrame(np.asarray(cells).astype(str), columns=pd.Index(headings))
    frame.insert(0, "direction", list(labels))
    return frame.assign(**columns)


def test_a_table_gives_what_its_hours_give():
    """The hours themselves are the check: shares are equal, mean and shape are close."""
    # So many that chance moves the shape of the thinnest sector by less than 1 %.
    hours, cells = drawn(400_000)
    found = rose_table(table(cells), "ms", "x")
    whole = sector_statistics(hours, np.ones(len(hours.time), bool), 8, runs=2)
    np.testing.assert_allclose(found.frequency, whole.frequency, rtol=1e-12)
    np.testing.assert_allclose(found.mean_speed_ms, whole.mean_speed_ms, rtol=0.02)
    np.testing.assert_allclose(found.weibull_shape, whole.weibull_shape, rtol=0.03)
    assert found.form == "counts"


@pytest.mark.parametrize(("scale", "form"), [(100.0, "percent"), (1.0, "shares")])
def test_percent_shares_and_counts_are_the_same(scale, form):
    _, cells = drawn()
    plain = rose_table(table(cells), "ms", "x")
    found = rose_table(table(cells / cells.sum() * scale), "ms", "x")
    assert found.form == form
    np.testing.assert_allclose(found.frequency, plain.frequency, rtol=1e-9)
    np.testing.assert_allclose(found.mean_speed_ms, plain.mean_speed_ms, rtol=1e-3)


def test_calm_belongs_to_no_direction():
    _, cells = drawn(1000)
    calm = np.array([[250, 0, 0, 0, 0, 0]])
    found = rose_table(table(np.vstack([cells, calm]), [*POINTS, "calm"]), "ms", "x")
    assert found.calm == pytest.approx(0.2)
    assert found.frequency.sum() == pytest.approx(0.8)


def test_totals_are_checked_and_left_out():
    _, cells = drawn(1000)
    whole = np.vstack([cells, cells.sum(axis=0)])
    frame = table(whole, [*POINTS, "Total"], total=whole.sum(axis=1).astype(str))
    np.testing.assert_allclose(
        rose_table(frame, "ms", "x").frequency, rose_table(table(cells), "ms", "x").frequency
    )
    frame.loc[2, "total"] = "999"
    with pytest.raises(InputError, match="999 stated"):
        rose_table(frame, "ms", "x")


def test_calm_given_as_a_total_alone():
    _, cells = drawn(1000)
    whole = np.vstack([cells, np.zeros((1, 6), int)])
    sums = whole.sum(axis=1)
    sums[-1] = 250
    found = rose_table(table(whole, [*POINTS, "calm"], total=sums.astype(str)), "ms", "x")
    assert found.calm == pytest.approx(0.2)


def test_classes_of_whole_numbers_meet_in_the_middle():
    _, cells = drawn()
    headings = ["0-2", "3-4", "5-6", "7-8", "9-11", "12+"]
    found = rose_table(table(cells, headings=headings), "kn", "x")
    np.testing.assert_allclose(
        found.class_low_ms, np.array([0, 2.5, 4.5, 6.5, 8.5, 11.5]) * 0.514444
    )
    assert np.isinf(found.class_high_ms[-1])


def test_the_headings_may_state_the_unit():
    _, cells = drawn()
    headings = [f"{h} kn" for h in HEADINGS]
    found = rose_table(table(cells, headings=headings), None, "x")
    assert found.class_low_ms[1] == pytest.approx(2 * 0.514444)


def test_the_same_directions_in_degrees_and_in_any_order():
    _, cells = drawn()
    plain = rose_table(table(cells), "ms", "x")
    order = np.random.default_rng(2).permutation(8)
    found = rose_table(table(cells[order], [f"{45 * i or 360}" for i in order]), "ms", "x")
    np.testing.assert_allclose(found.direction_deg, plain.direction_deg)
    np.testing.assert_allclose(found.frequency, plain.frequency)


def test_a_sector_with_wind_in_one_class_has_the_shape_of_all():
    _, cells = drawn()
    cells[0, 1:] = 0
    found = rose_table(table(cells), "ms", "x")
    assert found.pooled == 1
    assert 0 < found.mean_speed_ms[0] < 2


_, CELLS = drawn(2000)
ONE_BAD = CELLS.astype(str).astype(object)
ONE_BAD[3, 2] = "many"

# name: (frame, unit, code, what the error says)
REFUSED = {
    "no unit": (table(CELLS), None, "unit-unknown", ["--speed-unit", "median"]),
    "two units": (
        table(CELLS, headings=["0-2 kn", *HEADINGS[1:5], "11+ mph"]), None, "unit-unknown",
        ["knots", "miles"],
    ),
    "a unit against the headings": (
        table(CELLS, headings=[f"{h} kn" for h in HEADINGS]), "ms", "unit-unknown", ["knots"],
    ),
    "percent without calm": (
        table(CELLS / CELLS.sum() * 93.2), "ms", "unit-unknown", ["93.2", "calm"],
    ),
    "a cell of words": (table(ONE_BAD), "ms", "record-bad", ["many", "row 4", "4-6"]),
    "a cell below 0": (table(CELLS - 400), "ms", "record-bad", ["0 or more"]),
    "a heading of words": (
        table(CELLS, headings=["weak", *HEADINGS[1:]]), "ms", "record-bad", ["weak", "0-3"],
    ),
    "classes out of order": (
        table(CELLS, headings=["2-4", "0-2", *HEADINGS[2:]]), "ms", "record-bad", ["rising"],
    ),
    "a class left out": (
        table(CELLS, headings=["0-2", "4-6", "6-8", "8-11", "11-14", ">14"]), "ms", "record-bad",
        ["0-2", "4-6"],
    ),
    "a row of no direction": (
        table(CELLS, ["up", *POINTS[1:]]), "ms", "record-bad", ["up", "row 1"],
    ),
    "a direction twice": (table(CELLS, ["SW", *POINTS[1:]]), "ms", "record-bad", ["once"]),
    "one direction": (table(CELLS[:1], ["SW"]), "ms", "record-bad", ["two directions"]),
    "no classes": (table(CELLS)[["direction"]], "ms", "record-bad", ["no speed classes"]),
    "nothing at all": (table(0 * CELLS), "ms", "unit-unknown", ["sum to 0"]),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_malformed_table_is_one_clear_error(name):
    frame, unit, code, says = REFUSED[name]
    with pytest.raises(InputError) as error:
        rose_table(frame, unit, "rose.csv")
    found = error.value
    assert found.code == code, found
    assert found.where and found.hint and found.value is not None
    for words in says:
        assert words in str(found)
