"""Wind sets: checked tables, subsets, weights."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shelterscape.errors import InputError
from shelterscape.science.wind import choose_subset, equal_winds
from shelterscape.science.wind_tables import wind_sets


def table(**columns):
    return pd.DataFrame({"direction_deg": [0, 90, "calm"], "frequency": [0.5, 0.4, 0.1]} | columns)


def test_a_simple_table():
    sets, notices = wind_sets(table(mean_speed_ms=[4, 8, None], weibull_k=[2, 2, None]), "w")
    winds = sets[""]
    assert winds.calm == pytest.approx(0.1)
    assert notices == []
    # Wind run: 0.5 × 4 and 0.4 × 8.
    assert winds.weights(1) == pytest.approx([2 / 5.2, 3.2 / 5.2])


def test_moments_of_speed_against_scipy():
    """⟨U^p⟩ of a Weibull distribution by scipy; k differs between directions."""
    from scipy.stats import weibull_min

    sets, _ = wind_sets(table(mean_speed_ms=[4, 8, None], weibull_k=[1.6, 2.4, None]), "w")
    for speed_exponent in (1, 2, 3):
        moments = []
        for mean, k in ((4, 1.6), (8, 2.4)):
            scale = mean / weibull_min.mean(k)
            moments.append(weibull_min.moment(speed_exponent, k, scale=scale))
        expected = np.array([0.5, 0.4]) * moments
        assert sets[""].weights(speed_exponent) == pytest.approx(
            expected / expected.sum(), rel=1e-9
        )


@given(st.lists(st.floats(0.01, 1), min_size=1, max_size=36), st.floats(0, 0.9))
def test_weights_sum_to_one_and_calm_has_none(raw, calm):
    share = np.array(raw) / sum(raw) * (1 - calm)
    frame = pd.DataFrame(
        {
            "direction_deg": [*(i * 10 for i in range(len(raw))), "calm"],
            "frequency": [*share, calm],
            "mean_speed_ms": [*np.linspace(2, 9, len(raw)), np.nan],
        }
    )
    winds = wind_sets(frame, "w")[0][""]
    assert winds.frequency.sum() + winds.calm == pytest.approx(1)
    for speed_exponent in (1.0, 2.0, 3.0):
        assert winds.weights(speed_exponent).sum() == pytest.approx(1)


def test_a_missing_shape_is_assumed_and_reported():
    _, notices = wind_sets(table(mean_speed_ms=[4, 8, None]), "w")
    assert [(n.code, n.count) for n in notices] == [("value-assumed", 2)]


def test_frequencies_with_a_small_error_are_scaled_and_reported():
    sets, notices = wind_sets(table(frequency=[0.5, 0.4, 0.095], mean_speed_ms=5, weibull_k=2), "w")
    assert sets[""].frequency.sum() + sets[""].calm == pytest.approx(1)
    assert [n.code for n in notices] == ["frequencies-scaled"]


@pytest.mark.parametrize(
    ("columns", "says"),
    [
        ({"frequency": [50, 40, 10]}, "percent"),
        ({"frequency": [0.5, 0.4, 0.3]}, "sum to 1"),
        ({"frequency": [0.5, -0.4, 0.9]}, "between"),
        ({"frequency": [0.5, None, 0.5]}, "between"),
        ({"frequency": ["much", 0.4, 0.1]}, "must be a number"),
        ({"direction_deg": [0, 400, "calm"]}, "between"),
        ({"direction_deg": [0, 360, "calm"]}, "more than once"),
        ({"direction_deg": ["calm", "calm", "calm"]}, "no wind direction"),
        ({"mean_speed_ms": [4, 200, None]}, "between"),
        ({"weibull_k": [2, 0.1, None]}, "between"),
    ],
)
def test_bad_tables_are_refused(columns, says):
    with pytest.raises(InputError, match=says) as caught:
        wind_sets(table(**columns), "w.csv")
    assert caught.value.code == "winds-bad"
    assert "w.csv" in caught.value.where


def test_missing_columns_and_no_rows():
    with pytest.raises(InputError) as caught:
        wind_sets(pd.DataFrame({"dir": [1]}), "w")
    assert caught.value.code == "column-missing"
    with pytest.raises(InputError) as caught:
        wind_sets(table().iloc[:0], "w")
    assert caught.value.code == "winds-bad"


def test_choice_of_a_subset():
    frame = pd.concat([table(subset=""), table(subset="bare"), table(subset="lambing")])
    sets, _ = wind_sets(frame, "w")
    assert choose_subset(sets, "lambing", ("bare",), "w").subset == "lambing"
    assert choose_subset(sets, "", ("nosuch", "bare"), "w").subset == "bare"
    assert choose_subset(sets, "", ("in-leaf",), "w").subset == ""
    with pytest.raises(InputError, match="bare"):
        choose_subset(sets, "nosuch", ("bare",), "w")
    del sets[""]
    with pytest.raises(InputError):
        choose_subset(sets, "", ("in-leaf",), "w")


def test_listed_directions():
    winds = equal_winds([350.0, 10.0, 360.0], "winds")
    assert winds.weights(2) == pytest.approx([1 / 3] * 3)
    for bad in ([370.0], [-1.0], [0.0, 360.0]):
        with pytest.raises(InputError):
            equal_winds(bad, "winds")
