"""From the plan to the payment: actions with dates, belts as planted, count of living stems."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from grant_helpers import CRS, YEAR, belts, content, paid, scheme
from shapely import LineString, Point, box
from test_grant_overlay import SCHEME, SOUTH, WEST, at, given  # noqa: F401 - a fixture

import shelterscape
from shelterscape.errors import InputError
from shelterscape.process.grant_files import scheme_from
from shelterscape.science import grants
from shelterscape.science.grants.as_planted import lines_of_table, replace_planned, stem_result
from shelterscape.science.grants.faults import belt_faults

CLAIM = {
    "approval_before_work": True,
    "claim_by": date(2028, 5, 31),
    "evidence": ["invoices for plants", "map of belts as planted"],
    "consent": ["landlord"],
    "min_stems_per_ha": 1600,
    "establishment_check_years": [1, 5],
}
PAY = [
    {"what": "planting", "kind": "capital", "per": "ha", "amount": 6000},
    {"what": "care", "kind": "maintenance", "per": "ha", "amount": 400, "year": 2, "years": 2},
]


def planted(*, count=600.0, dead=90.0, line=None):
    """One belt of 250 m by 12 m, 0.30 ha, with counts of plants."""
    frame = gpd.GeoDataFrame(
        {"name": ["b0"], "planted_count": [count], "dead_count": [dead]}, geometry=[line], crs=CRS
    )
    return replace_planned(belts([(0, 0), (250, 0)]), frame, "as_planted")


# ---- count of stems


@pytest.mark.parametrize(("least", "result"), [(1600, "passes"), (1700, "passes"), (1750, "fails")])
def test_600_planted_less_90_dead_on_0_30_ha_are_1700_a_hectare(least, result):
    """By hand: 510 / 0.30 ha = 1,700 (arithmetic); a belt that fails is not paid."""
    frame = planted()
    assert frame["living_stems_per_ha"].tolist() == [pytest.approx(1700.0, abs=1e-9)]
    one = scheme(claim={"min_stems_per_ha": least})
    assert stem_result(frame["living_stems_per_ha"][0], one) == result
    total = paid(frame, one).total_minor
    assert total == (180_000 if result == "passes" else 0)
    faults = belt_faults(frame, one)[0]
    words = "1,700 living stems per hectare, at least 1,750 required"
    assert faults == ((words,) if result == "fails" else ())


def test_stems_that_were_not_counted_neither_pass_nor_fail():
    one = scheme(claim={"min_stems_per_ha": 1600})
    assert stem_result(planted(dead=np.nan)["living_stems_per_ha"][0], one) == "not counted"
    assert paid(belts([(0, 0), (250, 0)]), one).total_minor == 180_000
    assert stem_result(1.0, scheme()) == "no minimum"


def test_a_shorter_line_as_planted_reduces_the_claim_and_raises_the_density():
    """By hand: 200 m × 12 m = 0.24 ha at 6,000.00 = 1,440.00; 600 / 0.24 ha = 2,500."""
    frame = planted(line=LineString([(10, 0), (210, 0)]))
    assert paid(frame, scheme()).total_minor == 144_000
    assert frame[["length_m", "plants_per_ha"]].to_numpy().tolist() == [[200.0, 2500.0]]


def test_a_belt_planted_as_an_area_has_the_length_of_its_middle():
    """By hand: 200 m × 12 m = 2,400 m², divided by 12 m; its edge of 424 m is no length."""
    frame = planted(line=box(0, -6, 200, 6))
    assert frame["length_m"].tolist() == [pytest.approx(200.0)]
    assert paid(frame, scheme()).total_minor == 144_000


def test_areas_of_one_name_are_parts_of_one_belt():
    """By hand: 100 m and 50 m of 12 m, 0.18 ha; 600 / 0.18 ha = 3,333."""
    parts = [box(0, -6, 100, 6), box(150, -6, 200, 6)]
    counts = {"planted_count": [600.0, np.nan], "dead_count": [np.nan, np.nan]}
    frame = gpd.GeoDataFrame({"name": ["b0", "b0"], **counts}, geometry=parts, crs=CRS)
    found = replace_planned(belts([(0, 0), (250, 0)]), frame, "as_planted")
    assert found["length_m"].tolist() == [pytest.approx(150.0)]
    assert found["plants_per_ha"].tolist() == [pytest.approx(600 / 0.18)]


def test_a_belt_as_planted_is_no_point():
    with pytest.raises(InputError) as caught:
        planted(line=Point(10, 0))
    assert caught.value.code == "belts-points"


def test_work_from_29_february_starts_on_that_day_and_a_year_later_on_the_28th():
    dates = grants.WorkDates(2028, date(2028, 2, 29))
    assert dates.starts(2028, waits=False) == date(2028, 2, 29)
    assert dates.starts(2029, waits=False) == date(2029, 2, 28)


def test_points_of_a_table_form_lines_and_counts_of_rows_are_added():
    table = pd.DataFrame(
        {
            "name": ["a", "a", "a", "b"],
            "x_m": ["0", "3", "3", ""],
            "y_m": ["0", "0", "4", ""],
            "planted_count": ["10", "20", "", "5"],
            "dead_count": ["", "1", "", ""],
        }
    )
    found = lines_of_table(table, CRS)
    assert found.geometry[0].length == 7.0 and found.geometry[1] is None
    assert found["planted_count"].tolist() == [30.0, 5.0]
    assert found["dead_count"].isna().tolist() == [False, True]


@pytest.mark.parametrize(
    ("names", "counts", "code"),
    [(["x"], (1.0, 0.0), "name-unknown"), (["b0"], (5.0, 6.0), "column-bad")],
)
def test_belts_as_planted_that_do_not_fit_the_plan_are_refused(names, counts, code):
    frame = gpd.GeoDataFrame(
        {"name": names, "planted_count": [counts[0]], "dead_count": [counts[1]]},
        geometry=[None],
        crs=CRS,
    )
    with pytest.raises(InputError) as caught:
        replace_planned(belts([(0, 0), (250, 0)]), frame, "as_planted")
    assert caught.value.code == code


# ---- actions


def actions(work_from, approved_on=None, **claim):
    one = scheme(pay=PAY, claim=CLAIM | claim)
    dates = grants.WorkDates(YEAR, work_from, approved_on)
    return grants.grant_actions(paid(belts([(0, 0), (250, 0)]), one), dates)


@pytest.mark.parametrize("approved", [None, date(2026, 10, 1), date(2027, 2, 15)])
def test_no_work_precedes_approval_and_the_steps_are_in_order(approved):
    table = actions(date(2026, 11, 15), approved)
    day = dict(
        zip(table["grant_action"].str.split(" of | on ").str[0], table["action_date"], strict=True)
    )
    assert day["written consent"] <= day["application"] <= day["written approval"]
    assert day["written approval"] <= day["start"] <= day["claim"]
    assert approved is None or day["written approval"] == str(approved)
    begins = table.loc[table["date_rule"] == "not before", "action_date"].tolist()
    assert begins == [str(max(date(2026, 11, 15), approved or date.min))]


def test_each_action_states_evidence_and_what_is_lost_in_money():
    """By hand: 0.30 ha at 6,000.00 = 1,800.00; at 400.00 = 120.00 in 2028 and in 2029."""
    table = actions(date(2026, 11, 15)).set_index(["action_date", "date_rule"])
    claim = table.loc[("2028-05-31", "by")]
    assert claim["at_stake_minor"] == 180_000
    assert claim["evidence"] == "invoices for plants; map of belts as planted"
    assert table.loc[("2028", "in the year"), "at_stake_minor"].tolist() == [12_000, 204_000]
    assert table.loc[("2029", "in the year"), "at_stake_minor"] == 12_000
    check = table.loc[("2032", "in the year")]
    assert check["at_stake_minor"] == 204_000 and "1,600 living stems" in check["grant_action"]
    assert (table["loss_if_missed"] != "").all()


def test_a_scheme_without_claim_rules_has_the_application_work_and_claim_alone():
    dates = grants.WorkDates(YEAR, date(2027, 1, 1))
    table = grants.grant_actions(paid(belts([(0, 0), (250, 0)]), scheme()), dates)
    assert table["grant_action"].tolist() == [
        "application",
        "start of work on the ground",
        "claim of planting",
    ]


def test_unknown_keys_of_a_claim_are_refused_with_the_nearest_key():
    with pytest.raises(InputError, match="Did you mean approval_before_work") as caught:
        scheme_from(content(claim={"aproval_before_work": True}), "hill.toml")
    assert caught.value.code == "name-unknown"
    with pytest.raises(InputError, match="landlord"):
        scheme_from(content(claim={"consent": ["neighbour"]}), "hill.toml")


# ---- from files to files


def test_gpx_tracks_and_a_table_replace_the_plan_and_the_claim_is_recomputed(given, tmp_path):  # noqa: F811
    """By hand: A is planted over 100 of 150 m: 100 × 12 m² at 0.60 = 720.00 (planned 1,080.00)."""
    claim = "[claim]\napproval_before_work = true\nmin_stems_per_ha = 1600\n\n[[pay]]"
    (tmp_path / "hill.toml").write_text(SCHEME.replace("[[pay]]", claim), encoding="utf-8")
    line = at(LineString([(0, 0), (100, 0)]))
    points = gpd.GeoSeries([line], crs=CRS).to_crs("EPSG:4326")[0].coords
    track = "".join(f'<trkpt lat="{y!r}" lon="{x!r}"/>' for x, y in points)
    (tmp_path / "track.gpx").write_text(
        '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk>'
        f"<name>A</name><trkseg>{track}</trkseg></trk></gpx>",
        encoding="utf-8",
    )
    (tmp_path / "counts.csv").write_text(
        "name,planted_count,dead_count\nA,300,60\nB,300,60\n", encoding="utf-8"
    )
    more = {"as_planted": f"{tmp_path / 'track.gpx'}:tracks"}
    more |= {"as_planted_table": tmp_path / "counts.csv", "approved_on": "2027-02-01"}
    result = shelterscape.grant_overlay(**given, **more)
    table = pd.read_csv(result.tables["grant_claims"]).set_index("name")
    assert table["line_source"].to_dict() == {"A": "as planted", "B": "planned"}
    # 240 living plants on 0.12 ha, and on 0.18 ha.
    assert table["living_stems_per_ha"].tolist() == [2000, 1333]
    assert table["stem_result"].tolist() == ["passes", "fails"]
    assert table["payment_planned"].tolist() == [1080.0, 540.0]
    assert table["payment"].tolist() == [pytest.approx(720.0, abs=0.6), 0.0]
    assert any(n.code == "work-before-approval" for n in result.notices)
    dates = pd.read_csv(result.tables["grant_actions"], dtype=str).set_index("grant_action")
    assert dates.loc["start of work on the ground", "action_date"] == "2027-02-01"
