"""Growth: published curves through a site index, nursery rates, and belts in a future year."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from shelterscape import data
from shelterscape.errors import InputError
from shelterscape.science import belt_growth, growth
from shelterscape.science.belts import complete

FOLDER = Path(__file__).parent / "published"
WITH_CURVE = [name for name in growth.species_names() if not growth.curve_note(name)]
NURSERY = [name for name in growth.species_names() if growth.curve_note(name)]
LINE = shapely.LineString([(0, 0), (10, 0)])

species = st.sampled_from(growth.species_names())
curved = st.sampled_from(WITH_CURVE)
sites = st.tuples(st.floats(2.0, 60.0), st.floats(8.0, 120.0))


def belts(**columns):
    """Completed belts, one for each value of the columns; 1 m high when surveyed."""
    count = max(len(values) for values in columns.values())
    given_columns = {"height_m": [1.0] * count, "porosity": [0.4] * count} | columns
    layer = gpd.GeoDataFrame(given_columns, geometry=[LINE] * count, crs="EPSG:25832")
    return complete(layer, "belts")[0]


# Heights -----------------------------------------------------------------------------------------


def _published() -> list[dict[str, str]]:
    file = FOLDER / "growth_heights.csv"
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("row", _published(), ids=lambda r: f"{r['species']} at {r['age']}")
def test_heights_at_ages(row):
    """D: arithmetic from the equations of Manso and others 2020 and Johansson 1999 (S2)."""
    site = (float(row["site_height"]), float(row["site_age"]))
    ours = growth.height_at(row["species"], float(row["age"]), site_index=site)
    assert ours == pytest.approx(float(row["height"]), abs=float(row["tolerance"]))


@given(curved, sites)
def test_a_curve_passes_through_its_site_index(name, site):
    assert growth.height_at(name, site[1], site_index=site) == pytest.approx(site[0], rel=1e-9)


@pytest.mark.parametrize("name", growth.species_names())
def test_the_default_site_index_is_that_of_the_table(name):
    row = data.table("species.csv").set_index("species").loc[name]
    if growth.curve_note(name):
        assert math.isnan(row.site_height_m)
    else:
        assert growth.height_at(name, row.site_age) == pytest.approx(row.site_height_m)


@given(curved, sites, st.floats(15.0, 120.0))
def test_any_point_of_a_curve_gives_the_same_curve(name, site, other_age):
    """Property of these equations: any point of a curve, as site index, gives the same curve."""
    there = growth.height_at(name, other_age, site_index=site)
    if not 1.4 < there < 80.0:
        return
    ages = np.array([5.0, 30.0, 60.0, 100.0])
    first = growth.height_at(name, ages, site_index=site)
    again = growth.height_at(name, ages, site_index=(there, other_age))
    np.testing.assert_allclose(again, first, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize(
    ("name", "b1", "b2", "b3"),
    [
        ("Sitka spruce", 0.0261, -2.6577, 17.5827),
        ("Scots pine", 0.0204, -0.4206, 5.8544),
        ("beech", 0.0241, -5.7098, 25.1162),
        ("European larch", 0.0232, 0.3944, 2.7545),
    ],
)
def test_varying_shape_by_a_search(name, b1, b2, b3):
    """The final height by a numerical search, not by the closed form (D; coefficients S2)."""

    def height(final: float, age: float) -> float:
        return final + (b2 + b3 / final) * math.log(1 - math.exp(-b1 * age))

    final = brentq(lambda x: height(x, 50.0) - math.log(15.0), 0.5, 20.0)
    for age in (8.0, 25.0, 90.0):
        ours = growth.height_at(name, age, site_index=(15.0, 50.0))
        assert ours == pytest.approx(math.exp(height(final, age)), rel=1e-9)


@pytest.mark.parametrize(
    ("name", "b1", "b2"),
    [
        ("Norway spruce", 0.0237, 1.554),
        ("Corsican pine", 0.0172, 1.3424),
        ("poplar", 0.0454, 0.9683),
    ],
)
def test_fixed_shape_is_a_straight_line_in_logarithms(name, b1, b2):
    """Slope b2 of log height against the log of the share of the final height (D; S2)."""
    ages = np.array([4.0, 10.0, 33.0, 80.0])
    slopes = np.diff(np.log(growth.height_at(name, ages))) / np.diff(np.log(1 - np.exp(-b1 * ages)))
    np.testing.assert_allclose(slopes, b2, rtol=1e-9)


@pytest.mark.parametrize(
    ("name", "beta", "k", "far"),
    [("common alder", 381.5, -1.3823, 7.0), ("oak", 8841.4, -1.4317, 1000.0)],
)
def test_johansson_by_arithmetic(name, beta, k, far):
    """The equation as listed, term by term (D; coefficients S2); 10 m at 50."""
    d = beta * far**k
    r = math.sqrt((10 - d) ** 2 + 4 * beta * 10 * 50**k)
    for age in (7, 20, 90):
        expected = (10 + d + r) / (2 + 4 * beta * age**k / (10 - d + r))
        assert growth.height_at(name, age, site_index=(10, 50)) == pytest.approx(expected)


@given(species, st.none() | sites, st.lists(st.floats(-20.0, 300.0), min_size=2, max_size=20))
def test_height_never_falls_with_age(name, site, ages):
    height = growth.height_at(name, np.sort(ages), site_index=site)
    assert np.all(np.isfinite(height))
    assert np.all(height >= 0)
    assert np.all(np.diff(height) >= -1e-9)


@pytest.mark.parametrize("name", growth.species_names())
def test_height_is_0_at_planting_and_a_number_for_a_number(name):
    assert growth.height_at(name, 0) == 0.0
    assert growth.height_at(name, -3) == 0.0
    assert isinstance(growth.height_at(name, 7), float)
    both = growth.height_at(name, [[7, 0], [12, -1]])
    assert both.shape == (2, 2)
    assert both[0, 0] == growth.height_at(name, 7)
    assert growth.height_at(name, 10) > growth.height_at(name, 5) > 0


def test_birch_starts_at_breast_height():
    """The equation gives height above 1.3 m against age at breast height (Eriksson and others
    1997, S2), reached four years after planting (assumed)."""
    beta, k, far = 394.0, -1.387, 7.0
    y1, t1, t2 = 12.0 - 1.3, 40.0 - 4.0, 20.0 - 4.0
    d = beta * far**k
    r = math.sqrt((y1 - d) ** 2 + 4 * beta * y1 * t1**k)
    above = (y1 + d + r) / (2 + 4 * beta * t2**k / (y1 - d + r))
    assert growth.height_at("birch", 20) == pytest.approx(1.3 + above, rel=1e-9)
    assert growth.height_at("birch", 4) == pytest.approx(1.3)
    assert growth.height_at("birch", 2) == pytest.approx(0.65)


@pytest.mark.parametrize("site", [(1.3, 20.0), (6.0, 4.0)])
def test_birch_refuses_a_site_index_below_breast_height(site):
    with pytest.raises(InputError, match=r"1\.3 m") as caught:
        growth.height_at("birch", 20, site_index=site)
    assert caught.value.code == "input-refused"


@pytest.mark.parametrize(
    ("name", "rate", "mature"),
    [
        ("hazel", (0.4, 0.6), (9, 9)),
        ("hawthorn", (0.4, 0.6), (8, 14)),
        ("rowan", (0.2, 0.4), (8, 15)),
    ],
)
def test_nursery_rates_are_within_published_ranges(name, rate, mature):
    """Ranges stated by nurseries, of low accuracy; no published curve was found."""
    assert rate[0] <= growth.height_at(name, 10) / 10 <= rate[1]
    assert mature[0] <= growth.height_at(name, 200) <= mature[1]
    assert growth.curve_note(name) == "no published growth curve: nursery rate used"


def test_a_site_index_without_a_curve_sets_the_line():
    assert growth.height_at("ash", 25, site_index=(9, 25)) == 9
    assert growth.height_at("ash", 10, site_index=(9, 25)) == pytest.approx(3.6)
    assert growth.height_at("hazel", 100, site_index=(12, 25)) == 12  # taller than in the table


def test_which_species_have_a_published_curve():
    assert set(WITH_CURVE) == {
        *("Norway spruce", "Sitka spruce", "Scots pine", "Corsican pine", "European larch"),
        *("common alder", "beech", "birch", "oak", "poplar"),
    }
    assert {"willow", "hazel", "hawthorn", "rowan"} <= set(NURSERY)


# Names and sites ---------------------------------------------------------------------------------


def test_alternative_names_and_capital_letters():
    for name in ("alder", "ALDER", " Common Alder "):
        assert growth.height_at(name, 20) == growth.height_at("common alder", 20)
    assert "alder" not in growth.species_names()
    assert "common alder" in growth.species_names()


@pytest.mark.parametrize(("name", "near"), [("hawthron", "hawthorn"), ("sitka", "Sitka spruce")])
def test_an_unknown_species_gets_the_most_similar_name(name, near):
    with pytest.raises(InputError) as caught:
        growth.height_at(name, 10)
    assert caught.value.code == "name-unknown"
    assert caught.value.value == name
    assert f"Did you mean {near!r}?" in caught.value.hint


@pytest.mark.parametrize("ask", [growth.is_evergreen, growth.curve_note])
def test_an_unknown_species_is_refused_everywhere(ask):
    with pytest.raises(InputError) as caught:
        ask("xxxxxx")
    assert caught.value.code == "name-unknown"
    assert "Did you mean" not in caught.value.hint


@pytest.mark.parametrize(
    "site",
    [(0, 50), (-3, 50), (12, 0), (12, -1), (81, 50), (12, 301), (math.nan, 50), (9, math.inf)],
)
@pytest.mark.parametrize("name", ["beech", "ash"])
def test_a_site_index_out_of_range_is_refused(site, name):
    with pytest.raises(InputError) as caught:
        growth.height_at(name, 10, site_index=site)
    assert caught.value.code == "input-refused"


@pytest.mark.parametrize("name", [*growth.species_names(), "alder", "sitka SPRUCE"])
def test_evergreens_are_those_of_the_belt_defaults(name):
    """Compared with `complete`, which gives evergreens the porosity in leaf all year."""
    whole = belts(species=[name], porosity=[0.35])
    assert growth.is_evergreen(name) == (whole.bare_porosity.iloc[0] == 0.35)


def test_evergreen_list():
    found = {name for name in growth.species_names() if growth.is_evergreen(name)}
    conifers = {"Norway spruce", "Sitka spruce", "Scots pine", "Corsican pine", "Lawson cypress"}
    assert found == conifers | {"holly", "yew"}


def test_the_table_of_species_is_complete():
    rows = data.table("species.csv").set_index("species")
    full = rows[rows["same_as"].isna()]
    others = rows[rows["same_as"].notna()]
    assert set(full["winter"]) == {"evergreen", "bare", "dead leaves"}
    for column in ("nursery_rate", "mature_height_m", "tolerances", "cautions", "curve_status"):
        assert full[column].notna().all(), column
    has_curve = full["curve"].notna()
    assert set(full.loc[has_curve, "curve_status"]) == {"S2"}
    assert set(full.loc[~has_curve, "curve_status"]) == {"none"}
    assert full.loc[has_curve, "curve_source"].notna().all()
    evergreen = full["winter"] == "evergreen"
    assert full.loc[evergreen, "bare_porosity"].isna().all()
    assert full.loc[~evergreen, "bare_porosity"].between(0.5, 0.7).all()  # M
    assert full.loc[["willow", "poplar"], "cautions"].str.contains("30 m from drains").all()
    same = full.loc[others["same_as"]]
    assert list(same["latin"]) == list(others["latin"])
    assert list(same["winter"]) == list(others["winter"])


# Local heights -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "name", "site"),
    [
        ("ash 9 m at 25", "ash", (9.0, 25.0)),
        ("  Scots Pine 7.5m at 20 years ", "Scots pine", (7.5, 20.0)),
        ("alder 12 m at 30", "common alder", (12.0, 30.0)),
    ],
)
def test_local_height(text, name, site):
    assert growth.parse_local_height(text) == (name, site)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("ash", "input-refused"),
        ("ash 9 at 25", "input-refused"),
        ("9 m at 25", "input-refused"),
        ("ash 9 ft at 25", "input-refused"),
        ("ash -9 m at 25", "input-refused"),
        ("ash 0 m at 25", "input-refused"),
        ("ash 9 m at 0", "input-refused"),
        ("ashh 9 m at 25", "name-unknown"),
    ],
)
def test_local_height_refused(text, code):
    with pytest.raises(InputError) as caught:
        growth.parse_local_height(text)
    assert caught.value.code == code
    assert caught.value.hint


# Belts in a year ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("season", "porosity"), [("in-leaf", 0.4), ("bare", 0.6)])
def test_without_a_year_belts_are_as_surveyed(season, porosity):
    whole = belts(species=["oak", ""], planted_year=[2030, pd.NA], height_m=[1.0, 6.0])
    height, theta, notes = belt_growth.projected_growth(whole, season, None)
    assert list(height) == [1.0, 6.0]
    assert list(theta) == [porosity, porosity]
    assert list(notes) == ["", ""]


def test_an_unknown_season_is_refused():
    with pytest.raises(InputError) as caught:
        belt_growth.projected_growth(belts(species=["oak"]), "winter", None)
    assert caught.value.code == "name-unknown"


def age_where_the_curve_is_3_m(name: str) -> float:
    """By a search on the published curve, times the site factor."""
    return brentq(lambda age: growth.SITE_FACTOR * growth.height_at(name, age) - 3.0, 0.0, 200.0)


def test_height_follows_the_nursery_rate_then_the_curve_and_never_falls_below_the_survey():
    whole = belts(
        species=["Sitka spruce", "Sitka spruce", "Sitka spruce"],
        planted_year=[2000, 2036, 2000],
        height_m=[1.0, 1.0, 30.0],
    )
    height, _, _ = belt_growth.projected_growth(whole, "in-leaf", 2040)
    # 3 m are reached after (3 − 0.5) / 0.5 = 5 years; the curve continues from where it is 3 m.
    age = age_where_the_curve_is_3_m("Sitka spruce") + 40 - 5
    by_curve = growth.SITE_FACTOR * growth.height_at("Sitka spruce", age)
    by_nursery = 0.5 + 0.5 * 4
    np.testing.assert_allclose(height, [by_curve, by_nursery, 30.0])


@pytest.mark.parametrize("name", growth.species_names())
def test_planted_size_and_nursery_rate_apply_up_to_three_metres(name):
    whole = belts(species=[name], planted_year=[2025], height_m=[0.1])
    rate = data.table("species.csv").set_index("species").loc[name, "nursery_rate"]
    assert belt_growth.projected_growth(whole, "in-leaf", 2025)[0][0] == growth.PLANTED_SIZE_M
    join = 2.5 / rate
    for age in (1, 3, 12, 40):
        height = belt_growth.projected_growth(whole, "in-leaf", 2025 + age)[0][0]
        later = age_where_the_curve_is_3_m(name) + age - join
        curve = growth.SITE_FACTOR * growth.height_at(name, later)
        assert height == pytest.approx(curve if age > join else 0.5 + rate * age)


@pytest.mark.parametrize("name", growth.species_names())
def test_growth_does_not_stall_where_the_curve_follows_the_nursery_rate(name):
    """Growth in the years after the join is at least that of the curve itself at 3 m."""
    join = math.ceil(2.5 / data.table("species.csv").set_index("species").loc[name, "nursery_rate"])
    years = [2025 + join + i for i in (0, 1)]
    whole = belts(species=[name], planted_year=[2025], height_m=[0.1])
    first, second = (belt_growth.projected_growth(whole, "in-leaf", y)[0][0] for y in years)
    at = age_where_the_curve_is_3_m(name)
    slope = growth.SITE_FACTOR * (growth.height_at(name, at + 1) - growth.height_at(name, at))
    # Mature blackthorn is 3.2 m high: it stops soon after.
    assert second - first >= min(0.9 * slope, 3.2 - first) - 1e-9


@pytest.mark.parametrize(
    ("name", "local"),
    [
        ("ash", (9.0, 25.0)),
        ("oak", (12.0, 25.0)),
        ("holly", (3.2, 200.0)),
        ("ash", (9.0, 5.0)),
        ("oak", (2.0, 30.0)),
    ],
)
def test_a_local_height_is_reached_at_its_age(name, local):
    height, age = local
    whole = belts(species=[name], planted_year=[2000], height_m=[0.1])
    heights = {name: local}
    found = belt_growth.projected_growth(whole, "in-leaf", 2000 + int(age), local_heights=heights)[
        0
    ]
    # The nursery rate is not reduced by a low height nearby.
    assert found[0] == pytest.approx(max(height, 3.0), rel=1e-6)


@given(
    species, st.integers(1980, 2040), st.integers(0, 80), st.integers(0, 80), st.floats(0.05, 25.0)
)
def test_no_belt_loses_height_or_density_with_the_years(name, planted, first, more, surveyed):
    whole = belts(species=[name], planted_year=[planted], height_m=[surveyed])
    for season in ("in-leaf", "bare"):
        early = belt_growth.projected_growth(whole, season, planted + first)
        late = belt_growth.projected_growth(whole, season, planted + first + more)
        assert late[0][0] >= early[0][0] - 1e-9
        assert late[0][0] >= surveyed
        assert late[1][0] <= early[1][0]
        column = "porosity" if season == "in-leaf" else "bare_porosity"
        assert late[1][0] >= whole[column].iloc[0]


def test_a_belt_has_no_height_before_it_is_planted():
    whole = belts(species=["oak", ""], planted_year=[2030, 2030], height_m=[8.0, 8.0])
    height, porosity, notes = belt_growth.projected_growth(whole, "in-leaf", 2029)
    assert list(height) == [0.0, 0.0]
    assert list(porosity) == [1.0, 1.0]
    assert set(notes) == {belt_growth.NOT_PLANTED}


def test_belts_without_projected_growth_keep_their_height_and_have_a_note():
    whole = belts(
        species=["oak", "", "", "something rare", "", "Hazel", "birch"],
        planted_year=[pd.NA, 2010, pd.NA, 2010, 2010, 2010, 2010],
        belt_type=["hedge", "hedge", "wall", "hedge", "fence", "hedge", "hedge"],
        height_m=[2.0] * 7,
    )
    height, _, notes = belt_growth.projected_growth(whole, "in-leaf", 2050)
    assert list(height[:5]) == [2.0] * 5
    assert all(height[5:] > 2.0)
    not_given = "growth not projected: no species or no year planted given"
    unknown = "growth not projected: species not in the table of species"
    assert list(notes) == [not_given, not_given, "", unknown, "", growth.NO_CURVE, ""]


def test_a_new_belt_reaches_its_density_after_ten_years():
    whole = belts(
        species=["oak"] * 4,
        planted_year=[2020, 2020, pd.NA, 2020],
        height_m=[1.0, 3.0, 1.0, 1.0],
        belt_type=["hedge", "hedge", "hedge", "fence"],
    )
    seen = {
        year: belt_growth.projected_growth(whole, "in-leaf", year)[1]
        for year in (2020, 2025, 2030, 2060)
    }
    np.testing.assert_allclose(seen[2020], [1.0, 0.4, 0.4, 0.4])
    np.testing.assert_allclose(seen[2025], [0.7, 0.4, 0.4, 0.4])
    np.testing.assert_allclose(seen[2030], 0.4)
    np.testing.assert_allclose(seen[2060], 0.4)
    np.testing.assert_allclose(belt_growth.projected_growth(whole, "bare", 2025)[1][0], 0.8)


def test_local_heights_set_the_curve_without_site_factor():
    whole = belts(species=["alder", "ash", "oak"], planted_year=[2000] * 3)
    local = dict(growth.parse_local_height(t) for t in ("alder 11 m at 25", "ash 9 m at 25"))
    height, _, notes = belt_growth.projected_growth(whole, "in-leaf", 2025, local_heights=local)
    plain, _, _ = belt_growth.projected_growth(whole, "in-leaf", 2025)
    np.testing.assert_allclose(height, [11.0, 9.0, plain[2]])
    assert list(notes) == ["", growth.LOCAL_LINE, ""]


def test_a_belt_without_a_surveyed_height_has_that_of_its_growth():
    whole = belts(species=["poplar", "oak"], planted_year=[2000, pd.NA])
    whole["height_m"] = np.nan
    height, porosity, _ = belt_growth.projected_growth(whole, "in-leaf", 2030)
    # Poplar is 3 m high after 2.5 years, its curve a little later.
    later = age_where_the_curve_is_3_m("poplar") + 30 - 2.5
    assert height[0] == pytest.approx(0.8 * growth.height_at("poplar", later))
    assert np.isnan(height[1])
    assert list(porosity) == [0.4, 0.4]


def test_no_belts_give_empty_results():
    none = belts(species=["oak"]).iloc[:0]
    assert [len(part) for part in belt_growth.projected_growth(none, "bare", 2030)] == [0, 0, 0]


def test_input_belts_are_not_changed():
    whole = belts(species=["oak"], planted_year=[2020])
    before = whole.copy()
    height, porosity, _ = belt_growth.projected_growth(whole, "in-leaf", None)
    height += 1.0
    porosity += 1.0
    pd.testing.assert_frame_equal(pd.DataFrame(whole), pd.DataFrame(before))
