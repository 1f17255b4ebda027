"""The first page for each holding: lines, places, money, dates, harm and what to check.

Outputs are found by their columns, so that no process is named here. Every cell is that of its
table; sums and the net cost are exact in decimals.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from shelterscape.files.html_page import HoldingPage, PageTable
from shelterscape.files.page_parts import cell_text
from shelterscape.terms import TERMS

Row = Mapping[str, Any]
Rows = Sequence[Row]

MOST_PAGES, MOST_ACTIONS, MOST_CHILLED = 20, 6, 3
"""Pages, deadlines on a page, and places whose days of chill are in its answer, at most."""

LINES = ("choice_order", "candidate", "action", "length_m", "width_m", "design", "species",
         "planting_year", "cost", "currency")  # fmt: skip
PLACES = ("name", "season", "year", "relative_wind_without", "relative_wind",
          "target_relative_wind", "corner_time_share", "reaches_target_without", "reaches_target",
          "chill_days_without", "chill_days", "chill_days_avoided_low",
          "chill_days_avoided_high")  # fmt: skip
AVOIDED_ENDS = "avoided_low", "avoided_high"
ACTIONS = "date_rule", "action_date", "scheme", "grant_action", "at_stake", "loss_if_missed"


def holding_pages(
    outputs: Sequence[tuple[str, Rows]], checks: Sequence[str]
) -> tuple[tuple[HoldingPage, ...], tuple[str, ...]]:
    """A page for each of the first holdings on which belts are chosen.

    Parameters
    ----------
    outputs : sequence of (str, rows)
        Name and rows of every layer and table, those of the deciding step first.
    checks : sequence of str
        What to check before acting, for all holdings.

    Returns
    -------
    pages : tuple of HoldingPage
        In the order of choice; empty where no belts are chosen.
    without : tuple of str
        Holdings with chosen belts that have no page.
    """
    # Candidates have an order of choice too; only chosen belts have a cumulative cost.
    lines = _rows_with(outputs, {"choice_order", "cumulative_cost", "length_m", "holding_id"})
    ids = dict.fromkeys(str(row["holding_id"] or "") for row in lines)
    found = {
        "places": _rows_with(outputs, {"relative_wind_without", "relative_wind", "holding_id"}),
        "growth": _rows_with(outputs, {"target_reached", "reaches_target", "holding_id"}),
        "bills": _rows_with(outputs, {"holding_id", "ordered_count", "person_days", "cost"},
                            {"species", "name"}),
        "payments": _rows_with(outputs, {"holding_id", "scheme", "payment"}, {"payment_kind",
                               "qualification"}),
        "actions": _rows_with(outputs, {"holding_id", "action_date", "grant_action"}),
        "effects": _rows_with(outputs, {"holding_id", "name", "side_effects"}),
    }  # fmt: skip
    names = _names(outputs)
    pages = tuple(
        _page(
            names.get(one, one),
            [row for row in lines if str(row["holding_id"] or "") == one],
            {name: [row for row in rows if str(row["holding_id"] or "") == one]
             for name, rows in found.items()},
            checks,
        )
        for one in list(ids)[:MOST_PAGES]
    )  # fmt: skip
    return pages, tuple(names.get(one, one) for one in list(ids)[MOST_PAGES:])


def _rows_with(
    outputs: Sequence[tuple[str, Rows]], columns: set[str], without: set[str] | None = None
) -> Rows:
    """Rows of the first output that has some columns and none of others."""
    for _, rows in outputs:
        if rows and columns <= set(rows[0]) and not (without or set()) & set(rows[0]):
            return rows
    return []


def _names(outputs: Sequence[tuple[str, Rows]]) -> dict[str, str]:
    """Names of holdings, from outputs with a row for each."""
    return {
        str(row["holding_id"]): str(row["name"])
        for _, rows in outputs
        if rows and tuple(rows[0])[:2] == ("holding_id", "name")
        for row in rows
        if row["name"]
    }


def _page(name: str, lines: Rows, found: Mapping[str, Rows], checks: Sequence[str]) -> HoldingPage:
    payments = found["payments"]
    effects = [row for row in found["effects"] if row["side_effects"]]
    return HoldingPage(
        title=f"Holding {name}" if name else "Belts without a holding",
        answer=tuple(_answer(lines, found)),
        tables=tuple(
            table
            for table in (
                _table("Lines", LINES, lines),
                _table("Fields and places", PLACES, found["places"]),
                _money_table(lines, payments),
                _deadlines(found["actions"]),
            )
            if table.rows
        ),
        harm=tuple(f"{row['name']}: {row['side_effects']}" for row in effects)
        or ("No side effect was found or examined; that does not mean that there is none.",),
        checks=tuple(checks),
    )


def _answer(lines: Rows, found: Mapping[str, Rows]) -> Iterator[str]:
    """Where and how much, from when, at what net cost, what first."""
    length = sum((Decimal(str(row["length_m"])) for row in lines), Decimal(0))
    names = ", ".join(str(row["candidate"]) for row in lines)
    yield f"{len(lines)} line{'s' * (len(lines) != 1)}, {length.normalize():,f} m: {names}"
    years = sorted(int(row["planting_year"]) for row in lines if row.get("planting_year"))
    text = f"Planted from {years[0]}. " if years else ""
    text += "; ".join(_targets_reached(found["places"]))
    if text:
        yield text.strip()
    yield from _year_words(found["growth"])
    yield from _chill_words(found["places"])
    yield "; ".join(_money_words(lines, found["payments"]))
    for row in found["bills"]:
        yield (
            f"Bill of quantities: {_money(row['cost']):,.2f} {row['currency']} for new belts, with "
            f"whole plants and fences around the ends, which the cost above leaves out"
        )
    if found["actions"]:
        first = min(found["actions"], key=lambda row: _last_day(str(row["action_date"] or "")))
        rule = first.get("date_rule") or "by"
        yield f"First: {first['grant_action']}, {rule} {first['action_date'] or 'a date not known'}"


def _targets_reached(places: Rows) -> Iterator[str]:
    """Places that reach their target, of those that have one, in each season and year."""
    wanted = [row for row in places if row.get("reaches_target") not in (None, "")]
    for case in dict.fromkeys(map(_case, wanted)):
        here = [row for row in wanted if _case(row) == case]
        good = sum(str(row["reaches_target"]).lower() in ("true", "yes", "1") for row in here)
        yield f"Places at target: {good} of {len(here)} ({case})"


def _case(row: Row) -> str:
    return f"{row['season']} {row['year'] or ''}".strip()


def _year_words(growth: Rows) -> Iterator[str]:
    """When places reach their target as the planned belts grow, the first ones first.

    Rows are in order of years.
    """
    reached = {str(row["name"]): str(row["target_reached"] or "") for row in growth}
    last = {str(row["name"]): row for row in growth}
    below = {
        name: f", but not in {row['year']}"
        for name, row in last.items()
        if row["reaches_target"] == "no" and not reached[name].startswith("not")
    }
    texts = [
        f"{name} {'by ' if when.isdigit() else ''}{when}{below.get(name, '')}"
        for name, when in sorted(reached.items(), key=lambda pair: (not pair[1].isdigit(), pair[1]))
        if when
    ]
    if texts:
        yield f"Target reached as the belts grow: {'; '.join(texts)}"


def _chill_words(places: Rows) -> Iterator[str]:
    """Days of chill before and after with their range, the places where most are avoided first."""
    known = [row for row in places if row.get("chill_days_avoided") not in (None, "")]
    known.sort(key=lambda row: -float(row["chill_days_avoided"]))
    texts = []
    for row in known[:MOST_CHILLED]:
        before, low, high = (
            Decimal(str(row[f"chill_days_{name}"])) for name in ("without", *AVOIDED_ENDS)
        )
        texts.append(
            f"{row['name']} {before} → {row['chill_days']} ({before - high} to {before - low}; "
            f"{_case(row)})"
        )
    more = f"; {len(known) - MOST_CHILLED} more below" if len(known) > MOST_CHILLED else ""
    if texts:
        yield f"Days of sheep chill a year, before → after (range): {'; '.join(texts)}{more}"


def _last_day(date: str) -> str:
    """The last day of a date that may be a year alone; a date not known comes last."""
    return date if len(date) > 4 else f"{date or 9999}-12-31"


def _cost(lines: Rows) -> Decimal | None:
    """Sum of costs; None where one is unknown."""
    costs = [row["cost"] for row in lines]
    return None if None in costs or "" in costs else sum(map(_money, costs), Decimal(0))


def _money(value: Any) -> Decimal:
    return Decimal(str(value)).quantize(Decimal("0.01"))


def _money_words(lines: Rows, payments: Rows) -> Iterator[str]:
    cost, currency = _cost(lines), str(lines[0].get("currency") or "")
    if cost is None:
        yield "Cost: not known for every line"
        return
    yield f"Cost {cost:,.2f} {currency}"
    for row in payments:
        paid = _money(row["payment"])
        yield (f"grant {paid:,.2f} {currency} by “{row['scheme']}”, "
               f"net {cost - paid:,.2f} {currency}")  # fmt: skip


def _money_table(lines: Rows, payments: Rows) -> PageTable:
    """Cost, grant and net cost by scheme; without schemes the cost alone."""
    cost, currency = _cost(lines), str(lines[0].get("currency") or "")
    if cost is None:
        return PageTable("", "Money", (), ())
    rows = [
        (str(row["scheme"]), f"{cost:.2f}", f"{_money(row['payment']):.2f}",
         f"{cost - _money(row['payment']):.2f}", currency)
        for row in payments
    ]  # fmt: skip
    rows = rows or [("no payment calculated", f"{cost:.2f}", "", f"{cost:.2f}", currency)]
    titles = [("scheme", False), ("cost", True), ("grant", True), ("net cost", True)]
    return PageTable("", "Money", (*titles, ("currency", False)), tuple(rows))


def _deadlines(actions: Rows) -> PageTable:
    """The first actions; the title states how many there are."""
    count = len(actions)
    more = f", the first {MOST_ACTIONS} of {count}" if count > MOST_ACTIONS else ""
    return _table(f"Deadlines{more}", ACTIONS, actions[:MOST_ACTIONS])


def _table(title: str, columns: Sequence[str], rows: Rows) -> PageTable:
    """Some columns of rows, without those that are empty throughout."""
    used = [c for c in columns if any(row.get(c) not in (None, "") for row in rows)]
    return PageTable(
        name="",
        title=title,
        columns=tuple((TERMS[c].label, TERMS[c].unit != "text") for c in used),
        rows=tuple(tuple(_cell(c, row.get(c)) for c in used) for row in rows),
    )


def _cell(column: str, value: Any) -> str:
    """Money with both decimals; other values as in their tables."""
    is_money = TERMS[column].unit == "money" and value not in (None, "")
    return f"{_money(value):.2f}" if is_money else cell_text(value)
