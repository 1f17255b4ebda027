"""Task calendar: days by hand, in both hemispheres."""

from __future__ import annotations

import copy
from datetime import date

import pandas as pd
import pytest

from shelterscape import data
from shelterscape.errors import InputError
from shelterscape.process.calendar_files import PACKAGED, calendar_rules
from shelterscape.science.planting.task_calendar import (
    REMOVAL,
    TaskRule,
    after_approval,
    task_calendar,
)

RULES, RULES_DATE = calendar_rules()


def days(found, start):
    rows = found[found["task"].str.startswith(start)]
    return list(zip(rows["first_day"], rows["last_day"], strict=True))


def test_days_of_a_belt_planted_in_2028():
    """A leap year; the planting season ends in the year of planting."""
    found = task_calendar(RULES, RULES_DATE, 2028, guards_removed_after_years=8)
    assert days(found, "planting") == [(date(2027, 11, 1), date(2028, 3, 31))]
    assert days(found, "beating up") == [
        (date(2028, 11, 1), date(2029, 3, 31)),
        (date(2029, 11, 1), date(2030, 3, 31)),
    ]
    assert days(found, "survey") == [(date(2027, 5, 1), date(2027, 8, 31))]
    assert days(found, REMOVAL) == [(date(2035, 9, 1), date(2036, 2, 29))]
    assert found["first_day"].is_monotonic_increasing
    # The survey comes before all work, and no cutting is planned while birds nest.
    assert found["kind"].iloc[0] == "survey"
    nesting = days(found, "cutting")
    removed = days(found, REMOVAL)[0]
    assert all(last < removed[0] or first > removed[1] for first, last in nesting)
    assert (found["rules_date"] == RULES_DATE).all()


def test_the_southern_hemisphere_is_six_months_later():
    found = task_calendar(RULES, RULES_DATE, 2028, southern=True)
    assert days(found, "planting") == [(date(2028, 5, 1), date(2028, 9, 30))]
    # March to August become September to February, which ends in the year stated.
    assert days(found, "cutting")[0] == (date(2027, 9, 1), date(2028, 2, 29))
    assert not days(found, REMOVAL)


def test_a_month_is_its_own_season():
    rule = TaskRule("x", "work", 2, 2, 0, 0, "", "")
    found = task_calendar([rule], RULES_DATE, 2027)
    assert days(found, "x") == [(date(2027, 2, 1), date(2027, 2, 28))]


@pytest.mark.parametrize(
    ("key", "value", "word"),
    [
        ("first_mnth", 3, "first_month"),
        ("last_month", 13, "last_month"),
        ("kind", "rest", "kind"),
        ("first_year", 7, "exchange"),
    ],
)
def test_a_bad_file_is_refused(key, value, word):
    raw = copy.deepcopy(data.toml(PACKAGED))
    raw["task"][0][key] = value
    with pytest.raises(InputError, match=word) as caught:
        calendar_rules(raw, "mine.toml")
    assert "mine.toml" in caught.value.where and caught.value.hint


def test_no_work_starts_before_the_grant_allows_it():
    """Planting from November 2026 to March 2027 waits for 1 January; surveys and summers do not."""
    columns = ["task", "kind", "first_day", "last_day", "source"]
    rows = [
        ("survey", "survey", date(2026, 5, 1), date(2027, 8, 31), "a"),
        ("planting", "work", date(2026, 11, 1), date(2027, 3, 31), "a"),
        ("weeding", "work", date(2027, 4, 1), date(2027, 7, 31), "a"),
    ]
    actions = pd.DataFrame(
        {
            "date_rule": ["by", "not before"],
            "grant_action": ["application", "start of work on the ground"],
            "action_date": ["2026-12-31", "2027-01-01"],
        }
    )
    every = pd.DataFrame(rows, columns=columns)
    found = after_approval(every, actions)
    assert found["first_day"].tolist() == [rows[0][2], date(2027, 1, 1), rows[2][2]]
    assert found["source"].str.contains("grant_actions").tolist() == [False, True, False]
    assert after_approval(every, None).equals(every)


def test_a_season_that_ends_before_the_first_day_of_work_is_too_early():
    """Planting ends on 31 March 2027; the approval is of 15 April."""
    columns = ["task", "kind", "first_day", "last_day", "source"]
    rows = [
        ("survey", "survey", date(2026, 5, 1), date(2026, 8, 31), "a"),
        ("planting", "work", date(2026, 11, 1), date(2027, 3, 31), "a"),
        ("weeding", "work", date(2027, 4, 1), date(2027, 7, 31), "a"),
    ]
    actions = pd.DataFrame(
        {
            "date_rule": ["not before"] * 2,
            "grant_action": ["start of work on the ground"] * 2,
            "action_date": ["2027-04-15", "2028-04-15"],
        }
    )
    found = after_approval(pd.DataFrame(rows, columns=columns), actions)
    assert found["source"].str.contains("too early for grants").tolist() == [False, True, False]
    assert found["source"][1].count("2027-04-15") == 1 and "2028" not in found["source"][1]
    assert found["first_day"][2] == date(2027, 4, 15)
