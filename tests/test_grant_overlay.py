"""`grant-overlay` from files to files, and errors in its inputs."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from conftest import SAMPLE
from file_helpers import write_features
from shapely import LineString, box

import shelterscape
from shelterscape.errors import InputError
from shelterscape.plan import read_plan
from shelterscape.processes.grant_overlay.summary import _first_reasons, _parcels_under
from shelterscape.runs import run

WEST, SOUTH = 560_000.0, 5_700_000.0
CRS = "EPSG:25832"

SCHEME = """
name = "Hill"
rules_date = 2026-01-01
source = "invented for tests"
status = "invented"
currency = "EUR"

[qualify]
categories = ["hill"]

[[pay]]
what = "planting"
kind = "capital"
per = "ha"
amount = 6000.00
"""

THRESHOLDS = """
rules_date = 2026-02-03
[[threshold]]
country = "Nowhere"
name = "new woods"
effect = "consent"
area_ha = 0.3
within_m = 60
within_years = 5
source = "invented for tests"
status = "invented"
"""


def at(shape):
    """A shape near the origin, moved to the ground of the tests."""
    return shapely.transform(shape, lambda xy: np.add(xy, (WEST, SOUTH)))


@pytest.fixture
def given(tmp_path):
    """Two belts of 150 m by 12 m, and a grant area over one of them and half of the other."""
    lines = [at(LineString([(0, 0), (150, 0)])), at(LineString([(0, 50), (150, 50)]))]
    columns = {"candidate": ["A", "B"], "width_m": [12.0, 12.0], "parcel_id": ["P1", "P2"]}
    columns |= {"cost": [1500.0, 1500.0]}
    write_features(tmp_path / "in.gpkg", lines, layer="belts", **columns)
    area = at(shapely.union(box(-10, -10, 200, 20), box(-10, 20, 75, 80)))
    write_features(tmp_path / "in.gpkg", [area], layer="areas", category=["hill"])
    (tmp_path / "hill.toml").write_text(SCHEME, encoding="utf-8")
    return {
        "belts": f"{tmp_path / 'in.gpkg'}:belts",
        "schemes": [tmp_path / "hill.toml"],
        "grant_areas": f"{tmp_path / 'in.gpkg'}:areas",
        "start_year": 2027,
        "out": tmp_path / "out",
    }


def refused(given, code, *words):
    """The run must fail with a code and with texts in the message, and write nothing."""
    with pytest.raises(InputError) as caught:
        shelterscape.grant_overlay(**given)
    assert caught.value.code == code, caught.value
    for word in words:
        assert word in str(caught.value)
    assert not given["out"].exists()


def changed(given, old, new):
    """The scheme file with one part changed."""
    path = Path(given["schemes"][0])
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return given


def layer(given, called, shapes, /, **columns):
    """A further layer in the file of the belts, as PATH:LAYER."""
    path = Path(given["belts"].rpartition(":")[0])
    write_features(path, [at(shape) for shape in shapes], layer=called, **columns)
    return f"{path}:{called}"


# ---- outputs


def test_labels_name_the_parcel_under_belts_that_state_none():
    shapes = [box(0, 0, 10, 1), box(0, 5, 10, 6), box(0, 20, 10, 21)]
    belts = gpd.GeoDataFrame({"parcel_id": ["P1", "", ""]}, geometry=shapes)
    parcels = gpd.GeoDataFrame({"parcel_id": ["P7", "P8"]}, geometry=[box(-5, 4, 20, 9), shapes[0]])
    assert _parcels_under(SimpleNamespace(parcels=parcels), belts) == ["P1", "P7", ""]
    assert _parcels_under(SimpleNamespace(parcels=None), belts) == ["P1", "", ""]


def test_labels_state_what_a_belt_lacks_inside_an_area_before_areas_it_is_outside():
    table = pd.DataFrame(
        {
            "name": ["a", "a", "b"],
            "reason": ["outside grant areas of: hill", "3 m wide", "outside grant areas of: hill"],
        }
    )
    found = _first_reasons(table).to_dict()
    assert found == {"a": "3 m wide", "b": "outside grant areas of: hill"}
    assert _first_reasons(table[:0]).empty


def test_tables_layer_and_findings_state_the_same_total(given):
    result = shelterscape.grant_overlay(**given)
    tables = {name: pd.read_csv(path) for name, path in result.tables.items()}
    path, name = result.layers["grant_parts"].rsplit(":", 1)
    parts = gpd.read_file(path, layer=name)
    assert parts.crs == CRS
    # All 150 m of the one belt, and the 75 m of the other up to x = 75 (arithmetic).
    total = (1800 + 75 * 12) * 0.60
    assert tables["grant_payments"]["payment"].sum() == total
    assert parts["payment"].sum() == total
    for table in ("grant_by_holding", "grant_by_scheme", "grant_by_year"):
        assert tables[table]["payment"].sum() == total
    (reason,) = tables["grant_reasons"].to_dict("records")
    assert (reason["name"], reason["parcel_id"], reason["part_area_ha"]) == ("B", "P2", 0.09)
    assert reason["reason"] == "outside grant areas of: hill"
    assert any("would pay 1,620.00 EUR" in text for text in result.summary.results)


def texts(result):
    """Every table of a run as text, as it is written."""
    return {name: pd.read_csv(path, dtype=str) for name, path in result.tables.items()}


def test_amounts_are_whole_minor_units_written_as_decimals_with_a_currency(given):
    """By hand: 150 m at 0.333 are 49.95; 75 m are 24.975, rounded half up to 24.98."""
    changed(given, "6000.00", "0.333")
    changed(given, 'per = "ha"', 'per = "m"')
    result = shelterscape.grant_overlay(**given)
    tables = texts(result)
    assert list(tables["grant_payments"]["payment"]) == ["49.95", "24.98"]
    assert list(tables["grant_payments"]["paid_quantity"]) == ["150.0", "75.0"]
    for name in ("grant_by_holding", "grant_by_scheme", "grant_by_year"):
        assert list(tables[name]["payment"]) == ["74.93"], name
    assert any("would pay 74.93 EUR" in text for text in result.summary.results)
    path, name = result.layers["grant_parts"].rsplit(":", 1)
    layers = {"grant_parts": gpd.read_file(path, layer=name)}
    assert sorted(layers["grant_parts"]["payment"]) == [0.0, 24.98, 49.95]
    for called, table in (tables | layers).items():
        assert not [c for c in table if str(c).endswith("_minor")], called
        if any(str(c).startswith(("payment", "extra_")) for c in table):
            assert (table["currency"] == "EUR").all(), called


def test_a_share_of_the_cost_is_shown_in_units_of_the_currency(given):
    """35 % of 1234.57 are 432.0995; of half the belt, 617.29 (rounded half up), 216.0515."""
    path = Path(given["belts"].rpartition(":")[0])
    frame = gpd.read_file(path, layer="belts").assign(cost=1234.57)
    frame.to_file(path, layer="costed", mode="a")
    given["belts"] = f"{path}:costed"
    changed(given, "amount = 6000.00", "percent = 35")
    rows = texts(shelterscape.grant_overlay(**changed(given, 'per = "ha"', 'per = "cost"')))
    assert list(rows["grant_payments"]["paid_quantity"]) == ["1234.57", "617.29"]
    assert list(rows["grant_payments"]["payment"]) == ["432.1", "216.05"]
    assert list(rows["grant_by_scheme"]["payment"]) == ["648.15"]


@pytest.mark.parametrize(
    ("minor_per_major", "rows", "shown"),
    [(1, ["5.0", "2.0"], "7 EUR"), (1000, ["4.995", "2.498"], "7.493 EUR")],
)
def test_amounts_have_the_decimals_of_their_currency(given, minor_per_major, rows, shown):
    """By hand: 150 m and 75 m at 0.0333 are 4.995 and 2.4975."""
    changed(given, "6000.00", "0.0333")
    changed(given, 'per = "ha"', 'per = "m"')
    changed(given, "\n[qualify]", f"minor_per_major = {minor_per_major}\n[qualify]")
    result = shelterscape.grant_overlay(**given)
    assert list(texts(result)["grant_payments"]["payment"]) == rows
    assert any(f"would pay {shown} " in text for text in result.summary.results)


def test_widening_is_decimal_with_a_currency(given):
    """By hand: 12 m to 20 m costs 8/12 more; 150 m by 20 m at 6000 per ha are 1800."""
    changed(given, "[qualify]", "[qualify]\nmin_width_m = 20")
    result = shelterscape.grant_overlay(**given)
    rows = texts(result)["grant_widening"].set_index("name")
    assert (rows["currency"] == "EUR").all()
    assert tuple(rows.loc["A", ["extra_cost", "extra_payment"]]) == ("1000.0", "1800.0")
    assert any(
        text.startswith("Widening adds up to ") and " EUR " in text
        for text in result.summary.results
    )


def test_every_output_states_the_caution_and_the_date_of_the_rules(given):
    given["schemes"] = [changed(given, "[qualify]", "[qualify]\nmin_width_m = 20")["schemes"][0]]
    result = shelterscape.grant_overlay(**given)
    path, name = result.layers["grant_parts"].rsplit(":", 1)
    frames = [gpd.read_file(path, layer=name)]
    frames += [pd.read_csv(p) for n, p in result.tables.items() if n != "grant_payments"]
    reported = pd.concat([f for f in frames if "scheme" in f and len(f)])["caution"]
    assert len(reported) > 4
    assert reported.str.contains("Screening only: the grant body decides, and rules change").all()
    assert reported.str.contains("“Hill” as of 2026-01-01").all()
    cautions = pd.read_csv(result.tables["assessment_thresholds"])["caution"]
    assert cautions.str.contains("not a decision").all()
    assert any("grant body decides" in text for text in result.record["steps"][0]["cautions"])


def test_the_same_in_another_coordinate_system(given, tmp_path):
    """Layers in degrees are reprojected; sums differ by less than a thousandth."""
    areas = gpd.read_file(given["grant_areas"].rpartition(":")[0], layer="areas")
    # Straight edges bend in degrees: vertices every 5 m keep them straight enough.
    areas.geometry = areas.segmentize(5.0)
    areas.to_crs("EPSG:4326").to_file(tmp_path / "degrees.gpkg", layer="areas")
    first = shelterscape.grant_overlay(**given)
    given |= {"grant_areas": f"{tmp_path / 'degrees.gpkg'}:areas", "out": tmp_path / "again"}
    again = shelterscape.grant_overlay(**given)
    sums = [pd.read_csv(r.tables["grant_payments"])["payment"].sum() for r in (first, again)]
    assert sums[1] == pytest.approx(sums[0], rel=1e-3)
    assert "layer-reprojected" in {n.code for n in again.notices}


def test_belts_in_degrees_need_a_system_in_metres(given, tmp_path):
    belts = gpd.read_file(given["belts"].rpartition(":")[0], layer="belts")
    belts.to_crs("EPSG:4326").to_file(tmp_path / "degrees.gpkg", layer="belts")
    given["belts"] = f"{tmp_path / 'degrees.gpkg'}:belts"
    refused(given, "crs-geographic", "belt layer", "--to-crs EPSG:32632")
    result = shelterscape.grant_overlay(**given, to_crs="EPSG:25832")
    paid = pd.read_csv(result.tables["grant_payments"])["payment"].sum()
    assert paid == pytest.approx(1620, rel=1e-3)


def test_two_runs_write_the_same_bytes(given, tmp_path):
    first = shelterscape.grant_overlay(**given)
    again = shelterscape.grant_overlay(**given | {"out": tmp_path / "again"})
    assert first.record == again.record


def test_existing_belts_are_accepted(tmp_path):
    """A layer without costs, parcels or plants, with walls and fences."""
    result = shelterscape.grant_overlay(
        belts=f"{SAMPLE / 'ostrel.gpkg'}:belts",
        schemes=[SAMPLE / "scheme_farm_shelter.toml"],
        grant_areas=[f"{SAMPLE / 'ostrel.gpkg'}:grant_areas"],
        start_year=2027,
        out=tmp_path / "out",
    )
    reasons = pd.read_csv(result.tables["grant_reasons"])["reason"]
    assert reasons.str.contains("a wall is not planted").any()
    assert pd.read_csv(result.tables["grant_by_scheme"])["payment"].sum() > 0


def test_missing_holdings_are_filled_from_their_layer(given):
    shapes = [box(-50, -50, 300, 20), box(-50, 20, 300, 40), box(-50, 40, 300, 90)]
    given["holdings"] = layer(
        given, "holdings", shapes, holding_id=["H1", "H2", "H2"], name=["One", "Two", "Two"]
    )
    result = shelterscape.grant_overlay(**given)
    sums = pd.read_csv(result.tables["grant_by_holding"])
    assert sums[["holding_id", "name"]].values.tolist() == [["H1", "One"], ["H2", "Two"]]
    assert "holding-found" in {n.code for n in result.notices}


def test_neighbours_count_towards_thresholds(given, tmp_path):
    (tmp_path / "thresholds.toml").write_text(THRESHOLDS, encoding="utf-8")
    given |= {"thresholds": tmp_path / "thresholds.toml", "country": "nowhere"}
    given["neighbours"] = layer(
        given,
        "beside",
        [LineString([(0, 100), (150, 100)]), LineString([(0, 150), (150, 150)])],
        width_m=[12.0, 12.0],
        planted_year=[2025, None],
    )
    result = shelterscape.grant_overlay(**given)
    (row,) = pd.read_csv(result.tables["assessment_thresholds"]).to_dict("records")
    assert (row["part_area_ha"], row["threshold_result"], row["consequence"]) == (
        0.54,
        "reached",
        "consent",
    )
    assert "file dated 2026-02-03" in row["source"]
    assert any(text.startswith("Caution, Nowhere: 0.54 ha") for text in result.summary.results)


def test_the_thresholds_of_the_package_are_listed_with_their_status(given):
    rows = pd.read_csv(shelterscape.grant_overlay(**given).tables["assessment_thresholds"])
    assert set(rows["country"]) == {"Germany", "any"}
    assert rows["source"].str.contains("not verified against the source|common practice").all()


def test_parcel_caps_without_parcels_give_a_notice(given):
    path = Path(given["belts"].rpartition(":")[0])
    frame = gpd.read_file(path, layer="belts").drop(columns="parcel_id")
    frame.to_file(path, layer="bare", mode="a")
    given["belts"] = f"{path}:bare"
    result = shelterscape.grant_overlay(
        **changed(given, "[[pay]]", "[caps]\nparcel = 10.00\n[[pay]]")
    )
    assert pd.read_csv(result.tables["grant_payments"])["payment"].sum() == 20
    assert any("parcel_id not given" in n.text for n in result.notices)


# ---- errors


def test_a_grant_layer_outside_the_belts_is_an_error_with_both_extents(given):
    far = box(-10, -10, 200, 80)
    given["grant_areas"] = layer(
        given, "far", [shapely.transform(far, lambda xy: xy + 90_000)], category=["hill"]
    )
    refused(given, "layer-outside", "coordinate system is wrong", "649990…650200 E", "559950…")


def test_a_grant_layer_that_touches_no_belt_gives_a_notice_with_both_extents(given):
    beside = layer(given, "near", [box(-40, 15, 180, 35)], category=["vale"])
    given["grant_areas"] = [given["grant_areas"], beside]
    result = shelterscape.grant_overlay(**given)
    (text,) = [n.text for n in result.notices if n.code == "grant-areas-missed"]
    assert "no belt touches any of these grant areas" in text
    assert "559960…560180 E" in text  # the areas
    assert "560000…560150 E" in text  # the belts


def test_overlapping_areas_of_one_category_are_merged_and_counted(given):
    shapes = [box(-10, -10, 100, 80), box(50, -10, 200, 80), box(200, -10, 300, 80)]
    given["grant_areas"] = layer(given, "several", shapes, category=["hill"] * 3)
    result = shelterscape.grant_overlay(**given)
    (notice,) = [n for n in result.notices if n.code == "areas-merged"]
    assert notice.count == 2
    assert pd.read_csv(result.tables["grant_payments"])["payment"].sum() == 2 * 1080


def test_areas_of_several_layers_are_added(given):
    other = layer(given, "rest", [box(75, 20, 200, 80)], category=["hill"])
    given["grant_areas"] = [given["grant_areas"], other]
    result = shelterscape.grant_overlay(**given)
    assert pd.read_csv(result.tables["grant_payments"])["payment"].sum() == 2 * 1080


def test_an_unknown_category_is_an_error_that_names_the_nearest(given):
    refused(changed(given, '["hill"]', '["hil"]'), "name-unknown", "Did you mean hill?", "“Hill”")


def test_categories_without_a_layer_are_an_error(given):
    given.pop("grant_areas")
    refused(given, "name-unknown", "--grant-area")


@pytest.mark.parametrize(
    ("old", "new", "code", "words"),
    [
        ("amount = 6000.00", "amount = -1", "input-refused", ["pay 1, amount"]),
        (
            "[[pay]]",
            "[caps]\nholding = -5\n[[pay]]",
            "input-refused",
            ["caps, holding"],
        ),
        (
            "[qualify]",
            "opens = 2028-01-01\ncloses = 2027-01-01\n[qualify]",
            "input-refused",
            ["Opens and closes are reversed"],
        ),
        (
            "[[pay]]",
            "min_plants_per_ha = 9\nmax_plants_per_ha = 8\n[[pay]]",
            "input-refused",
            ["qualify: plants per hectare are reversed"],
        ),
        ("amount =", "amont =", "name-unknown", ["Did you mean amount?", "pay 1"]),
        ("categories", "categores", "name-unknown", ["Did you mean categories?", "hill.toml"]),
        ("rules_date = 2026-01-01\n", "", "input-refused", ["rules_date", "hill.toml"]),
        ('kind = "capital"', 'kind = "capitol"', "input-refused", ["pay 1, kind", "capitol"]),
        ('per = "ha"', 'per = "acre"', "input-refused", ["pay 1, per"]),
        ("amount = 6000.00", "years = 3", "input-refused", ["pay 1"]),
        ("amount = 6000.00", "amount = 0.01\npercent = 101", "input-refused", ["percent"]),
        ("[[pay]]", 'area_to = "fence"\n[[pay]]', "input-refused", ["fence_m"]),
        ("[[pay]]", "min_native_share = 0.5\n[[pay]]", "input-refused", ["native_species"]),
        ("[[pay]]", "min_native_share = 50\n[[pay]]", "input-refused", ["less than or equal"]),
        ('currency = "EUR"', 'currency = "euro"', "input-refused", ["currency", "EUR"]),
        ('name = "Hill"', 'name = "Hill', "file-unreadable", ["not valid TOML", "hill.toml"]),
    ],
)
def test_mistakes_in_a_scheme_file_are_errors_that_name_the_key(given, old, new, code, words):
    refused(changed(given, old, new), code, *words)


def test_schemes_with_one_name_or_two_currencies_are_an_error(given, tmp_path):
    second = tmp_path / "second.toml"
    given["schemes"].append(second)
    second.write_text(SCHEME, encoding="utf-8")
    refused(given, "input-refused", "same name", "Hill")
    text = SCHEME.replace('"Hill"', '"Vale"').replace('"EUR"', '"DKK"')
    second.write_text(text, encoding="utf-8")
    refused(given, "input-refused", "currencies", "DKK")


def test_at_least_one_scheme_is_required(given):
    refused(given | {"schemes": []}, "input-refused", "schemes")


@pytest.mark.parametrize(
    ("columns", "code", "words"),
    [
        ({"scheme": ["Old"], "begins": [2026], "ends": [2024]}, "column-bad", ["ends before"]),
        ({"scheme": ["Old"], "ends": ["next year"]}, "column-bad", ["next year", "2031-12-31"]),
        ({"scheme": [""]}, "column-bad", ["scheme is empty"]),
        ({"contract": ["Old"]}, "column-missing", ["scheme", "contract"]),
    ],
)
def test_mistakes_in_agreements_are_errors(given, columns, code, words):
    given["agreements"] = layer(given, "old", [box(0, -10, 60, 10)], **columns)
    refused(given, code, *words)


def test_agreements_count_while_they_are_in_force(given, tmp_path):
    columns = {"scheme": ["Old", "Older"], "ends": ["2031-12-31", "2026-12-31"]}
    shapes = [box(100, -10, 150, 10), box(0, -10, 60, 10)]
    given["agreements"] = layer(given, "old", shapes, **columns)
    result = shelterscape.grant_overlay(**given)
    paid = pd.read_csv(result.tables["grant_payments"])["payment"].sum()
    assert paid == (100 + 75) * 12 * 0.60
    assert {"agreements-over"} <= {n.code for n in result.notices}
    given |= {"out": tmp_path / "later", "start_year": 2033}
    later = shelterscape.grant_overlay(**given)
    assert pd.read_csv(later.tables["grant_payments"])["payment"].sum() == 1620


def test_lines_as_grant_areas_are_an_error(given):
    given["grant_areas"] = layer(given, "lines", [LineString([(0, 0), (9, 9)])], category=["hill"])
    refused(given, "areas-needed", "1 of 1 features")


def test_an_area_without_a_category_is_an_error(given):
    given["grant_areas"] = layer(given, "blank", [box(0, 0, 90, 90)], category=[None])
    refused(given, "column-bad", "category is empty")
    given["grant_areas"] = layer(given, "other", [box(0, 0, 90, 90)], kind=["hill"])
    refused(given, "column-missing", "no column category", "kind")
    result = shelterscape.grant_overlay(**given, fields={"grant_areas.category": "kind"})
    assert pd.read_csv(result.tables["grant_payments"])["payment"].sum() > 0


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"country": "Norway"}, "name-unknown", ["Norway", "Nowhere"]),
        ({"text": THRESHOLDS.replace("within_m", "within")}, "name-unknown", ["within_m"]),
        ({"text": THRESHOLDS.replace("0.3", "-0.3")}, "input-refused", ["threshold 1, area_ha"]),
        (
            {"text": THRESHOLDS + 'categories = ["bog"]\n'},
            "name-unknown",
            ["bog", "threshold “new woods”"],
        ),
    ],
)
def test_mistakes_in_a_threshold_file_are_errors_that_name_the_key(
    given, tmp_path, change, code, words
):
    path = tmp_path / "thresholds.toml"
    path.write_text(change.pop("text", THRESHOLDS), encoding="utf-8")
    refused(given | change | {"thresholds": path}, code, *words)


# ---- inputs that name several data sets


def test_several_data_sets_in_a_plan_and_in_the_record(given, tmp_path):
    """Paths count from the plan; the record names each file with its checksum."""
    (tmp_path / "vale, north.toml").write_text(SCHEME.replace('"Hill"', '"Vale"'), "utf-8")
    text = (
        '[[step]]\nprocess = "grant-overlay"\nbelts = "in.gpkg:belts"\nstart_year = 2027\n'
        'schemes = ["hill.toml", "vale, north.toml"]\ngrant_areas = "in.gpkg:areas"\n'
    )
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    (step,) = read_plan(tmp_path / "plan.toml").steps
    assert step.params.grant_areas == (given["grant_areas"],)
    result = run([step], given["out"])
    (reported,) = result.record["steps"]
    assert [f["name"] for f in reported["files_read"]["schemes"]] == [
        "hill.toml",
        "vale, north.toml",
    ]
    assert all(len(f["sha256"]) == 1 for f in reported["files_read"]["schemes"])
    assert reported["inputs"]["grant_areas"] == ["in.gpkg:areas"]
    assert str(tmp_path) not in json.dumps(result.record)


def test_several_data_sets_on_the_command_line(given, tmp_path):
    from shelterscape.cli import main

    with_comma = tmp_path / "vale, north.toml"
    with_comma.write_text(SCHEME.replace('"Hill"', '"Vale"'), encoding="utf-8")
    words = ["grant-overlay", "--belts", given["belts"], "--start-year", "2027"]
    words += ["--scheme", str(given["schemes"][0]), "--scheme", str(with_comma)]
    words += ["--grant-area", given["grant_areas"], "--out", str(given["out"])]
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code in (0, None)
    sums = pd.read_csv(given["out"] / "tables" / "grant_by_scheme.csv")
    assert list(sums["scheme"]) == ["Hill", "Vale"]


def test_one_of_several_may_come_from_an_earlier_step(given, tmp_path):
    """A layer of an earlier step is named among the grant areas; a misspelt name is an error."""
    text = (
        '[[step]]\nprocess = "shelter"\nid = "first"\ndem = "dem.tif"\nwinds = "210"\n'
        'belts = "in.gpkg:belts"\n[[step]]\nprocess = "grant-overlay"\nbelts = "in.gpkg:belts"\n'
        'schemes = "hill.toml"\nstart_year = 2027\n'
        'grant_areas = ["in.gpkg:areas", "step:first/shelter_zone"]\n'
    )
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        run(read_plan(tmp_path / "plan.toml").steps, given["out"])
    assert "Did you mean shelter_zones?" in str(caught.value)


# ---- the sample


def test_the_sample_pays_by_both_schemes(tmp_path):
    result = shelterscape.grant_overlay(
        belts=f"{SAMPLE / 'grants.gpkg'}:proposed_belts",
        schemes=[SAMPLE / "scheme_water_belts.toml", SAMPLE / "scheme_farm_shelter.toml"],
        grant_areas=f"{SAMPLE / 'ostrel.gpkg'}:grant_areas",
        agreements=f"{SAMPLE / 'grants.gpkg'}:agreements",
        neighbours=f"{SAMPLE / 'ostrel.gpkg'}:belts",
        thresholds=SAMPLE / "thresholds.toml",
        country="Ostrel",
        start_year=2027,
        out=tmp_path / "out",
    )
    tables = {name: pd.read_csv(path) for name, path in result.tables.items()}
    assert (tables["grant_by_scheme"]["payment"] > 0).all()
    kinds = set(tables["grant_payments"]["payment_kind"])
    assert kinds == {"capital", "annual", "maintenance"}
    reasons = tables["grant_reasons"]["reason"]
    for part in ("outside", "already under", "20 m required", "incompatible", "native share"):
        assert reasons.str.contains(part).any(), part
    assert (tables["grant_widening"]["extra_payment"] > 0).any()
    assert (tables["assessment_thresholds"]["threshold_result"] == "reached").any()
