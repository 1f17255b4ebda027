"""The first page for each holding."""

from __future__ import annotations

import pandas as pd
import pypdfium2

from shelterscape.errors import NOTICES, Notice
from shelterscape.files.draw_printed_sheets import draw_printed_sheets
from shelterscape.files.handover_sheets import PrintedSheet, PrintedSheets, SheetTable
from shelterscape.files.html_page import Page, write_page
from shelterscape.runs.holding_pages import holding_pages
from shelterscape.runs.holding_sheets import holding_sheets, print_holdings
from shelterscape.runs.page_notes import ASSUMED, NOT_MODELLED, page_notes

LINES = [
    {"choice_order": 1, "candidate": "D1", "action": "plant", "holding_id": "H1", "length_m": 284.0,
     "cost": 15340.32, "currency": "EUR", "planting_year": 2027},
    {"choice_order": 2, "candidate": "E2", "action": "plant", "holding_id": "H2", "length_m": 23.5,
     "cost": None, "currency": "EUR", "planting_year": 2027},
    {"choice_order": 3, "candidate": "E3", "action": "gap up", "holding_id": "H1", "length_m": 62.0,
     "cost": 3344.76, "currency": "EUR", "planting_year": 2029},
]  # fmt: skip
PLACES = [
    {"name": "Low field", "holding_id": "H1", "season": "bare", "year": 2047,
     "relative_wind_without": 0.98, "relative_wind": 0.8, "target_relative_wind": 0.6,
     "reaches_target": False, "chill_days_without": 53.8, "chill_days": 49.1,
     "chill_days_avoided": 4.7, "chill_days_avoided_low": 3.1, "chill_days_avoided_high": 6.4},
    {"name": "Yard", "holding_id": "H1", "season": "bare", "year": 2047,
     "relative_wind_without": 0.9, "relative_wind": 0.5, "target_relative_wind": 0.6,
     "reaches_target": True, "chill_days_without": None, "chill_days": None,
     "chill_days_avoided": None},
    {"name": "Track", "holding_id": "H1", "season": "bare", "year": 2047,
     "relative_wind_without": 0.9, "relative_wind": 0.5, "reaches_target": ""},
]  # fmt: skip
BY_YEAR = [
    {"name": name, "holding_id": "H1", "year": year, "target_reached": when,
     "reaches_target": "yes" if when == str(year) else "no"}
    for name, when in (("Low field", "not by 2067"), ("Yard", "2037"))
    for year in (2027, 2037)
]  # fmt: skip
BILLS = [{"holding_id": "H1", "ordered_count": 1410, "person_days": 9.4, "cost": 15626.42,
          "currency": "EUR"}]  # fmt: skip
PAYMENTS = [{"holding_id": "H1", "name": "Orrelby", "scheme": "belts", "payment": "11611.99"}]
BY_ITEM = [{"holding_id": "H1", "scheme": "belts", "payment": "1.00", "payment_kind": "capital"}]
ACTIONS = [
    {"holding_id": "H1", "date_rule": "by", "action_date": "2027-09-30", "grant_action": "claim",
     "scheme": "belts"},
    {"holding_id": "H1", "date_rule": "by", "action_date": "2027-02-01", "grant_action": "apply",
     "scheme": "belts"},
    {"holding_id": "H1", "date_rule": "not before", "action_date": "2027-02-02",
     "grant_action": "start of work", "scheme": "belts"},
    {"holding_id": "H1", "date_rule": "in the year", "action_date": "2027",
     "grant_action": "plant", "scheme": "belts"},
]  # fmt: skip
EFFECTS = [{"name": "D1", "holding_id": "H1", "side_effects": "snow drift on roads"}]
CANDIDATES = [*LINES, LINES[0] | {"candidate": "E9", "choice_order": None}]
CHOSEN = [row | {"cumulative_cost": 1.0} for row in LINES]
OUTPUTS = [("candidates", CANDIDATES), ("chosen_belts", CHOSEN),
           ("places", PLACES), ("by_year", BY_YEAR), ("items", BY_ITEM), ("bills", BILLS),
           ("grant_by_holding", PAYMENTS), ("grant_actions", ACTIONS),
           ("belts_examined", EFFECTS),
           ("exposure", [{"holding_id": "H2", "name": "Skarvel"}])]  # fmt: skip


def test_a_page_answers_where_how_much_when_at_what_cost_and_what_first():
    (first, second), none = holding_pages(OUTPUTS, ["visit the site"])
    # By hand: 284.0 + 62.0 m; 15,340.32 + 3,344.76 = 18,685.08; less 11,611.99 = 7,073.09.
    assert first.title == "Holding Orrelby"
    assert first.answer == (
        "2 lines, 346 m: D1, E3",
        "Planted from 2027. Places at target: 1 of 2 (bare 2047)",
        "Target reached as the belts grow: Yard by 2037; Low field not by 2067",
        # 53.8 - 6.4 and 53.8 - 3.1.
        "Days of sheep chill a year, before → after (range): Low field 53.8 → 49.1 (47.4 to 50.7; "
        "bare 2047)",
        "Cost 18,685.08 EUR; grant 11,611.99 EUR by “belts”, net 7,073.09 EUR",
        "Bill of quantities: 15,626.42 EUR for new belts, with whole plants and fences around the "
        "ends, which the cost above leaves out",
        "First: apply, by 2027-02-01",
    )
    tables = {table.title: table for table in first.tables}
    assert list(tables) == ["Lines", "Fields and places", "Money", "Deadlines"]
    assert [row[-2] for row in tables["Lines"].rows] == ["15340.32", "3344.76"]
    assert tables["Money"].rows == (("belts", "18685.08", "11611.99", "7073.09", "EUR"),)
    places = tables["Fields and places"]
    assert places.rows[0][:1] + places.rows[0][3:5] == ("Low field", "0.98", "0.8")
    assert places.rows[0][-4:] == ("53.8", "49.1", "3.1", "6.4")
    assert places.rows[1][-4:] == ("",) * 4 and none == ()
    assert first.harm == ("D1: snow drift on roads",) and first.checks == ("visit the site",)
    # Any output with a row for each holding names them; a cost that is not known is not zero.
    assert second.title == "Holding Skarvel"
    assert second.answer[:1] == ("1 line, 23.5 m: E2",)
    assert second.answer[-1] == "Cost: not known for every line"
    assert [table.title for table in second.tables] == ["Lines"]
    assert "does not mean that there is none" in second.harm[0]


def test_a_run_without_chosen_belts_has_no_such_page(tmp_path):
    assert holding_pages([("places", PLACES)], []) == ((), ())
    page = Page("Wind", (), (), (), (), (), (), (), holdings=holding_pages(OUTPUTS, ["<b>"])[0])
    write_page(tmp_path / "page.html", page)
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert text.count('<section class="sheet"') == 2 and "<b>" not in text


def test_deadlines_beyond_the_first_are_counted():
    outputs = [("chosen_belts", CHOSEN), ("grant_actions", ACTIONS * 4)]
    table = holding_pages(outputs, [])[0][0].tables[-1]
    assert table.title == "Deadlines, the first 6 of 16" and len(table.rows) == 6


def test_a_place_that_is_below_its_target_again_is_stated():
    """The yard reaches it in 2037 and not in 2067; a place that never reaches it has one year."""
    later = [row | {"year": 2067, "reaches_target": "no"} for row in BY_YEAR[1::2]]
    outputs = [("chosen_belts", CHOSEN), ("by_year", [*BY_YEAR, *later])]
    text = holding_pages(outputs, [])[0][0].answer[2]
    assert text.endswith("Yard by 2037, but not in 2067; Low field not by 2067")


def test_a_first_day_of_work_is_no_deadline():
    outputs = [("chosen_belts", CHOSEN), ("grant_actions", ACTIONS)]
    rows = holding_pages(outputs, [])[0][0].tables[-1].rows
    assert ("not before", "2027-02-02", "belts", "start of work") in rows


def test_a_first_day_is_not_given_as_a_last_day():
    start = ACTIONS[1] | {"date_rule": "not before", "grant_action": "start of work"}
    page = holding_pages([("chosen_belts", CHOSEN), ("grant_actions", [start])], [])[0][0]
    assert page.answer[-1] == "First: start of work, not before 2027-02-01"
    assert page.tables[-1].rows[0][:2] == ("not before", "2027-02-01")


def test_holdings_without_a_page_are_named():
    rows = [row | {"holding_id": f"H{n}"} for n in range(23) for row in CHOSEN[:1]]
    names = [{"holding_id": "H21", "name": "Low Barn"}]
    pages, without = holding_pages([("chosen_belts", rows), ("exposure", names)], [])
    assert len(pages) == 20 and without == ("H20", "Low Barn", "H22")


def test_notes_state_what_was_assumed_not_modelled_and_not_checked():
    notices = [
        Notice("value-assumed", "belts: no porosity given, default used", 26),
        Notice("not-modelled", "terrain wind not modelled on 3 ha"),
        Notice("convergence", "grid north is 1.4° west"),
    ]
    effects = pd.DataFrame(
        {"side_effect": ["snow drift", "drains"], "examination": ["examined", "not checked: none"]}
    )
    constraints = pd.DataFrame(
        {
            "constraint": ["waders", "services"],
            "constraint_effect": ["consult", "not checked: none"],
        }
    )
    species = pd.DataFrame({"not_checked": ["salt; peat", "", None, "peat"]})
    tables = [pd.DataFrame({"name": ["x"]}), effects, constraints, species]
    assert page_notes(notices, tables, ["Too large"]) == (
        ("Assumed", ("Belts: no porosity given, default used (26)",)),
        ("Not modelled", ("Terrain wind not modelled on 3 ha",)),
        ("Not checked", ("Side effect: drains", "Constraint: services", "Salt; peat")),
        ("Also noticed", ("Grid north is 1.4° west", "Too large")),
    )
    assert page_notes([], [effects[:1]], []) == ()
    assert {*ASSUMED, *NOT_MODELLED} <= set(NOTICES)


def test_printed_pages_have_the_same_figures(tmp_path):
    pages, _ = holding_pages(OUTPUTS, ["visit the site"])
    sheets = holding_sheets(pages, "screening only")
    assert [sheet.heading for sheet in sheets.sheets] == [page.title for page in pages]
    first, *_, harm, check = sheets.sheets[0].tables
    assert first.rows == tuple((text,) for text in pages[0].answer)
    assert [t.rows for t in sheets.sheets[0].tables[1:-2]] == [t.rows for t in pages[0].tables]
    assert harm.rows == (("D1: snow drift on roads",),) and check.rows[0][0] == "visit the site"
    page = Page("Wind", (), (), (), (), (), ("screening only",), (), holdings=pages)
    print_holdings(page, tmp_path / "one.pdf"), print_holdings(page, tmp_path / "two.pdf")
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()
    print_holdings(Page("Wind", (), (), (), (), (), (), ()), tmp_path / "none.pdf")
    assert not (tmp_path / "none.pdf").exists()


def test_no_heading_runs_into_the_next_column(tmp_path):
    """Twelve columns, two of which are stated to be much wider than the others."""
    heads = ("without", "avoided,", "sheltered", "relative", "reaches", "a name that is long")
    table = SheetTable("Places", heads * 2, (1, 2, 1, 1, 1, 40) * 2, ())
    sheets = PrintedSheets("t", (PrintedSheet("h", (), (table,)),), ())
    draw_printed_sheets(tmp_path / "one.pdf", sheets)
    with pypdfium2.PdfDocument(tmp_path / "one.pdf") as document:
        text = document[0].get_textpage()
        words = text.get_text_range()
        for head in heads[:-1]:
            at = words.index(head)
            ends = text.get_charbox(at + len(head) - 1)[2], text.get_charbox(at)[0]
            following = words[at + len(head) :].lstrip()
            start = words.index(following, at)
            assert text.get_charbox(start)[0] > ends[0] > ends[1]
