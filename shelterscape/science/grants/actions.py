"""What must be done for a grant, and by when: from consent to the last check of the stems."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from shelterscape.science.grants.paying import Payments, Row
from shelterscape.science.grants.scheme import Scheme

COLUMNS = (
    "scheme",
    "holding_id",
    "date_rule",
    "action_date",
    "grant_action",
    "evidence",
    "at_stake_minor",
    "loss_if_missed",
)
"""Columns of the table of actions; money in whole minor units."""

BY, FROM, DURING = "by", "not before", "in the year"
"""Meaning of a date: the last day, the first day, or a year without a known day."""

CONSENT, APPLICATION, APPROVAL = "written consent", "application", "written approval"
WORK, CLAIM, CHECK = "start of work", "claim", "check of living stems"
"""First words of each action."""


@dataclass(frozen=True)
class WorkDates:
    """When work on the ground is planned.

    Parameters
    ----------
    start_year : int
        Year of planting of the first phase.
    work_from : date
        First day of work of the first phase; later phases start whole years later.
    approved_on : date or None
        Day of the last written approval; None where there is none yet.
    """

    start_year: int
    work_from: date
    approved_on: date | None = None

    def starts(self, year: int, *, waits: bool) -> date:
        """First day of work of the belts planted in a year.

        Parameters
        ----------
        year : int
            Year of planting.
        waits : bool
            Whether work waits for the written approval.

        Returns
        -------
        date
            Never before the approval where work waits for it.
        """
        planned = self.work_from
        if later := max(year - self.start_year, 0):
            # 29 February has no counterpart in most years.
            day = min(planned.day, 28) if planned.month == 2 else planned.day
            planned = planned.replace(year=planned.year + later, day=day)
        return max(planned, self.approved_on) if waits and self.approved_on else planned


def grant_actions(paid: Payments, dates: WorkDates) -> pd.DataFrame:
    """Actions that payments depend on, by holding, in order of date.

    Parameters
    ----------
    paid : Payments
    dates : WorkDates

    Returns
    -------
    DataFrame
        `COLUMNS`, a row for each action. Dates are text: a day where the scheme or `dates` states
        one, otherwise the year. ``at_stake_minor`` is the payment that depends on the action, in
        whole minor units. Schemes that pay nothing have no actions.

    Notes
    -----
    Where one scheme of a holding requires approval before work, all work of the holding waits for
    it: nobody plants half a belt.
    """
    found: list[dict[str, object]] = []
    for holding in sorted({paid.ground.holding[row.belt] for row in paid.rows}):
        own = [row for row in paid.rows if paid.ground.holding[row.belt] == holding]
        places = sorted({row.scheme for row in own})
        waits = any(paid.ground.schemes[p].claim.approval_before_work for p in places)
        for place in places:
            rows, scheme = [row for row in own if row.scheme == place], paid.ground.schemes[place]
            phases = sorted({_year(paid, row, dates.start_year) for row in rows})
            begins = [dates.starts(year, waits=waits) for year in phases]
            actions = [
                *_before_work(scheme, rows, dates, begins[0]),
                *_work(scheme, rows, begins),
                *_claims(scheme, rows),
                *_checks(scheme, rows, paid, dates.start_year),
            ]
            found += [{"scheme": scheme.name, "holding_id": holding} | one for one in actions]
    table = pd.DataFrame(found, columns=list(COLUMNS))
    # A year without a day follows the days of that year; the sort keeps the order of the steps.
    last = table["action_date"].where(table["date_rule"] != DURING, table["action_date"] + "-99")
    order = table.assign(last=last).sort_values(["holding_id", "last"], kind="stable").index
    return table.loc[order].reset_index(drop=True)


def _year(paid: Payments, row: Row, start_year: int) -> int:
    """Year of planting of the belt that a payment is for."""
    return max(start_year, paid.ground.planted_year[row.belt])


def _action(
    rule: str, when: date | int, text: str, rows: Iterable[Row], loss: str, evidence: str = ""
) -> dict[str, object]:
    return {
        "date_rule": rule,
        "action_date": str(when),
        "grant_action": text,
        "evidence": evidence,
        "at_stake_minor": sum(row.amount_minor for row in rows),
        "loss_if_missed": loss,
    }


def _before_work(
    scheme: Scheme, rows: Sequence[Row], dates: WorkDates, begins: date
) -> Iterator[dict[str, object]]:
    """Consents, application and approval."""
    waits = scheme.claim.approval_before_work
    approval = (dates.approved_on or begins - timedelta(days=1)) if waits else begins
    apply = min(scheme.closes or approval, approval)
    for person in scheme.claim.consent:
        text = f"{CONSENT} of the {person}"
        yield _action(BY, apply, text, rows, "the application is not valid", "the signed consent")
    yield _action(BY, apply, APPLICATION, rows, "all payments of the scheme")
    if waits:
        loss = "payments for all work that started before it"
        yield _action(BY, approval, APPROVAL, rows, loss, "the letter of approval, with its date")


def _work(
    scheme: Scheme, rows: Sequence[Row], begins: Sequence[date]
) -> Iterator[dict[str, object]]:
    """Start of work of each phase."""
    waits = scheme.claim.approval_before_work
    loss = "payments for work that starts before approval" if waits else "nothing by this rule"
    evidence = "dated photographs of the ground before work" if waits else ""
    for day in begins:
        yield _action(FROM, day, f"{WORK} on the ground", rows, loss, evidence)


def _claims(scheme: Scheme, rows: Sequence[Row]) -> Iterator[dict[str, object]]:
    """The claim of capital payments, and those of each later year."""
    evidence = "; ".join(scheme.claim.evidence)
    capital = [row for row in rows if scheme.rates[row.rate].kind == "capital"]
    if capital:
        by = scheme.claim.claim_by
        when, rule = (by, BY) if by else (max(row.year for row in capital), DURING)
        text = f"{CLAIM} of {_items(scheme, capital)}"
        yield _action(rule, when, text, capital, "these payments", evidence)
    yearly = [row for row in rows if scheme.rates[row.rate].kind != "capital"]
    for year in sorted({row.year for row in yearly}):
        due = [row for row in yearly if row.year == year]
        text = f"{CLAIM} of {_items(scheme, due)}"
        yield _action(DURING, year, text, due, "the payments of this year", evidence)


def _items(scheme: Scheme, rows: Iterable[Row]) -> str:
    return ", ".join(dict.fromkeys(scheme.rates[row.rate].what for row in rows))


def _checks(
    scheme: Scheme, rows: Sequence[Row], paid: Payments, start_year: int
) -> Iterator[dict[str, object]]:
    """Checks of the living stems, for the belts of each year of planting."""
    least = scheme.claim.min_stems_per_ha
    required = f", at least {least:,.0f} living stems per hectare" if least is not None else ""
    for planted in sorted({_year(paid, row, start_year) for row in rows}):
        own = [row for row in rows if _year(paid, row, start_year) == planted]
        for years in scheme.claim.establishment_check_years:
            yield _action(
                DURING,
                planted + years,
                f"{CHECK} of the belts planted in {planted}{required}: count stems and replace "
                "losses before it",
                own,
                "payments for belts that fail can be reclaimed",
                "count of living and dead stems of each belt",
            )
