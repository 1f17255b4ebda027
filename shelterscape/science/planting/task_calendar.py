"""When a planted belt needs work, and when work is restricted."""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd

from shelterscape.science.grants.actions import FROM, WORK

CALENDAR_COLUMNS = ("task", "kind", "first_day", "last_day", "source", "status", "rules_date")

REMOVAL = "removal of guards, and of ties and stakes"
REMOVAL_MONTHS = (9, 2)
"""First and last month in which guards are removed, outside the nesting season (assumed)."""


@dataclass(frozen=True)
class TaskRule:
    """A task of every year between two years from planting.

    Parameters
    ----------
    name : str
    kind : str
        work, survey or avoid.
    first_month, last_month : int
        1 to 12, in the northern hemisphere.
    first_year, last_year : int
        Years from planting.
    source, status : str
    """

    name: str
    kind: str
    first_month: int
    last_month: int
    first_year: int
    last_year: int
    source: str
    status: str


def task_calendar(
    rules: Sequence[TaskRule],
    rules_date: date,
    planting_year: int,
    *,
    southern: bool = False,
    guards_removed_after_years: int | None = None,
) -> pd.DataFrame:
    """Tasks with their first and last day.

    Parameters
    ----------
    rules : sequence of TaskRule
    rules_date : date
        Date on which the rules were written.
    planting_year : int
        Year in which the planting season ends.
    southern : bool
        Whether the belt is in the southern hemisphere.
    guards_removed_after_years : int, optional
        Years from planting; None where there are no guards.

    Returns
    -------
    DataFrame
        With `CALENDAR_COLUMNS`, by first day; days are of type `date`.
    """
    every = list(rules)
    if guards_removed_after_years is not None:
        year = guards_removed_after_years
        every.append(TaskRule(REMOVAL, "work", *REMOVAL_MONTHS, year, year, "design", "assumed"))
    found = [
        (rule.name, rule.kind, *_days(rule, planting_year + n, southern), rule.source, rule.status)
        for rule in every
        for n in range(rule.first_year, rule.last_year + 1)
    ]
    # Equal days keep the order of the rules.
    found.sort(key=lambda row: row[2:4])
    return pd.DataFrame([(*row, rules_date) for row in found], columns=list(CALENDAR_COLUMNS))


def after_approval(every: pd.DataFrame, actions: pd.DataFrame | None) -> pd.DataFrame:
    """Tasks of which work starts no earlier than the grants of that season allow.

    Parameters
    ----------
    every : DataFrame
        As `task_calendar` returns them.
    actions : DataFrame or None
        ``date_rule``, ``grant_action`` and ``action_date`` (ISO 8601), as
        `science.grants.actions` writes them.

    Returns
    -------
    DataFrame
        The source states the rule where it changes a day, and where a season ends before any
        work may start.
    """
    if actions is None:
        return every
    starts = (actions["date_rule"] == FROM) & actions["grant_action"].str.startswith(WORK)
    found = every.copy()
    days = sorted(actions.loc[starts, "action_date"].unique())
    for text in days:
        day, is_work = date.fromisoformat(text), found["kind"] == "work"
        inside = is_work & (found["first_day"] < day) & (found["last_day"] >= day)
        found.loc[inside, "first_day"] = day
        found.loc[inside, "source"] += f"; not before {text} for grants (grant_actions)"
        if text == days[0]:  # later days are those of later seasons
            found.loc[is_work & (found["last_day"] < day), "source"] += (
                f"; too early for grants, whose work starts on {text}: wait for the next season "
                "(grant_actions)"
            )
    return found


def _days(rule: TaskRule, year: int, southern: bool) -> tuple[date, date]:
    """First and last day; a season across the turn of the year ends in the year."""
    first, last = (
        (month + 5) % 12 + 1 if southern else month for month in (rule.first_month, rule.last_month)
    )
    start = year - 1 if first > last else year
    return date(start, first, 1), date(year, last, calendar.monthrange(year, last)[1])
